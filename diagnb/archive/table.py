"""Old records from a CSV table: a mapping (:mod:`diagnb.archive.mapping`) says which column is what.

One row is one visit; further rows with the same id add their tests to it. A row with a fault is listed and not
loaded, the rest is.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnb.archive.intake import Item
from diagnb.archive.mapping import OF_COLUMNS, MappedInstrument, TableMapping
from diagnb.errors import Fault, InputFault, fault

MOST_BYTES = 512 * 2**20
_SAVE = "save the table as CSV again, texts with a separator in quotation marks"
_NUMBER = re.compile(r"[+-]?\d[\d.,]*(\s*[A-Za-zΩµ°%][^=+*()@|]{0,11})?")
_DAYS = ("vehicle.in_service",)


@dataclass(frozen=True, slots=True)
class Table:
    """What a table gave: documents, and the faults of the rows that gave none."""

    items: tuple[Item, ...]
    rows: int
    faults: tuple[Fault, ...]


def read_table(source: Path, mapping: TableMapping) -> Table:
    """Documents from the rows of a table, with a fault for every row that gives none.

    Raises :class:`~diagnb.errors.InputFault` where the file can't be read or lacks a column of the mapping.
    """
    try:
        if source.stat().st_size > MOST_BYTES:
            raise fault(str(source), "is larger than 512 MiB", "split it")
        text = source.read_bytes().decode(mapping.encoding)
    except OSError as error:
        raise fault(str(source), f"can't be read: {error.strerror or error}") from error
    except UnicodeError as error:
        raise fault(str(source), f"is not {mapping.encoding}", "state its encoding in the mapping") from error
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=mapping.delimiter, strict=True)
    try:
        head = list(reader.fieldnames or [])
    except csv.Error as error:
        raise fault(str(source), f"is not CSV: {error}", _SAVE) from error
    other = [d for d in ";,\t|" if len(head) == 1 and d != mapping.delimiter and d in head[0]]
    if other:
        raise fault(source.name, f"its cells are not separated by {mapping.delimiter!r}", f'state delimiter = "{other[0]}" in the mapping'.replace("\t", "\\t"))  # fmt: skip
    missing = [c for c in dict.fromkeys(_columns(mapping)) if c not in head]
    if missing or len(set(head)) < len(head):
        twice = [
            Fault(source.name, f"the column {c!r} stands twice", "rename one of them in the head")
            for c in sorted({c for c in head if head.count(c) > 1})
        ]
        raise InputFault([*twice, *(Fault(source.name, f"there is no column {c!r}", f"it has {', '.join(head)[:400]}") for c in missing)])  # fmt: skip
    return _read_rows(source.name, reader, mapping)


def _read_rows(name: str, reader: csv.DictReader[str], mapping: TableMapping) -> Table:
    faults: list[Fault] = []
    documents: dict[str, dict[str, Any]] = {}
    places: dict[str, str] = {}
    seen: dict[tuple[str, ...], str] = {}
    rows = 0
    while True:
        try:
            row = next(reader, None)
        except csv.Error as error:
            faults.append(Fault(f"{name}, line {reader.line_num}", f"is not CSV: {error}", _SAVE))
            continue
        if row is None:
            break
        rows += 1
        where = f"{name}, row {rows + 1}"
        cells = {
            k: (v or "").strip() for k, v in row.items() if isinstance(k, str) and (v is None or isinstance(v, str))
        }
        if None in row:
            faults.append(Fault(where, "has more cells than the head", "look for a stray separator"))
            continue
        wrong = [Fault(f"{where}, {c}", f"{v[:60]!r} begins like a spreadsheet formula", "store the text, not the formula") for c, v in cells.items() if formula(v)]  # fmt: skip
        same = tuple(cells.values())
        if same in seen:
            wrong.append(Fault(where, f"is the same as {seen[same]}", "keep one of the two"))
        seen.setdefault(same, where)
        document = {} if wrong else _document(cells, mapping, where, wrong)
        if wrong:
            faults += wrong
            continue
        earlier = documents.get(document["id"])
        if earlier is None:
            documents[document["id"]], places[document["id"]] = document, where
            continue
        other = [
            key
            for key in document
            if key not in ("tests", "created", "instruments", "parts") and document[key] != earlier[key]
        ]
        if other:
            faults.append(
                Fault(
                    where,
                    f"has the id of {places[document['id']]}, but another {', '.join(other)}",
                    "give each visit an id of its own, or the same facts",
                )
            )
            continue
        for test in document["tests"]:
            earlier["tests"].append({**test, "id": str(len(earlier["tests"]) + 1)})
    items = tuple(Item(places[k], json.dumps(d, ensure_ascii=False).encode()) for k, d in documents.items())
    return Table(items, rows, tuple(faults))


def formula(cell: str) -> bool:
    """Whether a spreadsheet would take this cell for a formula; plain numbers with a sign are none."""
    return cell[:1] in ("=", "@", "|", "\t") or (cell[:1] in ("+", "-") and not _NUMBER.fullmatch(cell))


def _columns(mapping: TableMapping) -> list[str]:
    own = [c for i in mapping.instruments for c in (i.serial_column, i.calibrated_column, i.due_column) if c]
    return [*OF_COLUMNS.findall(mapping.id), *mapping.columns.values(), *own, *(r.column for t in mapping.tests for r in t.readings)]  # fmt: skip


def _document(cells: Mapping[str, str], mapping: TableMapping, where: str, wrong: list[Fault]) -> dict[str, Any]:
    values = dict(mapping.constants) | {p: cells[c] for p, c in mapping.columns.items() if cells[c]}
    zone = mapping.zone
    time = _time(values.get("time", ""), mapping.time_format, zone, f"{where}, time", wrong)
    identity = OF_COLUMNS.sub(lambda m: cells[m[1]], mapping.id)
    identity = re.sub(r"[^A-Za-z0-9._-]+", "-", identity).strip("-._")[:64]
    if not identity:
        wrong.append(Fault(where, "has no id", f"it is made from {mapping.id}"))
    for place in ("vehicle.system_voltage", "order.number"):
        if not values.get(place):
            wrong.append(Fault(f"{where}, {place}", "is missing", "fill it in, or give a constant in the mapping"))
    document: dict[str, Any] = {
        "schema": "diagnb-record/1", "id": identity, "created": time,
        "order": {"number": values.get("order.number", ""), "opened": _time(values["order.opened"], mapping.time_format, zone, f"{where}, order.opened", wrong) if "order.opened" in values else time},
        "vehicle": {"system_voltage": re.sub(r"\s*[vV]$", "", values.get("vehicle.system_voltage", ""))},
        "circuit": {"name": values.get("circuit.name", ""), "class": values.get("circuit.class", "ordinary")},
        "people": [{"id": "technician", "name": values.get("technician", "unknown"), "role": "technician"}],
    }  # fmt: skip
    for place, value in values.items():
        room, _, key = place.partition(".")
        if place in ("order.site", "order.customer", "vehicle.vin", "vehicle.unit", "vehicle.description"):
            document[room][key] = value
        elif place in ("complaint", "cause", "correction"):
            document[place] = value
        elif place in _DAYS:
            document[room][key] = _day(value, mapping.day_format, f"{where}, {place}", wrong)
        elif place == "vehicle.model_year":
            document[room][key] = int(value) if value.isdecimal() else value
        elif place == "vehicle.odometer":
            document[room][key] = {"value": value.replace(",", "."), "unit": mapping.odometer_unit}
        elif place == "conditions.ambient_degc":
            document["conditions"] = {"ambient_degc": value.replace(",", ".")}
    part = {k.partition(".")[2]: v for k, v in values.items() if k.startswith("part.")}
    if part.get("number"):
        document["parts"] = [{"action": "removed", "causal": True, "description": "", **part}]
    used: set[str] = set()
    tests: list[dict[str, Any]] = []
    for test in mapping.tests:
        readings = [
            {"name": r.name, "texts": [_with_unit(cells[r.column], r.unit)], "instrument": r.instrument, "range": r.range}
            for r in test.readings if cells[r.column]
        ]  # fmt: skip
        if readings:
            used |= {r["instrument"] for r in readings if isinstance(r["instrument"], str)}
            tests.append({"id": str(len(tests) + 1), "procedure": test.procedure, "phase": test.phase, "time": time, "by": "technician", "readings": readings})  # fmt: skip
    if not tests:
        wrong.append(Fault(where, "holds no reading", "every reading column of the mapping is empty"))
    document["tests"] = tests
    document["instruments"] = [
        _instrument(i, cells, mapping, where, wrong) for i in mapping.instruments if i.id in used
    ]
    return document


def _instrument(found: MappedInstrument, cells: Mapping[str, str], mapping: TableMapping, where: str, wrong: list[Fault]) -> dict[str, Any]:  # fmt: skip
    plain: dict[str, Any] = {"id": found.id, "meter": found.meter}
    plain["serial"] = cells[found.serial_column] if found.serial_column else found.serial
    for key, column, value in (("calibrated", found.calibrated_column, found.calibrated), ("due", found.due_column, found.due)):  # fmt: skip
        text = cells[column] if column else value
        if text:
            plain[key] = _day(text, mapping.day_format if column else "", f"{where}, {column or key}", wrong)
    return plain


def _with_unit(cell: str, symbol: str) -> str:
    bare = re.fullmatch(r"[+-]?[\d.,]+", cell)
    return f"{cell} {symbol}" if bare and symbol != "1" else cell


def _time(text: str, pattern: str, zone: str, where: str, wrong: list[Fault]) -> str:
    try:
        found = dt.datetime.strptime(text, pattern) if pattern else dt.datetime.fromisoformat(text)  # noqa: DTZ007
    except ValueError:
        wrong.append(Fault(where, f"{text[:40]!r} is not a time", f"as in {pattern or '2026-03-02T09:30:00'}"))
        return ""
    return found.isoformat() if found.utcoffset() is not None else found.isoformat() + zone


def _day(text: str, pattern: str, where: str, wrong: list[Fault]) -> str:
    try:
        found = dt.datetime.strptime(text, pattern).date() if pattern else dt.date.fromisoformat(text)  # noqa: DTZ007
    except ValueError:
        wrong.append(Fault(where, f"{text[:40]!r} is not a day", f"as in {pattern or '2026-03-02'}"))
        return ""
    return found.isoformat()
