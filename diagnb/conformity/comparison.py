"""Before and after: is the improvement larger than its own uncertainty?

What both measurements share (one meter, one range) cancels by its name, so a difference or a ratio can be known far
better than either value. Nobody types a correlation for that (JCGM 100, F.1.2.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from diagnb.conformity.risk import one_value
from diagnb.errors import Fault, InputFault, MeasurementFault
from diagnb.uncertainty import Estimate, propagate
from diagnb.uncertainty import correlation as correlation_of
from diagnb.uncertainty.estimate import merge

Improvement = Literal["improved", "not shown"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two measurements of one quantity, set against each other.

    ``improvement`` is before less after (after less before where larger is better), in their unit; ``ratio`` is
    after over before, with ``ratio_interval`` at ``coverage``. ``probability`` is that of an improvement above
    zero. ``assumptions`` says what was assumed of influences whose common share nobody stated.
    """

    improvement: Estimate
    ratio: Estimate
    ratio_interval: tuple[float, float]
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
    Raises :class:`~diagnb.errors.InputFault` for probabilities outside (0.5, 1) or arrays, and
    :class:`~diagnb.errors.MeasurementFault` where the value before can't be told from zero.
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
    before, after = before.named("before"), after.named("after")
    low, high = before.expanded(coverage).interval
    if low <= 0 <= high:
        raise MeasurementFault(
            Fault("before", "can't be told from zero, so there is no ratio", "measure it with more current")
        )
    pair = {"before": before, "after": after}
    gained = propagate("before - after" if smaller_is_better else "after - before", pair)
    chance = _above_zero(gained)
    ratio = propagate("after / before", pair)
    exact = not (before.standard_uncertainty and after.standard_uncertainty)
    return Comparison(
        improvement=gained,
        ratio=ratio,
        ratio_interval=_ratio_interval(before, after, coverage),
        correlation=0.0 if exact else float(correlation_of(before, after)),
        probability=chance,
        verdict="improved" if chance >= probability - 1e-12 else "not shown",
        coverage=coverage,
        assumptions=tuple(dict.fromkeys(row.assumption for row in gained.parts if row.assumption)),
    )


def _above_zero(gained: Estimate) -> float:
    value = float(gained.value)
    if not gained.standard_uncertainty:
        return 1.0 if value > 0 else 0.0
    return float(gained.shape.cdf(value))


def _ratio_interval(before: Estimate, after: Estimate, coverage: float) -> tuple[float, float]:
    """Both ends c of |after - c·before| = half-width of the coverage interval of after - c·before."""
    b, a = float(before.value), float(after.value)
    middle = a / b

    def outside(c: float) -> bool:
        rest = Estimate.of(
            a - c * b,
            merge([*after.components, *(part.times(-c) for part in before.components)]),
            {**before.correlations, **after.correlations},
        )
        return abs(a - c * b) > float(rest.expanded(coverage).expanded_uncertainty)

    scale = max(
        float(after.standard_uncertainty) / abs(b), abs(middle) * float(before.standard_uncertainty) / abs(b), 1e-300
    )
    ends = []
    for sign in (-1.0, 1.0):
        near, far = 0.0, scale
        while not outside(middle + sign * far):
            near, far = far, 2 * far
            if not math.isfinite(far):
                raise MeasurementFault(Fault("ratio", "has no bound", "measure the value before with a smaller u"))
        for _ in range(200):
            half = (near + far) / 2
            if half in (near, far) or far - near < 1e-13 * max(abs(middle), far):
                break
            near, far = (near, half) if outside(middle + sign * half) else (half, far)
        ends.append(middle + sign * near)
    return ends[0], ends[1]
