"""An inrush against the opening window of a fuse or circuit breaker: does it hold, may it open, does it open?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from diagnb.errors import Fault, InputFault
from diagnb.traces.feature import Accuracy, Array, Window, section
from diagnb.trade import ReferenceTable, find_table, opening_window, read_tables

Outcome = Literal["holds", "may open", "opens"]
LEVELS = 64
"""Multiples of the rated current looked at between the table's first line and the peak, besides its own lines."""
_WORDS: tuple[Outcome, ...] = ("holds", "may open", "opens")


@dataclass(frozen=True, slots=True)
class OpeningLine:
    """At ``multiple`` times its rated current a device opens not before ``shortest`` s, and within ``longest`` s.

    ``longest`` is None where it need not open at all.
    """

    multiple: float
    shortest: float
    longest: float | None = None


@dataclass(frozen=True, slots=True)
class OpeningCheck:
    """How an inrush stands against an opening window.

    ``multiple`` is where it comes closest; there the current stayed at or above ``multiple · rated_current`` for
    ``lasted`` s in all, and with the recorder's accuracy between ``lasted_between``; ``shortest`` and ``longest``
    (infinite where it need not open) are the window's times at that multiple, in s. ``source`` and ``provenance``
    are the table's.
    """

    outcome: Outcome
    rated_current: float
    multiple: float
    lasted: float
    lasted_between: tuple[float, float]
    shortest: float
    longest: float
    peak_multiple: float
    source: str
    provenance: str


def opening_table(*, lines: Sequence[OpeningLine], source: str, title: str = "circuit breaker") -> ReferenceTable:
    """The opening window of one device from its maker's curve, in rising multiples, with where it was read.

    Raises :class:`~diagnb.errors.InputFault` with every line that is out of order.
    """
    faults = [] if lines else [Fault("opening window", "has no line", "enter the maker's table")]
    for i, line in enumerate(lines, 1):
        longest = math.inf if line.longest is None else line.longest
        ordered = 0 < line.shortest <= longest and math.isfinite(line.shortest)
        if not (ordered and 0 < line.multiple < math.inf):
            faults.append(Fault(f"opening window, line {i}", "times and multiple must be above zero and in order"))
    for i, (a, b) in enumerate(pairwise(lines), 2):
        if not (a.multiple < b.multiple and b.shortest <= a.shortest):
            what = "must have a higher multiple and no longer times than the line before"
            faults.append(Fault(f"opening window, line {i}", what))
    if faults:
        raise InputFault(faults)
    rows = [[x.multiple * 100, x.shortest, math.inf if x.longest is None else x.longest] for x in lines]
    names = (("load", "%"), ("shortest", "s"), ("longest", "s"))
    table: dict[str, Any] = {
        "id": "opening-window",
        "title": title,
        "columns": [{"name": n, "unit": u} for n, u in names],
        "rows": rows,
        "source": source,
        "edition": "as stated",
        "provenance": "read",
    }
    return read_tables({"schema": "diagnb-trade/1", "tables": [table]}, "opening window")[0]


def inrush_against_window(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    rated_current: float,
    table: str | ReferenceTable = "fuse-opening",
    window: Window | None = None,
) -> OpeningCheck:
    """Whether a current (n,) in A at ``time`` (n,) in s would open a device of this rated or set current.

    For many multiples of it the time is taken for which the current stays at or above that level, summed over the
    window, and held against the device's opening window there (:func:`diagnb.trade.opening_window`): *opens* where
    even the time that is left when the recorder showed too much reaches the longest operating time, *may open* where
    the time when it showed too little reaches the shortest, else *holds*. A table says nothing about a device that
    was warm before, nor about another ambient temperature. Raises :class:`~diagnb.errors.InputFault` for a current
    that isn't above zero, :class:`~diagnb.errors.MeasurementFault` for gaps and overflow.
    """
    if not (math.isfinite(rated_current) and rated_current > 0):
        raise InputFault(Fault("rated current", f"{rated_current} must be above zero"))
    known = find_table(table) if isinstance(table, str) else table
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="inrush")
    x = np.abs(found.values)
    peak = float(x.max()) / rated_current
    lines = known.values("load", "1")
    # Just above a line the next one's shortest time holds, so each is looked at from above as well.
    multiples = np.unique(
        np.concatenate([lines, lines * (1 + 1e-6), np.geomspace(lines[0], max(peak, lines[0] * 1.01), LEVELS)])
    )
    shortest, longest = opening_window(current=multiples * rated_current, rated=rated_current, table=known)
    durations = _Durations(found.time, x)
    chosen: OpeningCheck | None = None
    worst = (-1, -1.0)
    for multiple, early, late in zip(multiples, np.asarray(shortest), np.asarray(longest), strict=True):
        level = float(multiple) * rated_current
        away = accuracy.half_width(level)
        lasted, least, most = (durations.at(at) for at in (level, level + away, level - away))
        rank = 2 if least >= late else 1 if most > 0 and most >= early else 0
        share = most / early if early > 0 else math.inf if most > 0 else 0.0
        if (rank, share) > worst:
            worst = (rank, share)
            chosen = OpeningCheck(
                _WORDS[rank], rated_current, float(multiple), lasted, (least, most), float(early), float(late), peak,
                known.source, known.provenance,
            )  # fmt: skip
    assert chosen is not None
    return chosen


class _Durations:
    """How long a course of straight lines between samples stays at or above any level, s.

    Σ s·(high - L)⁺/(high - low) - Σ s·(low - L)⁺/(high - low) over the rising or falling lines, from sorted ends and
    running sums, and whole steps of the level ones: one sort for any number of levels.
    """

    def __init__(self, time: Array, values: Array) -> None:
        a, b, steps = values[:-1], values[1:], np.diff(time)
        high, low = np.maximum(a, b), np.minimum(a, b)
        sloped = high - low > 1e-9 * np.maximum(high, 1e-300)
        rate = steps[sloped] / (high[sloped] - low[sloped])
        self._tops = _sums(high[sloped], rate)
        self._feet = _sums(low[sloped], rate)
        self._level = _sums(high[~sloped], steps[~sloped])

    def at(self, level: float) -> float:
        ramps = _ramp(*self._tops, level) - _ramp(*self._feet, level)
        heights, weights, _ = self._level
        return max(ramps, 0.0) + float(weights[np.searchsorted(heights, level, side="left")])


def _sums(heights: Array, weights: Array) -> tuple[Array, Array, Array]:
    """Heights in rising order, and the sums of weight and of weight · height from each to the last."""
    order = np.argsort(heights)
    h, w = heights[order], weights[order]
    return h, _from_the_end(w), _from_the_end(w * h)


def _from_the_end(values: Array) -> Array:
    return np.append(np.cumsum(values[::-1])[::-1], 0.0)


def _ramp(heights: Array, weights: Array, products: Array, level: float) -> float:
    place = np.searchsorted(heights, level, side="left")
    return float(products[place] - level * weights[place])
