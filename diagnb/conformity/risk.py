"""Risks of wrong decisions: of this one item, and of a whole population (JCGM 106, clause 9).

The specific risk speaks of the item that was measured and needs no more than its estimate. The global risk speaks of
the items to come and needs a prior: how such items scatter. On one vehicle, only the specific risk counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from diagnb.conformity.limit import Limit
from diagnb.conformity.verdict import conformance_probability
from diagnb.errors import Fault, InputFault, fault
from diagnb.uncertainty import Estimate, Shape

Array = Any
_REACH = 9.0
"""Beyond so many standard deviations a normal distribution holds less than 1e-18."""


@dataclass(frozen=True, slots=True)
class SpecificRisk:
    """Risks of deciding on one estimate, probabilities from 0 to 1; they add up to 1."""

    of_a_pass: float
    """The item does not conform although it is passed (specific consumer's risk)."""
    of_a_fail: float
    """The item conforms although it is failed (specific producer's risk)."""


def specific_risk(estimate: Estimate, limit: Limit) -> SpecificRisk:
    """What a pass and what a fail of this item would risk (JCGM 106, 9.3.2), from the shape of its uncertainty."""
    one_value(estimate, "estimate")
    conforming = conformance_probability(estimate, limit)
    return SpecificRisk(1 - conforming, conforming)


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Shares of all items measured, from 0 to 1 (JCGM 106, 9.4 and 9.5).

    ``capability_index`` is span/(4 u) of the tolerance (7.6.3); ``None`` where a side is open.
    """

    conforming: float
    accepted: float
    consumers: float
    """Accepted, but not conforming."""
    producers: float
    """Rejected, but conforming."""
    capability_index: float | None


def global_risk(
    *, prior_mean: float, prior_deviation: float, measurement: Estimate, tolerance: Limit, acceptance: Limit
) -> GlobalRisk:
    """Consumer's and producer's risk over a normal population of items (JCGM 106, 9.5.3 and 9.5.4).

    ``prior_mean`` and ``prior_deviation`` describe the items' true values, in the unit of the limits;
    ``measurement`` is an estimate as this way of measuring gives it, of which only the shape of the uncertainty
    counts (rectangles and Student's tails too). Integrated numerically to about 1e-12.
    Raises :class:`~diagnb.errors.InputFault` for numbers that are no distribution.
    """
    faults = []
    if not math.isfinite(prior_mean):
        faults.append(Fault("prior_mean", f"{prior_mean} is not a number"))
    if not (math.isfinite(prior_deviation) and prior_deviation > 0):
        faults.append(Fault("prior_deviation", f"{prior_deviation} must be above zero", "how the items scatter"))
    if faults:
        raise InputFault(faults)
    one_value(measurement, "measurement")
    shape = measurement.shape
    x, weight = _nodes(prior_mean, prior_deviation, shape, tolerance, acceptance)
    z = (x - prior_mean) / prior_deviation
    mass = weight * np.exp(-0.5 * z * z) / (prior_deviation * math.sqrt(2 * math.pi))
    accept = np.ones_like(x)
    if acceptance.upper is not None:
        accept -= 1 - shape.cdf(acceptance.upper - x)
    if acceptance.lower is not None:
        accept -= 1 - shape.cdf(x - acceptance.lower)
    accept = np.clip(accept, 0.0, 1.0)
    good = np.ones(x.shape, dtype=bool)
    if tolerance.lower is not None:
        good &= x >= tolerance.lower
    if tolerance.upper is not None:
        good &= x <= tolerance.upper
    u = float(measurement.standard_uncertainty)
    closed = tolerance.lower is not None and tolerance.upper is not None and u > 0
    return GlobalRisk(
        float(np.sum(mass[good])), float(np.sum(mass * accept)), float(np.sum((mass * accept)[~good])),
        float(np.sum((mass * (1 - accept))[good])), tolerance.span / (4 * u) if closed else None,
    )  # fmt: skip


def _nodes(mean: float, deviation: float, shape: Shape, *limits: Limit) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights, in pieces that end at every limit and corner of the integrand."""
    low, high = mean - _REACH * deviation, mean + _REACH * deviation
    u = shape.standard_uncertainty
    tolerance, acceptance = limits
    corners = {low, high, *(s for s in (tolerance.lower, tolerance.upper) if s is not None)}
    steep = []
    for side in (acceptance.lower, acceptance.upper):
        if side is None:
            continue
        reach = _REACH * u
        steep.append((side - reach, side + reach))
        corners |= {side, side - reach, side + reach}
        # Student's tails fall off slowly: pieces that grow with the distance from the limit.
        while 0 < reach < high - low:
            reach *= 2
            corners |= {side - reach, side + reach}
        corners |= {side + s * shape.first + t * shape.second for s in (-1, 1) for t in (-1, 1)}
    ends = sorted(c for c in corners if low <= c <= high)
    found = []
    for a, b in pairwise(ends):
        middle = (a + b) / 2
        inside = u > 0 and any(s <= middle <= e for s, e in steep)
        finest = min(deviation, u) if inside else deviation
        found.append(np.linspace(a, b, max(math.ceil((b - a) / finest), 1) + 1))
    left = np.concatenate([f[:-1] for f in found])
    right = np.concatenate([f[1:] for f in found])
    point, weight = np.polynomial.legendre.leggauss(12)
    half = (right - left)[:, None] / 2
    return ((left + right)[:, None] / 2 + half * point).ravel(), (half * weight).ravel()


def worst_consumers_risk(*, measurement: Estimate, tolerance: Limit, acceptance: Limit) -> float:
    """The largest global consumer's risk over all scatters of items that are centred in ``tolerance``.

    For when nobody knows how the items scatter. Both sides of ``tolerance`` must be given
    (:class:`~diagnb.errors.InputFault` otherwise).
    """
    half, centre = _half(tolerance)

    def risk(exponent: float) -> float:
        return global_risk(
            prior_mean=centre, prior_deviation=half * 10**exponent, measurement=measurement, tolerance=tolerance,
            acceptance=acceptance,
        ).consumers  # fmt: skip

    grid = [-2 + i / 10 for i in range(41)]
    best = max(range(len(grid)), key=lambda i: risk(grid[i]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    for _ in range(40):
        a, b = low + 0.382 * (high - low), high - 0.382 * (high - low)
        low, high = (a, high) if risk(a) < risk(b) else (low, b)
    return risk((low + high) / 2)


def guarded(limit: Limit, guard_band: float) -> Limit:
    """Acceptance limits: ``limit`` drawn in by ``guard_band`` on every side that it has (JCGM 106, 8.3).

    Raises :class:`~diagnb.errors.InputFault` where nothing would be accepted any more.
    """
    low = None if limit.lower is None else limit.lower + guard_band
    high = None if limit.upper is None else limit.upper - guard_band
    if not math.isfinite(guard_band) or (low is not None and high is not None and low > high):
        raise fault("guard band", f"{guard_band:g} leaves nothing to accept", "a way of measuring with a smaller u")
    return Limit(low, high, limit.source, limit.unit)


TWO_PERCENT_LEVEL = math.exp((math.log(1.04) + 0.54) / 0.38)
"""From this test uncertainty ratio on (about 4.6) the two-percent guard band is zero."""


def two_percent_guard_band(*, tolerance: Limit, measurement: Estimate) -> float:
    """Guard band that keeps the global risk of a false accept at 2 % or less, whatever the items' scatter.

    Z540.3 handbook, method 6: U·(1.04 - exp(0.38·ln TUR - 0.54)) with U = 2 u and TUR = span/(2 U), zero from
    :data:`TWO_PERCENT_LEVEL` on. The rule is fitted to normal errors, to items scattering normally about the
    middle of a two-sided tolerance, and to TUR 1 and above: there the worst risk is 1.91 to 1.97 %. With
    rectangular errors it reaches 2.2 %, and U from k = 1.96 would give 2.01 %.
    Raises :class:`~diagnb.errors.InputFault` for a TUR below 1 and for a tolerance with one side.
    """
    half, _ = _half(tolerance)
    one_value(measurement, "measurement")
    expanded = 2 * float(measurement.standard_uncertainty)
    if expanded == 0:
        return 0.0
    ratio = half / expanded
    if ratio < 1 - 1e-9:
        raise fault("measurement", f"the test uncertainty ratio is {ratio:.2f}", "the rule needs 1 or more")
    return expanded * max(1.04 - math.exp(0.38 * math.log(ratio) - 0.54), 0.0)


def _half(tolerance: Limit) -> tuple[float, float]:
    if tolerance.lower is None or tolerance.upper is None or tolerance.lower == tolerance.upper:
        raise fault("tolerance", "needs a lower and an upper value that differ")
    return (tolerance.upper - tolerance.lower) / 2, (tolerance.upper + tolerance.lower) / 2


def one_value(estimate: Estimate, where: str) -> float:
    """The value of an estimate of one test. Raises :class:`~diagnb.errors.InputFault` for arrays."""
    if np.ndim(estimate.value) or np.ndim(estimate.standard_uncertainty):
        raise fault(where, "holds many tests", "hand in one test at a time")
    return float(estimate.value)
