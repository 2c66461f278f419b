"""Verdicts over many tests at once: the rules of :func:`~diagnb.conformity.judge`, as array operations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.conformity.limit import RULES, Limit, Rule
from diagnb.conformity.verdict import WORDS
from diagnb.errors import fault
from diagnb.uncertainty import Estimate, Shape

Array = Any
_PASS, _CONDITIONAL_PASS, _CONDITIONAL_FAIL, _FAIL, _NOT_JUDGED = range(5)


@dataclass(frozen=True, slots=True)
class Judgements:
    """Evidence and verdicts of n tests, every array (n,) in the unit of the estimate.

    ``verdict`` holds indices into :data:`~diagnb.conformity.WORDS`; ``not judged`` means not capable.
    """

    value: Array
    standard_uncertainty: Array
    degrees_of_freedom: Array
    coverage_factor: Array
    expanded_uncertainty: Array
    conformance_probability: Array
    verdict: Array

    def words(self) -> list[str]:
        """The verdicts in words."""
        return [WORDS[i] for i in self.verdict]

    def counts(self) -> dict[str, int]:
        """How many of each verdict."""
        found = np.bincount(self.verdict, minlength=len(WORDS))
        return dict(zip(WORDS, (int(n) for n in found), strict=True))


def judge_many(estimate: Estimate, limit: Limit, rule: Rule = "guarded-95", *, coverage: float = 0.95) -> Judgements:
    """Verdicts on ``estimate`` (arrays of n values) against one ``limit`` under one ``rule``.

    Decides as :func:`~diagnb.conformity.judge` does, test by test. Coverage factors of more than some
    20,000 tests are read from a table that holds them to about 1e-5.
    Raises :class:`~diagnb.errors.InputFault` for an unknown rule.
    """
    if rule not in RULES:
        raise fault("rule", f"{rule!r} is unknown", f"one of {', '.join(RULES)}")
    value = np.atleast_1d(np.asarray(estimate.value, dtype=float))
    shape = estimate.shape
    if not isinstance(shape.first, np.ndarray):
        shape = _spread(shape, value.shape)
    u = shape.standard_uncertainty
    half = shape.quantile((1 + coverage) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(u > 0, half / u, 0.0)
    pc = _probability(value, shape, limit)
    inside = np.ones(value.shape, dtype=bool)
    beyond = np.zeros_like(value)
    if limit.lower is not None:
        inside &= value >= limit.lower
        np.maximum(beyond, limit.lower - value, out=beyond)
    if limit.upper is not None:
        inside &= value <= limit.upper
        np.maximum(beyond, value - limit.upper, out=beyond)
    if rule == "simple":
        verdict = np.where(inside, _PASS, _FAIL).astype(np.uint8)
    else:
        verdict = _guarded(value, shape, half, pc, inside, beyond, limit, rule, coverage)
    nu = np.broadcast_to(shape.degrees_of_freedom, value.shape)
    return Judgements(value, u, nu, k, half, pc, verdict)


def _spread(shape: Shape, size: tuple[int, ...]) -> Shape:
    return Shape(*(np.broadcast_to(np.asarray(getattr(shape, name)), size) for name in Shape.__dataclass_fields__))


def _guarded(
    value: Array,
    shape: Shape,
    half: Array,
    pc: Array,
    inside: Array,
    beyond: Array,
    limit: Limit,
    rule: Rule,
    coverage: float,
) -> Array:
    both_sides = limit.lower is not None and limit.upper is not None
    if rule == "guarded-95":
        proved, disproved = pc >= 0.95 - 1e-9, (pc <= 0.05 + 1e-9) & ~inside
    else:
        guard = _quantile(shape, half, coverage)
        tolerance = 1e-12 * np.abs(value)
        proved, disproved = inside.copy(), beyond > guard + tolerance
        if limit.lower is not None:
            proved &= value >= limit.lower + guard - tolerance
        if limit.upper is not None:
            proved &= value <= limit.upper - guard + tolerance
    verdict = np.where(inside, _CONDITIONAL_PASS, _CONDITIONAL_FAIL).astype(np.uint8)
    verdict[disproved] = _FAIL
    verdict[proved] = _PASS
    if not np.isfinite(limit.span):
        return verdict
    if rule == "guarded-95":
        # The guard band is the 95 % quantile, which is never above the 97.5 % one: most tests are capable by
        # far, so the exact band is worked out only where even the wider one could matter.
        wider = _quantile(shape, half, coverage)
        doubtful = 2 * wider > limit.span
        guard = np.zeros_like(value)
        if np.any(doubtful):
            guard[doubtful] = _some(shape, doubtful).quantile(0.95)
        incapable = doubtful if both_sides else 2 * guard > limit.span
    else:
        incapable = 2 * guard > limit.span
    verdict[incapable & ~(disproved & (beyond > 2 * guard))] = _NOT_JUDGED
    return verdict


def _quantile(shape: Shape, half: Array, coverage: float) -> Array:
    return half if coverage == 0.95 else shape.quantile(0.975)


def _some(shape: Shape, chosen: Array) -> Shape:
    return Shape(*(np.asarray(getattr(shape, name))[chosen] for name in Shape.__dataclass_fields__))


def _probability(value: Array, shape: Shape, limit: Limit) -> Array:
    """Conformance probabilities; the distribution function is evaluated only where it is neither 0 nor 1."""
    total = np.ones_like(value)
    if limit.upper is not None:
        total -= 1.0 - _cdf(shape, limit.upper - value)
    if limit.lower is not None:
        total -= 1.0 - _cdf(shape, value - limit.lower)
    return np.clip(total, 0.0, 1.0, out=total)


def _cdf(shape: Shape, error: Array) -> Array:
    result = (error >= 0).astype(float)
    if np.any(np.isfinite(shape.degrees_of_freedom)):
        near = np.ones(error.shape, dtype=bool)
    else:
        reach = shape.first + shape.second + 8.5 * shape.normal
        near = np.abs(error) < reach
    if math.prod(near.shape) and np.any(near):
        result[near] = _some(shape, near).cdf(error[near])
    return result
