"""Conformity: limits, decision rules, verdicts, and what would settle them."""

from diagnb.conformity.advice import Advice, Capability, advise, capability, needed_uncertainty
from diagnb.conformity.batch import Judgements, judge_many
from diagnb.conformity.limit import RULES, Limit, Rule
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
    "Advice",
    "Capability",
    "Judgements",
    "Limit",
    "Rule",
    "Verdict",
    "Word",
    "advise",
    "capability",
    "conformance_probability",
    "guard_band",
    "judge",
    "judge_many",
    "needed_uncertainty",
    "not_judged",
]
