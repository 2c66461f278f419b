"""Since when: counts per month with their exposure, on charts whose limits are computed for every single point.

One printed pair of limits can't serve months of 20 and of 2,000 tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import ndtr

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.cells import number
from diagnb.fleet.figure import Refusal, check_level

Array = Any
SMALLEST_BASELINE = 10
"""Below so many events in the baseline nobody knows what is usual."""


@dataclass(frozen=True, slots=True)
class Chart:
    """Points over time with their limits; arrays (points,).

    ``value`` is in ``unit``; ``signal`` says which points lie outside; ``first_signal`` is the position of the first
    of them, ``started`` the estimated position at which the change began (CUSUM only).
    """

    name: str
    labels: tuple[str, ...]
    value: Array
    center: float
    lower: Array
    upper: Array
    signal: Array
    exposure: Array
    numerator: Array
    unit: str
    method: str
    first_signal: int | None = None
    started: int | None = None
    refusal: Refusal | None = None


def _points(
    counts: Array, exposure: Array, labels: Sequence[str] | None, where: str
) -> tuple[Array, Array, tuple[str, ...]]:
    x = np.asarray(counts, dtype=float)
    e = np.array(np.broadcast_to(np.asarray(exposure, dtype=float), x.shape))
    names = tuple(labels) if labels is not None else tuple(str(k + 1) for k in range(x.size))
    faults = []
    if x.ndim != 1 or not x.size or len(names) != x.size:
        raise fault(where, "counts, exposure and labels must be lists of one length")
    faults += [
        Fault(f"{where}.{name}", f"{a:g} events in an exposure of {b:g}", "a month without exposure is left out")
        for name, a, b in zip(names, x, e, strict=True)
        if not (a >= 0 and b > 0 and math.isfinite(a) and math.isfinite(b))
    ]
    if faults:
        raise InputFault(faults)
    return x, e, names


def _refused(name: str, labels: tuple[str, ...], x: Array, e: Array, unit: str, why: Refusal) -> Chart:
    empty = np.full(x.size, math.nan)
    return Chart(
        name, labels, x / e, math.nan, empty, empty, np.zeros(x.size, dtype=bool), e, x, unit, "none", refusal=why
    )


def _first(signal: Array) -> int | None:
    found = np.nonzero(signal)[0]
    return int(found[0]) if found.size else None


def rate_chart(
    *, counts: Array, exposure: Array, labels: Sequence[str] | None = None, kind: Literal["proportion", "rate"] = "rate",
    center: float | None = None, baseline: int | None = None, limits: Literal["three sigma", "exact"] = "three sigma",
    unit: str = "per unit of exposure",
) -> Chart:  # fmt: skip
    """p chart ("proportion") or u chart ("rate"): limits at three standard deviations for each point's own exposure.

    ``center`` is the usual level; by default total over total of the first ``baseline`` points, or of all. With
    ``limits`` "exact" a rate's limits are Poisson quantiles of the same tail probability (0.00135), which small
    counts need. NIST/SEMATECH e-Handbook 6.3.3.1 and 6.3.3.2. Refused with a baseline of too few events.
    """
    name = {"proportion": "p chart", "rate": "u chart"}[kind]
    x, e, names = _points(counts, exposure, labels, name)
    if kind == "proportion" and np.any(x > e):
        raise fault(name, "more fails than tests")
    if center is None:
        first = slice(None, baseline)
        if x[first].sum() < SMALLEST_BASELINE:
            return _refused(name, names, x, e, unit, Refusal("baseline-too-small", f"{x[first].sum():g} events"))
        center = float(x[first].sum() / e[first].sum())
    if limits == "exact":
        if kind == "proportion":
            raise fault("limits", "exact limits are for rates")
        tail = float(ndtr(-3.0))
        expected = center * e
        lower, upper = _poisson_quantile(expected, tail) / e, _poisson_quantile(expected, 1 - tail) / e
        method = f"{name}, Poisson quantiles at each point"
    else:
        spread = np.sqrt(center * (1 - center) / e) if kind == "proportion" else np.sqrt(center / e)
        lower, upper = np.maximum(center - 3 * spread, 0.0), center + 3 * spread
        method = f"{name}, three standard deviations at each point"
    value = x / e
    signal = (value < lower) | (value > upper)
    return Chart(name, names, value, center, lower, upper, signal, e, x, unit, method, _first(signal))


def _poisson_quantile(expected: Array, probability: float) -> Array:
    from scipy.stats import poisson

    return np.asarray(poisson.ppf(probability, expected), dtype=float)


def individuals_chart(*, values: Array, labels: Sequence[str] | None = None, unit: str = "") -> Chart:
    """Individual values: mean ± 3 · mean moving range / 1.128 (NIST/SEMATECH e-Handbook 6.3.2.2)."""
    _, e, names = _points(np.zeros(np.size(values)), 1.0, labels, "individuals chart")
    v = np.asarray(values, dtype=float)
    if not np.all(np.isfinite(v)):
        raise fault("individuals chart", "holds something that is not a number")
    if v.size < 4:
        return _refused("individuals chart", names, v, e, unit, Refusal("too-few-points", f"{v.size}"))
    half = 3 * float(np.mean(np.abs(np.diff(v)))) / 1.128
    center = float(v.mean())
    lower, upper = np.full(v.size, center - half), np.full(v.size, center + half)
    signal = (v < lower) | (v > upper)
    return Chart(
        "individuals chart", names, v, center, lower, upper, signal, e, v, unit, "mean ± 3 mean moving range / 1.128",
        _first(signal),
    )  # fmt: skip


def ewma_chart(
    *, counts: Array, exposure: Array, labels: Sequence[str] | None = None, weight: float = 0.2, width: float = 2.7,
    center: float | None = None, baseline: int | None = None, unit: str = "per unit of exposure",
) -> Chart:  # fmt: skip
    """Exponentially weighted mean of rates; limits from the exact variance with each month's own exposure.

    z = (1-w) z + w x/e from the usual level; variance Σ w²(1-w)^(2 age) · level/e. ``width`` in standard deviations.
    Refused with a baseline of too few events; a shift in the rate shows sooner than on the u chart.
    """
    x, e, names = _points(counts, exposure, labels, "EWMA chart")
    check_level(weight, "weight")
    if center is None:
        first = slice(None, baseline)
        if x[first].sum() < SMALLEST_BASELINE:
            return _refused(
                "EWMA chart", names, x, e, unit, Refusal("baseline-too-small", f"{x[first].sum():g} events")
            )
        center = float(x[first].sum() / e[first].sum())
    value, variance = np.empty(x.size), np.empty(x.size)
    z, v = center, 0.0
    for k in range(x.size):
        z = (1 - weight) * z + weight * x[k] / e[k]
        v = (1 - weight) ** 2 * v + weight**2 * center / e[k]
        value[k], variance[k] = z, v
    reach = width * np.sqrt(variance)
    lower, upper = np.maximum(center - reach, 0.0), center + reach
    signal = (value < lower) | (value > upper)
    return Chart(
        "EWMA chart", names, value, center, lower, upper, signal, e, x, unit,
        f"exponentially weighted mean, weight {weight:g}, limits {width:g} standard deviations at each point",
        _first(signal),
    )  # fmt: skip


def cusum_chart(
    *, counts: Array, exposure: Array, labels: Sequence[str] | None = None, ratio: float = 2.0,
    center: float | None = None, baseline: int | None = None, months_between_false_alarms: float = 200.0,
) -> Chart:  # fmt: skip
    """Cumulative sum of log likelihood ratios for a rise of the rate by ``ratio``, exposure in every point.

    S = max(0, S + x ln ρ - e λ (ρ-1)). The alarm level is ln(``months_between_false_alarms``): the mean run
    without a change is at least that long (Lorden 1971), whatever the exposures. ``started`` is the point after the
    last zero before the first signal. Refused with a baseline of too few events.
    """
    x, e, names = _points(counts, exposure, labels, "CUSUM chart")
    if not ratio > 1 or not months_between_false_alarms > 1:
        raise fault("CUSUM chart", "ratio and months between false alarms must be above 1")
    if center is None:
        first = slice(None, baseline)
        if x[first].sum() < SMALLEST_BASELINE:
            why = Refusal("baseline-too-small", f"{x[first].sum():g} events")
            return _refused("CUSUM chart", names, x, e, "log likelihood ratio", why)
        center = float(x[first].sum() / e[first].sum())
    height = math.log(months_between_false_alarms)
    sums, s = np.empty(x.size), 0.0
    for k, step in enumerate(x * math.log(ratio) - e * center * (ratio - 1)):
        s = max(0.0, s + float(step))
        sums[k] = s
    signal = sums > height
    first_signal = _first(signal)
    return Chart(
        "CUSUM chart", names, sums, center, np.zeros(x.size), np.full(x.size, height), signal, e, x,
        "log likelihood ratio", f"Poisson CUSUM for {ratio:g} times the usual rate of {number(center)}", first_signal,
        None if first_signal is None else _started(sums, first_signal),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class TabularCusum:
    """Sums above and below a target; arrays (points,). ``first_signal`` is a position, or None."""

    high: Array
    low: Array
    height: float
    first_signal: int | None
    started: int | None
    method: str


def tabular_cusum(*, values: Array, target: float, slack: float, height: float) -> TabularCusum:
    """Two-sided tabular CUSUM of values: S = max(0, S + (x - target) - slack) and its mirror image.

    All in the unit of the values. Source: NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or not np.all(np.isfinite(x)) or not (height > 0 and slack >= 0):
        raise fault("CUSUM", "needs numbers, a height above zero and a slack not below zero")
    high, low = np.empty(x.size), np.empty(x.size)
    up = down = 0.0
    for k, value in enumerate(x):
        up, down = max(0.0, up + value - target - slack), max(0.0, down + target - slack - value)
        high[k], low[k] = up, down
    first = _first((high > height) | (low > height))
    started = None if first is None else _started(high if high[first] > height else low, first)
    return TabularCusum(high, low, height, first, started, "two-sided tabular CUSUM")


def _started(sums: Array, signal: int) -> int:
    zeros = np.nonzero(sums[:signal] <= 0)[0]
    return int(zeros[-1]) + 1 if zeros.size else 0
