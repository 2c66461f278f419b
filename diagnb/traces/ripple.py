"""Ripple about a mean: peak to peak, root mean square, and the frequency that stands out."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from diagnb.errors import Fault, MeasurementFault
from diagnb.traces.feature import Accuracy, Array, Feature, Source, Window, kept, rectangle, section
from diagnb.traces.levels import extreme_sources

BLOCKS = 10
MOST_SAMPLES = 2**20
"""A spectrum is taken of so many samples at most; more say nothing new about where its largest line is."""


def ripple_peak_to_peak(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "V", window: Window | None = None
) -> Feature:
    """Largest less smallest sample of the window, coherent SI.

    Sources: the recorder's accuracy for what varies; noise and sampling at either extreme as for a peak. Raises
    :class:`~diagnb.errors.MeasurementFault` for a window with gaps, overflow or fewer than twenty samples.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=20, what="ripple")
    high, low = int(np.argmax(found.values)), int(np.argmin(found.values))
    value = float(found.values[high] - found.values[low])
    sources = [
        rectangle("recorder's accuracy", accuracy.half_width(value), by_sheet=True),
        *extreme_sources(found, high, 1.0, "maximum"),
        *extreme_sources(found, low, -1.0, "minimum"),
    ]
    points = tuple(sorted((found.point(high), found.point(low))))
    return Feature("ripple-peak-to-peak", value, unit, kept(sources), points, found.window, "varying")


def ripple_rms(
    *, time: Array, values: Array, accuracy: Accuracy, unit: str = "V", window: Window | None = None
) -> Feature:
    """Root mean square of the window after its mean is taken off, √(Σ(x - x̄)²/n), coherent SI.

    Sources: the recorder's accuracy for what varies; the scatter of the mean squares of ten stretches over √10, with
    9 degrees of freedom (it holds broken periods at the ends); noise, which adds its square to the mean square and is
    not taken off.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=10 * BLOCKS, what="ripple")
    deviations = found.values - found.values.mean()
    squares = deviations**2
    value = math.sqrt(float(squares.mean()))
    edges = np.linspace(0, len(squares), BLOCKS + 1).astype(int)
    blocks = np.array([squares[a:b].mean() for a, b in pairwise(edges)])
    scatter = float(blocks.std(ddof=1)) / math.sqrt(BLOCKS) / (2 * value) if value else 0.0
    noise = found.noise()
    without = math.sqrt(max(value**2 - noise**2, 0.0))
    sources = [
        rectangle("recorder's accuracy", accuracy.half_width(value), by_sheet=True),
        Source("scatter between stretches", scatter, "normal", BLOCKS - 1),
        rectangle("noise", value - without),
    ]
    points = (found.point(0), found.point(len(found.values) - 1))
    mean = {"mean": f"{found.values.mean():.6g}"}
    return Feature("ripple-rms", value, unit, kept(sources), points, found.window, "varying", mean)


def ripple_frequency(*, time: Array, values: Array, accuracy: Accuracy, window: Window | None = None) -> Feature:
    """Frequency in Hz of the largest line of the spectrum (Hann window, parabola through the logarithms).

    Sources: the width of a line of the spectrum, 1/T (a quarter of it as half-width); the recorder's clock. Raises
    :class:`~diagnb.errors.MeasurementFault` when fewer than four periods lie in the window, when no line stands out
    from the rest, or when samples are not evenly spaced.
    """
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=32, what="ripple frequency")
    x, t = found.values[:MOST_SAMPLES], found.time[:MOST_SAMPLES]
    steps = np.diff(t)
    count, length = len(x), float(t[-1] - t[0])
    step = length / (count - 1)
    if float(np.abs(steps - step).max()) > 0.75 * step:
        raise MeasurementFault(Fault("ripple frequency", "the samples are not evenly spaced", "choose another window"))
    spectrum = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(count)))
    line = int(np.argmax(spectrum[1:-1])) + 1 if len(spectrum) > 3 else 0
    if line < 4:
        raise MeasurementFault(
            Fault(
                "ripple frequency",
                "fewer than four periods lie in the window",
                "record longer, or choose a longer window",
            )
        )
    floor = float(np.median(spectrum))
    if not spectrum[line] > 6 * floor or not spectrum[line] > 0:
        raise MeasurementFault(
            Fault("ripple frequency", "no frequency stands out", "is there a ripple in this window?")
        )
    beside = np.log(np.maximum(spectrum[line - 1 : line + 2], 1e-300))
    curve = float(beside[0] - 2 * beside[1] + beside[2])
    shift = 0.5 * float(beside[0] - beside[2]) / curve if curve else 0.0
    width = 1 / (count * step)
    value = (line + min(max(shift, -0.5), 0.5)) * width
    sources = [
        rectangle("width of a line of the spectrum", width / 4),
        rectangle("recorder's clock", accuracy.clock * value, by_sheet=True),
    ]
    high, low = int(np.argmax(x)), int(np.argmin(x))
    points = tuple(sorted((found.point(high), found.point(low))))
    return Feature("ripple-frequency", value, "Hz", kept(sources), points, (float(t[0]), float(t[-1])), "frequency")
