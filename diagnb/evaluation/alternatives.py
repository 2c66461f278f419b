"""Other ways to measure the same value with what is on file, and what uncertainty each would give."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.conformity import Advice
from diagnb.evaluation.displays import read_display
from diagnb.meters import AccuracySheet, Meter
from diagnb.procedures import DerivedSpec, GivenSpec, Procedure, ReadingSpec
from diagnb.quantities import parse_indication, unit
from diagnb.record import Record, sheet_of
from diagnb.record.document import CircuitTest
from diagnb.uncertainty import Estimate, Formula, propagate

_REMEDIES = {
    "reading-missing": "take-reading",
    "over-range": "higher-range",
    "not-stable": "wait-until-stable",
    "meter-overdue": "instrument-in-calibration",
    "calibration-unknown": "state-calibration",
    "temperature-outside-operating-range": "within-operating-temperature",
    "below-stated-level": "lower-range",
    "limit-missing": "state-limit",
}


def titles_of(names: str, procedure: Procedure) -> str:
    """The titles of readings, given and derived values whose names are listed, comma by comma."""
    specs: tuple[ReadingSpec | GivenSpec | DerivedSpec, ...] = (
        *procedure.readings,
        *procedure.givens,
        *procedure.derived,
    )
    titles = {s.name: s.title for s in specs}
    return ", ".join(titles.get(n, n) for n in names.split(", ")) if names else ""


def remedy(reason: str, names: str, procedure: Procedure) -> tuple[Advice, ...]:
    """What would bring a verdict where there is none. ``names`` are the readings that stand in the way."""
    what = titles_of(names, procedure)
    if reason == "divisor-holds-zero":
        functions = {r.function for r in procedure.readings if r.name in names.split(", ")}
        code = "four-terminal" if "resistance" in functions else "more-load-current"
        return (Advice(code, {}, {"reading": what}),)
    if reason in _REMEDIES:
        return (Advice(_REMEDIES[reason], {}, {"reading": what}),)
    return ()


def alternatives(
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
    warm = _at_reference(record, test, procedure, formula, inputs)
    if warm is not None:
        found["18 °C to 28 °C"] = ("reference-temperature", warm)
    target = (
        value
        if value is not None
        else float(formula.value({n: inputs[n].value for n in formula.names}, procedure.tables))
    )
    used = {r.name: (r.instrument,) for r in test.readings}
    for name, code in wanted:
        reading = procedure.reading(name)
        for instrument in record.instruments:
            sheet = sheet_of(record, instrument.meter)
            if reading is None or reading.function not in {f.name for f in sheet.functions}:
                continue
            other = would_read(
                sheet, instrument.id, reading.function, target, None if ambient is None else float(ambient)
            )
            if other is not None and instrument.due is not None and test.time.date() <= instrument.due:
                same = code == "another-instrument" and instrument.id in used.get(name, ())
                found[f"{reading.title}, {instrument.id}"] = ("finer-range" if same else code, other)
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
            again = read_display(record, test, procedure, reading, (low + high) / 2).reading.estimate
            if again is not None:
                chosen[reading.name] = again
                changed = True
    return propagate(formula, chosen, tables=procedure.tables) if changed else None


def would_read(
    sheet: AccuracySheet, instrument: str, function: str, target: float, ambient: float | None, name: str = "reading"
) -> Estimate | None:
    """The estimate of a display that shows ``target`` on the finest range of the function that holds it."""
    known = sheet.function(function)
    for candidate in known.ranges:
        if abs(target) <= candidate.full_scale:
            # As that range would show it: its own unit and digits, which a unit of the function may not have.
            scale = parse_indication(candidate.name, unit=known.unit)
            places = len(str(scale.number).partition(".")[2])
            number = f"{unit(scale.unit).from_si(target):.{places}f}"
            text = number if scale.unit == "1" else f"{number} {scale.unit}"
            read = Meter(sheet, instrument).read(
                text, function=function, ambient_degc=ambient, range=candidate.name, name=name
            )
            return None if read.estimate is None else Estimate.of(target, read.estimate.components)
    return None
