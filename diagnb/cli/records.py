"""``diagnb evaluate`` and ``diagnb check``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from diagnb.cli.files import add_folder, now, trust_for


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    evaluate = commands.add_parser("evaluate", help="derived values, uncertainty and verdicts of a record")
    evaluate.add_argument("record", metavar="RECORD.json", type=Path)
    evaluate.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_folder(evaluate)
    evaluate.set_defaults(run=run_evaluate)
    check = commands.add_parser("check", help="claim readiness: what would get this claim rejected")
    check.add_argument("record", metavar="RECORD.json", type=Path, help="a record, or a signed report (.pdf)")
    check.add_argument("--json", action="store_true", help="print JSON instead of text")
    check.add_argument(
        "--policy", metavar="FILE.toml", type=Path, help="the fleet's own policy on top of the shipped rules"
    )
    check.add_argument(
        "--trust", metavar="FILE", type=Path, help="the shop's trust list, when a signed report is checked"
    )
    add_folder(check)
    check.set_defaults(run=run_check)


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
    from diagnb.readiness import check, load_policy
    from diagnb.readiness.policy import DEFAULT
    from diagnb.record import load_record

    policy = load_policy(options.policy) if options.policy else DEFAULT
    if options.record.suffix.lower() == ".pdf":
        record, altered = _record_of_report(options.record, options.trust)
    else:
        record, altered = load_record(options.record, folder=options.folder), ()
    remarks = (*altered, *check(record, evaluate(record), policy))
    if options.json:
        print(json.dumps([r.to_plain() for r in remarks], ensure_ascii=False, indent=1))
    elif not remarks:
        print("nothing found that would weaken this claim")
    else:
        print("\n".join(remark_lines(remarks)))
    return 1 if any(r.severity == "rejects" for r in remarks) else 0


def _record_of_report(path: Path, trust: Path | None) -> tuple[Any, tuple[Any, ...]]:
    """The record inside a signed report, and a remark when the report does not prove itself."""
    from diagnb.errors import fault
    from diagnb.proof import REASONS, verify_report
    from diagnb.readiness import Remark

    found = verify_report(path, trust=trust_for(path, trust), moment=now())
    if found.record is None:
        why = REASONS[found.reasons[0]] if found.reasons else "it carries no record"
        raise fault(str(path), f"no record can be taken from it: {why}", "see diagnb verify")
    if found.trustworthy:
        return found.record, ()
    said = "; ".join(REASONS[reason] for reason in found.reasons)
    if set(found.reasons) <= {"not-trusted", "certificate-expired", "outside-trust-period", "certificate-revoked"}:
        return found.record, (
            Remark("signer-not-trusted", "weakens", path.name, f"nothing was altered, but {said}", "name the shop's trust list with --trust"),
        )  # fmt: skip
    return found.record, (
        Remark("altered-after-signing", "rejects", path.name, f"the report does not prove itself: {said}", "send the report as it was signed"),
    )  # fmt: skip
