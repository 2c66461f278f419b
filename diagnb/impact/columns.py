"""Many tests of one layout judged again at once: the evaluation of :mod:`diagnb.evaluation`, as array operations.

Where a linear evaluation may not be good enough (the triggers of
:func:`~diagnb.uncertainty.propagate_by_rule`), and where a formula has no value, a test is marked *exact*: it is
then judged again from its document.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.conformity import judge_many
from diagnb.errors import Fault, MeasurementFault
from diagnb.evaluation.limits import limit_of, rule_of
from diagnb.impact.change import Change, InstrumentError
from diagnb.meters import AccuracySheet, Function, Meter, Range
from diagnb.procedures import SYSTEM_VOLTAGE, DerivedSpec, Procedure
from diagnb.quantities import unit
from diagnb.record.document import LimitStated
from diagnb.uncertainty import Component, Estimate, Formula, propagate
from diagnb.uncertainty.method import LARGEST_DIVISOR_UNCERTAINTY, is_linear

Array = Any
NOT_JUDGED = 4
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Judged:
    """n tests with r results each. ``value`` and ``expanded`` (n, r) in display units, NaN without a value;
    ``verdict`` (n, r) holds positions in :data:`~diagnb.conformity.WORDS`; ``exact`` (n,) marks what must be judged
    from its document."""

    value: Array
    expanded: Array
    verdict: Array
    exact: Array


@dataclass(frozen=True)
class Layout:
    """A layout with its sheets as they read after a change."""

    document: Mapping[str, Any]
    procedure: Procedure
    sheets: Mapping[str, AccuracySheet]

    @property
    def width(self) -> int:
        """How many numbers a row has before its results."""
        if self.document["exact"]:
            return 0
        readings = sum(3 if r["repeated"] else 1 for r in self.document["readings"])
        return 1 + readings + 2 * len(self.document["given"])


def judge_columns(layout: Layout, numbers: Array, at_slot: Array, change: Change) -> Judged:
    """Judge the tests of ``layout`` again. ``numbers`` (n, width) as :mod:`diagnb.archive.layout` lays them out;
    ``at_slot`` (n, slots) says whose displays an :class:`InstrumentError` corrects."""
    if layout.document["exact"]:
        return _unjudged(layout, len(numbers))
    try:
        return _judge(layout, numbers, at_slot, change)
    except MeasurementFault:
        # Somewhere in these rows a formula has no value: halve until that row stands alone.
        n = len(numbers)
        if n == 1:
            return _unjudged(layout, 1)
        parts = [judge_columns(layout, numbers[s], at_slot[s], change) for s in (slice(n // 2), slice(n // 2, n))]
        return Judged(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("value", "expanded", "verdict", "exact")))  # fmt: skip


def _unjudged(layout: Layout, n: int) -> Judged:
    """Nothing known of n tests but that they must be judged from their documents."""
    shape = (n, len(layout.document["results"]))
    nothing = np.full(shape, math.nan)
    return Judged(nothing, nothing, np.full(shape, NOT_JUDGED, np.uint8), np.ones(n, dtype=bool))


def _judge(layout: Layout, numbers: Array, at_slot: Array, change: Change) -> Judged:
    document, procedure = layout.document, layout.procedure
    n, names = len(numbers), [name for name, _ in document["results"]]
    judged = Judged(
        np.full((n, len(names)), math.nan), np.full((n, len(names)), math.nan),
        np.full((n, len(names)), NOT_JUDGED, np.uint8), np.zeros(n, dtype=bool),
    )  # fmt: skip
    if document["forbidden"]:
        return judged
    inputs = _inputs(layout, numbers, at_slot, change)
    limits = [LimitStated.model_validate(entry) for entry in document["limits"]]
    for spec in procedure.derived:
        formula = next((f for f in spec.formulas if all(name in inputs for name in f.names)), None)
        if formula is None:
            continue
        estimate = _derive(formula, spec, inputs, procedure, judged.exact)
        inputs[spec.name] = estimate
        if spec.name not in names:
            continue
        at, scale = names.index(spec.name), unit(spec.unit)
        judged.value[:, at] = scale.from_si(estimate.value)
        limit, _, _ = limit_of(procedure, spec, limits, document["system_voltage"])
        if limit is None:
            judged.expanded[:, at] = estimate.expanded(COVERAGE).expanded_uncertainty / scale.factor
            continue
        found = judge_many(estimate, limit, rule_of(procedure, spec), coverage=COVERAGE)
        judged.expanded[:, at] = found.expanded_uncertainty / scale.factor
        judged.verdict[:, at] = found.verdict
    return judged


def _inputs(layout: Layout, numbers: Array, at_slot: Array, change: Change) -> dict[str, Estimate]:
    document, procedure = layout.document, layout.procedure
    inputs: dict[str, Estimate] = {}
    ambient, at = numbers[:, 0], 1
    for entry in document["readings"]:
        width = 3 if entry["repeated"] else 1
        sheet = layout.sheets[entry["meter"]]
        function = sheet.function(entry["function"])
        chosen = next(r for r in function.ranges if r.name == entry["range"])
        parts = _accuracy(entry, sheet, function, chosen, numbers[:, at], ambient)
        if entry["repeated"]:
            parts.append(Component(f"{entry['name']}: repeats", numbers[:, at + 1], numbers[:, at + 2], "t"))
        value = numbers[:, at]
        if isinstance(change, InstrumentError):
            value = corrected(change, function, value, at_slot[:, entry["slot"]])
        inputs[entry["name"]] = Estimate.of(value, parts)
        at += width
    for name in document["given"]:
        part = Component(f"given {name}", numbers[:, at + 1], distribution="rectangular")
        inputs[name] = Estimate.of(numbers[:, at], (part,))
        at += 2
    for name, constant in procedure.constants.items():
        inputs[name] = Estimate.of(constant, ())
    inputs[SYSTEM_VOLTAGE] = Estimate.of(float(document["system_voltage"]), ())
    return inputs


def corrected(change: InstrumentError, function: Function, value: Array, concerned: Array) -> Array:
    """What displays (coherent SI) should have been; where not ``concerned`` they stay."""
    divisor, offset = change.correction(function.name, function.unit)
    # Percent of what the display shows: of 20 °C, not of 293 K.
    zero = unit(function.unit).offset
    return np.where(concerned, (value - zero - offset) / divisor + zero, value)


def _accuracy(
    entry: Mapping[str, Any], sheet: AccuracySheet, function: Function, chosen: Range, value: Array, ambient: Array
) -> list[Component]:
    """Gain, offset and quantisation of displays: the components that :class:`~diagnb.meters.Meter` gives for one
    display, which are affine in the size of the display and in the widening by temperature, for all at once."""
    name, zero = entry["name"], unit(function.unit).offset
    meter = Meter(sheet, str(entry["slot"]))

    def probe(shown: float, widening: float) -> Sequence[Component]:
        return meter.specified(function, chosen, shown + zero, entry["step"], widening, name).components

    widening, shown = _widening(sheet, function, ambient), value - zero
    parts = []
    for one, wider, larger, both, below in zip(
        probe(1.0, 1.0), probe(1.0, 2.0), probe(2.0, 1.0), probe(2.0, 2.0), probe(-1.0, 1.0), strict=True
    ):
        slope = larger.contribution - one.contribution
        constant = 2 * one.contribution - wider.contribution
        warm = one.contribution - slope - constant
        if not math.isclose(both.contribution, 4 * slope + 2 * warm + constant, rel_tol=1e-9, abs_tol=1e-15):
            raise MeasurementFault(
                Fault(
                    name,
                    "its accuracy limit does not grow evenly with what is shown, so each reading is worked out by itself",
                )
            )
        size = shown if below.contribution < 0 else np.abs(shown)
        parts.append(replace(one, contribution=slope * size * widening + warm * widening + constant))
    return parts


def _widening(sheet: AccuracySheet, function: Function, ambient: Array) -> Array:
    """By how much temperatures widen the limit; the whole operating range is assumed where nobody noted one."""
    low, high = sheet.reference_degc
    coldest, hottest = sheet.operating_degc
    known = np.where(np.isnan(ambient), 0.0, ambient)
    excess = np.maximum(np.maximum(low - known, known - high), 0.0)
    excess = np.where(np.isnan(ambient), max(low - coldest, hottest - high, 0.0), excess)
    return 1 + function.temperature_coefficient * excess


def _derive(
    formula: Formula, spec: DerivedSpec, inputs: Mapping[str, Estimate], procedure: Procedure, exact: Array
) -> Estimate:
    """The linear result; marks in ``exact`` the rows where the rules would not have left it at that."""
    chosen = {name: inputs[name] for name in formula.names}
    for divisor in formula.divisors:
        below = propagate(divisor, chosen, tables=procedure.tables)
        # An interval that holds zero is wider than that too.
        exact |= below.standard_uncertainty > LARGEST_DIVISOR_UNCERTAINTY * np.abs(below.value)
    found = propagate(formula, chosen, tables=procedure.tables)
    estimate = Estimate.of(
        np.broadcast_to(np.asarray(found.value, dtype=float), exact.shape), found.components, found.correlations
    )
    if len(formula.steps) > 1:
        reached = {c.source: np.not_equal(c.contribution, 0) for c in estimate.components}
        for given in chosen.values():
            parts = [np.not_equal(c.contribution, 0) & reached.get(c.source, False) for c in given.components]
            if parts:
                exact |= (given.standard_uncertainty > 0) & ~np.logical_or.reduce(parts)
    if not is_linear(formula):
        for limit in (spec.physical_lower, spec.physical_upper):
            if limit is not None:
                exact |= np.abs(estimate.value - limit) < 3 * estimate.standard_uncertainty
    return estimate
