"""Since when: counts per month with their exposure, on charts whose limits are computed for every single point.

One printed pair of limits can't serve months of 20 and of 2,000 tests. Months of a fleet scatter more than counts that
come one by one (visits come in bunches, seasons swing), so limits are as wide as the months of the baseline ask for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import gammaln, ndtr, stdtrit

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
    of them, ``started`` the estimated position at which the change began (CUSUM only). ``baseline`` is the number of first
    points that say what is usual (0: the usual level was given), ``dispersion`` their variance over Poisson's (1: the same).
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
    baseline: int = 0
    dispersion: float = 1.0


@dataclass(frozen=True, slots=True)
class _Usual:
    """What the baseline says: the level, the dispersion, and by how much each point's variance is to be multiplied.

    Quasi-likelihood (McCullagh and Nelder 1989, 4.5 and 6.2): Pearson's X² over its degrees of freedom, never below 1.
    Laney 2002 ("Improved control charts for attributes", Quality Engineering 14) widens p and u charts the same way, from
    moving ranges; those miss seasons, so X² is used. Limits at Student's t in place of the normal quantile, because the
    dispersion is known from few months; the level's own uncertainty is added for the points after the baseline.
    """

    center: float
    dispersion: float
    variance_factor: Array
    baseline: int

    @property
    def said(self) -> str:
        if not self.baseline:
            return ""
        scatter = (
            f", which scatter {self.dispersion:.2g} times as much as Poisson counts" if self.dispersion > 1 else ""
        )
        return f"; usual is the mean of the first {self.baseline} points{scatter}"


def _usual(
    x: Array, e: Array, where: str, center: float | None, baseline: int | None, dispersion: float | None, *,
    binomial: bool = False, width: float = 3.0,
) -> _Usual | Refusal:  # fmt: skip
    if baseline is not None and not 2 <= baseline <= x.size:
        raise fault("baseline", f"{baseline} points, of {x.size} that there are", f"from 2 to {x.size}")
    if dispersion is not None and not (math.isfinite(dispersion) and dispersion > 0):
        raise fault("dispersion", f"{dispersion:g} must be above zero", "1 is Poisson's")
    ones = np.ones(x.size)
    if center is not None:
        return _Usual(center, dispersion or 1.0, ones * (dispersion or 1.0), 0)
    count = x.size if baseline is None else baseline
    first = slice(None, count)
    total = float(x[first].sum())
    if total < SMALLEST_BASELINE:
        return Refusal("baseline-too-small", f"{total:g} events")
    level = total / float(e[first].sum())
    if dispersion is not None:
        return _Usual(level, dispersion, ones * dispersion, count)
    if count < 3 or (binomial and level >= 1):
        return _Usual(level, 1.0, ones, count)
    expected = level * e * ((1 - level) if binomial else 1.0)
    found = max(float(np.sum((x - level * e)[first] ** 2 / expected[first])) / (count - 1), 1.0)
    reach = 1.0
    if found > 1:
        reach = float(stdtrit(count - 1, ndtr(width))) / width
    after = np.where(np.arange(x.size) >= count, 1 + level * e / total, 1.0)
    return _Usual(level, found, found * reach**2 * after, count)


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
    dispersion: float | None = None, unit: str = "per unit of exposure",
) -> Chart:  # fmt: skip
    """p chart ("proportion") or u chart ("rate"): limits at three standard deviations for each point's own exposure.

    ``center`` is the usual level; by default total over total of the first ``baseline`` points, or of all. ``dispersion``
    is the variance of a point over the binomial's or Poisson's: by default as the baseline has it, so that limits hold
    where points scatter more; 1 gives the chart of the text books. With ``limits`` "exact" a rate's limits are quantiles
    of the same tail probability (0.00135), Poisson or negative binomial, which small counts need.
    NIST/SEMATECH e-Handbook 6.3.3.1 and 6.3.3.2. Refused with a baseline of too few events; raises
    :class:`~diagnb.errors.InputFault` for a baseline longer than the chart.
    """
    name = {"proportion": "p chart", "rate": "u chart"}[kind]
    x, e, names = _points(counts, exposure, labels, name)
    if kind == "proportion" and np.any(x > e):
        raise fault(name, "more fails than tests")
    usual = _usual(x, e, name, center, baseline, dispersion, binomial=kind == "proportion")
    if isinstance(usual, Refusal):
        return _refused(name, names, x, e, unit, usual)
    center, factor = usual.center, usual.variance_factor
    if limits == "exact":
        if kind == "proportion":
            raise fault("limits", "exact limits are for rates")
        tail = float(ndtr(-3.0))
        lower, upper = _quantile(center * e, factor, tail) / e, _quantile(center * e, factor, 1 - tail) / e
        method = f"{name}, {'negative binomial' if usual.dispersion > 1 else 'Poisson'} quantiles at each point"
    else:
        spread = np.sqrt(factor * (center * (1 - center) if kind == "proportion" else center) / e)
        lower, upper = np.maximum(center - 3 * spread, 0.0), center + 3 * spread
        method = f"{name}, three standard deviations at each point"
    value = x / e
    signal = (value < lower) | (value > upper)
    return Chart(
        name, names, value, center, lower, upper, signal, e, x, unit, method + usual.said, _first(signal),
        baseline=usual.baseline, dispersion=usual.dispersion,
    )  # fmt: skip


def _quantile(expected: Array, factor: Array, probability: float) -> Array:
    """Quantiles (points,) of counts with that mean, and the mean times ``factor`` for variance."""
    from scipy.stats import nbinom, poisson

    wide = np.maximum(factor, 1 + 1e-9)
    negative = nbinom.ppf(probability, expected / (wide - 1), 1 / wide)
    return np.asarray(np.where(factor > 1 + 1e-6, negative, poisson.ppf(probability, expected)), dtype=float)


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
    center: float | None = None, baseline: int | None = None, dispersion: float | None = None,
    unit: str = "per unit of exposure",
) -> Chart:  # fmt: skip
    """Exponentially weighted mean of rates; limits from the exact variance with each month's own exposure.

    z = (1-w) z + w x/e from the usual level; variance Σ w²(1-w)^(2 age) · φ level/e. ``width`` in standard deviations,
    ``dispersion`` φ as for :func:`rate_chart`.
    Refused with a baseline of too few events; a shift in the rate shows sooner than on the u chart.
    """
    x, e, names = _points(counts, exposure, labels, "EWMA chart")
    check_level(weight, "weight")
    usual = _usual(x, e, "EWMA chart", center, baseline, dispersion, width=width)
    if isinstance(usual, Refusal):
        return _refused("EWMA chart", names, x, e, unit, usual)
    center = usual.center
    value, variance = np.empty(x.size), np.empty(x.size)
    z, v = center, 0.0
    for k in range(x.size):
        z = (1 - weight) * z + weight * x[k] / e[k]
        v = (1 - weight) ** 2 * v + weight**2 * float(usual.variance_factor[k]) * center / e[k]
        value[k], variance[k] = z, v
    reach = width * np.sqrt(variance)
    lower, upper = np.maximum(center - reach, 0.0), center + reach
    signal = (value < lower) | (value > upper)
    return Chart(
        "EWMA chart", names, value, center, lower, upper, signal, e, x, unit,
        f"exponentially weighted mean, weight {weight:g}, limits {width:g} standard deviations at each point{usual.said}",
        _first(signal), baseline=usual.baseline, dispersion=usual.dispersion,
    )  # fmt: skip


def cusum_chart(
    *, counts: Array, exposure: Array, labels: Sequence[str] | None = None, ratio: float = 2.0,
    center: float | None = None, baseline: int | None = None, dispersion: float | None = None,
    months_between_false_alarms: float = 200.0,
) -> Chart:  # fmt: skip
    """Cumulative sum of log likelihood ratios for a change of the rate by ``ratio``, exposure in every point.

    ``ratio`` above 1 looks for a rise, below 1 for a fall. S = max(0, S + step); for Poisson counts the step is
    x ln ρ - e λ (ρ-1), for a ``dispersion`` above 1 (as for :func:`rate_chart`) the ratio of negative binomial
    likelihoods of that variance. The alarm level is ln(``months_between_false_alarms``): the mean run without a change
    is at least that long (Lorden 1971), whatever the exposures, level and dispersion being known. ``started`` is the
    point after the last zero before the first signal. The sum begins anew after the baseline, so that what is usual
    doesn't count as a change. Refused with a baseline of too few events.
    """
    x, e, names = _points(counts, exposure, labels, "CUSUM chart")
    if not ratio > 0 or ratio == 1 or not months_between_false_alarms > 1:
        raise fault("CUSUM chart", "ratio must be above 0 and not 1, months between false alarms above 1")
    usual = _usual(x, e, "CUSUM chart", center, baseline, dispersion)
    if isinstance(usual, Refusal):
        return _refused("CUSUM chart", names, x, e, "log likelihood ratio", usual)
    level, phi = usual.center, usual.dispersion
    height = math.log(months_between_false_alarms)
    sums, s = np.empty(x.size), 0.0
    for k, step in enumerate(_steps(x, level * e, ratio, phi)):
        s = max(0.0, (0.0 if 0 < k == usual.baseline else s) + float(step))
        sums[k] = s
    signal = sums > height
    first_signal = _first(signal)
    law = "Poisson" if phi <= 1 else "negative binomial"
    return Chart(
        "CUSUM chart", names, sums, level, np.zeros(x.size), np.full(x.size, height), signal, e, x,
        "log likelihood ratio", f"{law} CUSUM for {ratio:g} times the usual rate of {number(level)}{usual.said}", first_signal,
        None if first_signal is None else started_at(sums, first_signal, since=_resumed(first_signal, usual.baseline)),
        baseline=usual.baseline, dispersion=phi,
    )  # fmt: skip


def _steps(x: Array, expected: Array, ratio: float, phi: float) -> Array:
    """Log likelihood ratios (points,) of ``ratio`` times the expected counts, variance ``phi`` times the mean both times."""
    if phi <= 1 + 1e-6:
        return np.asarray(x * math.log(ratio) - expected * (ratio - 1))
    size = expected / (phi - 1)
    more = size * ratio
    return np.asarray(
        gammaln(x + more) - gammaln(more) - gammaln(x + size) + gammaln(size) - (more - size) * math.log(phi)
    )


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
    started = None if first is None else started_at(high if high[first] > height else low, first)
    return TabularCusum(high, low, height, first, started, "two-sided tabular CUSUM")


def _resumed(signal: int, baseline: int) -> int:
    """Where the sum that signals had begun: anew after the baseline, or at the first point."""
    return baseline if signal >= baseline else 0


def started_at(sums: Array, signal: int, *, since: int = 0) -> int:
    """The point after the last zero of the sums before ``signal``, none before ``since``."""
    zeros = np.nonzero(sums[since:signal] <= 0)[0]
    return since + (int(zeros[-1]) + 1 if zeros.size else 0)
