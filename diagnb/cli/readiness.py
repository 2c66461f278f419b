"""``diagnb check``: claim readiness of one record or report, or of a whole folder with what stands there twice."""

from __future__ import annotations

import argparse
import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.files import Once, add_folder, judged, lay_beside, now, trust_for, trust_path, write_new
from diagnb.errors import DiagnbError, fault

if TYPE_CHECKING:
    from diagnb.readiness import Remark
    from diagnb.record import Record


@dataclass(frozen=True, slots=True)
class _Checked:
    """A file, the record in it (None where there is none), and its remarks."""

    file: Path
    record: Record | None
    remarks: tuple[Remark, ...]

    def counted(self, severity: str) -> int:
        return sum(remark.severity == severity for remark in self.remarks)


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    check = commands.add_parser("check", help="claim readiness: what would get this claim rejected")
    check.add_argument(
        "records",
        metavar="RECORD.json",
        type=Path,
        nargs="+",
        help="records, signed reports (.pdf), or folders of them",
    )
    check.add_argument("--json", action="store_true", help="print JSON instead of text")
    check.add_argument("--csv", metavar="FILE", type=Path, help="write one row a file, for a spreadsheet")
    check.add_argument(
        "--policy", metavar="FILE.toml", type=Path, help="the fleet's own policy on top of the shipped rules"
    )
    check.add_argument(
        "--trust",
        metavar="FILE",
        type=Path,
        action=Once,
        help="the shop's trust list, for signed reports (default: as for diagnb verify)",
    )
    add_folder(check)
    check.set_defaults(run=run_check)


def run_check(options: argparse.Namespace) -> int:
    """Exit 1 when a remark would get a claim rejected, else 0."""
    from diagnb.readiness import doubles

    files = _files(options.records)
    one = len(files) == 1 and not options.records[0].is_dir()
    checked = [_checked(path, options, strict=one) for path in files]
    if not one:
        found = doubles([(c.file.name, c.record) for c in checked])
        checked = [replace(c, remarks=(*more, *c.remarks)) for c, more in zip(checked, found, strict=True)]
    if options.csv:
        # the mark lets spreadsheets see that it is UTF-8
        write_new(options.csv, b"\xef\xbb\xbf" + _table(checked).encode("utf-8", "replace"))
    if options.json:
        rows = [{"file": str(c.file), "remarks": [r.to_plain() for r in c.remarks]} for c in checked]
        print(json.dumps(rows[0]["remarks"] if one else rows, ensure_ascii=False, indent=1))
    elif one:
        _print_one(checked[0])
    else:
        _print_many(checked)
    return 1 if any(c.counted("rejects") for c in checked) else 0


def _files(stated: Sequence[Path]) -> list[Path]:
    found: list[Path] = []
    for path in stated:
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in (".json", ".pdf") and p.is_file())
            if not inside:
                raise fault(str(path), "holds neither a record nor a report", "name a folder with .json or .pdf files")
            found += inside
        elif "*" in path.name and not path.exists():
            found += sorted(path.parent.glob(path.name)) or [path]
        else:
            found.append(path)
    return found


def _checked(path: Path, options: argparse.Namespace, *, strict: bool) -> _Checked:
    from diagnb.evaluation import evaluate
    from diagnb.readiness import Remark, check, load_policy
    from diagnb.readiness.policy import DEFAULT
    from diagnb.record import load_record

    policy = load_policy(options.policy) if options.policy else DEFAULT
    try:
        if path.suffix.lower() == ".pdf":
            record, altered = _record_of_report(path, options.trust)
        else:
            record, altered = load_record(path, folder=options.folder), ()
    except (DiagnbError, OSError) as error:
        if strict:
            raise
        said = "; ".join(str(f) for f in error.faults[:3]) if isinstance(error, DiagnbError) else str(error.strerror)
        return _Checked(path, None, (Remark("unreadable", "rejects", path.name, said, "hand in a record or a report"),))
    return _Checked(path, record, (*altered, *check(record, evaluate(record), policy)))


def _print_one(found: _Checked) -> None:
    from diagnb.cli.lines import remark_lines

    if not found.remarks:
        print("nothing found that would weaken this claim")
    else:
        print("\n".join(remark_lines(found.remarks)))


