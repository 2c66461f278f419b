"""A test judged again from its document: the evaluation itself, on the record as it would read after the change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.conformity import WORDS
from diagnb.errors import DiagnbError
from diagnb.evaluation import Result, TestResult, evaluate_test
from diagnb.evaluation.displays import meter_of
from diagnb.evaluation.limits import limit_of
from diagnb.impact.change import Change, InstrumentError
from diagnb.impact.columns import corrected
from diagnb.impact.standing import JUDGED, NOT_ASKED, OUTSIDE, is_named, reading_touched, results_concerned, standing
from diagnb.meters import Meter, MeterReading
from diagnb.record import Record, procedure_of, read_json, read_record
from diagnb.record.document import CircuitTest
from diagnb.uncertainty import Estimate

Row = tuple[float, float, int, str, str]
"""Value and expanded uncertainty in the display unit (NaN: none), verdict as position in WORDS, as in
:func:`~diagnb.impact.standing.standings` whether it could be judged, and the title of the result."""


@dataclass(frozen=True, slots=True)
class _Deviating(Meter):
    """A meter whose displays are corrected for the error that was found; their uncertainty stays."""

    change: InstrumentError | None = None

    def read(self, *texts: Any, **options: Any) -> MeterReading:
        found = Meter.read(self, *texts, **options)
        if found.estimate is None or self.change is None:
            return found
        function = self.sheet.function(options["function"])
        value = float(corrected(self.change, function, found.estimate.value, np.True_))
        return replace(found, estimate=Estimate.of(value, found.estimate.components))


def altered(record: Record, change: Change) -> Record:
    """The record as it would read: with the other sheets, its instruments corrected. Never stored."""
    made = record.model_copy(
        update={
            "procedures": {k: dict(change.alter("procedure", v)) for k, v in record.procedures.items()},
            "meters": {k: dict(change.alter("meter", v)) for k, v in record.meters.items()},
        }
    )
    # A copy shares what was worked out from the original; this one must work it out anew.
    fresh: Record = Record.model_construct(**{k: getattr(made, k) for k in Record.model_fields})
    if isinstance(change, InstrumentError):
        for instrument in fresh.instruments:
            if instrument.serial == change.serial:
                plain = meter_of(record, instrument)
                deviating = _Deviating(plain.sheet, plain.instrument, plain.certificates, change)
                fresh.once(("instrument", instrument.id), lambda found=deviating: found)  # type: ignore[misc]
    return fresh


def judge_document(document: bytes, places: Sequence[int], change: Change) -> dict[int, list[Row] | str]:
    """The results of the tests at ``places`` of a record, or why there are none."""
    found: dict[int, list[Row] | str] = {}
    try:
        record = altered(read_record(read_json(document, "document")), change)
    except DiagnbError as error:
        return dict.fromkeys(places, str(error.faults[0]))
    for place in places:
        try:
            outcome = evaluate_test(record, record.tests[place])
        except (DiagnbError, ArithmeticError, KeyError, ValueError) as error:
            found[place] = f"could not be worked out again with this change: {error}"
            continue
        concerned = _concerned(record, record.tests[place], outcome, change)
        found[place] = [
            (
                math.nan if r.value is None else r.value,
                math.nan if r.expanded_uncertainty is None else r.expanded_uncertainty,
                WORDS.index(r.verdict.verdict),
                _standing(record, record.tests[place], r, change) if r.name in concerned else OUTSIDE,
                r.title,
            )
            for r in outcome.results
        ]
    return found


def _concerned(record: Record, test: CircuitTest, outcome: TestResult, change: Change) -> set[str]:
    if test.path is not None:
        # Its spans are no part of the procedure, and each follows from several nodes.
        return {r.name for r in outcome.results}
    procedure = procedure_of(record, test.procedure)
    touched, used = set(), {r.name: r for r in test.taken}
    for read in outcome.readings:
        reading = used[read.name]
        instrument, spec = record.instrument(reading.instrument), procedure.reading(reading.name)
        function = reading.function or (spec.function if spec else "")
        its_own = isinstance(change, InstrumentError) and instrument.serial == change.serial
        sheet = meter_of(record, instrument).sheet
        if not function or reading_touched(change, sheet, function, its_own=its_own):
            touched.add(read.name)
    there = {r.name for r in outcome.readings if not r.refusal} | {g.name for g in procedure.givens}
    return results_concerned(
        change, procedure, there, touched, stated={e.result for e in test.limits}, system_voltage=record.vehicle.system_voltage
    )  # fmt: skip


def _standing(record: Record, test: CircuitTest, result: Result, change: Change) -> str:
    if result.verdict.verdict != "not judged":
        return JUDGED
    procedure = procedure_of(record, test.procedure)
    spec = next((s for s in procedure.derived if s.name == result.name), None)
    if spec is None:
        return result.reason if result.to_judge else NOT_ASKED
    _, _, lacking = limit_of(procedure, spec, test.limits, record.vehicle.system_voltage)
    return standing(result.reason, lacking, named=is_named(change, procedure, spec.name))


def judge_documents(
    batch: Sequence[tuple[int, bytes, Sequence[int]]], change: Change
) -> list[tuple[int, dict[int, Any]]]:
    """:func:`judge_document` for many; what a process pool or a cluster runs."""
    return [(seq, judge_document(document, places, change)) for seq, document, places in batch]


__all__ = ["Row", "altered", "judge_document", "judge_documents"]
