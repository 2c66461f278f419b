"""``diagnb verify``: one report or hundreds."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.files import Once, authorities_of, judged, lay_beside, now, trust_for, trust_line, trust_path, write_new
from diagnb.cli.logfile import actor, add_log, log_asked, write_down
from diagnb.errors import fault

if TYPE_CHECKING:
    from diagnb.proof import Verification

_MANY = 4


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    verify = commands.add_parser("verify", help="does this report prove itself? the five answers")
    verify.add_argument("reports", metavar="FILE.pdf", type=Path, nargs="+", help="signed reports, or folders of them")
    verify.add_argument("--in-full", action="store_true", help="the five answers of good reports too, however many")
    verify.add_argument(
        "--trust",
        metavar="FILE",
        type=Path,
        action=Once,
        help="the shop's trust list (default: keys/trust.json here; one that only lies beside the report proves nothing)",
    )
    verify.add_argument(
        "--expect",
        metavar="FIELD",
        action="append",
        help="a field that must be signed (default: Technician); may be repeated",
    )
    verify.add_argument("--replaces", metavar="OLD.pdf", type=Path, help="the report that this one says it replaces")
    verify.add_argument("--original", metavar="FILE.pdf", type=Path, help="the original of a redacted copy")
    verify.add_argument("--json", action="store_true", help="print JSON instead of text")
    verify.add_argument("--csv", metavar="FILE", type=Path, help="write one row a file, for a spreadsheet")
    verify.add_argument(
        "--processes", metavar="N", type=int, default=0, help="processes for many files (default: one a core)"
    )
    verify.add_argument(
        "--seconds", metavar="S", type=float, default=60.0, help="most time for one of many files (default 60)"
    )
    verify.add_argument("--dont-log", action="store_true", help="check against the log without adding a line to it")
    add_log(verify)
    verify.set_defaults(run=run_verify)


def run_verify(options: argparse.Namespace) -> int:
    """Exit 0 when every file is trustworthy and counts, 1 when one is not, is replaced or void, 2 when one is missing."""
    from diagnb.proof import ask_log, connect

    reports = _reports(options.reports)
    if (options.replaces or options.original) and len(reports) > 1:
        raise fault("--replaces", "belongs to one report", "verify that report alone")
    missing = [path for path in reports if not path.exists()]
    for path in missing:
        others = ", the other files are verified" if len(missing) < len(reports) else ""
        print(f"diagnb: {path}: is not there; check the name{others}", file=sys.stderr)
    log, foreign = log_asked(options, reports[0])
    found = _verify(options, reports)
    if log is not None:
        from diagnb.lineage import read_shop_log

        shop = read_shop_log(log.path)
        found = [ask_log(v, shop) for v in found]
    found = connect(found)
    if log is not None and not options.dont_log and not foreign:
        seen = [v for v, path in zip(found, reports, strict=True) if path not in missing]
        write_down(log, [_event(options, v) for v in seen], stated=bool(options.log))
    if options.csv:
        from diagnb.bulk import csv_text

        # the mark lets spreadsheets see that it is UTF-8
        write_new(options.csv, b"\xef\xbb\xbf" + csv_text(found).encode("utf-8", "replace"))
    if options.json:
        print(json.dumps([v.to_plain() for v in found], ensure_ascii=False, indent=1))
    else:
        _print(options, found, reports)
        if len(missing) < len(reports):
            print(_log_line(log, foreign))
    if len(found) > 1:
        _conclude(options, found, reports)
    if missing:
        return 2
    return 0 if all(v.counts for v in found) else 1


def _print(options: argparse.Namespace, found: Sequence[Verification], reports: Sequence[Path]) -> None:
    from diagnb.cli.answers import folder_line, verification_lines

    many = len(found) >= _MANY and not options.in_full
    for verification, report in zip(found, reports, strict=True):
        if not report.exists():
            continue  # said already, and nothing more can be
        if many and verification.reasons in ((), ("void",)):
            print(folder_line(verification))
        else:
            head, *rest = verification_lines(verification, notes=not many)
            print("\n".join([head, trust_line(report, options.trust), *rest]))


def _log_line(log: Any, foreign: bool) -> str:
    if log is None:
        return "log: not asked (no audit.jsonl found; name it with --log)"
    if foreign:
        return f"log asked: {log.path}. It lay beside the report and may have come with it: compare it with the shop's."
    return f"log asked: {log.path}"


def _reports(stated: Sequence[Path]) -> list[Path]:
    """The files stated, and those in the folders stated; a pattern is unfolded where the shell did not do it."""
    found: list[Path] = []
    for path in stated:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() == ".pdf" and p.is_file())
            if not inside:
                raise fault(str(path), "holds no report", "name a folder with .pdf files in it")
            found += inside
        elif "*" in path.name and not path.exists():
            found += sorted(path.parent.glob(path.name)) or [path]
        else:
            found.append(path)
    return found


def _verify(options: argparse.Namespace, reports: Sequence[Path]) -> list[Verification]:
    moment = now()
    expected = tuple(options.expect or ("Technician",))
    if len(reports) < _MANY and not options.processes:
        from diagnb.proof import verify_report

        return [
            judged(
                verify_report(
                    path, trust=trust_for(path, options.trust), moment=moment, expected=expected,
                    replaces=options.replaces, original=options.original,
                ), path, options.trust,
            )
            for path in reports
        ]  # fmt: skip
    from diagnb.bulk import Job, verify_many

    for path in {trust_path(report, options.trust) for report in reports}:
        if path is not None:
            trust_for(path, path)
    seen = sys.stderr.isatty()

    def progress(done: int, _: Any) -> None:
        if seen:
            print(f"\r{done} of {len(reports)} ", end="", file=sys.stderr, flush=True)

    found = verify_many(
        [Job(report, trust_path(report, options.trust)) for report in reports],
        moment=moment, expected=expected, processes=options.processes or os.cpu_count() or 1, seconds=options.seconds,
        progress=progress,
    )  # fmt: skip
    if seen:
        print(file=sys.stderr)
    return [judged(v, report, options.trust) for v, report in zip(found, reports, strict=True)]


def _event(options: argparse.Namespace, v: Verification) -> Any:
    from diagnb.audit import Event
    from diagnb.audit.entry import MOST_TEXT

    path = Path(v.file)
    return Event(
        action="verify", actor=actor(options), record=v.record_id[:MOST_TEXT], revision=v.revision, digest=v.digest,
        file=path.name, file_sha256=v.file_sha256, outcome="trustworthy" if v.trustworthy else ", ".join(v.reasons)[:MOST_TEXT],
    )  # fmt: skip


def _conclude(options: argparse.Namespace, found: Sequence[Verification], reports: Sequence[Path]) -> None:
    from diagnb.bulk import summary
    from diagnb.proof import REASONS

    counted = summary(found)
    stream = sys.stderr if options.json else sys.stdout

    def say(text: str) -> None:
        print(text, file=stream)

    gone = "".join(f", {counted['states'][s]} {s}" for s in ("superseded", "void") if s in counted["states"])
    demos = counted["notes"].get("demonstration-only", 0)
    only = f", {demos} of them as a demonstration only" if demos else ""
    say(f"{counted['trustworthy']} of {counted['files']} trustworthy{only}{gone}")
    for code, count in counted["reasons"].items():
        say(f"  {count} × {REASONS[code]} [{code}]")
    if options.json:
        return
    for text in _lists_asked(options, reports):
        say(text)
    if len(found) >= _MANY and not options.in_full:
        for code, count in counted["notes"].items():
            say(f"note, {count} ×: {REASONS[code]} [{code}]")
    gone_files = [v.file for v in found if v.reasons in ((), ("void",)) and not v.counts]
    bad = [v.file for v in found if v.reasons not in ((), ("void",))]
    for label, files in (("superseded or void", gone_files), ("not trustworthy", bad)):
        if files:
            say(f"{label}: " + ", ".join(files[:20]) + (f" and {len(files) - 20} more" if len(files) > 20 else ""))


def _lists_asked(options: argparse.Namespace, reports: Sequence[Path]) -> Iterator[str]:
    asked = Counter(trust_path(report, options.trust) for report in reports)
    for path, count in asked.items():
        if path is None:
            yield f"no trust list for {count} files, so nobody is trusted there (name the shop's own list with --trust)"
            continue
        beside = "; it lay beside the reports, so nobody vouches for it" if lay_beside(path, options.trust) else ""
        yield f"trust list asked for {count} files: {path} ({authorities_of(path)}){beside}"
