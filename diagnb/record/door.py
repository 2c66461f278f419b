"""The door for records: bytes or a plain document in, a checked :class:`Record` or all its faults out."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import rfc8785
from pydantic import ValidationError

from diagnb.errors import Fault, InputFault, fault
from diagnb.meters import (
    AccuracySheet,
    CalibrationPoint,
    Meter,
    RangeCalibration,
    load_sheet,
    read_sheet,
    sheet_files,
)
from diagnb.procedures import Procedure, ReadingSpec, load_procedure, procedure_files, read_procedure
from diagnb.quantities import parse_indication, unit
from diagnb.record.document import SCHEMA, CertificateRange, CircuitTest, Instrument, Reading, Record, TraceSource
from diagnb.record.path import path_faults

MOST_BYTES = 64 * 2**20
MOST_DEPTH = 40


def load_record(source: str | Path | bytes | Mapping[str, Any], *, folder: Path | None = None) -> Record:
    """A record from a JSON file, its bytes, or a plain document.

    Accuracy sheets and procedures that the document names but does not carry are added from the shop's
    ``folder`` (``meters/`` and ``procedures/`` in it) or from the shipped templates; those it carries are
    left as they are. Raises :class:`~diagnb.errors.InputFault` listing every fault with its path.
    """
    if isinstance(source, Mapping):
        plain: Any = source
    elif isinstance(source, bytes):
        plain = read_json(source, "record")
    else:
        path = Path(source)
        try:
            if path.stat().st_size > MOST_BYTES:
                raise fault(str(path), "is larger than 64 MiB", "this is not a record")
            plain = read_json(path.read_bytes(), path.name)
        except OSError as error:
            raise fault(str(path), f"can't be read: {error.strerror or error}") from error
        except ValueError as error:
            raise fault(repr(str(path)), f"is not a file name: {error}") from error
    return read_record(complete(plain, folder))


def read_json(data: bytes, where: str) -> Any:
    """JSON with no duplicate keys, no NaN, bounded depth. Raises :class:`InputFault`, never anything else."""
    if len(data) > MOST_BYTES:
        raise fault(where, "is larger than 64 MiB")

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(items)
        if len(found) != len(items):
            twice = sorted({k for k, _ in items if sum(k == other for other, _ in items) > 1})
            raise fault(where, f"the key {twice[0]!r} stands twice in one object")
        return found

    def constant(text: str) -> Any:
        raise fault(where, f"{text} is not a number in JSON")

    try:
        plain = json.loads(data.decode("utf-8"), object_pairs_hook=pairs, parse_constant=constant)
        _bound(plain, where)
    except UnicodeDecodeError as error:
        raise fault(where, f"is not UTF-8 (byte {error.start})", "save it as UTF-8") from error
    except json.JSONDecodeError as error:
        raise fault(
            f"{where}, line {error.lineno}", f"is not JSON: {error.msg.lower()}", "the file is broken or cut off"
        ) from error
    except (RecursionError, ValueError) as error:
        raise fault(
            where, "is not JSON that can be read", "it is nested too deep or holds a number out of range"
        ) from error
    return plain


def _bound(plain: Any, where: str) -> None:
    layer = [plain]
    for _ in range(MOST_DEPTH):
        layer = [v for e in layer for v in (e.values() if isinstance(e, dict) else e if isinstance(e, list) else ())]
        if not layer:
            return
    raise fault(where, f"is nested deeper than {MOST_DEPTH} levels")


def complete(plain: Any, folder: Path | None = None) -> Any:
    """The document with the accuracy sheets and procedures that it names but does not carry."""
    if not isinstance(plain, Mapping) or plain.get("schema") != SCHEMA:
        return plain
    meters = dict(plain["meters"]) if isinstance(plain.get("meters"), Mapping) else {}
    procedures = dict(plain["procedures"]) if isinstance(plain.get("procedures"), Mapping) else {}
    meter_files = sheet_files(folder / "meters" if folder else None)
    files = procedure_files(folder / "procedures" if folder else None)
    for name in _named(plain.get("instruments"), "meter"):
        if name not in meters and name in meter_files:
            meters[name] = dict(load_sheet(meter_files[name]).plain)
    for name in _named(plain.get("tests"), "procedure"):
        if name not in procedures and name in files:
            procedures[name] = dict(load_procedure(files[name]).plain)
    return {**plain, "meters": meters, "procedures": procedures}


def _named(entries: Any, key: str) -> list[str]:
    if not isinstance(entries, list | tuple):
        return []
    return [e[key] for e in entries if isinstance(e, Mapping) and isinstance(e.get(key), str)]


def read_record(plain: Any) -> Record:
    """Check a plain document that carries all it needs. Raises :class:`InputFault` with every fault."""
    if not isinstance(plain, Mapping):
        raise fault("record", "is not an object", f'it starts with {{"schema": "{SCHEMA}", …}}')
    schema = plain.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("diagnb-record/")
        remedy = "it was made by a newer version; install that one" if newer else f"a record says {SCHEMA}"
        raise fault("schema", f"{schema!r} is unknown", remedy)
    try:
        record = Record.model_validate(plain)
    except ValidationError as error:
        raise InputFault(_pydantic_faults(error)) from error
    faults = list(_references(record))
    if faults:
        raise InputFault(faults)
    return record


def _pydantic_faults(error: ValidationError) -> Iterable[Fault]:
    for e in error.errors(include_url=False):
        path = ""
        for step in e["loc"]:
            path += f"[{step}]" if isinstance(step, int) else f".{step}"
        text = {"missing": "is missing", "extra_forbidden": "is an unknown key"}.get(e["type"], e["msg"])
        repair = {
            "extra_forbidden": "take it out, or correct its spelling",
            "timezone_aware": "write the time with its zone, for example 2026-03-02T09:30:00+01:00",
            "string_pattern_mismatch": "see the JSON Schema: diagnb schema record",
        }.get(e["type"], "")
        if e["type"].startswith(("datetime", "date")):
            repair = repair or "write dates as 2026-03-02 and times as 2026-03-02T09:30:00+01:00"
        yield Fault(path.lstrip("."), text, repair)


@lru_cache(maxsize=256)
def _sheet_of(canonical: bytes) -> AccuracySheet:
    return read_sheet(json.loads(canonical), "meters")


@lru_cache(maxsize=256)
def _procedure_of(canonical: bytes) -> Procedure:
    return read_procedure(json.loads(canonical), "procedures")


def sheet_of(record: Record, name: str) -> AccuracySheet:
    """The accuracy sheet ``name`` that the record carries."""
    return record.once(("meter", name), lambda: _sheet_of(rfc8785.dumps(record.meters[name])))


def procedure_of(record: Record, name: str) -> Procedure:
    """The procedure ``name`` that the record carries."""
    return record.once(("procedure", name), lambda: _procedure_of(rfc8785.dumps(record.procedures[name])))


def _references(record: Record) -> Iterable[Fault]:
    yield from _twice([p.id for p in record.people], "people")
    yield from _twice([i.id for i in record.instruments], "instruments")
    yield from _twice([t.id for t in record.tests], "tests")
    yield from _twice([a.name for a in record.attachments], "attachments")
    people = {p.id for p in record.people}
    instruments = {i.id: i for i in record.instruments}
    if record.qualified_person is not None and record.qualified_person not in people:
        yield Fault("qualified_person", f"nobody called {record.qualified_person!r} is among the people")
    sheets: dict[str, AccuracySheet] = {}
    procedures: dict[str, Procedure] = {}
    for name in record.meters:
        yield from _carried(f"meters.{name}", name, lambda n: sheets.__setitem__(n, sheet_of(record, n)))
    for name in record.procedures:
        yield from _carried(f"procedures.{name}", name, lambda n: procedures.__setitem__(n, procedure_of(record, n)))
    for i, instrument in enumerate(record.instruments):
        if instrument.meter not in record.meters:
            yield Fault(
                f"instruments[{i}].meter", f"there is no accuracy sheet {instrument.meter!r}", "see diagnb meter list"
            )
        elif instrument.meter in sheets:
            yield from _corrections(instrument, f"instruments[{i}]", sheets[instrument.meter])
    yield from _quantities(record)
    yield from _traces_attached(record)
    for i, test in enumerate(record.tests):
        where = f"tests[{i}]"
        if test.by not in people:
            yield Fault(f"{where}.by", f"nobody called {test.by!r} is among the people")
        if test.repeats_test is not None and test.repeats_test not in {t.id for t in record.tests}:
            yield Fault(f"{where}.repeats_test", f"there is no test {test.repeats_test!r}")
        if test.procedure not in record.procedures:
            yield Fault(f"{where}.procedure", f"there is no procedure {test.procedure!r}", "see diagnb procedure list")
        elif test.procedure in procedures:
            yield from _readings(test, where, procedures[test.procedure], instruments, sheets)
        for j, limit in enumerate(test.limits):
            if limit.entered_by is not None and limit.entered_by not in people:
                yield Fault(
                    f"{where}.limits[{j}].entered_by", f"nobody called {limit.entered_by!r} is among the people"
                )
    for i, shown in enumerate(record.cautions_shown):
        if shown.to not in people:
            yield Fault(f"cautions_shown[{i}].to", f"nobody called {shown.to!r} is among the people")
    known = {t.id for t in record.tests}
    for i, finding in enumerate(record.findings):
        for name in finding.tests:
            if name not in known:
                yield Fault(f"findings[{i}].tests", f"there is no test {name!r}")


def _quantities(record: Record) -> Iterable[Fault]:
    """Quantities that later rules convert: each must be in a unit of its kind."""
    vehicle, coverage = record.vehicle, record.coverage
    for quantity, wanted, where in (
        (vehicle.odometer, "km", "vehicle.odometer.unit"),
        (vehicle.engine_hours, "h", "vehicle.engine_hours.unit"),
        (coverage.distance_limit if coverage else None, "km", "coverage.distance_limit.unit"),
    ):
        if quantity is not None:
            yield from _fits(quantity.unit, wanted, where)


def range_calibration(entry: CertificateRange) -> RangeCalibration:
    """A certificate's range in coherent SI. Raises :class:`InputFault` where it can't be one."""
    scale = unit(entry.unit).factor
    points = tuple(
        CalibrationPoint(
            float(p.nominal) * scale, float(p.error) * scale, float(p.expanded_uncertainty) * scale,
            float(p.coverage_factor),
        )
        for p in entry.points
    )  # fmt: skip
    full = parse_indication(entry.range, unit=entry.unit).value
    return RangeCalibration(entry.function, full, points, float(entry.drift_half_width) * scale)


def _corrections(instrument: Instrument, where: str, sheet: AccuracySheet) -> Iterable[Fault]:
    for j, entry in enumerate(instrument.corrections):
        place = f"{where}.corrections[{j}]"
        try:
            function = sheet.function(entry.function)
            wrong = list(_fits(entry.unit, function.unit, f"{place}.unit"))
            yield from wrong
            if not wrong and not any(
                math.isclose(r.full_scale, range_calibration(entry).full_scale, rel_tol=1e-9) for r in function.ranges
            ):
                listed = ", ".join(r.name for r in function.ranges)
                yield Fault(f"{place}.range", f"there is no range {entry.range}", f"ranges are {listed}")
        except InputFault as error:
            yield from (Fault(place, f"{f.where} {f.what}", f.repair) for f in error.faults)


def _carried(where: str, name: str, read: Callable[[str], None]) -> Iterable[Fault]:
    try:
        read(name)
    except InputFault as error:
        yield from (
            Fault(f"{where}{f.where[f.where.find('.') :] if '.' in f.where else ''}", f.what, f.repair)
            for f in error.faults
        )
    except (rfc8785.CanonicalizationError, ValueError) as error:
        yield Fault(where, f"can't be written in canonical form: {error}")


def _twice(names: list[str], where: str) -> Iterable[Fault]:
    for i, name in enumerate(names):
        if name in names[:i]:
            yield Fault(f"{where}[{i}]", f"{name!r} stands twice", "give each its own")


def _readings(
    test: CircuitTest,
    where: str,
    procedure: Procedure,
    instruments: Mapping[str, Any],
    sheets: Mapping[str, AccuracySheet],
) -> Iterable[Fault]:
    yield from _twice([r.name for r in test.readings], f"{where}.readings")
    for j, reading in enumerate(test.readings):
        place = f"{where}.readings[{j}]"
        spec = procedure.reading(reading.name)
        if spec is None:
            listed = ", ".join(r.name for r in procedure.readings)
            yield Fault(f"{place}.name", f"{procedure.id} has no reading {reading.name!r}", f"it has {listed}")
            continue
        yield from _reading(reading, place, spec, instruments, sheets)
    yield from path_faults(test, where, procedure, lambda r, p, spec: _reading(r, p, spec, instruments, sheets))
    for name, given in test.given.items():
        place = f"{where}.given.{name}"
        wanted = procedure.given(name)
        if wanted is None:
            yield Fault(place, f"{procedure.id} takes no given value {name!r}")
            continue
        yield from _fits(given.unit, wanted.unit, f"{place}.unit")
    yield from _twice([entry.result for entry in test.limits], f"{where}.limits")
    for j, limit in enumerate(test.limits):
        result = next((d for d in procedure.derived if d.name == limit.result), None)
        if result is None:
            yield Fault(f"{where}.limits[{j}].result", f"{procedure.id} has no derived value {limit.result!r}")
        else:
            yield from _fits(limit.unit, result.unit, f"{where}.limits[{j}].unit")


def _trace(trace: TraceSource, place: str, wanted: str) -> Iterable[Fault]:
    if trace.contributions:
        yield from _fits(trace.contribution_unit, wanted, f"{place}.contribution_unit")
    try:
        unit(trace.unit)
    except InputFault as error:
        yield Fault(f"{place}.unit", f"{error.faults[0].where} is not a unit", error.faults[0].repair)


def _traces_attached(record: Record) -> Iterable[Fault]:
    """Every trace that a reading names is among the attachments, with the same digest."""
    attached = {a.name: a.sha256 for a in record.attachments}
    for i, test in enumerate(record.tests):
        for j, reading in enumerate(test.readings):
            if reading.trace is None:
                continue
            place, name = f"tests[{i}].readings[{j}].trace", reading.trace.attachment
            if name not in attached:
                yield Fault(f"{place}.attachment", f"there is no attachment {name!r}", "list the file of the trace")
            elif attached[name] != reading.trace.sha256:
                yield Fault(f"{place}.sha256", f"is not that of the attachment {name!r}", "take the feature again")


def _reading(
    reading: Reading,
    place: str,
    spec: ReadingSpec,
    instruments: Mapping[str, Any],
    sheets: Mapping[str, AccuracySheet],
) -> Iterable[Fault]:
    instrument = instruments.get(reading.instrument)
    if instrument is None:
        yield Fault(f"{place}.instrument", f"there is no instrument {reading.instrument!r}")
    elif instrument.meter in sheets:
        meter = Meter(sheets[instrument.meter], instrument.id)
        try:
            found = meter.read(
                reading.texts, function=reading.function or spec.function, range=reading.range, name=reading.name
            )
        except InputFault as error:
            yield from (Fault(f"{place}.texts", f"{f.where} {f.what}", f.repair) for f in error.faults)
            return
        wrong = [i for i in found.indications if i.symbol.dimension != unit(spec.unit).dimension]
        if wrong:
            yield Fault(
                f"{place}.function", f"{wrong[0].unit} does not fit this reading", f"it is taken in {spec.unit}"
            )
        if reading.zero:
            used = found.range.name if found.range else reading.range
            try:
                meter.read(reading.zero, function=reading.function or spec.function, range=used, name=reading.name)
            except InputFault as error:
                yield from (Fault(f"{place}.zero", f"{f.where} {f.what}", f.repair) for f in error.faults)
    for key in ("source_resistance", "circuit_resistance"):
        stated = getattr(reading, key)
        if stated is not None:
            yield from _fits(stated.unit, "Ω", f"{place}.{key}.unit")
            if not float(stated.value) > 0:
                yield Fault(f"{place}.{key}.value", f"{stated.value} is not a resistance", "it is above zero")
    if reading.trace is not None:
        yield from _trace(reading.trace, f"{place}.trace", spec.unit)


def _fits(symbol: str, wanted: str, where: str) -> Iterable[Fault]:
    try:
        if unit(symbol).dimension != unit(wanted).dimension:
            yield Fault(where, f"{symbol} does not fit", f"give it in {wanted}")
    except InputFault as error:
        yield Fault(where, f"{error.faults[0].where} is not a unit", error.faults[0].repair)
