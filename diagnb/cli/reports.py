"""``diagnb report`` and ``countersign``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from diagnb.cli.files import add_folder, now, write_new
from diagnb.cli.issuing import MEANING, add_rendering, find_photos, issue, open_key, signed_event
from diagnb.cli.logfile import add_log, log_for
from diagnb.cli.secrets import add_passphrase, passphrase


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    report = commands.add_parser("report", help="render a record as a PDF and sign it")
    report.add_argument("record", metavar="RECORD.json", type=Path)
    report.add_argument("-o", "--output", metavar="FILE.pdf", type=Path, required=True)
    report.add_argument("--photos", metavar="DIR", type=Path, help="folder of the photos (default: that of the record)")
    add_rendering(report)
    add_log(report)
    add_folder(report)
    report.set_defaults(run=run_report)
    counter = commands.add_parser("countersign", help="add the reviewer's signature to a signed report")
    counter.add_argument("report", metavar="FILE.pdf", type=Path)
    counter.add_argument("--key", metavar="KEY", type=Path, required=True)
    add_passphrase(counter)
    add_log(counter)
    counter.set_defaults(run=run_countersign)


def run_report(options: argparse.Namespace) -> int:
    """Render and sign; prints the path."""
    from diagnb.record import load_record

    record = load_record(options.record, folder=options.folder)
    photos = find_photos(record, options.photos, options.record.parent)
    key = open_key(options)
    pdf = issue(options, record, key=key, output=options.output, photos=photos)
    print(f"{options.output}: {'signed by ' + key.name if key else 'NOT signed (no --key)'}, {len(pdf):,} bytes")
    return 0


def run_countersign(options: argparse.Namespace) -> int:
    """Sign the reviewer's field in place."""
    from diagnb.signing import countersign, load_key

    pdf = options.report.read_bytes()
    key = load_key(options.key, passphrase(options, f"Passphrase of {options.key.name}"))
    signed = countersign(pdf, key=key, field="Reviewer", reason=MEANING["Reviewer"], moment=now())
    write_new(options.report, signed)
    log = log_for(options, options.key.parent)
    if log is not None:
        from diagnb.proof import verify_report

        found = verify_report(signed, moment=now(), expected=())
        event = signed_event(options, key, signed, options.report, found.record_id, found.revision, found.digest)
        log.append(event, clock=now)
    print(f"{options.report}: countersigned by {key.name}")
    return 0