def _print_many(checked: Sequence[_Checked]) -> None:
    """A line a file, the gravest remarks below it; the others are counted."""
    from diagnb.cli.lines import remark_lines

    for one in checked:
        rejects, weakens = one.counted("rejects"), one.counted("weakens")
        state = "WOULD BE REJECTED" if rejects else "weak" if weakens else "ready"
        named = "" if one.record is None else f"  {one.record.id}, {one.record.order.number or 'no repair order'}"
        print(f"{one.file}: {state}{named}" + (f"; {weakens} remarks weaken it" if weakens else ""))
        for line in remark_lines(r for r in one.remarks if r.severity == "rejects"):
            print(f"  {line}")
    rejected = sum(bool(one.counted("rejects")) for one in checked)
    weak = sum(not one.counted("rejects") and bool(one.counted("weakens")) for one in checked)
    print(f"{len(checked)} files: {rejected} would be rejected, {weak} weak, {len(checked) - rejected - weak} ready")


def _table(checked: Sequence[_Checked]) -> str:
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(["file", "record", "revision", "repair order", "VIN", "unit", "state", "rejects", "weakens", "notes", "codes", "messages"])  # fmt: skip
    for one in checked:
        record = one.record
        rejects, weakens = one.counted("rejects"), one.counted("weakens")
        facts: list[Any] = [one.file, "", "", "", "", ""]
        if record is not None:
            facts = [one.file, record.id, record.revision, record.order.number, record.vehicle.vin, record.vehicle.unit]
        facts += [
            "would be rejected" if rejects else "weak" if weakens else "ready", rejects, weakens, one.counted("note"),
            "; ".join(dict.fromkeys(r.code for r in one.remarks)),
            "; ".join(r.message for r in one.remarks if r.severity == "rejects"),
        ]  # fmt: skip
        rows.writerow([_plain_cell(fact) for fact in facts])
    return out.getvalue()


def _plain_cell(fact: Any) -> str:
    """A cell that no spreadsheet takes for a formula."""
    text = str(fact)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


_ALTERED = frozenset(
    {
        "digest-mismatch",
        "changed-after-signing",
        "metadata-changed",
        "not-whole-revision",
        "byte-range-wrong",
        "junk-after-end",
    }
)
"""Reasons that speak of the time after the signature; the others may have been so when it was signed."""


def _record_of_report(path: Path, trust: Path | None) -> tuple[Any, tuple[Any, ...]]:
    """The record inside a signed report, and a remark when the report does not prove itself."""
    from diagnb.proof import REASONS, verify_report
    from diagnb.readiness import Remark

    found = judged(verify_report(path, trust=trust_for(path, trust), moment=now()), path, trust)
    if found.record is None:
        why = REASONS[found.reasons[0]] if found.reasons else "it carries no record"
        raise fault(str(path), f"no record can be taken from it: {why}", "see diagnb verify")
    if found.trustworthy and found.pages == "same":
        return found.record, ()
    if found.trustworthy:
        return found.record, (
            Remark("pages-not-proved", "weakens", path.name, REASONS["pages-not-proved"], "have the report made anew from its record"),
        )  # fmt: skip
    said = "; ".join(REASONS[reason] for reason in found.reasons)
    about_trust = {
        "not-trusted",
        "trust-list-beside",
        "certificate-expired",
        "outside-trust-period",
        "certificate-revoked",
    }
    asked = trust_path(path, trust)
    if set(found.reasons) <= about_trust and asked is not None and not lay_beside(asked, trust):
        return found.record, (
            Remark("signer-not-trusted", "rejects", path.name, f"nothing was altered, but {said}", f"ask the shop whose key it is; asked was {asked}"),
        )  # fmt: skip
    if set(found.reasons) <= about_trust:
        return found.record, (
            Remark("signer-not-trusted", "weakens", path.name, f"nothing was altered, but {said}", "name the shop's trust list with --trust"),
        )  # fmt: skip
    code = "altered-after-signing" if _ALTERED & set(found.reasons) else "report-not-proved"
    return found.record, (
        Remark(code, "rejects", path.name, f"the report does not prove itself: {said}", "see diagnb verify for what helps"),
    )  # fmt: skip
