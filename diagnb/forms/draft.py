"""From the flat draft (field key → typed text) to the plain record, with every fault at its field."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from diagnb.errors import Fault, InputFault
from diagnb.forms.fields import (
    ITEMS,
    SINGLE,
    Field,
    items,
    read_decimal,
    read_half_width,
    read_moment,
    read_quantity,
    read_text,
)
from diagnb.meters import AccuracySheet
from diagnb.procedures import GivenSpec, Procedure, ReadingSpec
from diagnb.quantities import Indication, parse_indication, plain, unit
from diagnb.record.document import SCHEMA

_LONE_NUMBER = re.compile(r"^[+-]?\s*[\d.,]+$")


@dataclass(frozen=True, slots=True)
class Library:
    """The accuracy sheets and procedures that a sheet may use, by id, and the caution texts.

    ``faults`` are those of the shop's files that could not be used.
    """

    meters: Mapping[str, AccuracySheet]
    procedures: Mapping[str, Procedure]
    cautions: Mapping[str, str] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class Draft:
    """``plain`` is what there is so far in the shape of a record; ``faults`` name field keys."""

    plain: Mapping[str, Any]
    faults: tuple[Fault, ...]
    keys: Mapping[str, str]
    """Path in the record → field key, for faults that the record's own door finds."""

    def key_of(self, path: str) -> str:
        """The field where a fault at this path of the record is mended; the path itself when there is none."""
        place = path
        while place and place not in self.keys:
            place = place[: max(place.rfind("."), place.rfind("["), 0)]
        return self.keys.get(place, path)


def split_repeats(text: str) -> tuple[str, ...]:
    """The single displays of a reading field: repeats stand between semicolons."""
    return tuple(part.strip() for part in text.split(";") if part.strip())


def read_indications(text: str, spec: ReadingSpec) -> tuple[Indication, ...]:
    """The displays typed into one reading field. Raises InputFault as the text stands."""
    return tuple(parse_indication(part, unit=spec.unit) for part in split_repeats(text))


def as_displayed(text: str, spec: ReadingSpec) -> str:
    """One display as the record keeps it: as typed; a lone number gets the unit that it was taken in."""
    return f"{text} {spec.unit}" if _LONE_NUMBER.match(text) else text


def instrument_for(values: Mapping[str, str], library: Library, test: str, spec: ReadingSpec) -> str:
    """The instrument of one reading: the one chosen at it, else the first one that has the function."""
    able = instruments_able(values, library, spec)
    for key in (f"tests.{test}.readings.{spec.name}.instrument", f"tests.{test}.instrument"):
        if values.get(key) in able:
            return values[key]
    return able[0] if able else ""


def instruments_able(values: Mapping[str, str], library: Library, spec: ReadingSpec) -> tuple[str, ...]:
    """The instruments on the sheet that have the function that this reading asks for."""
    found = []
    for name in items(values, "instruments"):
        sheet = library.meters.get(values.get(f"instruments.{name}.meter", ""))
        if sheet and any(f.name == spec.function for f in sheet.functions):
            found.append(name)
    return tuple(found)


def draft_record(
    values: Mapping[str, str],
    *,
    library: Library,
    sheet: str,
    revision: int = 1,
    created: dt.datetime,
    time_of: Callable[[str], dt.datetime | None],
    localise: Callable[[dt.datetime], dt.datetime],
    only_test: str = "",
    fill: bool = False,
) -> Draft:
    """The plain record of a draft.

    ``fill`` puts a dash where a needed field is still blank, so that what is there can be evaluated already;
    without it each blank needed field is a fault. ``only_test`` leaves the other tests out.
    """
    return _Writer(values, library, time_of, fill, created, localise).record(sheet, revision, only_test)


