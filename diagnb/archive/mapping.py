"""What the columns of an old table are: the mapping, read from TOML and checked against what it names.

Schema ``diagnb-csv-mapping/1``; ``templates/archive/mapping-example.toml`` shows every key. What it names and is not
there (a procedure, a reading, an accuracy sheet, a unit) is found here, once, and not in every row.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from diagnb.errors import Fault, InputFault, fault
from diagnb.meters import AccuracySheet, load_sheet, sheet_files
from diagnb.procedures import load_procedure, procedure_files
from diagnb.quantities import unit

OF_COLUMNS = re.compile(r"\{([^{}]+)\}")
"""A column in a template such as ``{Order}-{Unit}``."""
PLACES = (
    "order.number", "order.opened", "order.site", "order.customer", "vehicle.vin", "vehicle.unit",
    "vehicle.description", "vehicle.model_year", "vehicle.in_service", "vehicle.system_voltage", "vehicle.odometer",
    "complaint", "cause", "correction", "circuit.name", "circuit.class", "conditions.ambient_degc", "technician",
    "time", "part.number", "part.description", "part.lot", "part.serial",
)  # fmt: skip
"""What a column, or a constant, may stand for."""
NEEDED = ("order.number", "time", "vehicle.system_voltage")
"""Places without which no row becomes a record."""
EXAMPLE = "diagnb archive mapping writes an example"
_REPAIRS = {
    "schema": 'schema = "diagnb-csv-mapping/1"', "zone": 'as in zone = "+01:00"', "delimiter": 'one character: ";"',
    "encoding": "utf-8, utf-8-sig, cp1252, latin-1 or utf-16", "phase": "as found, isolating or as left",
    "id": 'as in id = "{Order}-{Unit}": columns in braces',
}  # fmt: skip


class _Plain(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Reading(_Plain):
    name: str
    column: str
    unit: str
    instrument: str
    range: str = ""


class _Test(_Plain):
    procedure: str
    phase: Literal["as found", "isolating", "as left"] = "as found"
    readings: Annotated[list[_Reading], Field(min_length=1)]


class MappedInstrument(_Plain):
    id: str
    meter: str
    serial: str = ""
    serial_column: str = ""
    calibrated: str = ""
    calibrated_column: str = ""
    due: str = ""
    due_column: str = ""


class TableMapping(_Plain):
    """The mapping as read from TOML."""

    schema_: Annotated[Literal["diagnb-csv-mapping/1"], Field(alias="schema")]
    id: str
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    encoding: Literal["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16"] = "utf-8-sig"
    zone: Annotated[str, Field(pattern=r"^[+-]\d\d:\d\d$")]
    time_format: str = ""
    day_format: str = ""
    odometer_unit: str = "km"
    columns: dict[str, str] = {}
    constants: dict[str, str] = {}
    instruments: Annotated[list[MappedInstrument], Field(min_length=1)]
    tests: Annotated[list[_Test], Field(min_length=1)]


def read_mapping(source: Path) -> TableMapping:
    """Check a mapping. Raises :class:`~diagnb.errors.InputFault` with every fault."""
    try:
        plain = tomllib.loads(source.read_text(encoding="utf-8"))
        mapping = TableMapping.model_validate(plain)
    except OSError as error:
        raise fault(str(source), f"can't be read: {error.strerror or error}", EXAMPLE) from error
    except ValidationError as error:
        raise InputFault(_misfit(source.name, e) for e in error.errors(include_url=False)) from error
    except (ValueError, RecursionError) as error:
        raise fault(str(source), f"is not TOML: {error}", EXAMPLE) from error
    faults = [Fault(f"{source.name}: {f.where}", f.what, f.repair) for f in _mapping_faults(mapping)]
    if faults:
        raise InputFault(faults)
    return mapping


def _misfit(name: str, error: Any) -> Fault:
    """A fault of form, with what belongs there instead."""
    place = [str(part) for part in error["loc"]]
    where = f"{name}: {'.'.join(place)}"
    model: type[BaseModel] = _Reading if "readings" in place else _Test if place[0] == "tests" else MappedInstrument
    model = model if place[0] in ("instruments", "tests") else TableMapping
    if error["type"] == "extra_forbidden":
        return Fault(where, "is an unknown key", f"known are {', '.join(f.alias or n for n, f in model.model_fields.items())}")  # fmt: skip
    what = "is missing" if error["type"] == "missing" else f"{str(error['input'])[:40]!r} does not fit: {error['msg']}"
    return Fault(where, what, _REPAIRS.get(place[-1], EXAMPLE))


def _mapping_faults(mapping: TableMapping) -> Iterator[Fault]:
    """What a mapping names that is not there: found here, once, and not in every row."""
    if not OF_COLUMNS.search(mapping.id):
        yield Fault("id", f"{mapping.id!r} names no column, so all rows would be one record", f'a column stands in braces: id = "{{{mapping.id or "Order"}}}"')  # fmt: skip
    for place in (*mapping.columns, *mapping.constants):
        if place not in PLACES:
            yield Fault(place, "is nothing that a column can stand for", f"known are {', '.join(PLACES)}")
    for place in NEEDED:
        if place not in mapping.columns and place not in mapping.constants:
            yield Fault(f"columns.{place}", "is missing", f'"{place}" = "name of its column", or a value under [constants]')  # fmt: skip
    sheets: dict[str, AccuracySheet] = {}
    for instrument in mapping.instruments:
        files = sheet_files()
        if instrument.meter in files:
            sheets[instrument.id] = load_sheet(files[instrument.meter])
        else:
            yield Fault(f"instruments.{instrument.id}", f"there is no accuracy sheet {instrument.meter!r}", f"known are {', '.join(sorted(files))}")  # fmt: skip
    known = [i.id for i in mapping.instruments]
    for test in mapping.tests:
        procedures = procedure_files()
        if test.procedure not in procedures:
            yield Fault(f"tests.{test.procedure}", "there is no such procedure", f"known are {', '.join(sorted(procedures))}")  # fmt: skip
            continue
        procedure = load_procedure(procedures[test.procedure])
        for reading in test.readings:
            where, spec = f"tests.{test.procedure}.{reading.name}", procedure.reading(reading.name)
            if reading.instrument not in known:
                yield Fault(where, f"there is no instrument {reading.instrument!r}", f"known are {', '.join(known)}")
            if spec is None:
                names = ", ".join(r.name for r in procedure.readings)
                yield Fault(where, "the procedure has no such reading", f"it has {names}")
                continue
            sheet = sheets.get(reading.instrument)
            functions = [f.name for f in sheet.functions] if sheet else [spec.function]
            shown = next((f for f in sheet.functions if f.name == spec.function), None) if sheet else None
            ranges = [r.name for r in shown.ranges] if shown else []
            if reading.range and shown and reading.range not in ranges:
                yield Fault(where, f"there is no range {reading.range!r}", f"known are {', '.join(ranges)}")
            if spec.function not in functions:
                yield Fault(where, f"instrument {reading.instrument!r} has no function {spec.function!r}", f"it has {', '.join(functions)}")  # fmt: skip
            yield from _unit_fault(where, reading.unit, spec.unit)


def _unit_fault(where: str, given: str, wanted: str) -> Iterator[Fault]:
    try:
        fits = unit(given).dimension == unit(wanted).dimension
    except InputFault:
        fits = False
    if not fits:
        yield Fault(where, f"{given!r} is no unit of this reading", f"it is read in {wanted}")
