"""``diagnb report``, ``countersign`` and ``verify``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from diagnb.cli.files import add_folder, now, trust_for, write_new
from diagnb.cli.secrets import add_passphrase, passphrase

MEANING = {
    "Technician": "I took these readings and made this report",
    "Reviewer": "I reviewed this record",
}


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    report = commands.add_parser("report", help="render a record as a PDF and sign it")
    report.add_argument("record", metavar="RECORD.json", type=Path)
    report.add_argument("-o", "--output", metavar="FILE.pdf", type=Path, required=True)
    report.add_argument(
        "--key", metavar="KEY", type=Path, help="the technician's key file; without it the report is unsigned"
    )
    report.add_argument("--language", default="en", metavar="L", help="en, fr, de or es (default en)")
    report.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    report.add_argument("--technician", default="", metavar="ID", help="id of the person in the record who signs")
    add_passphrase(report)
    add_folder(report)
    report.set_defaults(run=run_report)
    counter = commands.add_parser("countersign", help="add the reviewer's signature to a signed report")
    counter.add_argument("report", metavar="FILE.pdf", type=Path)
    counter.add_argument("--key", metavar="KEY", type=Path, required=True)
    add_passphrase(counter)
    counter.set_defaults(run=run_countersign)
    verify = commands.add_parser("verify", help="does this report prove itself? the five answers")
    verify.add_argument("reports", metavar="FILE.pdf", type=Path, nargs="+")
    verify.add_argument(
        "--trust", metavar="FILE", type=Path, help="the shop's trust list (default: trust.json beside the report)"
    )
    verify.add_argument(
        "--expect",
        metavar="FIELD",
        action="append",
        help="a field that must be signed (default: Technician); may be repeated",
    )
    verify.add_argument("--json", action="store_true", help="print JSON instead of text")
    verify.set_defaults(run=run_verify)


def run_report(options: argparse.Namespace) -> int:
    """Render and sign; prints the path."""
    from diagnb.evaluation import evaluate
    from diagnb.record import load_record
    from diagnb.report import render_report

    record = load_record(options.record, folder=options.folder)
    moment = now()
    key = None
    if options.key:
        from diagnb.signing import load_key

        key = load_key(options.key, passphrase(options, f"Passphrase of {options.key.name}"))
    pdf = render_report(
        record,
        evaluate(record),
        moment=moment,
        language=options.language,
        paper=options.paper,
        technician=options.technician,
    )
    if key is not None:
        from diagnb.signing import certify

        pdf = certify(pdf, key=key, field="Technician", reason=MEANING["Technician"], moment=moment)
    write_new(options.output, pdf)
    print(f"{options.output}: {'signed by ' + key.name if key else 'NOT signed (no --key)'}, {len(pdf):,} bytes")
    return 0


def run_countersign(options: argparse.Namespace) -> int:
    """Sign the reviewer's field in place."""
    from diagnb.signing import countersign, load_key

    pdf = options.report.read_bytes()
    key = load_key(options.key, passphrase(options, f"Passphrase of {options.key.name}"))
    signed = countersign(pdf, key=key, field="Reviewer", reason=MEANING["Reviewer"], moment=now())
    write_new(options.report, signed)
    print(f"{options.report}: countersigned by {key.name}")
    return 0


def run_verify(options: argparse.Namespace) -> int:
    """Exit 0 when every file is trustworthy, else 1."""
    from diagnb.cli.lines import verification_lines
    from diagnb.proof import verify_report

    moment = now()
    expected = tuple(options.expect or ("Technician",))
    found = []
    for number, path in enumerate(options.reports):
        if len(options.reports) > 3 and sys.stderr.isatty():
            print(f"\r{number + 1} of {len(options.reports)} ", end="", file=sys.stderr)
        found.append(verify_report(path, trust=trust_for(path, options.trust), moment=moment, expected=expected))
    if options.json:
        print(json.dumps([v.to_plain() for v in found], ensure_ascii=False, indent=1))
    else:
        for verification in found:
            print("\n".join(verification_lines(verification)))
        if len(found) > 1:
            print(f"{sum(v.trustworthy for v in found)} of {len(found)} trustworthy")
    return 0 if all(v.trustworthy for v in found) else 1
