"""The readings of a test as numbers in a row, and the layout that says what each number is.

Tests of one procedure, taken with the same functions and ranges, share a layout; so a million of them become one
matrix that is judged again by array operations. Whatever an array can't hold as it was (zero readings, traces,
certificates, paths) has an *exact* layout: such a test is judged again from its document.

Numbers of a row, float64 little endian: ambient °C (NaN unknown); of every reading its value, and where it was
repeated the standard uncertainty of the mean and ν; of every given value its value and standard uncertainty; of
every result its value and expanded uncertainty in its display unit (NaN none). The rest is in coherent SI.
"""

from __future__ import annotations

import hashlib
import json
import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785

from diagnb.conformity import WORDS
from diagnb.evaluation import ReadingResult, TestResult
from diagnb.evaluation.displays import given_estimate, source_name
from diagnb.procedures import Procedure
from diagnb.record import Record, procedure_of
from diagnb.record.document import CircuitTest, Given, Reading

_NAN = math.nan


@dataclass(frozen=True, slots=True)
class Measured:
    """One test: its row, and the layout and sheets (procedure, accuracy sheets) that the row refers to by digest."""

    row: tuple[Any, ...]
    layout: str
    text: str
    sheets: Mapping[str, tuple[str, str]]


def measured(record: Record, test: CircuitTest, outcome: TestResult) -> Measured:
    """The row of ``test`` in the order of :data:`~diagnb.archive.rows.TEST_COLUMNS`."""
    procedure = procedure_of(record, test.procedure)
    sheets: dict[str, tuple[str, str]] = {}
    own = _sheet(sheets, "procedure", record.procedures[test.procedure])
    taken = {r.name: r for r in test.taken}
    results = {r.name: r for r in outcome.readings}
    slots: list[str] = []
    readings: list[dict[str, Any]] = []
    numbers: list[float] = []
    refused: dict[str, str] = {}
    exact = test.path is not None
    for name, reading in taken.items():
        read = results.get(name)
        if read is None:
            continue
        if reading.instrument not in slots:
            slots.append(reading.instrument)
        exact = exact or read.reading.at_least is not None
        if read.refusal or read.reading.estimate is None:
            refused[name] = read.refusal or "no-value"
            continue
        if exact or not _simple(reading, read):
            exact = True
            continue
        instrument = record.instrument(reading.instrument)
        meter = _sheet(sheets, "meter", record.meters[instrument.meter])
        readings.append(_described(reading, read, slots.index(reading.instrument), meter, procedure))
        numbers += _reading_numbers(read)
    layout: dict[str, Any] = {
        "schema": "diagnb-layout/1",
        "procedure": own,
        "system_voltage": record.vehicle.system_voltage,
        "exact": exact,
        "results": [[r.name, r.unit] for r in outcome.results],
        "limits": [e.model_dump(mode="json", exclude_defaults=True, exclude={"entered_by"}) for e in test.limits],
        "meters": sorted({_sheet(sheets, "meter", record.meters[record.instrument(s).meter]) for s in slots}),
    }
    if exact:
        numbers = []
    else:
        ambient = test.ambient_degc or record.conditions.ambient_degc
        givens = _givens(test, procedure)
        numbers = [_NAN if ambient is None else float(ambient), *numbers, *(x for _, v, u in givens for x in (v, u))]
        layout |= {
            "readings": readings,
            "refused": refused,
            "given": [name for name, _, _ in givens],
            "forbidden": any(r.reason == "circuit-class-forbids" for r in outcome.results),
        }
    for result in outcome.results:
        numbers += [_or_nan(result.value), _or_nan(result.expanded_uncertainty)]
    text = rfc8785.dumps(layout)
    digest = hashlib.sha256(text).hexdigest()
    serials = json.dumps([record.instrument(s).serial for s in slots], ensure_ascii=False, separators=(",", ":"))
    verdicts = "".join(str(WORDS.index(r.verdict.verdict)) for r in outcome.results)
    at = int(test.time.timestamp())
    row = (digest, test.id, at, serials, struct.pack(f"<{len(numbers)}d", *numbers), verdicts)
    return Measured(row, digest, text.decode(), sheets)


def _sheet(sheets: dict[str, tuple[str, str]], kind: str, plain: Mapping[str, Any]) -> str:
    text = rfc8785.dumps(dict(plain))
    digest = hashlib.sha256(text).hexdigest()
    sheets[digest] = (kind, text.decode())
    return digest


def _simple(reading: Reading, read: ReadingResult) -> bool:
    corrected = reading.zero or reading.source_resistance or reading.circuit_resistance or reading.trace
    return not corrected and "certificate-corrections-used" not in read.reading.assumptions


def _described(reading: Reading, read: ReadingResult, slot: int, meter: str, procedure: Procedure) -> dict[str, Any]:
    spec = procedure.reading(reading.name)
    chosen = read.reading.range
    if spec is None or chosen is None:
        raise KeyError(reading.name)
    step = max(chosen.step, *(i.step_si for i in read.reading.indications))
    return {
        "name": reading.name, "slot": slot, "meter": meter, "function": reading.function or spec.function,
        "range": chosen.name, "step": step, "repeated": _spread(read) is not None,
    }  # fmt: skip


def _spread(read: ReadingResult) -> Any:
    """The component of scatter: repeats have one, a single reading has none."""
    estimate = read.reading.estimate
    if estimate is None:
        return None
    return next((c for c in estimate.components if c.source.endswith(": repeats")), None)


def _reading_numbers(read: ReadingResult) -> list[float]:
    estimate, spread = read.reading.estimate, _spread(read)
    value = float(estimate.value) if estimate is not None else _NAN
    return [value] if spread is None else [value, float(spread.contribution), float(spread.degrees_of_freedom)]


def _givens(test: CircuitTest, procedure: Procedure) -> list[tuple[str, float, float]]:
    found = []
    for spec in procedure.givens:
        given = test.given.get(spec.name)
        if given is None and spec.default is not None:
            given = Given(value=spec.default, unit=spec.unit, source=spec.source, half_width=spec.half_width)
        if given is not None:
            estimate = given_estimate(source_name(test.id, spec.title), given)
            found.append((spec.name, float(estimate.value), float(estimate.standard_uncertainty)))
    return found


def _or_nan(value: float | None) -> float:
    return _NAN if value is None else float(value)
