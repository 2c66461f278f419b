"""What the store keeps of a record beside its document: facts to find it by, one row a result, one row a test.

Everything here follows from the document alone, so it can be worked out again and compared (see
:mod:`~diagnb.archive.audit`).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from diagnb.archive.chain import digest_of_rows
from diagnb.archive.layout import Measured, measured
from diagnb.errors import Fault, InputFault
from diagnb.evaluation import Evaluation, TestResult, evaluate
from diagnb.quantities import unit
from diagnb.record import Record, canonical_bytes, complete, digest, procedure_of, read_json, read_record
from diagnb.record.document import Quantity

REVISION_FACTS: dict[str, str] = {
    "claim": "text", "site": "text", "vin": "text", "unit": "text", "model_year": "whole", "system_voltage": "text",
    "circuit": "text", "circuit_class": "text", "created": "text", "in_service": "text", "odometer_km": "real",
    "engine_hours": "real", "part": "text", "part_serial": "text", "lot": "text", "demonstration": "whole",
    "status": "text", "replaces": "text", "added_by": "text", "engine": "text",
}  # fmt: skip
"""Columns that every revision can be found or grouped by, with their kind. Times are UTC."""
RESULT_COLUMNS: dict[str, str] = {
    "test": "text", "name": "text", "procedure": "text", "procedure_version": "whole", "phase": "text",
    "at": "text", "taken_by": "text", "value": "real", "unit": "text", "standard_uncertainty": "real",
    "degrees_of_freedom": "real", "coverage_factor": "real", "expanded_uncertainty": "real", "lower": "real",
    "upper": "real", "limit_source": "text", "limit_by": "text", "rule": "text", "probability": "real",
    "verdict": "text", "reason": "text", "method": "text", "instruments": "text",
}  # fmt: skip
"""Columns of one result, in its display unit. No value and infinite degrees of freedom are null."""
_LOWER, _UPPER, _REASON = (list(RESULT_COLUMNS).index(name) for name in ("lower", "upper", "reason"))
TEST_COLUMNS: dict[str, str] = {
    "layout": "text", "test": "text", "at": "whole", "serials": "text", "numbers": "bytes", "verdicts": "text",
}  # fmt: skip
"""Columns of one test: what re-judging needs. ``at`` is in seconds since 1970, UTC."""


@dataclass(frozen=True)
class Prepared:
    """One revision, checked and evaluated, as it will be stored. ``facts`` lack ``added_by``, which the store adds."""

    record: str
    revision: int
    digest: str
    document: bytes
    replaces: tuple[int, str] | None
    facts: Mapping[str, Any]
    results: tuple[tuple[Any, ...], ...]
    tests: tuple[tuple[Any, ...], ...]
    layouts: Mapping[str, str]
    sheets: Mapping[str, tuple[str, str]]
    attachments: Mapping[str, str]
    """Name of each attachment that the record lists, with its digest."""

    @cached_property
    def results_digest(self) -> str:
        """Digest over the result rows."""
        return digest_of_rows(self.results)

    @cached_property
    def tests_digest(self) -> str:
        """Digest over the test rows and what they refer to."""
        return tests_digest(self.tests)


def tests_digest(rows: Iterable[tuple[Any, ...]]) -> str:
    """Digest over test rows; layouts and sheets are covered by their own digests, which stand in them."""
    return digest_of_rows([v.hex() if isinstance(v, bytes) else v for v in row] for row in rows)


def prepare(record: Record, evaluation: Evaluation | None = None) -> Prepared:
    """Everything that will be stored of ``record``; it is evaluated here when no evaluation is handed in."""
    found = evaluation if evaluation is not None else evaluate(record)
    own = digest(record)
    if (found.record, found.revision, found.record_digest) != (record.id, record.revision, own):
        raise InputFault(Fault("evaluation", "belongs to another record or revision", "evaluate this record again"))
    parts: list[Measured] = [
        measured(record, test, result) for test, result in zip(record.tests, found.tests, strict=True)
    ]
    replaces = record.replaces
    ready = Prepared(
        record.id, record.revision, own, canonical_bytes(record),
        (replaces.revision, replaces.digest) if replaces else None,
        _facts(record, found.engine),
        tuple(row for test, result in zip(record.tests, found.tests, strict=True) for row in _results(record, test, result)),
        tuple(part.row for part in parts),
        {part.layout: part.text for part in parts},
        {name: sheet for part in parts for name, sheet in part.sheets.items()},
        {a.name: a.sha256 for a in record.attachments},
    )  # fmt: skip
    # Worked out here, so that a pool does it and not the one who writes.
    _ = (ready.results_digest, ready.tests_digest)
    return ready


def prepare_document(data: bytes, where: str, *, carried: bool = True) -> Prepared | tuple[Fault, ...]:
    """As :func:`prepare`, from the bytes of a record; faults are returned. What a process pool or a cluster runs.

    ``carried`` False adds shipped sheets and procedures that the document names but does not carry.
    """
    try:
        plain = read_json(data, where)
        return prepare(read_record(plain if carried else complete(plain)))
    except InputFault as error:
        return error.faults


def _facts(record: Record, engine: str) -> dict[str, Any]:
    vehicle = record.vehicle
    causal = next((p for p in record.parts if p.causal and p.action == "removed"), None)
    causal = causal or next((p for p in record.parts if p.causal), None)
    facts = {
        "claim": record.order.number, "site": record.order.site, "vin": vehicle.vin, "unit": vehicle.unit,
        "model_year": vehicle.model_year, "system_voltage": vehicle.system_voltage, "circuit": record.circuit.name,
        "circuit_class": record.circuit.circuit_class, "created": utc(record.created),
        "in_service": vehicle.in_service.isoformat() if vehicle.in_service else None,
        "odometer_km": _in(vehicle.odometer, "km"), "engine_hours": _in(vehicle.engine_hours, "h"),
        "part": causal.number if causal else "", "part_serial": causal.serial if causal else "",
        "lot": causal.lot if causal else "", "demonstration": int(record.demonstration),
        "status": record.status,
        "replaces": record.replaces.digest if record.replaces else "", "engine": engine,
    }  # fmt: skip
    return {name: _storable(value) for name, value in facts.items()}


def _storable(value: Any) -> Any:
    # PostgreSQL keeps no NUL in a text; the document, which escapes it, has it still.
    return value.replace("\0", "\ufffd") if isinstance(value, str) else value


def _in(quantity: Quantity | None, symbol: str) -> float | None:
    if quantity is None:
        return None
    return float(unit(symbol).from_si(unit(quantity.unit).to_si(float(quantity.value))))


def _results(record: Record, test: Any, outcome: TestResult) -> Iterable[tuple[Any, ...]]:
    serials = "|".join(dict.fromkeys(record.instrument(r.instrument).serial for r in test.taken))
    version = procedure_of(record, test.procedure).version
    for result in outcome.results:
        plain = result.to_plain()
        limit = result.limit
        row = (
            test.id, result.name, test.procedure, version, test.phase, utc(test.time), record.person(test.by).name,
            result.value, result.unit, result.standard_uncertainty, plain["degrees_of_freedom"],
            result.coverage_factor, result.expanded_uncertainty, limit.lower if limit else None,
            limit.upper if limit else None, limit.source if limit else "", limit.stated_by if limit else "",
            result.verdict.rule, result.verdict.conformance_probability, result.verdict.verdict, result.reason,
            result.method, serials,
        )  # fmt: skip
        yield tuple(_storable(value) for value in row)


def asks_for_verdict(row: Sequence[Any]) -> bool:
    """Whether a result row (RESULT_COLUMNS) asks for a verdict: a limit applies, or is missing, and it was read."""
    limited = row[_LOWER] is not None or row[_UPPER] is not None
    return row[_REASON] != "reading-missing" and (limited or row[_REASON] == "limit-missing")


def utc(moment: dt.datetime) -> str:
    """A moment as text in UTC, to the second: sorts as it happened, reads the same on every store."""
    return moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


__all__ = [
    "RESULT_COLUMNS",
    "REVISION_FACTS",
    "TEST_COLUMNS",
    "Prepared",
    "asks_for_verdict",
    "prepare",
    "prepare_document",
    "utc",
]
