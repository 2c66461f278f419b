"""Verdicts: an estimate against a limit under a decision rule, evidence first (JCGM 106, ILAC-G8:09/2019).

A fail is proved as strictly as a pass, because a claim asserts that a part does *not* conform.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast, get_args

from diagnb.conformity.limit import RULES, Limit, Rule
from diagnb.errors import fault
from diagnb.uncertainty import Estimate, Shape

Word = Literal["pass", "conditional pass", "conditional fail", "fail", "not judged"]
WORDS: tuple[str, ...] = get_args(Word)

REASONS: dict[str, str] = {
    "conformance-proved": "the limit is met by more than the guard band",
    "meets-limit-unproved": "the value meets the limit, but by less than the guard band",
    "exceeds-limit-unproved": "the value is beyond the limit, but by less than the guard band",
    "nonconformance-proved": "the value is beyond the limit by more than the guard band",
    "simple-acceptance-met": "the value meets the limit; this rule leaves the uncertainty out",
    "simple-acceptance-not-met": "the value is beyond the limit; this rule leaves the uncertainty out",
    "not-capable": "the undecided zone of this measurement is wider than the tolerance",
    "no-limit": "no limit applies to this value",
    "limit-missing": "this value needs the vehicle maker's or the user's limit with its source",
    "reading-missing": "a reading that this value needs was not taken",
    "over-range": "the display showed no number (over range)",
    "over-range-meets-limit": "the display was over range, which lies above the lower limit",
    "over-range-beyond-limit": "the display was over range, which lies above the upper limit",
    "not-stable": "the display did not settle",
    "meter-overdue": "the instrument was overdue for calibration",
    "calibration-unknown": "nobody has stated until when the calibration of the instrument holds",
    "temperature-outside-operating-range": "it was too cold or too warm for the instrument",
    "below-stated-level": "the accuracy specification does not hold at so small a reading",
    "divisor-holds-zero": "the value that is divided by can't be told from zero",
    "no-value": "the formula has no value for these readings",
    "qualified-person-missing": "above 60 V DC or 30 V AC a qualified person must be named",
    "circuit-class-forbids": "this procedure feeds the circuit, and circuits of this class are measured only",
}
"""Every reason code with what it means; sentences for people are made in the report room."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Evidence of one decision. ``guard_band`` and the acceptance limits are in the unit of the estimate."""

    verdict: Word
    reason: str
    rule: Rule
    limit: Limit | None
    conformance_probability: float | None = None
    guard_band: float | None = None
    acceptance_lower: float | None = None
    acceptance_upper: float | None = None
    capable: bool | None = None

    def __str__(self) -> str:
        return self.verdict


def not_judged(reason: str, *, rule: Rule = "guarded-95", limit: Limit | None = None) -> Verdict:
    """A verdict that says why there is none. ``reason`` is one of :data:`REASONS`."""
    if reason not in REASONS:
        raise fault("reason", f"{reason!r} is not a reason code")
    return Verdict("not judged", reason, rule, limit)


def conformance_probability(estimate: Estimate, limit: Limit) -> float:
    """Probability that the measurand meets ``limit`` (JCGM 106, 7.2 to 7.4), from the shape of the uncertainty."""
    return _probability(float(estimate.value), estimate.shape, limit)


def _probability(value: float, shape: Shape, limit: Limit) -> float:
    above = 1.0 if limit.upper is None else float(shape.cdf(limit.upper - value))
    below = 0.0 if limit.lower is None else 1.0 - float(shape.cdf(value - limit.lower))
    return min(max(above - below, 0.0), 1.0)


