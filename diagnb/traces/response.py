"""Time constant of an exponential rise or decay: x(t) = end + height · exp(-(t - t0)/τ), fitted by least squares."""

from __future__ import annotations

import math

import numpy as np

from diagnb.errors import Fault, MeasurementFault
from diagnb.traces.feature import Accuracy, Array, Feature, Section, Source, Window, kept, rectangle, section, thinned

_LEAST = 8
_MISFIT = 0.05
_STEPS = 60


def time_constant(*, time: Array, values: Array, accuracy: Accuracy, window: Window | None = None) -> Feature:
    """Time constant τ in s of the course in the window (n,), which begins after the step that causes it.

    Without a window the course from a tenth of the whole change to the end of the trace is taken. End value and
    height are fitted with τ, so that the recorder's gain and offset drop out. Sources: the fit (Jacobian and
    residual variance, n - 3 degrees of freedom, widened by √((1 + r)/(1 - r)) where residuals follow each other
    with lag-1 autocorrelation r); the recorder's clock. First-order step response: any textbook. Raises
    :class:`~diagnb.errors.MeasurementFault` when the window shows less than a fifth of a time constant, when τ is
    shorter than two sample intervals, or when nothing changes.
    """
    if window is None:
        window = _from_a_tenth(section(time=time, values=values, accuracy=accuracy, least=_LEAST, what="time constant"))
    found = section(time=time, values=values, accuracy=accuracy, window=window, least=_LEAST, what="time constant")
    t, x = found.time - found.time[0], found.values
    span = float(np.ptp(x))
    if span <= max(4 * found.noise(), 2 * accuracy.step, 0.0):
        raise _refusal("the values don't change in the window", "choose the window where the current rises or falls")
    tau = _minimum(t, x, 0.2 * found.interval, 20 * found.length)
    tau, end, height, residuals = _polished(t, x, tau)
    if tau < 2 * found.interval:
        raise _refusal("the time constant is shorter than two sample intervals", "record with more samples per second")
    if tau > 5 * found.length:
        raise _refusal("the window shows less than a fifth of the time constant", "choose a longer window")
    u, freedom = _uncertainty(t, tau, height, residuals)
    misfit = float(np.abs(_smooth(residuals)).max()) > _MISFIT * min(abs(height), span)
    sources = [
        Source("fit", u, "normal", freedom),
        rectangle("recorder's clock", accuracy.clock * tau, by_sheet=True),
    ]
    parameters = {"end-value": f"{end:.6g}", "height": f"{height:.6g}"}
    shown = np.unique(np.linspace(0, len(t) - 1, 24).astype(int))
    points = thinned([found.point(int(i)) for i in shown])
    remarks = ("shape-not-exponential",) if misfit else ()
    return Feature("time-constant", tau, "s", kept(sources), points, found.window, "time", parameters, remarks)


def _refusal(what: str, repair: str) -> MeasurementFault:
    return MeasurementFault(Fault("time constant", what, repair))


def _from_a_tenth(found: Section) -> Window:
    x = found.values
    few = max(3, len(x) // 50)
    begin, end = float(np.median(x[:few])), float(np.median(x[-few:]))
    done = (x - begin) / (end - begin) if end != begin else np.zeros(len(x))
    passed = np.flatnonzero(done >= 0.1)
    if not passed.size or len(x) - passed[0] < _LEAST:
        raise _refusal("no rise or fall was found", "state the window")
    return float(found.time[passed[0]]), float(found.time[-1])


def _linear(t: Array, x: Array, tau: float) -> tuple[float, float, Array]:
    """End value and height that fit best for this τ, and what is left."""
    e = np.exp(-t / tau)
    middle, mean = float(e.mean()), float(x.mean())
    spread = float(np.sum((e - middle) ** 2))
    height = float(np.sum((e - middle) * (x - mean))) / spread if spread else 0.0
    return mean - height * middle, height, x - mean - height * (e - middle)


def _minimum(t: Array, x: Array, low: float, high: float) -> float:
    """τ of the least sum of squares: a coarse scale, then golden section on its logarithm."""
    if len(t) > 20_000:
        stride = len(t) // 10_000
        t, x = t[::stride], x[::stride]

    def loss(log_tau: float) -> float:
        left = _linear(t, x, math.exp(log_tau))[2]
        return float(left @ left)

    scale = np.linspace(math.log(low), math.log(high), 40)
    best = int(np.argmin([loss(float(s)) for s in scale]))
    a, b = float(scale[max(best - 1, 0)]), float(scale[min(best + 1, len(scale) - 1)])
    ratio = (math.sqrt(5) - 1) / 2
    for _ in range(_STEPS):
        c, d = b - ratio * (b - a), a + ratio * (b - a)
        a, b = (a, d) if loss(c) < loss(d) else (c, b)
    return math.exp((a + b) / 2)


def _polished(t: Array, x: Array, tau: float) -> tuple[float, float, float, Array]:
    """A few Gauss-Newton steps from the minimum of the thinned samples to that of all."""
    end, height, left = _linear(t, x, tau)
    for _ in range(8):
        slope = _slope(t, tau, height)
        norm = float(slope @ slope)
        step = float(slope @ left) / norm if norm else 0.0
        moved = min(max(tau + step, tau / 2), tau * 2)
        other = _linear(t, x, moved)
        if float(other[2] @ other[2]) >= float(left @ left):
            break
        tau, (end, height, left) = moved, other
    return tau, end, height, left


def _slope(t: Array, tau: float, height: float) -> Array:
    """Derivative of the model by τ, freed from what end value and height can take up."""
    e = np.exp(-t / tau)
    basis = np.column_stack([np.ones(len(t)), e])
    derivative = height * e * t / tau**2
    known = np.linalg.lstsq(basis, derivative, rcond=None)[0]
    return np.asarray(derivative - basis @ known, dtype=np.float64)


def _uncertainty(t: Array, tau: float, height: float, residuals: Array) -> tuple[float, float]:
    slope = _slope(t, tau, height)
    norm = math.sqrt(float(slope @ slope))
    if not norm:
        raise _refusal("τ can't be told from a straight line here", "choose a longer window")
    freedom = len(t) - 3
    s = math.sqrt(float(residuals @ residuals) / freedom)
    total = float(residuals @ residuals)
    r = float(residuals[:-1] @ residuals[1:]) / total if total else 0.0
    r = min(max(r, 0.0), 0.99)
    return s / norm * math.sqrt((1 + r) / (1 - r)), max(freedom * (1 - r) / (1 + r), 1.0)


def _smooth(residuals: Array) -> Array:
    """Means of the residuals over stretches of a fiftieth, so that noise is not taken for a misfit."""
    wide = max(1, len(residuals) // 50)
    whole = len(residuals) // wide * wide
    return np.asarray(residuals[:whole].reshape(-1, wide).mean(axis=1), dtype=np.float64)
