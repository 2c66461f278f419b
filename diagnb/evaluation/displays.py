"""The displays of one test as estimates, with the reason where one can't be used."""

from __future__ import annotations

from diagnb.evaluation.results import ReadingResult
from diagnb.meters import Meter
from diagnb.procedures import Procedure
from diagnb.record import Record, sheet_of
from diagnb.record.document import CircuitTest
from diagnb.record.document import Reading as RecordReading


def read_display(
    record: Record, test: CircuitTest, procedure: Procedure, reading: RecordReading, ambient: float | None
) -> ReadingResult:
    """One reading of ``test``. An instrument overdue for calibration, or without a date, is a refusal."""
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
