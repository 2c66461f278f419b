"""The step Review: what is missing, what is still blank, what would get the claim rejected, each with a way there."""

from __future__ import annotations

from collections.abc import Callable

from diagnb.forms.model import Review
from diagnb.forms.row import Row, action, capital, heading, note


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
    for number, (key, remark) in enumerate(review.remarks):
        mark, tone = marks[remark.severity]
        rows.append(
            action(f"go.r{number}.{key}", "Go there", capital(remark.message), tone=tone, mark=mark, detail=capital(remark.repair), locks=False)
        )  # fmt: skip
    if not review.remarks:
        rows.append(note("Nothing more to say." if review.evaluation else "Said when there is a test to look at."))
    return rows


def _remarks(count: int) -> str:
    return "1 remark" if count == 1 else f"{count} remarks"
