"""``diagnb report`` and ``countersign``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from diagnb.cli.files import add_folder, now, write_new
from diagnb.cli.issuing import MEANING, add_rendering, book_for, find_photos, issue
from diagnb.cli.logfile import add_log
from diagnb.cli.signers import add_signer, free_field, signer


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    report = commands.add_parser("report", help="render a record as a PDF and sign it")
    report.add_argument("record", metavar="RECORD.json", type=Path, nargs="?")
    report.add_argument("--batch", metavar="FOLDER", type=Path, help="all records of a folder instead of one")
    report.add_argument(
        "-o", "--output", metavar="FILE.pdf", type=Path, required=True, help="the report; with --batch a folder"
    )
    report.add_argument("--processes", metavar="N", type=int, help="with --batch: at once (default: one a core)")
    report.add_argument("--meaning", metavar="TEXT", default=MEANING["Technician"], help="what the signature means")
    report.add_argument("--photos", metavar="DIR", type=Path, help="folder of the photos (default: that of the record)")
    add_rendering(report)
    add_log(report)
    add_folder(report)
    report.set_defaults(run=run_report)
    counter = commands.add_parser("countersign", help="add the reviewer's signature to a signed report")
    counter.add_argument("report", metavar="FILE.pdf", type=Path)
    add_signer(counter, key_help="the reviewer's key file")
    counter.add_argument("--field", metavar="NAME", help="the field to sign (default: the first that is not signed)")
    counter.add_argument("--meaning", metavar="TEXT", default=MEANING["Reviewer"], help="what the signature means")
    add_log(counter)
    counter.set_defaults(run=run_countersign)


def run_report(options: argparse.Namespace) -> int:
    """Render and sign; prints the path."""
    from diagnb.cli.batch import check_batch, run_batch
    from diagnb.record import load_record

    check_batch(options)
    if options.batch:
        return run_batch(options)
    record = load_record(options.record, folder=options.folder)
    photos = find_photos(record, options.photos, options.record.parent)
    with signer(options, needed=False) as key:
        pdf = issue(options, record, key=key, output=options.output, photos=photos, meaning=options.meaning)
    print(f"{options.output}: {'signed by ' + key.name if key else 'NOT signed (no --key)'}, {len(pdf):,} bytes")
    return 0


def run_countersign(options: argparse.Namespace) -> int:
    """Sign a reviewer's field in place, of a report that proves itself, by somebody who did not make it."""
    from diagnb.cli.proved import proved_report
    from diagnb.countersigning import refuse_insider, reviewers_field
    from diagnb.signing import countersign, signature_fields

    pdf = options.report.read_bytes()
    before, _ = proved_report(options.report, None)
    field = free_field(signature_fields(pdf), options.field)
    with signer(options, needed=True) as key:
        refuse_insider(before, key)
        moment = now()
        signed = countersign(
            pdf, key=key, field=field, reason=options.meaning, moment=moment, timestamp_url=options.timestamp_url,
            appearance=reviewers_field(key, moment=moment, meaning=options.meaning),
        )  # fmt: skip
    write_new(options.report, signed)
    book = book_for(options, key, options.report)
    if book is not None:
        book.signed(
            signed, key=key, record=before.record_id, revision=before.revision, digest=before.digest, before=pdf
        )
    print(f"{options.report}: {field} countersigned by {key.name}")
    return 0
