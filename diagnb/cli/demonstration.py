"""``diagnb demo``: the whole main job on the shipped demonstration record, with invented data."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

from diagnb.shipped import templates_directory


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    demo = commands.add_parser(
        "demo", help="the whole job in seconds, on invented data: evaluate, check, report, sign, verify"
    )
    demo.add_argument(
        "--out", metavar="DIR", type=Path, default=Path("diagnb-demo"), help="where the files go (default diagnb-demo)"
    )
    demo.add_argument("--language", default="en", metavar="L", help="language of the report: en, fr, de or es")
    demo.set_defaults(run=run_demo)


def run_demo(options: argparse.Namespace) -> int:
    """Exit 0 when the signed report verifies, else 1."""
    started = time.perf_counter()
    from diagnb.cli.answers import verification_lines
    from diagnb.cli.files import now, write_new
    from diagnb.cli.issuing import MEANING
    from diagnb.cli.lines import remark_lines, result_line
    from diagnb.evaluation import evaluate
    from diagnb.proof import verify_report
    from diagnb.readiness import check
    from diagnb.record import load_record, plain
    from diagnb.report import render_report
    from diagnb.signing import TrustList, certify, countersign, create_authority, create_person, trust_entry

    moment = now()
    record = load_record(templates_directory() / "demo-record.json")
    print("Invented data throughout: a 24 V city bus whose wheelchair ramp rises slowly.\n")
    evaluation = evaluate(record)
    for test in evaluation.tests:
        for result in test.results:
            if result.to_judge:
                print(f"test {test.id}, {test.phase}: {result_line(result)}")
    remarks = check(record, evaluation)
    print(
        f"\nclaim readiness: {len(remarks)} remarks, {sum(r.severity == 'rejects' for r in remarks)} that would get it rejected"
    )
    kinds = {remark.code: remark for remark in reversed(remarks)}
    print("one of each kind (all of them: diagnb check):")
    print("\n".join(remark_lines(tuple(kinds.values())[::-1])))
    authority = create_authority(name="Demonstration shop (throw-away key)", moment=moment)
    people = {p.role: create_person(authority, name=p.name, role=p.role, moment=moment) for p in record.people}
    pdf = render_report(record, evaluation, moment=moment, language=options.language)
    pdf = certify(pdf, key=people["technician"], field="Technician", reason=MEANING["Technician"], moment=moment)
    pdf = countersign(pdf, key=people["reviewer"], field="Reviewer", reason=MEANING["Reviewer"], moment=moment)
    trust = TrustList((trust_entry(authority.certificate, added=moment, added_by="diagnb demo"),))
    import json

    report, list_file, record_file = options.out / "report.pdf", options.out / "trust.json", options.out / "record.json"
    write_new(report, pdf)
    write_new(list_file, trust.to_json().encode())
    write_new(record_file, (json.dumps(plain(record), ensure_ascii=False, indent=1) + "\n").encode())
    found = verify_report(report, trust=trust, moment=moment, expected=("Technician", "Reviewer"))
    print()
    print("\n".join(verification_lines(found)))
    print(f"\nsigned report  {report}\nrecord         {record_file}\ntrust list     {list_file}")
    command = sys.argv[0] if Path(sys.argv[0]).name == "diagnb" else "diagnb"
    print(f"check it again: {command} verify {report} --trust {list_file}")
    print(f"{time.perf_counter() - started:.1f} s; the keys were thrown away")
    return 0 if found.trustworthy else 1
