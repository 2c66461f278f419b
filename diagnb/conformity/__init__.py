"""Conformity: limits, decision rules, verdicts, and what would settle them."""

from diagnb.conformity.advice import Advice, Capability, advise, capability, needed_uncertainty
from diagnb.conformity.batch import Judgements, judge_many
from diagnb.conformity.comparison import Comparison, compare
from diagnb.conformity.limit import RULES, Limit, Rule
from diagnb.conformity.planning import (
    AcceptanceLimits,
    Repeats,
    Way,
    acceptance_limits,
    compare_ways,
    narrowest_tolerance,
    repeats_needed,
    smallest_current,
    smallest_limit,
)
from diagnb.conformity.risk import (
    GlobalRisk,
    SpecificRisk,
    global_risk,
    guarded,
    specific_risk,
    two_percent_guard_band,
    worst_consumers_risk,
)
from diagnb.conformity.verdict import (
    REASONS,
    WORDS,
    Verdict,
    Word,
    conformance_probability,
    guard_band,
    judge,
    not_judged,
)

__all__ = [
    "REASONS",
    "RULES",
    "WORDS",
    "AcceptanceLimits",
    "Advice",
    "Capability",
    "Comparison",
    "GlobalRisk",
    "Judgements",
    "Limit",
    "Repeats",
    "Rule",
    "SpecificRisk",
    "Verdict",
    "Way",
    "Word",
    "acceptance_limits",
    "advise",
    "capability",
    "compare",
    "compare_ways",
    "conformance_probability",
    "global_risk",
    "guard_band",
    "guarded",
    "judge",
    "judge_many",
    "narrowest_tolerance",
    "needed_uncertainty",
    "not_judged",
    "repeats_needed",
    "smallest_current",
    "smallest_limit",
    "specific_risk",
    "two_percent_guard_band",
    "worst_consumers_risk",
]