class _Writer:
    def __init__(
        self,
        values: Mapping[str, str],
        library: Library,
        time_of: Callable[[str], dt.datetime | None],
        fill: bool,
        created: dt.datetime,
        localise: Callable[[dt.datetime], dt.datetime],
    ) -> None:
        self.localise = localise
        self.values, self.library, self.time_of, self.fill = values, library, time_of, fill
        self.created = created
        self.faults: list[Fault] = []
        self.keys: dict[str, str] = {}

    def text(self, key: str) -> str:
        return self.values.get(key, "").strip()

    def add(self, key: str, what: str, repair: str = "") -> None:
        self.faults.append(Fault(key, what, repair))

    def read(self, spec: Field, key: str, path: str) -> Any:
        """The value of one field, or None when it is blank or faulty."""
        self.keys[path] = key
        text = self.text(key)
        if not text:
            if spec.needed and not self.fill:
                self.add(key, f"{spec.label} is missing")
            return None
        try:
            return spec.read(self.values[key])
        except InputFault as error:
            self.faults += [Fault(key, f.what, f.repair) for f in error.faults]
            return None

    def moment(self, key: str, path: str) -> dt.datetime | None:
        """The date and time typed into one field, or None when it is blank or faulty."""
        self.keys[path] = key
        if not self.text(key):
            return None
        try:
            return read_moment(self.text(key), self.localise)
        except InputFault as error:
            self.faults += [Fault(key, f.what, f.repair) for f in error.faults]
            return None

    def record(self, sheet: str, revision: int, only_test: str) -> Draft:
        created = self.created
        made: dict[str, Any] = {
            "schema": SCHEMA,
            "id": self.text("record.id") or sheet,
            "revision": revision,
            "created": created.isoformat(),
        }
        if self.text("demonstration") == "yes":
            made["demonstration"] = True
        for spec in SINGLE:
            if not spec.name.startswith("people."):
                self.place(made, spec)
        opened = self.moment("order.opened", "order.opened") or created
        made.setdefault("order", {})["opened"] = opened.isoformat()
        if self.fill:
            made["order"].setdefault("number", "-")
            made.setdefault("vehicle", {}).setdefault("system_voltage", "12")
            circuit = made.setdefault("circuit", {})
            circuit.setdefault("name", "-")
            circuit.setdefault("class", "ordinary")
        if "coverage" in made and "policy" not in made["coverage"]:
            if not self.fill:
                self.add("coverage.policy", "Warranty policy is missing", "or leave its dates and distance blank")
            del made["coverage"]
        made["people"] = self.people()
        made["instruments"] = self.instruments()
        made["tests"] = self.tests(only_test)
        for kind in ("codes", "parts", "findings"):
            made[kind] = self.listed(kind)
        made["cautions_shown"] = self.cautions()
        used = {t["procedure"] for t in made["tests"]}
        made["procedures"] = {p: dict(self.library.procedures[p].plain) for p in sorted(used)}
        meters = {i["meter"] for i in made["instruments"]}
        made["meters"] = {m: dict(self.library.meters[m].plain) for m in sorted(meters)}
        return Draft(made, tuple(self.faults), MappingProxyType(self.keys))

    def place(self, plain: dict[str, Any], spec: Field) -> None:
        value = self.read(spec, spec.name, spec.name)
        if value is None:
            return
        part, _, name = spec.name.partition(".")
        if name:
            plain.setdefault(part, {})[name] = value
        else:
            plain[part] = value

    def people(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for person in ("technician", "reviewer"):
            place = f"people[{len(found)}]"
            self.keys[place] = self.keys[f"{place}.name"] = f"people.{person}.name"
            name = read_text(self.text(f"people.{person}.name"))
            if not name and person == "technician":
                if not self.fill:
                    self.add("people.technician.name", "Technician is missing")
                name = "-"
            if not name:
                continue
            entry = {"id": person, "name": name, "role": person}
            qualification = read_text(self.text(f"people.{person}.qualification"))
            found.append(entry | ({"qualification": qualification} if qualification else {}))
        return found

    def instruments(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for name in items(self.values, "instruments"):
            meter = self.text(f"instruments.{name}.meter")
            if meter not in self.library.meters:
                self.add(f"instruments.{name}.meter", "Accuracy sheet is missing", "choose the type of the instrument")
                continue
            place = f"instruments[{len(found)}]"
            entry = self.item("instruments", name, place)
            self.keys[place] = f"instruments.{name}.due"
            found.append({"id": name, "meter": meter, "serial": "-", **entry})
        return found

    def item(self, kind: str, name: str, place: str) -> dict[str, Any]:
        self.keys[place] = f"{kind}.{name}.{ITEMS[kind][0].name}"
        entry = {}
        for spec in ITEMS[kind]:
            value = self.read(spec, f"{kind}.{name}.{spec.name}", f"{place}.{spec.name}")
            if value is not None:
                entry[spec.name] = value
        return entry

    def listed(self, kind: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for name in items(self.values, kind):
            entry = self.item(kind, name, f"{kind}[{len(found)}]")
            if kind == "findings":
                known = self.known_tests()
                shown = [
                    t
                    for t in items(self.values, "tests")
                    if t in known and self.text(f"findings.{name}.shows.{t}") == "yes"
                ]
                entry["tests"] = shown
            if all(spec.name in entry for spec in ITEMS[kind] if spec.needed):
                found.append(entry)
        return found

    def cautions(self) -> list[dict[str, Any]]:
        shown = []
        for key in self.values:
            if key.startswith("cautions.") and self.values[key]:
                time = self.time_of(key)
                if time is not None:
                    shown.append({"id": key.partition(".")[2], "time": time.isoformat(), "to": "technician"})
        return shown

    # -- tests -------------------------------------------------------------------------------------------

    def tests(self, only: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        names = [n for n in items(self.values, "tests") if only in ("", n)]
        for name in names:
            procedure = self.library.procedures.get(self.text(f"tests.{name}.procedure"))
            if procedure is None:
                self.add(
                    f"tests.{name}.procedure", "this procedure is not on file here", "remove the test, or add the file"
                )
                continue
            found.append(self.test(name, procedure, f"tests[{len(found)}]", self.known_tests() & set(names)))
        return found

    def known_tests(self) -> set[str]:
        """The tests whose procedure is on file: only these get into the record, so only these can be named in it."""
        every = items(self.values, "tests")
        return {t for t in every if self.text(f"tests.{t}.procedure") in self.library.procedures}

    def test(self, name: str, procedure: Procedure, place: str, names: set[str]) -> dict[str, Any]:
        base = f"tests.{name}"
        self.keys[place] = f"{base}.procedure"
        stated = self.moment(f"{base}.time", f"{place}.time")
        readings = self.readings(name, procedure, place, stated)
        entry: dict[str, Any] = {
            "id": name,
            "procedure": procedure.id,
            "phase": self.text(f"{base}.phase") or "as found",
            "time": (stated or self.test_time(name)).isoformat(),
            "by": "technician",
            "readings": readings,
            "given": self.givens(name, procedure, place),
            "limits": self.limits(name, procedure, place),
            "conditions_met": [
                text for i, text in enumerate(procedure.conditions) if self.text(f"{base}.conditions.{i}") == "yes"
            ],
        }
        ambient = self.read(Field("ambient_degc", "Ambient temperature", read=read_decimal("°C")), f"{base}.ambient_degc", f"{place}.ambient_degc")  # fmt: skip
        if ambient is not None:
            entry["ambient_degc"] = ambient
        for part in ("deviations", "note"):
            if self.text(f"{base}.{part}"):
                entry[part] = self.text(f"{base}.{part}")
        repeated = self.text(f"{base}.repeats_test")
        if repeated in names:
            entry["repeats_test"] = repeated
        return entry

    def test_time(self, name: str) -> dt.datetime:
        times = [t for k in self.values if k.startswith(f"tests.{name}.readings.") and (t := self.time_of(k))]
        return max(times, default=None) or self.time_of(f"tests.{name}.procedure") or self.created

    def readings(self, test: str, procedure: Procedure, place: str, stated: dt.datetime | None) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for spec in procedure.readings:
            key = f"tests.{test}.readings.{spec.name}"
            parts = split_repeats(self.text(key))
            here = f"{place}.readings[{len(found)}]"
            if not parts:
                continue
            try:
                read_indications(self.text(key), spec)
            except InputFault as error:
                self.faults += [Fault(key, f"{spec.title}: {f.where} {f.what}", f.repair) for f in error.faults]
                continue
            instrument = instrument_for(self.values, self.library, test, spec)
            if not instrument:
                self.add(key, f"no instrument on this sheet measures {spec.function}", "add it at the step Instruments")
                continue
            self.keys[here] = key
            entry: dict[str, Any] = {
                "name": spec.name,
                "texts": [as_displayed(part, spec) for part in parts],
                "instrument": instrument,
                "function": spec.function,
            }
            start, _, end = spec.points.partition(" to ")
            for part, usual in (("range", ""), ("from_point", start), ("to_point", end)):
                text = read_text(self.text(f"{key}.{part}")) or usual
                if text:
                    entry[part] = text
            if spec.load_state:
                entry["load_state"] = spec.load_state
            # When the test's time is stated, its readings were taken then, not when they were typed in.
            time = stated or self.time_of(key)
            if time is not None:
                entry["time"] = time.isoformat()
            found.append(entry)
        return found

    def givens(self, test: str, procedure: Procedure, place: str) -> dict[str, Any]:
        found = {}
        for spec in procedure.givens:
            key = f"tests.{test}.given.{spec.name}"
            if not self.text(key):
                continue
            value = self.read(
                Field(spec.name, spec.title, read=read_quantity(spec.unit)), key, f"{place}.given.{spec.name}"
            )
            if value is None:
                continue
            source = read_text(self.text(f"{key}.source"))
            if not source and not self.fill:
                self.add(
                    f"{key}.source",
                    f"{spec.title}: say where the value comes from",
                    "label, data sheet, wiring diagram",
                )
            width = self.half_width(spec, key, f"{place}.given.{spec.name}.half_width", value["unit"])
            found[spec.name] = {**value, "source": source or "-", **({"half_width": width} if width else {})}
        return found

    def half_width(self, spec: GivenSpec, key: str, path: str, symbol: str) -> str:
        """The half-width of a given value in its own unit: the one typed, else the procedure's; blank when none."""
        typed = self.read(Field("", f"± of {spec.title}", read=read_half_width(spec.unit)), f"{key}.half_width", path)
        width = typed or spec.half_width
        if not width or symbol == spec.unit:
            return width or ""
        ratio = Decimal(repr(unit(spec.unit).factor)) / Decimal(repr(unit(symbol).factor))
        return plain(round(Decimal(width) * ratio, 9).normalize())

    def limits(self, test: str, procedure: Procedure, place: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for spec in procedure.derived:
            key = f"tests.{test}.limits.{spec.name}"
            own = procedure.limit_for(spec.name)
            if not (own and own.required) and self.text(f"{key}.use") != "own":
                continue
            here = f"{place}.limits[{len(found)}]"
            symbol = own.unit if own else spec.unit
            self.keys[here] = f"{key}.upper"
            entry: dict[str, Any] = {"result": spec.name, "unit": symbol, "entered_by": "technician"}
            for side in ("lower", "upper"):
                value = self.read(
                    Field(side, f"{side} limit", read=read_decimal(symbol)), f"{key}.{side}", f"{here}.{side}"
                )
                if value is not None:
                    entry[side] = value
            for part in ("source", "edition", "condition"):
                self.keys[f"{here}.{part}"] = f"{key}.{part}"
                if self.text(f"{key}.{part}"):
                    entry[part] = read_text(self.text(f"{key}.{part}"))
            if "lower" not in entry and "upper" not in entry:
                if not self.fill and self.text(f"{key}.use") == "own":
                    self.add(
                        f"{key}.upper", f"{spec.title}: the limit has no value", "or use the procedure's own limit"
                    )
                continue
            if len(entry.get("source", "")) < 3:
                if not self.fill:
                    self.add(
                        f"{key}.source", f"{spec.title}: say where the limit comes from", "document, edition, page"
                    )
                    continue
                entry["source"] = "not stated yet"
            found.append(entry)
        return found
