"""``diagnb report`` and ``countersign``."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from diagnb.cli.files import Once, add_folder, now, write_new
from diagnb.cli.issuing import MEANING, add_rendering, find_photos, issue
from diagnb.cli.logfile import actor, add_log, log_for
from diagnb.cli.signers import add_signer, signer
from diagnb.errors import Fault, SigningFault, fault


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
    counter.add_argument("-o", "--output", metavar="NEW.pdf", type=Path, help="a new file (default: the report itself)")
    counter.add_argument(
        "--trust",
        metavar="FILE",
        type=Path,
        action=Once,
        help="the trust list that says whose reports count (default: trust.json beside the key, else keys/trust.json)",
    )
    counter.add_argument(
        "--despite", metavar="TEXT", default="", help="why it is signed although its claim would be rejected"
    )
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
    """Sign a reviewer's field of a report that proves itself, by somebody who did not make it; says what rests on what."""
    from diagnb.countersigning import countersign_report
    from diagnb.issuing import Book
    from diagnb.signing import TrustList, load_trust

    pdf = options.report.read_bytes()
    target = options.output or options.report
    if options.output and target.exists():
        raise fault(str(target), "is there already", "name a new file, or leave -o out to sign the report itself")
    list_file = _trust_beside_key(options)
    trust = load_trust(list_file) if list_file else TrustList(())
    said = f"trust list asked: {list_file}" if list_file else "no trust list was found beside the key or in keys/"
    folders = (options.key.parent if options.key else None, list_file.parent if list_file else None)
    log = log_for(options, *folders, here=True)
    with signer(options, needed=True) as key:
        book = Book(log=log, clock=now, actor=actor(options, key), file=target.name) if log else None
        try:
            done = countersign_report(
                pdf, key=key, trust=trust, moment=now(), meaning=options.meaning, place=options.field, book=book,
                log=_to_be_asked(log), despite=options.despite, timestamp_url=options.timestamp_url,
                write=lambda signed: write_new(target, signed), beside=options.report,
            )  # fmt: skip
        except SigningFault as error:
            named = [replace(f, where=str(options.report)) if f.where == "report" else f for f in error.faults]
            raise SigningFault([*named, Fault(str(target), "nothing was signed", said)]) from error
    print(f"{target}: {done.field} countersigned by {key.name}")
    print(f"  {said}")
    if done.despite:
        print(f"  countersigned despite: {', '.join(done.despite)} ({options.despite.strip()})")
    if log is None or done.line is None:
        print("  written to no log: none was found beside the key, beside the trust list or here (name one with --log)")
    else:
        print(f"  written to the log {log.path}, line {done.line}")
    return 0


def _trust_beside_key(options: argparse.Namespace) -> Path | None:
    """The stated trust list; else the one beside the key; else the one in ``keys/`` here. Never one beside the report."""
    if options.trust:
        return Path(options.trust)
    beside = [options.key.parent / "trust.json"] if options.key else []
    return next((path for path in (*beside, Path("keys") / "trust.json") if path.is_file()), None)


def _to_be_asked(log: Any) -> Any:
    """The log as it stands, when it may know the report; a log that never issued one is that of somebody who only reviews."""
    from diagnb.lineage import read_shop_log

    if log is None or not log.path.is_file():
        return None
    shop = read_shop_log(log.path)
    issues = any(entry.event.action in ("issue", "amend", "void") for entry in shop.found.entries)
    if issues or not shop.found.good:
        return shop
    print(f"diagnb: note: {log.path} issued no report, so it can't say whether this one is void or superseded", file=sys.stderr)  # fmt: skip
    return None
