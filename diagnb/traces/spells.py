"""Spells beyond a threshold: how long a voltage dipped, how long cranking held it down, how often a module woke."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from diagnb.errors import Fault, MeasurementFault, fault
from diagnb.traces.feature import Accuracy, Array, Feature, Section, Source, Window, kept, rectangle, section, thinned

FEW = 5


@dataclass(frozen=True, slots=True)
class Spell:
    """One stay beyond a threshold: from ``start`` to ``end`` in s, its extreme value in coherent SI.

    ``slack`` are the half-widths in s within which sampling leaves start and end. ``open`` says that the stay
    reaches an end of the window.
    """

    start: float
    end: float
    extreme: float
    samples: int
    slack: tuple[float, float]
    open: bool = False

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.end - self.start


def dips(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    threshold: float,
    hysteresis: float | None = None,
    window: Window | None = None,
) -> tuple[Spell, ...]:
    """Every stay of ``values`` (n,) below ``threshold`` (coherent SI), in order.

    Start and end are the crossings, interpolated between samples. A stay ends only when the values rise above the
    threshold by ``hysteresis``; without one it is six standard deviations of the noise and two steps.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="dips")
    return _below(found, threshold, _hysteresis(found, hysteresis))


def longest_dip(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    threshold: float,
    hysteresis: float | None = None,
    window: Window | None = None,
) -> Feature:
    """Duration in s of the longest stay below ``threshold``; zero, with a remark, when there is none.

    Sources: where between two samples the crossings lie; the threshold itself, which the recorder knows to its
    accuracy only (the duration is taken again with the threshold moved by the limit and twice the noise, and the
    larger change is the half-width); the recorder's clock. Raises :class:`~diagnb.errors.MeasurementFault` when the
    longest stay reaches an end of the window.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="dips")
    return _duration("longest-dip", found, threshold, hysteresis, total=False)


def cranking_duration(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    threshold: float,
    hysteresis: float | None = None,
    window: Window | None = None,
) -> Feature:
    """As :func:`longest_dip`: how long cranking held the voltage below ``threshold``, s."""
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="cranking duration")
    return _duration("cranking-duration", found, threshold, hysteresis, total=False)


def time_below(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    threshold: float,
    hysteresis: float | None = None,
    window: Window | None = None,
) -> Feature:
    """All stays below ``threshold`` together, s; a stay that reaches an end of the window counts inside it only."""
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="time below")
    return _duration("time-below", found, threshold, hysteresis, total=True)


def wake_up_duty(
    *,
    time: Array,
    values: Array,
    accuracy: Accuracy,
    threshold: float,
    hysteresis: float | None = None,
    window: Window | None = None,
) -> Feature:
    """Share of the window in which ``values`` is above ``threshold``, as a pure number (shown in %).

    ``parameters["wake-ups"]`` counts the stays. Sources as of :func:`longest_dip`, over the length of the window.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=20, what="wake-up duty")
    mirrored = replace(found, values=-found.values)
    spells = _below(mirrored, -threshold, _hysteresis(found, hysteresis))
    whole = found.length
    share = math.fsum(s.duration for s in spells) / whole
    moved = [
        math.fsum(s.duration for s in _below(mirrored, -level, _hysteresis(found, hysteresis))) / whole
        for level in _around(found, threshold)
    ]
    sources = [
        *_edges(spells, 1 / whole),
        rectangle("threshold", max(abs(m - share) for m in moved)),
    ]
    parameters = _stated(found, threshold, hysteresis) | {"wake-ups": str(len(spells))}
    points = thinned([(t, threshold) for s in spells for t in (s.start, s.end)])
    remarks = _remarks(spells, allow_open=True)
    return Feature("wake-up-duty", share, "%", kept(sources), points, found.window, "duty", parameters, remarks)


def _duration(identity: str, found: Section, threshold: float, hysteresis: float | None, *, total: bool) -> Feature:
    if not math.isfinite(threshold):
        raise fault("threshold", f"{threshold} is no threshold")
    above = _hysteresis(found, hysteresis)
    spells = _below(found, threshold, above)
    chosen = spells if total else tuple(sorted(spells, key=lambda s: s.duration)[-1:])
    if not total and any(s.open for s in chosen):
        what = "the stay below the threshold reaches an end of the window"
        raise MeasurementFault(Fault(identity, what, "choose a window that holds all of it, or record longer"))
    value = math.fsum(s.duration for s in chosen)
    moved = []
    for level in _around(found, threshold):
        other = _below(found, level, above)
        if not total:
            centre = [(s.start + s.end) / 2 for s in chosen]
            same = tuple(s for s in other if any(s.start <= c <= s.end for c in centre))
            other = same or tuple(sorted(other, key=lambda s: s.duration)[-1:])
        moved.append(math.fsum(s.duration for s in other))
    sources = [
        *(_edges(chosen, 1.0) if chosen else [rectangle("between samples", 2 * found.interval)]),
        rectangle("threshold", max(abs(m - value) for m in moved)),
        rectangle("recorder's clock", found.accuracy.clock * value, by_sheet=True),
    ]
    points = thinned([p for s in chosen for p in _drawn(found, s, threshold)])
    parameters = _stated(found, threshold, hysteresis) | {"stays": str(len(spells))}
    return Feature(
        identity,
        value,
        "s",
        kept(sources),
        points,
        found.window,
        "time",
        parameters,
        _remarks(chosen, allow_open=total),
    )


