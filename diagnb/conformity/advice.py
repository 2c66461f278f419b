"""What would settle a verdict: worked out from the budget, not guessed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnb.conformity.limit import Limit
from diagnb.conformity.planning import repeats_needed
from diagnb.conformity.verdict import Verdict, capability_guard, judge
from diagnb.uncertainty import Estimate


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do next: a code, and the numbers and names that its sentence needs."""

    code: str
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    settles: bool = False


def needed_uncertainty(estimate: Estimate, verdict: Verdict) -> float:
    """The standard uncertainty at which this value would be decided, its shape kept; zero on the limit itself."""
    limit, guard = verdict.limit, verdict.guard_band
    u = float(estimate.standard_uncertainty)
    if limit is None or not guard or not u:
        return u
    return u * abs(float(estimate.value) - limit.nearest(float(estimate.value))) / guard


def advise(
    estimate: Estimate, verdict: Verdict, alternatives: Mapping[str, tuple[str, Estimate]] | None = None
) -> tuple[Advice, ...]:
    """Advice for a verdict that is conditional or not capable, what settles it first.

    ``alternatives`` maps a label to (code, the estimate that another way of measuring would give at the same
    value): a direct reading, another instrument on file.
    """
    limit = verdict.limit
    if limit is None or verdict.verdict in ("pass", "fail") or verdict.reason not in _UNSETTLED:
        return ()
    u = float(estimate.standard_uncertainty)
    needed = needed_uncertainty(estimate, verdict)
    found = []
    for label, (code, other) in (alternatives or {}).items():
        better = float(other.standard_uncertainty)
        if better < u * 0.95:
            outcome = judge(other, limit, verdict.rule)
            if outcome.verdict == verdict.verdict:
                continue
            found.append(
                Advice(code, {"u_now": u, "u_then": better, "gain": u / better if better else 0.0},
                       {"with": label, "then": outcome.verdict}, outcome.verdict in ("pass", "fail"))
            )  # fmt: skip
    found.sort(key=lambda a: (not a.settles, a.numbers["u_then"]))
    rows = estimate.budget()
    if verdict.reason != "not-capable" and needed < 0.02 * u:
        found.append(Advice("value-on-the-limit", {"u_now": u, "u_needed": needed}))
    elif rows:
        found.extend(_repeats(estimate, verdict))
        found.append(
            Advice(
                "reduce-largest-source",
                {"share": float(rows[0].share), "u_now": u, "u_needed": needed},
                {"source": rows[0].source},
            )
        )
    return tuple(found)


def _repeats(estimate: Estimate, verdict: Verdict) -> tuple[Advice, ...]:
    """How many repeats would decide, where scatter is most of the uncertainty; nothing when none would."""
    scattered = [c for c in estimate.components if c.source.endswith(": repeats")]
    u = float(estimate.standard_uncertainty)
    limit = verdict.limit
    if limit is None or len(scattered) != 1 or scattered[0].contribution ** 2 < 0.5 * u * u:
        return ()
    scatter = scattered[0]
    now = round(float(scatter.degrees_of_freedom)) + 1
    rest = Estimate.of(0.0, (c for c in estimate.components if c is not scatter), estimate.correlations)
    distance = abs(float(estimate.value) - limit.nearest(float(estimate.value)))
    if not distance:
        return ()
    deviation = abs(float(scatter.contribution)) * math.sqrt(now)
    wanted = repeats_needed(standard_deviation=deviation, distance=distance, other=rest, rule=verdict.rule)
    if wanted.number is None or wanted.number <= now:
        return ()
    numbers = {"number": float(wanted.number), "now": float(now), "u_now": u}
    return (Advice("more-repeats", numbers, settles=True),)


_UNSETTLED = ("meets-limit-unproved", "exceeds-limit-unproved", "not-capable")


@dataclass(frozen=True, slots=True)
class Capability:
    """Whether a way of measuring can judge a limit at all, before the test."""

    capable: bool
    guard_band: float
    undecided_zone: tuple[float, float]
    narrowest_tolerance: float
    test_uncertainty_ratio: float | None


def capability(estimate_at_limit: Estimate, limit: Limit, rule: str = "guarded-95") -> Capability:
    """Capability for ``limit``, from the estimate that the method would give for a reading on the limit.

    The test uncertainty ratio is tolerance span over 2 U at 95 %; it is undefined for a tolerance open to one side.
    """
    verdict = judge(estimate_at_limit, limit, rule)  # type: ignore[arg-type]
    guard = verdict.guard_band or 0.0
    side = limit.nearest(float(estimate_at_limit.value))
    expanded = float(estimate_at_limit.expanded(0.95).expanded_uncertainty)
    finite = limit.span != float("inf") and expanded > 0
    ratio = limit.span / (2 * expanded) if finite else None
    enough = capability_guard(estimate_at_limit.shape, limit, guard, verdict.rule)
    return Capability(2 * enough <= limit.span, guard, (side - guard, side + guard), 2 * enough, ratio)
