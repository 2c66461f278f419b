"""Claim readiness: what would get a claim rejected, and a fleet's own policy on top."""

from diagnb.evaluation import Evaluation
from diagnb.readiness.doubles import doubles
from diagnb.readiness.evidence import part_evidence, shipped_evidence
from diagnb.readiness.policy import DEFAULT, Policy, apply, load_policy, read_policy
from diagnb.readiness.remark import Remark, Severity
from diagnb.readiness.rules import RULES
from diagnb.readiness.rules_of_claim import written_late
from diagnb.record import Record

_ORDER = {"rejects": 0, "weakens": 1, "note": 2}


def check(record: Record, evaluation: Evaluation, policy: Policy = DEFAULT) -> tuple[Remark, ...]:
    """Every remark on ``record`` under ``policy``, the gravest first, then in the order in which an adjuster asks."""
    found = [remark for rule in RULES for remark in rule(record, evaluation)]
    found += part_evidence(record, (*shipped_evidence(), *policy.part))
    found += written_late(record, policy.days_until_late)
    return tuple(sorted(apply(policy, record, found), key=lambda remark: _ORDER[remark.severity]))


__all__ = [
    "RULES",
    "Policy",
    "Remark",
    "Severity",
    "check",
    "doubles",
    "load_policy",
    "read_policy",
    "shipped_evidence",
]
