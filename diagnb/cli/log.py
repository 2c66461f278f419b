"""``diagnb log``: check the audit log, read it, prove a line of it."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path
from typing import Any

from diagnb.cli.logfile import NAME
from diagnb.errors import InputFault, fault
from diagnb.quantities.counting import counted


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    log = commands.add_parser("log", help="the shop's audit log: check, read, prove")
    actions = log.add_subparsers(dest="action", metavar="ACTION", required=True)
    verify = actions.add_parser("verify", help="check every line, and heads that left the shop")
    verify.add_argument(
        "--head", metavar="HEAD", action="append", default=[], help="a head printed in a report; may be repeated"
    )
    verify.add_argument(
        "--report", metavar="FILE.pdf", type=Path, nargs="+", default=[], help="take heads from reports"
    )
    verify.add_argument("--proof", metavar="FILE.json", type=Path, help="check a proof instead of the log, with --head")
    verify.set_defaults(run=run_verify)
    show = actions.add_parser("show", help="one line an entry")
    show.add_argument("--record", metavar="ID", default="", help="only what concerns this record")
    show.add_argument("--json", action="store_true", help="print the lines as JSON")
    show.set_defaults(run=run_show)
    prove = actions.add_parser("prove", help="a proof that a line stands in the log, or that the log only grew")
    prove.add_argument("--line", metavar="N", type=int, help="the line, counted from 1")
    prove.add_argument(
        "--record", metavar="ID", default="", help="the line that issued the newest revision of a record"
    )
    prove.add_argument("--since", metavar="HEAD", default="", help="prove that the log only grew from this head")
    prove.add_argument("--head", metavar="HEAD", default="", help="under this head (default: over all lines)")
    prove.set_defaults(run=run_prove)
    for parser in (verify, show, prove):
        parser.add_argument("log", metavar="LOG", type=Path, nargs="?", default=Path("keys") / NAME, help="default keys/audit.jsonl")  # fmt: skip


def run_verify(options: argparse.Namespace) -> int:
    """Exit 0 when the log is whole and every head given is one of its heads, else 1."""
    if options.proof:
        return _check_proof(options)
    from diagnb.lineage import read_shop_log

    shop = read_shop_log(options.log)
    found = shop.found
    wrong = _wrong_lines(found)
    for name, text in [*(("--head", text) for text in options.head), *_printed_heads(options.report)]:
        trouble = _compare(shop, name, text)
        if trouble:
            wrong.append(trouble)
        else:
            print(f"{name}: a head of this log")
    for remark in found.remarks:
        print(f"note: {remark}")
    for line in wrong:
        print(f"WRONG: {line}")
    print(f"{options.log}: {found.head.size} lines, {'whole' if not wrong else 'NOT whole'}; head {found.head}")
    return 1 if wrong else 0


def _wrong_lines(found: Any) -> list[str]:
    """The first wrong line, how many hang on it, then what is wrong further on besides."""
    if not found.faults:
        return []
    first = found.faults[0].where
    here = [fault for fault in found.faults if fault.where == first]
    said = [str(fault) for fault in here]
    numbered = re.match(r"line (\d+)", first)
    after = found.head.size - int(numbered[1]) if numbered else 0
    if after:
        said[-1] += f", and {after} following {'lines depend' if after > 1 else 'line depends'} on it"
    return said + [str(fault) for fault in found.faults if fault.where != first][:50]


def _compare(shop: Any, name: str, text: str) -> str:
    from diagnb.audit import read_head

    if not text:
        return f"{name}: carries no log head"
    try:
        head = read_head(text)
    except InputFault as error:
        return f"{name}: {error}"
    lines = shop.found.head.size
    if head.size > lines:
        missing = f"the last {counted(head.size - lines, 'line')} may have been cut off, or it is another log"
        return f"{name}: it ends at line {lines}, the head given is of line {head.size}: {missing}"
    same = shop.head_at(head.size) == head
    return (
        "" if same else f"{name}: is not a head of this log: lines up to {head.size} were changed, or it is another log"
    )


def _printed_heads(reports: list[Path]) -> list[tuple[str, str]]:
    from diagnb.cli.files import now
    from diagnb.proof import verify_report

    return [(str(path), verify_report(path, moment=now(), expected=()).log_head) for path in reports]


def _check_proof(options: argparse.Namespace) -> int:
    from diagnb.audit import read_head, read_proof

    proof = read_proof(options.proof.read_bytes())
    heads = [read_head(text) for text in options.head]
    wanted = {proof.head, proof.earlier} - {None}
    unknown = [head for head in heads if head not in wanted]
    for head in unknown:
        print(f"WRONG: the proof says nothing about the head {head}")
    if not heads:
        print("note: without --head the proof only holds for the head that it states itself")
    good = proof.holds()
    if proof.kind == "inclusion":
        entry = proof.entry
        print(f"{'holds' if good else 'WRONG'}: line {entry.seq + 1} stands under {proof.head}")
        print(f"  {_said(entry)}")
    else:
        print(f"{'holds' if good else 'WRONG'}: the log only grew from {proof.earlier} to {proof.head}")
    return 0 if good and not unknown else 1


def run_show(options: argparse.Namespace) -> int:
    """One line an entry; exit 1 when the log is broken."""
    from diagnb.audit import AuditLog

    found = AuditLog(options.log).check()
    for entry in found.entries:
        if options.record and entry.event.record != options.record:
            continue
        print(entry.line().decode("utf-8") if options.json else _said(entry))
    if not found.good:
        print(f"the log is broken: {found.faults[0]}")
    return 0 if found.good else 1


def _said(entry: Any) -> str:
    event = entry.event
    parts = [event.record and f"{event.record} revision {event.revision}", event.file]
    whose = "key of" if event.action == "trust" else "signed by"
    parts += [event.signer and f"{whose} {event.signer}", event.outcome, event.reason, event.remark]
    said = "; ".join(" ".join(part.split()) for part in parts if part)
    return f"{entry.seq + 1:6} {entry.time.isoformat(sep=' ')} {event.action:9} by {event.actor}: {said}"


def run_prove(options: argparse.Namespace) -> int:
    """Print the proof as JSON."""
    from diagnb.audit import lines_of, prove_consistency, prove_inclusion, read_head

    lines = lines_of(options.log)
    head = read_head(options.head) if options.head else None
    if options.since:
        proof = prove_consistency(lines, read_head(options.since), head=head)
    else:
        number = options.line if options.line is not None else _line_of(options)
        proof = prove_inclusion(lines, number - 1, head=head)
    print(json.dumps(proof.to_plain(), ensure_ascii=False, indent=1))
    return 0


def _line_of(options: argparse.Namespace) -> int:
    from diagnb.audit import AuditLog

    if not options.record:
        raise fault("prove", "what is to be proved is not said", "use --line, --record or --since")
    issued = [
        entry.seq + 1
        for entry in AuditLog(options.log).check().entries
        if entry.event.record == options.record and entry.event.action in ("issue", "amend", "void")
    ]
    if not issued:
        raise fault("--record", f"{options.record} was never issued by this log")
    return int(issued[-1])
