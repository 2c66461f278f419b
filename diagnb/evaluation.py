"""From a record to its evaluation: one pure function. No clock, no file, no network.

Whoever holds the record gets the same numbers and verdicts, because the record carries its own accuracy
sheets and procedures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from diagnb.conformity import Advice, Limit, Verdict, advise, judge, not_judged
from diagnb.errors import MeasurementFault
from diagnb.meters import Meter, MeterReading
from diagnb.procedures import DerivedSpec, LimitSpec, Procedure
from diagnb.quantities import unit
from diagnb.record import Record, digest, procedure_of, sheet_of
from diagnb.record.document import CircuitTest, Given
from diagnb.record.document import Reading as RecordReading
from diagnb.uncertainty import BudgetRow, Component, Estimate, Formula, monte_carlo, propagate
from diagnb.version import VERSION

COVERAGE = 0.95
LARGEST_DIVISOR_UNCERTAINTY = 0.05
TRIALS = 1_000_000
SEED = 1
SCHEMA = "diagnb-evaluation/1"

Method = Literal["linear", "monte-carlo"]


@dataclass(frozen=True, slots=True)
class UsedLimit:
    """The limit that a result was judged against, in display units, and where it comes from."""

    lower: float | None
    upper: float | None
    unit: str
    source: str
    edition: str
    method: str
    condition: str
    tag: str
    stated_by: Literal["procedure", "user"]

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "lower": self.lower, "upper": self.upper, "unit": self.unit, "source": self.source,
            "edition": self.edition, "method": self.method, "condition": self.condition, "tag": self.tag,
            "stated_by": self.stated_by,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Result:
    """One derived value with its uncertainty and verdict. All numbers are in ``unit``, unrounded.

    ``estimate`` is the same value in coherent SI with its components by source; None when there is no value.
    """

    name: str
    title: str
    unit: str
    value: float | None
    standard_uncertainty: float | None
    degrees_of_freedom: float | None
    coverage_factor: float | None
    expanded_uncertainty: float | None
    coverage: float
    interval: tuple[float, float] | None
    method: Method
    limit: UsedLimit | None
    verdict: Verdict
    formula: str
    inputs: tuple[str, ...]
    budget: tuple[BudgetRow, ...] = ()
    advice: tuple[Advice, ...] = ()
    detail: str = ""
    acceptance: tuple[float | None, float | None] = (None, None)
    estimate: Estimate | None = field(default=None, repr=False, compare=False)

    @property
    def reason(self) -> str:
        """Reason code of the verdict."""
        return self.verdict.reason

    @property
    def margin(self) -> float | None:
        """Distance to the nearest side of the limit over U: positive within the limit, negative beyond."""
        if self.value is None or self.limit is None or not self.expanded_uncertainty:
            return None
        sides = []
        if self.limit.upper is not None:
            sides.append(self.limit.upper - self.value)
        if self.limit.lower is not None:
            sides.append(self.value - self.limit.lower)
        return min(sides) / self.expanded_uncertainty

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb evaluate --json``. Infinite degrees of freedom are null."""
        nu = self.degrees_of_freedom
        probability = self.verdict.conformance_probability
        return {
            "name": self.name,
            "title": self.title,
            "value": self.value,
            "unit": self.unit,
            "standard_uncertainty": self.standard_uncertainty,
            "degrees_of_freedom": None if nu is None or math.isinf(nu) else nu,
            "coverage_factor": self.coverage_factor,
            "expanded_uncertainty": self.expanded_uncertainty,
            "coverage": self.coverage,
            "interval": list(self.interval) if self.interval else None,
            "method": self.method,
            "limit": self.limit.to_plain() if self.limit else None,
            "rule": self.verdict.rule,
            "conformance_probability": probability,
            "verdict": self.verdict.verdict,
            "reason": self.verdict.reason,
            "detail": self.detail,
            "formula": self.formula,
            "inputs": list(self.inputs),
            "budget": [
                {"source": r.source, "contribution": abs(float(r.contribution)), "share": float(r.share), "assumption": r.assumption}
                for r in self.budget
            ],
            "advice": [
                {"code": a.code, "numbers": dict(a.numbers), "words": dict(a.words), "settles": a.settles} for a in self.advice
            ],
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReadingResult:
    """One reading as understood: the display read back, its value and limit of error in SI, or the refusal."""

    name: str
    title: str
    unit: str
    reading: MeterReading
    refusal: str | None
    instrument: str


@dataclass(frozen=True, slots=True)
class TestResult:
    """The results of one test."""

    id: str
    procedure: str
    title: str
    phase: str
    readings: tuple[ReadingResult, ...]
    results: tuple[Result, ...]
    missing: tuple[str, ...] = ()

    __test__ = False

    def result(self, name: str) -> Result:
        """The result called ``name``. KeyError when there is none."""
        for candidate in self.results:
            if candidate.name == name:
                return candidate
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Evaluation:
    """All derived values, uncertainties and verdicts of one record."""

    record: str
    revision: int
    record_digest: str
    engine: str
    tests: tuple[TestResult, ...]

    def test(self, name: str) -> TestResult:
        """The test with this id. KeyError when there is none."""
        for candidate in self.tests:
            if candidate.id == name:
                return candidate
        raise KeyError(name)

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb evaluate --json``."""
        return {
            "schema": SCHEMA,
            "record": self.record,
            "revision": self.revision,
            "record_digest": self.record_digest,
            "engine": self.engine,
            "tests": [
                {
                    "id": t.id,
                    "procedure": t.procedure,
                    "phase": t.phase,
                    "results": [r.to_plain() for r in t.results],
                }
                for t in self.tests
            ],
        }


def evaluate(record: Record) -> Evaluation:
    """Derived values, uncertainties and verdicts of ``record``.

    What can't be judged becomes a result *not judged* with its reason; it raises nothing for a checked record.
    """
    return Evaluation(
        record.id,
        record.revision,
        digest(record),
        f"diagnb {VERSION}",
        tuple(evaluate_test(record, test) for test in record.tests),
    )


def evaluate_test(record: Record, test: CircuitTest) -> TestResult:
    """The results of one test of ``record``."""
    procedure = procedure_of(record, test.procedure)
    ambient = test.ambient_degc or record.conditions.ambient_degc
    readings = {
        r.name: _read(record, test, procedure, r, None if ambient is None else float(ambient)) for r in test.readings
    }
    inputs: dict[str, Estimate] = {}
    refusals: dict[str, str] = {}
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
            inputs[spec.name] = _given(f"{test.id}.{spec.name}", given)
    for name, value in procedure.constants.items():
        inputs[name] = Estimate.of(value, ())
    results: list[Result] = []
    forbidden = procedure.energise == "allowed" and record.circuit.circuit_class != "ordinary"
    for spec_ in procedure.derived:
        result = _derive(record, test, procedure, spec_, inputs, refusals, forbidden)
        if result.estimate is not None:
            inputs[spec_.name] = result.estimate
        else:
            refusals[spec_.name] = result.reason
        results.append(result)
    missing = [r.name for r in procedure.readings if r.required and r.name not in readings]
    missing += [g.name for g in procedure.givens if g.required and g.name not in inputs]
    return TestResult(
        test.id, test.procedure, procedure.title, test.phase, tuple(readings.values()), tuple(results), tuple(missing)
    )


def _read(
    record: Record, test: CircuitTest, procedure: Procedure, reading: RecordReading, ambient: float | None
) -> ReadingResult:
    spec = procedure.reading(reading.name)
    if spec is None:
        raise KeyError(reading.name)
    instrument = record.instrument(reading.instrument)
    meter = Meter(sheet_of(record, instrument.meter), instrument.id)
    found = meter.read(
        reading.texts,
        function=reading.function or spec.function,
        ambient_degc=ambient,
        range=reading.range,
        name=f"{test.id}.{reading.name}",
    )
    refusal: str | None = found.refusal
    taken = (reading.time or test.time).date()
    if instrument.due is None:
        refusal = refusal or "calibration-unknown"
    elif taken > instrument.due or (instrument.calibrated is not None and taken < instrument.calibrated):
        refusal = refusal or "meter-overdue"
    return ReadingResult(spec.name, spec.title, spec.unit, found, refusal, instrument.id)


def _given(name: str, given: Given) -> Estimate:
    symbol = unit(given.unit)
    value = float(symbol.to_si(float(given.value)))
    if given.half_width is None:
        return Estimate.of(value, ())
    u = float(given.half_width) * symbol.factor / math.sqrt(3)
    return Estimate.of(value, (Component(f"{name}: given", u, distribution="rectangular"),))


def _derive(
    record: Record,
    test: CircuitTest,
    procedure: Procedure,
    spec: DerivedSpec,
    inputs: Mapping[str, Estimate],
    refusals: Mapping[str, str],
    forbidden: bool,
) -> Result:
    limit, used, limit_reason = _limit(record, test, procedure, spec)
    formula = next((f for f in spec.formulas if all(n in inputs for n in f.names)), None)
    if forbidden or formula is None:
        reason, detail = ("circuit-class-forbids", "") if forbidden else _why_not(spec, inputs, refusals)
        return _empty(spec, used, not_judged(reason, limit=limit), detail)
    try:
        estimate, method, sample = _compute(formula, inputs, procedure)
    except _DivisorHoldsZero as held:
        return _empty(spec, used, not_judged("divisor-holds-zero", limit=limit), str(held), formula)
    except MeasurementFault as error:
        return _empty(spec, used, not_judged("no-value", limit=limit), error.faults[0].what, formula)
    scale = unit(spec.unit)
    expanded = estimate.expanded(COVERAGE)
    interval, u = expanded.interval, float(estimate.standard_uncertainty)
    half, k = float(expanded.expanded_uncertainty), float(expanded.coverage_factor)
    if sample is not None:
        interval, u = sample.interval, sample.standard_uncertainty
        half = (interval[1] - interval[0]) / 2
        k = half / u if u else 0.0
    rule = _rule(procedure, spec)
    if limit is None:
        verdict = not_judged(limit_reason, rule=rule)
    else:
        probability = None if sample is None else sample.probability_within(limit.lower, limit.upper)
        verdict = judge(estimate, limit, rule, probability=probability)
    advice = advise(estimate, verdict, _alternatives(record, test, procedure, spec, formula, inputs))
    acceptance = (_shown(verdict.acceptance_lower, scale), _shown(verdict.acceptance_upper, scale))
    return Result(
        spec.name, spec.title, spec.unit, float(scale.from_si(estimate.value)), u / scale.factor,
        float(estimate.degrees_of_freedom), k, half / scale.factor, COVERAGE,
        (float(scale.from_si(interval[0])), float(scale.from_si(interval[1]))), method, used, verdict,
        formula.text, formula.names, _scaled(estimate.budget(), scale.factor), _in_unit(advice, scale.factor), "",
        acceptance, estimate,
    )  # fmt: skip


class _DivisorHoldsZero(Exception):
    pass


def _compute(formula: Formula, inputs: Mapping[str, Estimate], procedure: Procedure) -> tuple[Estimate, Method, Any]:
    """Linear propagation; Monte Carlo where a divisor is known to worse than 5 %."""
    chosen = {name: inputs[name] for name in formula.names}
    sampled = False
    for divisor in formula.divisors():
        below = propagate(divisor, chosen, tables=procedure.tables)
        low, high = below.expanded(COVERAGE).interval
        if low <= 0 <= high:
            raise _DivisorHoldsZero(", ".join(divisor.names))
        if float(below.standard_uncertainty) > LARGEST_DIVISOR_UNCERTAINTY * abs(float(below.value)):
            sampled = True
    estimate = propagate(formula, chosen, tables=procedure.tables)
    if not sampled:
        return estimate, "linear", None
    sample = monte_carlo(formula, chosen, coverage=COVERAGE, trials=TRIALS, seed=SEED, tables=procedure.tables)
    return estimate, "monte-carlo", sample


def _why_not(spec: DerivedSpec, inputs: Mapping[str, Estimate], refusals: Mapping[str, str]) -> tuple[str, str]:
    """The reason code and the names of the readings that stand in the way of the first formula."""
    names = spec.formulas[0].names
    for formula in spec.formulas:
        refused = [n for n in formula.names if n in refusals]
        if refused and all(n in inputs or n in refusals for n in formula.names):
            return refusals[refused[0]], ", ".join(refused)
    return "reading-missing", ", ".join(n for n in names if n not in inputs)


def _rule(procedure: Procedure, spec: DerivedSpec) -> Any:
    own = procedure.limit_for(spec.name)
    return own.rule if own else "guarded-95"


def _limit(
    record: Record, test: CircuitTest, procedure: Procedure, spec: DerivedSpec
) -> tuple[Limit | None, UsedLimit | None, str]:
    """The limit in coherent SI and as shown; a user's limit replaces the procedure's own."""
    own = procedure.limit_for(spec.name)
    stated = next((entry for entry in test.limits if entry.result == spec.name), None)
    if stated is not None:
        used = UsedLimit(
            _number(stated.lower), _number(stated.upper), stated.unit, stated.source, stated.edition,
            own.method if own else "", stated.condition or (own.condition if own else ""), "", "user",
        )  # fmt: skip
    elif own is None:
        return None, None, "no-limit"
    elif own.required:
        return None, None, "limit-missing"
    else:
        used = _own(own, float(record.vehicle.system_voltage))
    symbol = unit(used.unit)
    limit = Limit(
        None if used.lower is None else float(symbol.to_si(used.lower)),
        None if used.upper is None else float(symbol.to_si(used.upper)),
        used.source, "", used.edition, used.method, used.condition, used.tag, spec.physical_lower, spec.physical_upper,
    )  # fmt: skip
    return limit, _in_result_unit(used, spec.unit), ""


def _own(own: LimitSpec, system_voltage: float) -> UsedLimit:
    factor = system_voltage / 12 if own.scaling == "system/12" else 1.0
    return UsedLimit(
        None if own.lower is None else own.lower * factor, None if own.upper is None else own.upper * factor,
        own.unit, own.source, own.edition, own.method, own.condition, own.tag, "procedure",
    )  # fmt: skip


def _in_result_unit(used: UsedLimit, symbol: str) -> UsedLimit:
    if used.unit == symbol:
        return used
    source, target = unit(used.unit), unit(symbol)

    def turn(value: float | None) -> float | None:
        return None if value is None else float(f"{target.from_si(source.to_si(value)):.12g}")

    return UsedLimit(
        turn(used.lower), turn(used.upper), symbol, used.source, used.edition, used.method, used.condition, used.tag, used.stated_by
    )  # fmt: skip


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def _shown(value: float | None, scale: Any) -> float | None:
    return None if value is None else float(scale.from_si(value))


def _empty(
    spec: DerivedSpec, used: UsedLimit | None, verdict: Verdict, detail: str, formula: Formula | None = None
) -> Result:
    text = (formula or spec.formulas[0]).text
    return Result(
        spec.name, spec.title, spec.unit, None, None, None, None, None, COVERAGE, None, "linear", used, verdict,
        text, (formula or spec.formulas[0]).names, detail=detail,
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


def _alternatives(
    record: Record,
    test: CircuitTest,
    procedure: Procedure,
    spec: DerivedSpec,
    formula: Formula,
    inputs: Mapping[str, Estimate],
) -> dict[str, tuple[str, Estimate]]:
    """What the same value would be worth if it were measured directly, or with another instrument on file."""
    if spec.name not in {entry.result for entry in procedure.limits}:
        return {}
    value = float(inputs[formula.names[0]].value) if len(formula.names) == 1 else None
    ambient = test.ambient_degc or record.conditions.ambient_degc
    direct = [f for f in spec.formulas if len(f.names) == 1 and procedure.reading(f.names[0]) and f is not formula]
    found: dict[str, tuple[str, Estimate]] = {}
    wanted = [(f.names[0], "direct-reading") for f in direct]
    if value is not None and procedure.reading(formula.names[0]):
        wanted.append((formula.names[0], "another-instrument"))
    target = (
        value
        if value is not None
        else float(formula.value({n: inputs[n].value for n in formula.names}, procedure.tables))
    )
    for name, code in wanted:
        reading = procedure.reading(name)
        for instrument in record.instruments:
            sheet = sheet_of(record, instrument.meter)
            if reading is None or reading.function not in {f.name for f in sheet.functions}:
                continue
            other = _would_read(
                sheet, instrument.id, reading.function, target, None if ambient is None else float(ambient)
            )
            if other is not None and instrument.due is not None and test.time.date() <= instrument.due:
                found[f"{reading.title}, {instrument.id}"] = (code, other)
    return found


def _at_reference(
    record: Record, test: CircuitTest, procedure: Procedure, formula: Formula, inputs: Mapping[str, Estimate]
) -> Estimate | None:
    """The same result had the instruments been within their reference temperatures; None when they were."""
    ambient = test.ambient_degc or record.conditions.ambient_degc
    chosen = {name: inputs[name] for name in formula.names}
    changed = False
    for reading in test.readings:
        if reading.name in chosen:
            low, high = sheet_of(record, record.instrument(reading.instrument).meter).reference_degc
            if ambient is not None and low <= float(ambient) <= high:
                continue
            again = _read(record, test, procedure, reading, (low + high) / 2).reading.estimate
            if again is not None:
                chosen[reading.name] = again
                changed = True
    return propagate(formula, chosen, tables=procedure.tables) if changed else None


def _would_read(sheet: Any, instrument: str, function: str, target: float, ambient: float | None) -> Estimate | None:
    """The estimate of a display that shows ``target`` on the finest range of the function that holds it."""
    known = sheet.function(function)
    for candidate in known.ranges:
        if abs(target) <= candidate.full_scale:
            symbol = unit(known.unit)
            places = max(0, -round(math.log10(candidate.step / symbol.factor)))
            text = f"{symbol.from_si(target):.{places}f} {known.unit}"
            read = Meter(sheet, instrument).read(text, function=function, ambient_degc=ambient, range=candidate.name)
            return None if read.estimate is None else Estimate.of(target, read.estimate.components)
    return None
