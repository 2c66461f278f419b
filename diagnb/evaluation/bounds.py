"""What an over-range display proves: the value lies above the end of the range, and so may lie beyond a limit.

An open wire shows no number where some ohms are allowed, a good insulation none where a megohm is asked for. Both
are proved by the display, although nobody knows the value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from diagnb.conformity import Limit, Verdict, judge
from diagnb.conformity.limit import Rule
from diagnb.errors import DiagnbError
from diagnb.procedures import DerivedSpec
from diagnb.quantities import unit
from diagnb.uncertainty import Estimate, Formula, propagate

_STEPS = (1.0, 2.0, 10.0, 1e3, 1e6)


@dataclass(frozen=True, slots=True)
class Bounded:
    """A verdict without a value; ``at_least`` is what the value lies above, in the display unit."""

    verdict: Verdict
    formula: Formula
    at_least: float


def judge_bound(
    spec: DerivedSpec,
    inputs: Mapping[str, Estimate],
    bounds: Mapping[str, float],
    limit: Limit | None,
    rule: Rule,
    tables: Mapping[str, Any],
) -> Bounded | None:
    """The verdict of a value of which one input is only known to lie above ``bounds`` (coherent SI).

    The formula is taken at the bound; it has to rise with the input from there on. Beyond an upper limit that is a
    fail; above a lower limit, with no upper one, a pass. None where the bound settles nothing.
    """
    for formula in spec.formulas:
        open_inputs = [name for name in formula.names if name not in inputs]
        if limit is None or len(open_inputs) != 1 or open_inputs[0] not in bounds:
            continue
        name = open_inputs[0]
        try:
            lowest, *further = (
                propagate(formula, {**inputs, name: Estimate.of(bounds[name] * step, ())}, tables=tables)
                for step in _STEPS
            )
        except (DiagnbError, ArithmeticError):
            continue
        values = [float(e.value) for e in (lowest, *further)]
        if not all(a < b for a, b in pairwise(values)):
            continue
        side = Limit(upper=limit.upper) if limit.upper is not None else Limit(lower=limit.lower)
        found = judge(lowest, side, rule)
        wanted, reason = (
            ("fail", "over-range-beyond-limit") if limit.upper is not None else ("pass", "over-range-meets-limit")
        )
        if found.verdict == wanted:
            at_least = float(unit(spec.unit).from_si(values[0]))
            return Bounded(replace(found, limit=limit, reason=reason), formula, at_least)
    return None
