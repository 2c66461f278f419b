"""From a record to its evaluation: one pure function. No clock, no file, no network.

Whoever holds the record gets the same numbers and verdicts, because the record carries its own accuracy
sheets and procedures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from diagnb.conformity import Advice, Verdict, advise, judge, not_judged
from diagnb.errors import MeasurementFault
from diagnb.evaluation.alternatives import alternatives, remedy, titles_of
from diagnb.evaluation.bounds import judge_bound
from diagnb.evaluation.displays import given_estimate, read_display, source_name
from diagnb.evaluation.limits import limit_of, rule_of
from diagnb.evaluation.pairs import pairs_of
from diagnb.evaluation.path import evaluate_path
from diagnb.evaluation.results import Evaluation, Result, TestResult, UsedLimit
from diagnb.procedures import SYSTEM_VOLTAGE, DerivedSpec, Procedure
from diagnb.quantities import unit
from diagnb.record import Record, digest, procedure_of
from diagnb.record.document import CircuitTest, Given
from diagnb.uncertainty import BudgetRow, DivisorHoldsZero, Estimate, Formula, propagate_by_rule
from diagnb.version import VERSION

COVERAGE = 0.95
TRIALS = 1_000_000
SEED = 1


def evaluate(record: Record) -> Evaluation:
    """Derived values, uncertainties and verdicts of ``record``.

    What can't be judged becomes a result *not judged* with its reason; it raises nothing for a checked record.
    """
    tests = tuple(evaluate_test(record, test) for test in record.tests)
    pairing = partial(pairs_of, record, tests)
    return Evaluation(record.id, record.revision, digest(record), f"diagnb {VERSION}", tests, pairing)


def evaluate_test(record: Record, test: CircuitTest, *, trials: int = TRIALS) -> TestResult:
    """The results of one test of ``record``.

    Fewer ``trials`` than :data:`TRIALS` answer sooner while a form is being filled in; what is reported is always
    computed with :data:`TRIALS`.
    """
    procedure = procedure_of(record, test.procedure)
    readings = partial(_evaluate_readings, trials=trials)
    if test.path is not None:
        return evaluate_path(record, test, test.path, procedure, readings)
    return readings(record, test, procedure, {})


def _evaluate_readings(
    record: Record, test: CircuitTest, procedure: Procedure, known: Mapping[str, Estimate], *, trials: int
) -> TestResult:
    """The results of readings that stand one by one; ``known`` are further inputs of the formulas."""
    ambient = test.ambient_degc or record.conditions.ambient_degc
    readings = {
        r.name: read_display(record, test, procedure, r, None if ambient is None else float(ambient))
        for r in test.readings
    }
    inputs: dict[str, Estimate] = dict(known)
    refusals: dict[str, str] = {}
    bounds = {n: r.reading.at_least for n, r in readings.items() if r.reading.at_least is not None}
    for name, read in readings.items():
        if read.refusal:
            refusals[name] = read.refusal
        elif read.reading.estimate is not None:
            inputs[name] = read.reading.estimate
    for spec in procedure.givens:
        given = test.given.get(spec.name)
        if given is None and spec.default is not None:
            given = Given(value=spec.default, unit=spec.unit, source=spec.source, half_width=spec.half_width)
        if given is not None:
            inputs[spec.name] = given_estimate(source_name(test.id, spec.title), given)
    for name, value in procedure.constants.items():
        inputs[name] = Estimate.of(value, ())
    inputs[SYSTEM_VOLTAGE] = Estimate.of(float(record.vehicle.system_voltage), ())
    results: list[Result] = []
    fed = test.powered_by == "outside" or (test.powered_by == "" and procedure.energise == "allowed")
    forbidden = fed and (record.circuit.circuit_class != "ordinary" or procedure.energise == "measure only")
    for spec_ in procedure.derived:
        result = _derive(record, test, procedure, spec_, inputs, refusals, bounds, forbidden, trials)
        if result.estimate is not None:
            inputs[spec_.name] = result.estimate
        else:
            refusals[spec_.name] = "over-range" if result.at_least is not None else result.reason
        results.append(result)
    missing = [r.name for r in procedure.readings if r.required and r.name not in readings]
    missing += [g.name for g in procedure.givens if g.required and g.name not in inputs]
    return TestResult(
        test.id, test.procedure, procedure.title, test.phase, tuple(readings.values()), tuple(results), tuple(missing)
    )


def _derive(
    record: Record,
    test: CircuitTest,
    procedure: Procedure,
    spec: DerivedSpec,
    inputs: Mapping[str, Estimate],
    refusals: Mapping[str, str],
    bounds: Mapping[str, float],
    forbidden: bool,
    trials: int,
) -> Result:
    limit, used, limit_reason = limit_of(procedure, spec, test.limits, record.vehicle.system_voltage)
    formula = next((f for f in spec.formulas if all(n in inputs for n in f.names)), None)

    def without(reason: str, detail: str) -> Result:
        said = titles_of(detail, procedure)
        return _empty(spec, used, not_judged(reason, limit=limit), said, formula, remedy(reason, detail, procedure))

    if forbidden:
        return without("circuit-class-forbids", "")
    if formula is None:
        reason, detail = _why_not(spec, inputs, refusals)
        bounded = judge_bound(spec, inputs, bounds, limit, rule_of(procedure, spec), procedure.tables)
        if reason == "over-range" and bounded is not None:
            return replace(_empty(spec, used, bounded.verdict, "", bounded.formula, ()), at_least=bounded.at_least)
        return without(reason, detail)
    try:
        outcome = propagate_by_rule(
            formula, inputs, coverage=COVERAGE, tables=procedure.tables,
            physical_lower=spec.physical_lower, physical_upper=spec.physical_upper, trials=trials, seed=SEED,
        )  # fmt: skip
    except DivisorHoldsZero as held:
        return without("divisor-holds-zero", str(held))
    except MeasurementFault as error:
        return without("no-value", error.faults[0].what)
    estimate, scale = outcome.estimate, unit(spec.unit)
    sample = outcome.sample if outcome.method == "monte-carlo" else None
    rule = rule_of(procedure, spec)
    if limit is None:
        verdict = not_judged(limit_reason, rule=rule)
    else:
        probability = None if sample is None else sample.probability_within(limit.lower, limit.upper)
        # The sample's mean is the value that is reported, so it is the one that is judged.
        shown = estimate if sample is None else Estimate.of(outcome.value, estimate.components, estimate.correlations)
        verdict = judge(shown, limit, rule, probability=probability)
    advice: tuple[Advice, ...] = remedy(limit_reason, "", procedure) if limit_reason == "limit-missing" else ()
    if verdict.verdict not in ("pass", "fail") and limit is not None:
        advice = advise(estimate, verdict, alternatives(record, test, procedure, spec, formula, inputs))
    acceptance = (_shown(verdict.acceptance_lower, scale), _shown(verdict.acceptance_upper, scale))
    return Result(
        spec.name, spec.title, spec.unit, float(scale.from_si(outcome.value)),
        outcome.standard_uncertainty / scale.factor, float(estimate.degrees_of_freedom), outcome.coverage_factor,
        outcome.expanded_uncertainty / scale.factor, COVERAGE,
        (float(scale.from_si(outcome.interval[0])), float(scale.from_si(outcome.interval[1]))), outcome.method, used,
        verdict, formula.text, formula.names, _scaled(estimate.budget(), scale.factor),
        _in_unit(advice, scale.factor), "", acceptance, outcome.triggers, estimate,
    )  # fmt: skip


def _why_not(spec: DerivedSpec, inputs: Mapping[str, Estimate], refusals: Mapping[str, str]) -> tuple[str, str]:
    """The reason code and the names of the readings that stand in the way of the first formula."""
    names = spec.formulas[0].names
    for formula in spec.formulas:
        refused = [n for n in formula.names if n in refusals]
        if refused and all(n in inputs or n in refusals for n in formula.names):
            return refusals[refused[0]], ", ".join(refused)
    return "reading-missing", ", ".join(n for n in names if n not in inputs)


def _shown(value: float | None, scale: Any) -> float | None:
    return None if value is None else float(scale.from_si(value))


def _empty(
    spec: DerivedSpec,
    used: UsedLimit | None,
    verdict: Verdict,
    detail: str,
    formula: Formula | None,
    advice: tuple[Advice, ...],
) -> Result:
    shown = formula or spec.formulas[0]
    return Result(
        spec.name, spec.title, spec.unit, None, None, None, None, None, COVERAGE, None, "linear", used, verdict,
        shown.text, shown.names, advice=advice, detail=detail,
    )  # fmt: skip


def _scaled(rows: tuple[BudgetRow, ...], factor: float) -> tuple[BudgetRow, ...]:
    return tuple(
        BudgetRow(r.source, r.contribution / factor, r.share, r.degrees_of_freedom, r.distribution, r.assumption) for r in rows
    )  # fmt: skip


def _in_unit(advice: tuple[Advice, ...], factor: float) -> tuple[Advice, ...]:
    return tuple(
        Advice(a.code, {k: v / factor if k.startswith("u_") else v for k, v in a.numbers.items()}, a.words, a.settles)
        for a in advice
    )
