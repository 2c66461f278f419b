"""The displays of one test as estimates, corrected, with the reason where one can't be used."""

from __future__ import annotations

import math
from dataclasses import replace

from diagnb.evaluation.results import ReadingResult
from diagnb.meters import Meter, MeterReading
from diagnb.meters.corrections import (
    RESISTANCE_TOLERANCE,
    burden_corrected,
    loading_corrected,
    stated,
    zero_corrected,
)
from diagnb.procedures import Procedure
from diagnb.quantities import unit
from diagnb.record import Record, sheet_of
from diagnb.record.document import CircuitTest, Given, Instrument, TraceSource
from diagnb.record.document import Reading as RecordReading
from diagnb.record.door import range_calibration
from diagnb.uncertainty import Component, Estimate


def meter_of(record: Record, instrument: Instrument) -> Meter:
    """The instrument as a meter, with its certificate's corrections where the record carries them."""
    return record.once(
        ("instrument", instrument.id),
        lambda: Meter(
            sheet_of(record, instrument.meter),
            instrument.id,
            tuple(range_calibration(c) for c in instrument.corrections),
        ),
    )


def read_display(
    record: Record, test: CircuitTest, procedure: Procedure, reading: RecordReading, ambient: float | None
) -> ReadingResult:
    """One reading of ``test``. An instrument overdue for calibration, or without a date, is a refusal."""
    spec = procedure.reading(reading.name)
    if spec is None:
        raise KeyError(reading.name)
    instrument = record.instrument(reading.instrument)
    meter = meter_of(record, instrument)
    function = reading.function or spec.function
    name = source_name(test.id, spec.title)
    found = meter.read(
        reading.texts, function=function, ambient_degc=ambient, range=reading.range, name=name, pooled=spec.pooled
    )
    if found.estimate is not None and (reading.zero or reading.source_resistance or reading.circuit_resistance):
        found = _corrected(found, found.estimate, meter, reading, function, ambient, name)
    if found.estimate is not None and reading.trace is not None:
        parts = (*found.estimate.components, *trace_components(name, reading.trace))
        found = replace(found, estimate=Estimate.of(found.estimate.value, parts))
    refusal: str | None = found.refusal
    taken = (reading.time or test.time).date()
    if instrument.due is None:
        refusal = _first(refusal, "calibration-unknown")
    elif taken > instrument.due or (instrument.calibrated is not None and taken < instrument.calibrated):
        refusal = _first(refusal, "meter-overdue")
    if record.qualified_person is None and above_class(found, function):
        refusal = refusal or "qualified-person-missing"
    if refusal and refusal != "over-range":
        found = replace(found, at_least=None)
    return ReadingResult(spec.name, spec.title, spec.unit, found, refusal, instrument.id)


def _first(refusal: str | None, state: str) -> str:
    """An over-range display still proves something, but not when nobody knows the state of the instrument."""
    return state if refusal in (None, "over-range") else refusal


def _corrected(
    found: MeterReading,
    estimate: Estimate,
    meter: Meter,
    reading: RecordReading,
    function: str,
    ambient: float | None,
    name: str,
) -> MeterReading:
    known = meter.sheet.function(function)
    notes: list[str] = []
    if reading.zero:
        used = found.range.name if found.range else reading.range
        zero = meter.read(reading.zero, function=function, ambient_degc=ambient, range=used, name=f"{name} zero")
        if zero.estimate is None:
            return MeterReading(found.indications, found.range, None, zero.refusal, found.assumptions)
        estimate = zero_corrected(reading=estimate, zero=zero.estimate)
        notes.append("zero-taken-off")
    if reading.source_resistance and known.input_resistance:
        own = stated(
            known.input_resistance,
            half_width=RESISTANCE_TOLERANCE * known.input_resistance,
            name=f"{meter.instrument}: input resistance",
        )
        source = given_estimate(f"{name}: source resistance", reading.source_resistance)
        estimate = loading_corrected(reading=estimate, source_resistance=source, input_resistance=own)
        notes.append("loading-corrected")
    if reading.circuit_resistance and known.burden:
        own = stated(known.burden, half_width=RESISTANCE_TOLERANCE * known.burden, name=f"{meter.instrument}: burden")
        circuit = given_estimate(f"{name}: circuit resistance", reading.circuit_resistance)
        estimate = burden_corrected(reading=estimate, burden=own, circuit_resistance=circuit)
        notes.append("burden-corrected")
    return replace(found, estimate=estimate, assumptions=(*found.assumptions, *notes))


def above_class(found: MeterReading, function: str) -> bool:
    """Whether a voltage lies above 60 V DC or 30 V AC (49 CFR 571.305 S3; ISO 6469-3, from memory)."""
    bound = {"dc voltage": 60.0, "ac voltage": 30.0}.get(function)
    return bound is not None and any(abs(i.value) > bound for i in found.indications if i.number is not None)


def trace_components(name: str, trace: TraceSource) -> tuple[Component, ...]:
    """What a feature of a trace adds to the recorder's accuracy: noise, sampling, fit."""
    factor = unit(trace.contribution_unit).factor if trace.contributions else 1.0
    return tuple(
        Component(
            f"{name}: {entry.source}",
            float(entry.standard_uncertainty) * factor,
            math.inf if entry.degrees_of_freedom is None else entry.degrees_of_freedom,
            entry.distribution,
        )
        for entry in trace.contributions
    )


def source_name(test: str, title: str) -> str:
    """How the errors of one reading or given value are named in a budget: unique within a record, legible."""
    inside = title[:1].lower() + title[1:] if title[1:2].islower() else title
    return f"test {test}, {inside}"


def given_estimate(name: str, given: Given) -> Estimate:
    """A given value; its half-width is the rectangle that the user stated (JCGM 100, 4.3.7)."""
    symbol = unit(given.unit)
    value = float(symbol.to_si(float(given.value)))
    if given.half_width is None:
        return Estimate.of(value, ())
    u = float(given.half_width) * symbol.factor / math.sqrt(3)
    return Estimate.of(value, (Component(f"{name}: given", u, distribution="rectangular"),))
