"""``diagnb evaluate``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from diagnb.cli.files import add_folder


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    evaluate = commands.add_parser("evaluate", help="derived values, uncertainty and verdicts of a record")
    evaluate.add_argument("record", metavar="RECORD.json", type=Path, help="a record, or a signed report (.pdf)")
    evaluate.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_folder(evaluate)
    evaluate.set_defaults(run=run_evaluate)


def run_evaluate(options: argparse.Namespace) -> int:
    """Exit 0; the verdicts are in the output, not in the exit status."""
    from diagnb.cli.lines import evaluation_lines
    from diagnb.evaluation import evaluate
    from diagnb.record import load_record

    if options.record.suffix.lower() == ".pdf":
        from diagnb.cli.proved import proved_report

        evaluation = evaluate(proved_report(options.record, None)[1])
    else:
        evaluation = evaluate(load_record(options.record, folder=options.folder))
    if options.json:
        print(json.dumps(evaluation.to_plain(), ensure_ascii=False, indent=1))
    else:
        print("\n".join(evaluation_lines(evaluation)))
    return 0
