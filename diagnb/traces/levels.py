"""Levels of a trace: the inrush peak, the value while running, the lowest voltage while cranking, the mean over time."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from diagnb.traces.feature import Accuracy, Array, Feature, Section, Source, Window, kept, rectangle, section, thinned

BLOCKS = 20
"""A mean's scatter is taken from the means of so many stretches, so that neighbours that resemble each other count."""


def inrush_peak(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "A", window: Window | None = None
) -> Feature:
    """Largest sample of ``values`` (n,) in coherent SI at ``time`` (n,) in s.

    Sources: the recorder's accuracy at the peak; noise, which makes the largest of many samples near the peak too
    large (√(2 ln n) standard deviations and one more, as a limit); the course between two samples, bounded by the
    smaller drop to a neighbour. A peak shorter than a sample interval is not seen. Raises
    :class:`~diagnb.errors.MeasurementFault` for a window with gaps, overflow or fewer than five samples.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="inrush peak")
    return _extreme("inrush-peak", found, unit, 1.0)


def cranking_minimum(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "V", window: Window | None = None
) -> Feature:
    """Smallest sample, as :func:`inrush_peak` takes the largest."""
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=5, what="cranking minimum")
    return _extreme("cranking-minimum", found, unit, -1.0)


def extreme_sources(found: Section, index: int, sign: float, name: str) -> list[Source]:
    """Noise and sampling of the extreme sample ``index``; ``sign`` is -1 for a minimum."""
    x = sign * found.values
    noise = found.noise()
    near = int(np.count_nonzero(x >= x[index] - 3 * noise)) if noise else 1
    limit = noise * max(math.sqrt(3), math.sqrt(2 * math.log(max(near, 1))) + 1)
    inside = [x[index] - x[i] for i in (index - 1, index + 1) if 0 <= i < len(x)]
    return [rectangle(f"noise at the {name}", limit), rectangle(f"between samples at the {name}", float(min(inside)))]


def _extreme(identity: str, found: Section, unit: str, sign: float) -> Feature:
    index = int(np.argmax(sign * found.values))
    value = float(found.values[index])
    word = "peak" if sign > 0 else "minimum"
    sources = [rectangle("recorder's accuracy", found.accuracy.half_width(value), by_sheet=True)]
    sources += extreme_sources(found, index, sign, word)
    around = range(max(0, index - 2), min(len(found.values), index + 3))
    remarks = ("open-at-an-end",) if index in (0, len(found.values) - 1) else ()
    points = tuple(found.point(i) for i in around)
    return Feature(identity, value, unit, kept(sources), points, found.window, "level", {}, remarks)


def running_value(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "A", window: Window | None = None
) -> Feature:
    """Mean over the window, by default the last quarter of the trace.

    Sources: the recorder's accuracy at the mean; the scatter of the means of twenty stretches over √20, with 19
    degrees of freedom, so that commutator ripple and slow swings count. Raises
    :class:`~diagnb.errors.MeasurementFault` for a window with gaps, overflow or fewer than forty samples.
    """
    if window is None and len(time) > 1:
        window = (float(time[0] + 0.75 * (time[-1] - time[0])), float(time[-1]))
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=2 * BLOCKS, what="running value")
    mean = time_mean(found)
    edges = np.linspace(0, len(found.values), BLOCKS + 1).astype(int)
    blocks = np.array([found.values[a:b].mean() for a, b in pairwise(edges)])
    scatter = float(blocks.std(ddof=1)) / math.sqrt(BLOCKS)
    middles = np.array([found.time[a:b].mean() for a, b in pairwise(edges)])
    slope = float(np.polyfit(middles - middles.mean(), blocks, 1)[0])
    within = float((blocks - slope * (middles - middles.mean())).std(ddof=2))
    drift = abs(slope) * found.length
    steady = drift <= max(4 * within, found.accuracy.half_width(mean) / 2, found.accuracy.step)
    sources = [
        rectangle("recorder's accuracy", found.accuracy.half_width(mean), by_sheet=True),
        Source("scatter of the mean", scatter, "normal", BLOCKS - 1),
    ]
    points = tuple((float(t), float(x)) for t, x in zip(middles, blocks, strict=True))
    remarks = () if steady else ("not-steady",)
    return Feature("running-value", mean, unit, kept(sources), points, found.window, "level", {}, remarks)


def mean_current(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "A", window: Window | None = None
) -> Feature:
    """Mean over time, ∫x dt / T, of exactly this window: the key-off current with its wake-ups in it.

    Sources: the recorder's accuracy at the mean; noise over √n; where the course jumps, the jump may lie anywhere
    between two samples (± half a sample interval each, independent). How the next hour differs is no part of it.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=20, what="mean current")
    mean = time_mean(found)
    noise = found.noise()
    steps, jumps = np.diff(found.time), np.abs(np.diff(found.values))
    jumped = jumps > max(6 * noise, 2 * found.accuracy.step)
    edges = math.sqrt(float(np.sum((jumps[jumped] * steps[jumped]) ** 2)) / 12) / found.length
    sources = [
        rectangle("recorder's accuracy", found.accuracy.half_width(mean), by_sheet=True),
        Source("noise", noise / math.sqrt(len(found.values)), "normal"),
        Source("jumps between samples", edges, "normal"),
    ]
    points = thinned([found.point(int(i)) for i in np.flatnonzero(jumped)] or [found.point(0), found.point(-1)])
    return Feature("mean-current", mean, unit, kept(sources), points, found.window, "level")


def time_mean(found: Section) -> float:
    """Mean over time by the trapezoid rule."""
    between = (found.values[1:] + found.values[:-1]) / 2
    return float(np.sum(between * np.diff(found.time))) / found.length