def _drawn(found: Section, spell: Spell, threshold: float) -> list[tuple[float, float]]:
    inside = (found.time >= spell.start) & (found.time <= spell.end)
    index = np.flatnonzero(inside)
    lowest = [found.point(int(index[np.argmin(found.values[index])]))] if index.size else []
    return [(spell.start, threshold), *lowest, (spell.end, threshold)]


def _remarks(spells: tuple[Spell, ...], *, allow_open: bool) -> tuple[str, ...]:
    said = [] if spells else ["none-found"]
    if any(s.samples < FEW for s in spells):
        said.append("few-samples")
    if allow_open and any(s.open for s in spells):
        said.append("open-at-an-end")
    return tuple(said)


def _stated(found: Section, threshold: float, hysteresis: float | None) -> dict[str, str]:
    return {"threshold": f"{threshold:.6g}", "hysteresis": f"{_hysteresis(found, hysteresis):.3g}"}


def _edges(spells: tuple[Spell, ...], scale: float) -> list[Source]:
    """Sampling of all starts and ends, which are independent: two rectangles of one stay, else their sum."""
    if len(spells) == 1:
        early, late = spells[0].slack
        return [
            rectangle("start between samples", early * scale),
            rectangle("end between samples", late * scale),
        ]
    total = math.sqrt(math.fsum(w * w / 3 for s in spells for w in s.slack)) * scale
    return [Source("starts and ends between samples", total, "normal")]


def _hysteresis(found: Section, stated: float | None) -> float:
    if stated is None:
        return 6 * found.noise() + 2 * found.accuracy.step
    if not (math.isfinite(stated) and stated >= 0):
        raise fault("hysteresis", f"{stated} must not be negative")
    return stated


def _around(found: Section, threshold: float) -> tuple[float, float]:
    """The threshold lower and higher by what the recorder may be wrong there, and twice its noise."""
    away = found.accuracy.half_width(threshold) + 2 * found.noise()
    return threshold - away, threshold + away


def _below(found: Section, threshold: float, hysteresis: float) -> tuple[Spell, ...]:
    """Stays below the threshold, with the hysteresis on the way up; linear in the number of samples."""
    x, t = found.values, found.time
    below = x < threshold
    # 1 below, 0 clearly above, carried on where neither.
    told = np.flatnonzero(below | (x >= threshold + hysteresis))
    if not told.size or not below.any():
        return ()
    state = np.zeros(len(x), bool)
    which = np.searchsorted(told, np.arange(len(x)), side="right") - 1
    state[which >= 0] = below[told[which[which >= 0]]]
    edges = np.diff(np.concatenate([[0], state.astype(np.int8), [0]]))
    spells = []
    for first, stop in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        last = int(first + np.flatnonzero(below[first:stop])[-1])
        open_start, open_end = first == 0, last == len(x) - 1
        start, early = (float(t[0]), 0.0) if open_start else _crossing(found, int(first) - 1, threshold)
        end, late = (float(t[-1]), 0.0) if open_end else _crossing(found, last, threshold)
        spells.append(
            Spell(
                start,
                end,
                float(x[first : last + 1].min()),
                last + 1 - int(first),
                (early, late),
                bool(open_start or open_end),
            )
        )
    return tuple(spells)


def _crossing(found: Section, index: int, threshold: float) -> tuple[float, float]:
    """Time of the crossing between samples ``index`` and the next, and the half-width that sampling leaves it.

    On a smooth course the straight line between two samples errs by an eighth of the second difference; on an edge
    the crossing may lie anywhere between them, so the middle is taken: the straight line would then err to the same
    side at every edge.
    """
    x, t = found.values, found.time
    step, height = float(t[index + 1] - t[index]), float(x[index + 1] - x[index])
    share = (threshold - float(x[index])) / height
    around = [abs(float(x[i - 1] - 2 * x[i] + x[i + 1])) for i in (index, index + 1) if 0 < i < len(x) - 1]
    bend = max(around, default=abs(height)) / abs(height)
    share, slack = (0.5, 0.5) if bend > 0.25 else (share, bend / 4)
    return float(t[index]) + share * step, slack * step
