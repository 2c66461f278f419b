"""Before and after: is the improvement larger than its own uncertainty?

What both measurements share (one meter, one range) cancels by its name, so a difference or a ratio can be known far
better than either value. Nobody types a correlation for that (JCGM 100, F.1.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from diagnb.conformity.risk import one_value
from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.uncertainty import Component, Estimate, correlation, propagate
from diagnb.uncertainty.estimate import merge

Improvement = Literal["improved", "not shown"]
_UNNAMED = "repeats"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two measurements of one quantity, set against each other.

    ``improvement`` is before less after (after less before where larger is better), in their unit; ``ratio`` is
    after over before, with ``ratio_interval`` at ``coverage``; both are ``None`` where the value before can't be
    told from zero. ``probability`` is that of an improvement above
    zero. ``correlation`` is that of gain, offset and quantisation taken apart, what nobody stated taken as
    independent. ``assumptions`` says what was assumed of influences whose common share nobody stated.
    """

    improvement: Estimate
    ratio: Estimate | None
    ratio_interval: tuple[float, float] | None
    correlation: float
    probability: float
    verdict: Improvement
    coverage: float
    assumptions: tuple[str, ...]

    @property
    def improvement_interval(self) -> tuple[float, float]:
        """Coverage interval of the improvement, in its unit."""
        low, high = self.improvement.expanded(self.coverage).interval
        return float(low), float(high)


def compare(
    *,
    before: Estimate,
    after: Estimate,
    smaller_is_better: bool = True,
    probability: float = 0.95,
    coverage: float = 0.95,
) -> Comparison:
    """Compare ``after`` with ``before`` (one unit, one test each), shared sources counted once.

    *Improved* where the probability of an improvement above zero is at least ``probability``; *not shown*
    otherwise, which does not say that nothing changed. The interval of the ratio holds every ratio c for which
    after - c·before can't be told from zero (Fieller), so it needs no linearisation.

    Sources are shared by name: give readings that nothing ties together names of their own.
    Raises :class:`~diagnb.errors.InputFault` for probabilities outside (0.5, 1), for arrays, and for repeats of
    both that were left without a name of their own.
    """
    faults = [
        Fault(name, f"{value} must lie between {low} and 1", "0.95 means 95 %")
        for name, value, low in (("probability", probability, 0.5), ("coverage", coverage, 0.0))
        if not low < value < 1
    ]
    if faults:
        raise InputFault(faults)
    one_value(before, "before")
    one_value(after, "after")
    if all(any(c.source == _UNNAMED for c in estimate.components) for estimate in (before, after)):
        # Repeats left with the default name would count as one error of both.
        raise fault("before, after", "both carry repeats without a name of their own", "type_a(values, source=…)")
    before, after = before.named("before"), after.named("after")
    pair = {"before": before, "after": after}
    gained = propagate("before - after" if smaller_is_better else "after - before", pair)
    chance = _above_zero(gained)
    low, high = before.expanded(coverage).interval
    divisible = not low <= 0 <= high
    return Comparison(
        improvement=gained,
        ratio=propagate("after / before", pair) if divisible else None,
        ratio_interval=_ratio_interval(before, after, coverage) if divisible else None,
        correlation=_correlation(before, after),
        probability=chance,
        verdict="improved" if chance >= probability - 1e-12 else "not shown",
        coverage=coverage,
        assumptions=tuple(dict.fromkeys(row.assumption for row in gained.parts if row.assumption)),
    )


def _correlation(before: Estimate, after: Estimate) -> float:
    """Of the two as the difference sees them: gain, offset and quantisation apart."""
    a, b = (
        Estimate.of(0.0, (Component(c.source, c.contribution) for c in merge(e.components)), e.correlations)
        for e in (before, after)
    )
    return float(correlation(a, b)) if a.standard_uncertainty and b.standard_uncertainty else 0.0


def _above_zero(gained: Estimate) -> float:
    value = float(gained.value)
    if not gained.standard_uncertainty:
        return 1.0 if value > 0 else 0.0
    return float(gained.shape.cdf(value))


def _ratio_interval(before: Estimate, after: Estimate, coverage: float) -> tuple[float, float]:
    """Both ends c of |after - c·before| = half-width of the coverage interval of after - c·before."""
    b, a = float(before.value), float(after.value)
    middle = a / b

    def outside(c: float) -> float:
        rest = Estimate.of(
            a - c * b,
            merge([*after.components, *(part.times(-c) for part in before.components)]),
            {**before.correlations, **after.correlations},
        )
        return abs(a - c * b) - float(rest.expanded(coverage).expanded_uncertainty)

    scale = max(
        float(after.standard_uncertainty) / abs(b), abs(middle) * float(before.standard_uncertainty) / abs(b), 1e-300
    )
    return _end(outside, middle, -scale), _end(outside, middle, scale)


def _end(outside: Callable[[float], float], middle: float, step: float) -> float:
    """Where ``outside`` turns positive, from ``middle`` in the direction of ``step``; false position with halving."""
    near, far = middle, middle + step
    below, above = outside(near), outside(far)
    if below >= 0:
        return near
    while above <= 0:
        step *= 2
        near, below, far = far, above, middle + step
        if not math.isfinite(far):
            raise MeasurementFault(Fault("ratio", "has no bound", "measure the value before with a smaller u"))
        above = outside(far)
    # To a billionth of the half-width at the middle: far below what is ever printed.
    enough = 1e-9 * abs(below)
    last = 0
    for _ in range(100):
        c = (near * above - far * below) / (above - below)
        value = outside(c)
        if abs(value) <= enough or abs(far - near) < 1e-12 * abs(step) or c in (near, far):
            return c
        # An end that stays twice loses half its weight (Illinois), so that it can't stay for long.
        if value < 0:
            above = above / 2 if last < 0 else above
            near, below, last = c, value, -1
        else:
            below = below / 2 if last > 0 else below
            far, above, last = c, value, 1
    return near
