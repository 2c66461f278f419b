"""Linear or Monte Carlo: decided by rule, not by the user (JCGM 101, 5.8 and clause 8)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from diagnb.errors import Fault, MeasurementFault
from diagnb.uncertainty.estimate import Estimate
from diagnb.uncertainty.formula import Formula, Table
from diagnb.uncertainty.propagate import propagate
from diagnb.uncertainty.sampling import Sample, monte_carlo, numerical_tolerance

Trigger = Literal[
    "divisor-uncertain", "zero-derivative", "no-derivative", "near-physical-limit", "dominant-non-normal-source"
]
LARGEST_DIVISOR_UNCERTAINTY = 0.05
SCOUTING_TRIALS = (20_000, 200_000)
"""So few trials settle most validations: where they leave no doubt that the linear interval holds, no more are run."""
DOMINANT_SHARE = 0.49
"""Variance share above which a source that is neither normal nor rectangular dominates: 70 % of u."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A result by the method that the rules chose.

    ``estimate`` is the linear result, kept for its budget. ``sample`` is there when Monte Carlo ran;
    ``validated`` says whether it confirmed the linear interval, in which case that stands.
    """

    estimate: Estimate
    method: Literal["linear", "monte-carlo"]
    triggers: tuple[Trigger, ...]
    sample: Sample | None
    validated: bool | None
    value: float
    standard_uncertainty: float
    coverage_factor: float
    expanded_uncertainty: float
    interval: tuple[float, float]


class DivisorHoldsZero(Exception):
    """The coverage interval of something that is divided by holds zero: there is no result."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.names = names
        super().__init__(", ".join(names))


def propagate_by_rule(
    formula: Formula,
    inputs: Mapping[str, Estimate],
    *,
    coverage: float = 0.95,
    tables: Mapping[str, Table] | None = None,
    physical_lower: float | None = None,
    physical_upper: float | None = None,
    trials: int = 1_000_000,
    seed: int = 1,
) -> Outcome:
    """Linear propagation, and Monte Carlo where a trigger says that linear may not be good enough.

    Triggers: a divisor known to worse than 5 %; a first derivative of zero, or none, for an input that has an
    uncertainty; an estimate within 3 u of a physical limit; a dominant source that is neither normal nor
    rectangular. Monte Carlo then validates the linear interval to one digit of u (JCGM 101, 8.1); the
    linear result stands when it agrees. The result is never clipped at a physical limit.

    Raises :class:`DivisorHoldsZero`, and :class:`~diagnb.errors.MeasurementFault` where there is no value.
    """
    chosen = {name: inputs[name] for name in formula.names}
    triggers: list[Trigger] = []
    for divisor in formula.divisors:
        alone = divisor.names[0] if len(divisor.steps) == 1 else ""
        below = chosen[alone] if alone else propagate(divisor, chosen, tables=tables)
        if _holds_zero(below, coverage):
            raise DivisorHoldsZero(divisor.names)
        if below.standard_uncertainty > LARGEST_DIVISOR_UNCERTAINTY * abs(below.value):
            triggers.append("divisor-uncertain")
    try:
        estimate = propagate(formula, chosen, tables=tables)
    except MeasurementFault:
        return _without_derivative(formula, chosen, coverage, tables, trials, seed)
    triggers += _triggers(formula, chosen, estimate, physical_lower, physical_upper)
    expanded = estimate.expanded(coverage)
    value, u = float(estimate.value), float(estimate.standard_uncertainty)
    half, k = float(expanded.expanded_uncertainty), float(expanded.coverage_factor)
    interval = (value - half, value + half)
    if not triggers:
        return Outcome(estimate, "linear", (), None, None, value, u, k, half, interval)
    tolerance = numerical_tolerance(u, 1)
    unique = tuple(dict.fromkeys(triggers))
    for few in (n for n in SCOUTING_TRIALS if n < trials):
        scout = monte_carlo(formula, chosen, coverage=coverage, trials=few, seed=seed, tables=tables)
        if surely_agrees(scout, interval, tolerance):
            return Outcome(estimate, "linear", unique, scout, True, value, u, k, half, interval)
    sample = monte_carlo(formula, chosen, coverage=coverage, trials=trials, seed=seed, tables=tables)
    validated = all(abs(a - b) <= tolerance for a, b in zip(interval, sample.interval, strict=True))
    if validated:
        return Outcome(estimate, "linear", unique, sample, True, value, u, k, half, interval)
    return _sampled(estimate, unique, sample)


