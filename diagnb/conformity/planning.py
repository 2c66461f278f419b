"""Before the test: what a way of measuring can judge, and what it would take to judge more.

A way of measuring is handed in as a function ``estimate_at(value) -> Estimate``: the estimate it would give if it
showed that value. Only the uncertainty of what it returns is used.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from diagnb.conformity.limit import RULES, Limit, Rule
from diagnb.conformity.risk import one_value
from diagnb.conformity.verdict import Verdict, capability_guard, guard_band, judge
from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.uncertainty import Component, Estimate, propagate

EstimateAt = Callable[[float], Estimate]
_STEPS = 200


@dataclass(frozen=True, slots=True)
class AcceptanceLimits:
    """Readings that prove a pass (between ``lower`` and ``upper``) or a fail (beyond ``fail_below``/``fail_above``).

    All in the unit of the limit; ``None`` where the limit has no such side. ``capable`` is false where no reading
    proves a pass.
    """

    lower: float | None
    upper: float | None
    fail_below: float | None
    fail_above: float | None
    capable: bool


def acceptance_limits(
    estimate_at: EstimateAt, limit: Limit, rule: Rule = "guarded-95", *, probability: float | None = None
) -> AcceptanceLimits:
    """Acceptance limits where the uncertainty depends on the reading: u is taken at the acceptance limit itself.

    JCGM 106, 8.3 (its example of a speed meter: v = v0/(1 - u_rel·z)). Where u jumps between ranges, the
    limits found are those next to the tolerance limit. ``probability`` replaces the 95 % of the rule
    ``guarded-95`` where another one was agreed beforehand.
    Raises :class:`~diagnb.errors.InputFault` for an unknown rule, a probability outside (0.5, 1) or one for another
    rule, and :class:`~diagnb.errors.MeasurementFault` where no reading is far enough from the limit.
    """
    _known(rule)
    if probability is not None and (rule != "guarded-95" or not 0.5 < probability < 1):
        raise fault("probability", f"{probability} does not fit rule {rule!r}", "between 0.5 and 1, for guarded-95")

    def guard(value: float) -> float:
        estimate = estimate_at(value)
        one_value(estimate, "estimate_at")
        return guard_band(estimate, rule) if probability is None else float(estimate.shape.quantile(probability))

    low, high = limit.lower, limit.upper
    lower = None if low is None else _far_enough(guard, low, 1.0)
    upper = None if high is None else _far_enough(guard, high, -1.0)
    return AcceptanceLimits(
        lower, upper, None if low is None else _far_enough(guard, low, -1.0),
        None if high is None else _far_enough(guard, high, 1.0),
        lower is None or upper is None or lower <= upper,
    )  # fmt: skip


def _far_enough(guard: Callable[[float], float], limit: float, sign: float) -> float:
    """The reading nearest to ``limit`` on one side that is at least its own guard band away."""
    near, far = 0.0, guard(limit)
    if far == 0:
        return limit
    for _ in range(60):
        if far >= guard(limit + sign * far):
            break
        near, far = far, 2 * far
    else:
        raise MeasurementFault(
            Fault("estimate_at", "its uncertainty grows faster than the distance from the limit", "measure another way")
        )
    for _ in range(_STEPS):
        half = (near + far) / 2
        if half in (near, far) or far - near <= 1e-14 * max(abs(limit), far):
            break
        near, far = (near, half) if half >= guard(limit + sign * half) else (half, far)
    return limit + sign * far


def narrowest_tolerance(estimate_at: EstimateAt, *, nominal: float, rule: Rule = "guarded-95") -> float:
    """The narrowest two-sided tolerance about ``nominal`` in which some value can still pass.

    In the unit of ``nominal``. Raises :class:`~diagnb.errors.InputFault` for an unknown rule.
    """
    _known(rule)
    estimate = estimate_at(nominal)
    one_value(estimate, "estimate_at")
    return 2 * capability_guard(estimate.shape, Limit(nominal, nominal), guard_band(estimate, rule), rule)


def smallest_limit(
    estimate_at: EstimateAt, *, between: tuple[float, float], floor: float = 0.0, rule: Rule = "guarded-95"
) -> float:
    """The smallest upper limit that can be judged of a quantity that can't be below ``floor`` (a drop, a resistance).

    As :func:`~diagnb.conformity.judge` decides it: twice the guard band must fit between ``floor`` and the limit.
    ``between``: the lowest and the highest limit to look at, both above ``floor``. From the answer upwards every
    limit in between can be judged, as far as a search in steps of 2 % or less can tell.
    Raises :class:`~diagnb.errors.InputFault` where none can.
    """
    _known(rule)

    def capable(level: float) -> bool:
        return 2 * _guard_or_infinity(estimate_at, floor + level, rule) <= level

    low, high = between
    return floor + _first_for_good(capable, (low - floor, high - floor), "limit")


def smallest_current(
    drop_at: EstimateAt,
    *,
    limit: float,
    reference_current: float,
    between: tuple[float, float],
    current_at: EstimateAt | None = None,
    rule: Rule = "guarded-95",
) -> float:
    """The smallest load current (A) at which a voltage drop can be judged against a limit that scales with it.

    ``limit`` (V) holds at ``reference_current`` (A); at another current the limit is in proportion.
    ``drop_at`` is the way of measuring the drop; ``current_at``, where given, that of measuring the current, whose
    uncertainty then counts too (sources shared with the drop by name). ``between``: currents to look at, lowest
    and highest. A reading that the meter's statement does not cover counts as not judged.
    Raises :class:`~diagnb.errors.InputFault` for numbers not above zero, and where no current is large enough.
    """
    _known(rule)
    _above_zero({"limit": limit, "reference_current": reference_current})

    def at(current: float) -> Estimate:
        drop = drop_at(limit * current / reference_current)
        one_value(drop, "drop_at")
        flow = current_at(current) if current_at is not None else Estimate(current, 0.0, source="current")
        one_value(flow, "current_at")
        drop = Estimate.of(limit * current / reference_current, drop.components, drop.correlations)
        flow = Estimate.of(current, flow.components, flow.correlations)
        known = {"drop": drop, "current": flow, "reference": Estimate(reference_current, 0.0, source="reference")}
        return propagate("drop * reference / current", known)

    def capable(current: float) -> bool:
        return 2 * _guard_or_infinity(at, current, rule) <= limit

    return _first_for_good(capable, between, "current")


@dataclass(frozen=True, slots=True)
class Repeats:
    """How many repeats settle it. ``number`` is ``None`` where no number does; then ``guard_band`` is what stays.

    ``guard_band`` in the unit of the readings, with that many repeats.
    """

    number: int | None
    guard_band: float


def repeats_needed(
    *,
    standard_deviation: float,
    distance: float,
    other: float | Estimate = 0.0,
    pooled_degrees_of_freedom: float | None = None,
    rule: Rule = "guarded-95",
    most: int = 1_000_000,
) -> Repeats:
    """The smallest number n >= 2 of repeats whose mean is decided at ``distance`` from the limit.

    ``standard_deviation`` s of single readings; s/√n with n-1 degrees of freedom goes with ``other``, the
    uncertainty that repeats do not lessen (u of a normal error, or an estimate with its sources). Where s is
    pooled from earlier series, give its degrees of freedom; they then stand in place of n-1, and one reading may do.
    All in one unit; repeats must be independent of each other. Raises :class:`~diagnb.errors.InputFault`.
    """
    _known(rule)
    _above_zero({"standard_deviation": standard_deviation, "distance": distance})
    if pooled_degrees_of_freedom is not None:
        _above_zero({"pooled_degrees_of_freedom": pooled_degrees_of_freedom})
    rest = other if isinstance(other, Estimate) else Estimate(0.0, other, source="other")
    one_value(rest, "other")

    def guard(n: int) -> float:
        nu = pooled_degrees_of_freedom or n - 1
        part = Component("repeats", standard_deviation / math.sqrt(n), nu, "t")
        return guard_band(Estimate.of(0.0, (*rest.named("other").components, part), rest.correlations), rule)

    fewest = 1 if pooled_degrees_of_freedom is not None else 2
    stays = guard_band(rest, rule)
    if stays > distance:
        return Repeats(None, stays)
    near, far = fewest - 1, fewest
    while guard(far) > distance:
        near, far = far, 2 * far
        if far > most:
            return Repeats(None, stays)
    while far - near > 1:
        half = (near + far) // 2
        near, far = (near, half) if guard(half) <= distance else (half, far)
    return Repeats(far, guard(far))


@dataclass(frozen=True, slots=True)
class Way:
    """One way of measuring: its u at this value, how many times smaller that is than now, and what it could judge."""

    label: str
    standard_uncertainty: float
    gain: float
    guard_band: float
    verdict: Verdict | None


def compare_ways(
    present: Estimate, alternatives: Mapping[str, Estimate], *, limit: Limit | None = None, rule: Rule = "guarded-95"
) -> tuple[Way, ...]:
    """What other ways of measuring the same value would gain, the largest gain first.

    ``alternatives``: label (a direct reading, a lower range, four terminals) to the estimate that it would give.
    With ``limit`` each also gets the verdict it would have led to. ``gain`` is u now over u then.
    Raises :class:`~diagnb.errors.InputFault` for an unknown rule or estimates of many tests.
    """
    _known(rule)
    one_value(present, "present")
    now = float(present.standard_uncertainty)
    found = []
    for label, other in alternatives.items():
        one_value(other, label)
        then = float(other.standard_uncertainty)
        gain = now / then if then else math.inf
        verdict = judge(other, limit, rule) if limit is not None else None
        found.append(Way(label, then, gain, guard_band(other, rule), verdict))
    return tuple(sorted(found, key=lambda way: -way.gain))


def _guard_or_infinity(estimate_at: EstimateAt, value: float, rule: Rule) -> float:
    try:
        estimate = estimate_at(value)
    except MeasurementFault:
        return math.inf
    one_value(estimate, "estimate_at")
    return guard_band(estimate, rule)


def _first_for_good(capable: Callable[[float], bool], between: tuple[float, float], name: str) -> float:
    """The smallest value within ``between`` from which on ``capable`` holds."""
    low, high = between
    if not 0 < low < high < math.inf:
        raise fault("between", f"{between} must be two rising {name}s above zero")
    steps = max(math.ceil(math.log(high / low) / 0.02), 1)
    grid = [low * math.exp(i / steps * math.log(high / low)) for i in range(steps)] + [high]
    last = next((i for i in range(steps, -1, -1) if not capable(grid[i])), -1)
    if last == steps:
        raise fault(name, f"none up to {high:g} can be judged this way", "measure another way, or look further up")
    if last < 0:
        return low
    bad, good = grid[last], grid[last + 1]
    for _ in range(_STEPS):
        half = (bad + good) / 2
        if half in (bad, good):
            break
        bad, good = (bad, half) if capable(half) else (half, good)
    return good


def _known(rule: str) -> None:
    if rule not in RULES:
        raise fault("rule", f"{rule!r} is unknown", f"one of {', '.join(RULES)}")


def _above_zero(numbers: Mapping[str, float]) -> None:
    faults = [Fault(name, f"{value} must be above zero") for name, value in numbers.items() if not 0 < value < math.inf]
    if faults:
        raise InputFault(faults)
