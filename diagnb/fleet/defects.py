"""Distinct defects: one defect that was recorded three times is one defect, not three.

A defect opens with a failing result of a vehicle's point and stays open until that point is proved good again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.conformity import WORDS
from diagnb.errors import fault
from diagnb.fleet.columns import sort_groups
from diagnb.fleet.labels import Labels
from diagnb.fleet.rows import Rows

Array = Any


@dataclass(frozen=True, slots=True)
class Defects:
    """Distinct defects, one a row, by vehicle, point and date; arrays (n,).

    ``opened`` is the date of the first failing result, ``last`` of the last one before the point was good again,
    ``good_before`` and ``good_after`` those of the closing results next before and after it (NaT: there is none),
    ``records`` how many failing results it has, ``row`` the position of the first one in the rows; ``repeat`` says that the
    same point of the same vehicle had an earlier defect, ``days_since_good`` the days since that one was closed (NaN else).
    ``failing_results`` is their number altogether, ``undecided`` that of results that neither open nor close.
    """

    asset: Labels
    point: Labels
    component: Labels
    lot: Labels
    opened: Array
    last: Array
    good_before: Array
    good_after: Array
    records: Array
    row: Array
    closed: Array
    repeat: Array
    days_since_good: Array
    failing_results: int
    undecided: int
    failing: tuple[str, ...]
    rules: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.opened.size)

    def of_component(self, name: str) -> Defects:
        """The defects of one component."""
        return self.take(self.component.codes == self.component.code(name))

    def take(self, chosen: Array) -> Defects:
        """Some defects, by mask or positions; the two totals stay those of all rows."""
        found: dict[str, Any] = {}
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, Labels):
                found[name] = column.take(chosen)
            elif isinstance(column, np.ndarray):
                found[name] = column[chosen]
            else:
                found[name] = column
        return Defects(**found)


def distinct_defects(
    rows: Rows, *, failing: tuple[str, ...] = ("fail",), closing: tuple[str, ...] = ("pass",)
) -> Defects:
    """Distinct defects in ``rows``: key vehicle, point and the interval between two proofs that it is good.

    ``failing`` verdicts open a defect or belong to the open one, ``closing`` ones close it; any other verdict does
    neither and is counted as undecided. On one day "as found" comes before "as left"; results of one day and phase have
    no order, so as found a pass never closes a fail, and as left a pass after a fail is the end of the repair.
    Raises :class:`~diagnb.errors.InputFault` for verdicts that are none or stand on both sides.
    """
    if not failing or set(failing) & set(closing) or not {*failing, *closing} <= set(WORDS):
        raise fault("failing", "failing and closing verdicts must differ", f"from {', '.join(WORDS)}")
    opens = np.isin(rows.verdict, [WORDS.index(w) for w in failing])
    closes = np.isin(rows.verdict, [WORDS.index(w) for w in closing])
    decided = opens | closes
    left = rows.phase.marked({"as left"}).astype(np.int8)
    day = rows.date.astype(np.int64)
    order, _ = sort_groups([rows.asset.codes, rows.point.codes, day, left, opens ^ (left == 1)], decided)
    a, p, bad = rows.asset.codes[order], rows.point.codes[order], opens[order]
    same = np.zeros(order.size, dtype=bool)
    same[1:] = (a[1:] == a[:-1]) & (p[1:] == p[:-1])
    starts = bad.copy()
    starts[1:] &= ~(same[1:] & bad[:-1])
    number = np.cumsum(starts) - 1
    first = np.nonzero(starts)[0]
    count = np.bincount(number[bad], minlength=first.size)
    last = np.zeros(first.size, dtype=np.intp)
    positions = np.nonzero(bad)[0]
    last[number[positions]] = positions
    after = last + 1
    inside = np.minimum(after, max(order.size - 1, 0))
    closed = (after < order.size) & same[inside] if first.size else np.zeros(0, dtype=bool)
    day_sorted = day[order]
    repeat = np.zeros(first.size, dtype=bool)
    since = np.full(first.size, np.nan)
    if first.size > 1:
        repeat[1:] = (a[first[1:]] == a[first[:-1]]) & (p[first[1:]] == p[first[:-1]])
        since[1:] = np.where(repeat[1:], day_sorted[first[1:]] - day_sorted[inside[:-1]], np.nan)
    at = order[first]
    never = np.datetime64("NaT", "D")
    before = np.maximum(first - 1, 0)
    good_before = np.where(same[first] & ~bad[before], rows.date[order[before]], never) if first.size else rows.date[at]
    good_after = np.where(closed, rows.date[order[inside]], never) if first.size else rows.date[at]
    return Defects(
        rows.asset.take(at), rows.point.take(at), rows.component.take(at), rows.lot.take(at), rows.date[at],
        rows.date[order[last]], good_before, good_after, count, at, closed, repeat, since, int(opens.sum()),
        int(decided.size - decided.sum()), failing, rows.rules,
    )  # fmt: skip