def surely_agrees(sample: Sample, interval: tuple[float, float], tolerance: float) -> bool:
    """Whether both ends of ``interval`` lie within ``tolerance`` of the ends that ``sample`` would have with any
    number of trials: the order statistics four standard deviations of their rank to either side must agree too."""
    n, tail = sample.trials, (1 - sample.coverage) / 2
    low, spread = round(tail * n), math.ceil(4 * math.sqrt(n * tail * (1 - tail)))
    if low - spread < 1:
        return False
    ranks = (low - spread - 1, low + spread, n - 1 - low - spread, n - low + spread)
    ordered = np.partition(sample.draws, ranks)
    ends = (interval[0], interval[0], interval[1], interval[1])
    return all(abs(float(ordered[rank]) - end) <= tolerance for rank, end in zip(ranks, ends, strict=True))


def _sampled(estimate: Estimate, triggers: tuple[Trigger, ...], sample: Sample) -> Outcome:
    half = (sample.interval[1] - sample.interval[0]) / 2
    u = sample.standard_uncertainty
    return Outcome(
        estimate, "monte-carlo", triggers, sample, False, sample.value, u, half / u if u else 0.0, half, sample.interval
    )


def _without_derivative(
    formula: Formula,
    inputs: Mapping[str, Estimate],
    coverage: float,
    tables: Mapping[str, Table] | None,
    trials: int,
    seed: int,
) -> Outcome:
    """A value without a derivative (a square root at zero): Monte Carlo alone, one nameless source."""
    formula.value({name: estimate.value for name, estimate in inputs.items()}, tables)
    sample = monte_carlo(formula, inputs, coverage=coverage, trials=trials, seed=seed, tables=tables)
    estimate = Estimate(sample.value, sample.standard_uncertainty, source=f"Monte Carlo of {formula.text}")
    return _sampled(estimate, ("no-derivative",), sample)


def _triggers(
    formula: Formula,
    inputs: Mapping[str, Estimate],
    estimate: Estimate,
    physical_lower: float | None,
    physical_upper: float | None,
) -> list[Trigger]:
    found: list[Trigger] = []
    reached = {c.source for c in estimate.components if c.contribution}
    for name, given in inputs.items():
        own = given.named(name)
        if own.standard_uncertainty and not any(c.source in reached for c in own.components if c.contribution):
            found.append("zero-derivative")
    u, value = estimate.standard_uncertainty, estimate.value
    near = [limit for limit in (physical_lower, physical_upper) if limit is not None and abs(value - limit) < 3 * u]
    # The linear interval of a sum or difference is right wherever the value lies; only curvature can mislead.
    if near and not is_linear(formula):
        found.append("near-physical-limit")
    total = estimate.variance
    if any(
        p.distribution in ("triangular", "arcsine") and p.contribution**2 > DOMINANT_SHARE * total
        for p in estimate.parts
    ):
        found.append("dominant-non-normal-source")
    return found


def is_linear(formula: Formula) -> bool:
    """Whether the formula is linear in its names: no product, quotient or function of two of them."""
    carries: list[bool] = []
    for step in formula.steps:
        inside = [carries[i] for i in step.operands]
        if step.operation in ("name",):
            carries.append(True)
        elif step.operation == "constant":
            carries.append(False)
        elif (
            step.operation in ("+", "-", "negative")
            or (step.operation == "*" and not all(inside))
            or (step.operation == "/" and not inside[1])
        ):
            carries.append(any(inside))
        elif any(inside):
            return False
        else:
            carries.append(False)
    return True


def _holds_zero(divisor: Estimate, coverage: float) -> bool:
    # No shape without Student's tails reaches 2.5 u at 95 %, so most divisors need no quantile.
    if (
        coverage <= 0.95
        and math.isinf(divisor.degrees_of_freedom)
        and abs(divisor.value) > 2.5 * divisor.standard_uncertainty
    ):
        return False
    low, high = divisor.expanded(coverage).interval
    return bool(low <= 0 <= high)


__all__ = ["DivisorHoldsZero", "Fault", "Outcome", "Trigger", "propagate_by_rule"]
