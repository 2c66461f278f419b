"""``diagnb evaluate`` and ``diagnb check``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    evaluate = commands.add_parser("evaluate", help="derived values, uncertainty and verdicts of a record")
    evaluate.add_argument("record", metavar="RECORD.json", type=Path)
    evaluate.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_folder(evaluate)
    evaluate.set_defaults(run=run_evaluate)
    check = commands.add_parser("check", help="claim readiness: what would get this claim rejected")
    check.add_argument("record", metavar="RECORD.json", type=Path)
    check.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_folder(check)
    check.set_defaults(run=run_check)


def add_folder(parser: argparse.ArgumentParser) -> None:
    """The option that names a shop's own sheets and procedures."""
    parser.add_argument(
        "--folder",
        type=Path,
        help="work folder with the shop's own meters/ and procedures/, which win over the shipped ones",
    )


def run_evaluate(options: argparse.Namespace) -> int:
    """Exit 0; the verdicts are in the output, not in the exit status."""
    from diagnb.cli.lines import evaluation_lines
    from diagnb.evaluation import evaluate
    from diagnb.record import load_record

    evaluation = evaluate(load_record(options.record, folder=options.folder))
    if options.json:
        print(json.dumps(evaluation.to_plain(), ensure_ascii=False, indent=1))
    else:
        print("\n".join(evaluation_lines(evaluation)))
    return 0


def run_check(options: argparse.Namespace) -> int:
    """Exit 1 when a remark would get the claim rejected, else 0."""
    from diagnb.cli.lines import remark_lines
    from diagnb.evaluation import evaluate
    from diagnb.readiness import check
    from diagnb.record import load_record

    record = load_record(options.record, folder=options.folder)
    remarks = check(record, evaluate(record))
    if options.json:
        print(json.dumps([r.to_plain() for r in remarks], ensure_ascii=False, indent=1))
    elif not remarks:
        print("nothing found that would weaken this claim")
    else:
        print("\n".join(remark_lines(remarks)))
    return 1 if any(r.severity == "rejects" for r in remarks) else 0