def judge(estimate: Estimate, limit: Limit, rule: Rule = "guarded-95", *, probability: float | None = None) -> Verdict:
    """The verdict on ``estimate`` against ``limit``, decided on unrounded numbers.

    Rules: ``simple`` (ILAC-G8 4.2.1); ``guarded-95``, conformance probability of 95 % for a pass and of 5 % for
    a fail (ISO 14253-1 default); ``guarded-U``, guard band w = U at 95 % (ILAC-G8 4.2.2, 4.2.3). A value on the
    acceptance limit is accepted. ``probability`` replaces the conformance probability where a Monte Carlo
    sample gave one. Where the undecided zone (twice the guard band; between two limits both tails count) is wider
    than the tolerance, the
    measurement can't pass anything: *not judged*, unless the value is beyond the limit by more than that zone.

    Raises :class:`~diagnb.errors.InputFault` for an unknown rule.
    """
    if rule not in RULES:
        raise fault("rule", f"{rule!r} is unknown", f"one of {', '.join(RULES)}")
    value, shape = float(estimate.value), estimate.shape
    pc = _probability(value, shape, limit) if probability is None else probability
    inside = limit.holds(value)
    if rule == "simple":
        word, reason = ("pass", "simple-acceptance-met") if inside else ("fail", "simple-acceptance-not-met")
        return Verdict(cast("Word", word), reason, rule, limit, pc, 0.0, limit.lower, limit.upper, True)
    guard = guard_band(estimate, rule)
    inset = _inset(shape, limit, guard, rule)
    low = None if limit.lower is None else limit.lower + inset
    high = None if limit.upper is None else limit.upper - inset
    capable = 2 * capability_guard(shape, limit, guard, rule) <= limit.span
    beyond = max(
        limit.lower - value if limit.lower is not None else 0.0,
        value - limit.upper if limit.upper is not None else 0.0,
    )
    tolerance = 1e-12 * max(abs(value), abs(limit.nearest(value)))
    if rule == "guarded-95":
        proved, disproved = pc >= 0.95 - 1e-9, pc <= 0.05 + 1e-9
    else:
        proved = (low is None or value >= low - tolerance) and (high is None or value <= high + tolerance)
        disproved = beyond > guard + tolerance
    if not capable and not (disproved and beyond > 2 * guard):
        word, reason = "not judged", "not-capable"
    elif proved:
        word, reason = "pass", "conformance-proved"
    elif disproved and not inside:
        word, reason = "fail", "nonconformance-proved"
    elif inside:
        word, reason = "conditional pass", "meets-limit-unproved"
    else:
        word, reason = "conditional fail", "exceeds-limit-unproved"
    return Verdict(cast("Word", word), reason, rule, limit, pc, guard, low, high, capable)


def capability_guard(shape: Shape, limit: Limit, guard: float, rule: Rule) -> float:
    """Half the narrowest tolerance in which some value could pass.

    Between two limits both tails count, so 95 % needs the 97.5 % quantile on each side; against one limit (and a
    physical bound on the other side) it is the guard band.
    """
    if rule == "guarded-95" and limit.lower is not None and limit.upper is not None:
        return float(shape.quantile(0.975))
    return guard


def _inset(shape: Shape, limit: Limit, guard: float, rule: Rule) -> float:
    """How far within the tolerance a value has to lie to pass; more than the guard band where both limits are near."""
    if rule != "guarded-95" or limit.lower is None or limit.upper is None:
        return guard
    span = limit.upper - limit.lower
    if float(shape.cdf(span - guard)) > 1 - 1e-12 or 2 * capability_guard(shape, limit, guard, rule) > span:
        return guard
    near, far = guard, span / 2
    for _ in range(60):
        middle = (near + far) / 2
        if _probability(limit.upper - middle, shape, limit) < 0.95:
            near = middle
        else:
            far = middle
    return far


def guard_band(estimate: Estimate, rule: Rule) -> float:
    """Width of the guard band: the one-sided 95 % quantile of the error, U at 95 %, or none."""
    if rule == "simple":
        return 0.0
    if rule == "guarded-U":
        return float(estimate.expanded(0.95).expanded_uncertainty)
    return float(estimate.shape.quantile(0.95))
