"""Since when, and which way: one pair of charts as the basis of the answer, and what the other charts say against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.fleet.monthly import Chart, cusum_chart, started_at

Array = Any
SHORTEST_BASELINE = 6
MONTHS_BETWEEN_FALSE_ALARMS = 400.0
"""Of the chart for a rise and of the one for a fall, each: together about half of it."""


def usual_months(labels: Sequence[str], *, change: str = "") -> int:
    """How many first months say what is usual, where nobody chose: those before the month of ``change``, or the first half.

    ``labels`` (months,) as "2024-01", in order. The first half is cut to whole years from two years on, so that the season
    is in it once for each month. A change with fewer than :data:`SHORTEST_BASELINE` months before it is not used. The
    months to be judged must not say themselves what is usual: a change would then move the level that it is held against.
    """
    if change:
        before = sum(1 for month in labels if month < change[:7])
        if SHORTEST_BASELINE <= before < len(labels):
            return before
    half = len(labels) // 2
    return half // 12 * 12 if half >= 12 else max(half, min(len(labels), 2))


@dataclass(frozen=True, slots=True)
class Shift:
    """One lasting change: ``word`` "rises" or "falls", the month of its first signal and the one in which it began."""

    word: str
    signal: str
    began: str


@dataclass(frozen=True, slots=True)
class Course:
    """What the CUSUM charts for a rise and for a fall say after the months that say what is usual.

    ``shifts`` in the order of their signals; ``unsteady`` months of the baseline with a signal of any chart;
    ``others`` a sentence for each other chart, which says whether it agrees.
    """

    shifts: tuple[Shift, ...]
    usual: tuple[str, str, int]
    unsteady: tuple[str, ...]
    others: tuple[str, ...]
    whole: bool = False

    @property
    def contradicted(self) -> bool:
        """Whether another chart signals the other way."""
        return any("CONTRADICTS" in said for said in self.others)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The answer to "since when", which way, held against what, and what speaks against it."""
        first, last, count = self.usual
        usual = f"usual is the mean of {first} to {last}, {count} months"
        if self.shifts:
            parts = [f"the rate {s.word}: first signal {s.signal}, began about {s.began}" for s in self.shifts]
            said = [f"Since when: {'; then '.join(parts)} (CUSUM charts; {usual})."]
        else:
            said = [f"Since when: no lasting change of the monthly rate is shown (CUSUM charts; {usual})."]
        if self.whole:
            said.append("Every month was taken for usual, so a change moves the level that it is held against.")
        if self.others:
            text = "; ".join(self.others)
            said.append(text[:1].upper() + text[1:] + ".")
        if self.unsteady:
            some = ", ".join(self.unsteady[:3]) + (
                f" and {len(self.unsteady) - 3} more" if len(self.unsteady) > 3 else ""
            )
            said.append(f"The months that say what is usual are not steady themselves: signal in {some}.")
        return tuple(said)


def cusum_pair(
    *, counts: Array, exposure: Array, labels: Sequence[str], baseline: int | None, ratio: float = 2.0
) -> tuple[Chart, Chart]:
    """CUSUM for a rise to ``ratio`` times the usual rate, and for a fall to one over it; see :func:`cusum_chart`."""
    rise, fall = (
        replace(
            cusum_chart(
                counts=counts, exposure=exposure, labels=labels, baseline=baseline, ratio=r,
                months_between_false_alarms=MONTHS_BETWEEN_FALSE_ALARMS,
            ),
            name=name,
        )
        for r, name in ((ratio, "CUSUM chart for a rise"), (1 / ratio, "CUSUM chart for a fall"))
    )  # fmt: skip
    return rise, fall


def course_of(*, rise: Chart, fall: Chart, others: Sequence[Chart] = ()) -> Course | None:
    """The answer from the CUSUM pair; ``others`` (u chart, EWMA chart) are held against it. None where the pair is refused."""
    if rise.refusal is not None or fall.refusal is not None:
        return None
    b = rise.baseline
    whole = b >= len(rise.labels)
    first_after = 0 if whole else b
    found = []
    for word, chart in (("rises", rise), ("falls", fall)):
        at = np.nonzero(chart.signal[first_after:])[0]
        if at.size:
            k = int(at[0]) + first_after
            began = started_at(chart.value, k, since=first_after)
            found.append((k, Shift(word, chart.labels[k], chart.labels[began])))
    shifts = tuple(shift for _, shift in sorted(found, key=lambda pair: pair[0]))
    unsteady = {
        chart.labels[k]
        for chart in (rise, fall, *others)
        if chart.refusal is None and not whole
        for k in np.nonzero(chart.signal[:b])[0]
    }
    said = tuple(_other(chart, shifts, first_after) for chart in others if chart.refusal is None)
    return Course(shifts, (rise.labels[0], rise.labels[max(b - 1, 0)], b), tuple(sorted(unsteady)), said, whole)


def _other(chart: Chart, shifts: Sequence[Shift], first_after: int) -> str:
    """What one chart with limits on both sides says, and whether that is what the pair says."""
    at = np.nonzero(chart.signal[first_after:])[0] + first_after
    if not at.size:
        return f"the {chart.name} shows no signal" + (" of its own" if shifts else "")
    up = chart.value[at] > chart.center
    words = [w for w, any_ in (("above", up.any()), ("below", (~up).any())) if any_]
    side = " and ".join(words)
    text = f"the {chart.name} signals first in {chart.labels[at[0]]}, {side} its limits"
    meant = {"above": "rises", "below": "falls"}
    known = {shift.word for shift in shifts}
    if not shifts:
        return f"{text}; that is no lasting change by the CUSUM charts"
    against = [w for w in words if meant[w] not in known]
    return f"{text}, which {'CONTRADICTS' if against else 'agrees with'} the CUSUM charts"


__all__ = ["Course", "Shift", "course_of", "cusum_pair", "usual_months"]
