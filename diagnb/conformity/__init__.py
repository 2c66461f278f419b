"""Conformity: limits, decision rules, verdicts, and what would settle them."""

from diagnb.conformity.advice import Advice, Capability, advise, capability, needed_uncertainty
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
    "Limit",
    "Rule",
    "Verdict",
    "Word",
    "advise",
    "capability",
    "conformance_probability",
    "guard_band",
    "judge",
    "needed_uncertainty",
    "not_judged",
]
