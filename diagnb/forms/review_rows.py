"""The step Review: what is missing, what is still blank, what would get the claim rejected, each with a way there."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from diagnb.forms.model import Review
from diagnb.forms.row import Row, action, capital, heading, note
from diagnb.readiness import Remark


def review_rows(review: Review, title_of: Callable[[str], str]) -> list[Row]:
    """What is missing, then what would get the claim rejected, each with a way to its field."""
    rows = [heading("Missing or wrong", "the report can't be signed before these are mended")] if review.faults else []
    for number, found in enumerate(review.faults):
        rows.append(
            action(f"go.{number}.{found.where}", "Go there", found.what, tone="fault", mark="✕", detail=found.repair, locks=False)
        )  # fmt: skip
    if review.blank:
        rows.append(heading("Still blank", "without these the tests say nothing"))
    for number, key in enumerate(review.blank):
        rows.append(action(f"go.b{number}.{key}", "Go there", title_of(key), tone="caution", mark="!", locks=False))
    rejecting = len(review.rejecting)
    counted = (
        f": {_remarks(rejecting)} would" if rejecting else ": nothing found that would" if review.evaluation else ""
    )
    rows.append(heading("Claim readiness" + counted + (" get this claim rejected" if counted else "")))
    marks = {"rejects": ("✕ rejects:", "fault"), "weakens": ("! weakens:", "caution"), "note": ("· note:", "plain")}
    for number, (key, remark, like) in enumerate(_gathered(review.remarks)):
        mark, tone = marks[remark.severity]
        named = dict.fromkeys(name for one in like for name in re.findall("“.+?”", one.message))
        also = f"{len(like)} more of this kind: {', '.join(named) or 'see the fields'}. " if like else ""
        rows.append(
            action(f"go.r{number}.{key}", "Go there", capital(remark.message), tone=tone, mark=mark, detail=also + capital(remark.repair), locks=False)
        )  # fmt: skip
    if not review.remarks:
        rows.append(note("Nothing more to say." if review.evaluation else "Shown as soon as there is a test."))
    return rows


def _gathered(remarks: Sequence[tuple[str, Remark]]) -> list[tuple[str, Remark, list[Remark]]]:
    """The remarks, each with those of the same kind that follow from the same thing; what rejects stays by itself."""
    found: dict[object, tuple[str, Remark, list[Remark]]] = {}
    for number, (key, remark) in enumerate(remarks):
        kind: object = number if remark.severity == "rejects" else (remark.code, remark.repair)
        if kind in found:
            found[kind][2].append(remark)
        else:
            found[kind] = key, remark, []
    return list(found.values())


def _remarks(count: int) -> str:
    return "1 remark" if count == 1 else f"{count} remarks"
