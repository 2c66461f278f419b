"""The tests of a sheet in the shape of the record: readings, given values, limits."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from diagnb.errors import Fault, InputFault
from diagnb.forms.attached import reading_from_trace
from diagnb.forms.entries import (
    Entries,
    as_displayed,
    instrument_for,
    is_source,
    made_at,
    read_indications,
    split_repeats,
)
from diagnb.forms.entries_of_path import path_of
from diagnb.forms.fields import Field, items, read_decimal, read_half_width, read_quantity, read_text
from diagnb.procedures import GivenSpec, Procedure
from diagnb.quantities import plain, unit


class EntriesOfTests(Entries):
    """Adds the tests to what :class:`Entries` reads."""

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
        is_path = procedure.kind == "path"
        entry: dict[str, Any] = {
            "id": name,
            "procedure": procedure.id,
            "phase": self.text(f"{base}.phase") or "as found",
            "time": (stated or self.test_time(name)).isoformat(),
            "by": "technician",
            "readings": [] if is_path else self.readings(name, procedure, place, stated),
            "given": {} if is_path else self.givens(name, procedure, place),
            "limits": self.limits(name, procedure, place),
        }
        for answer, part in (("yes", "conditions_met"), ("no", "conditions_not_met")):
            entry[part] = [
                text for i, text in enumerate(procedure.conditions) if self.text(f"{base}.conditions.{i}") == answer
            ]
        ambient = self.read(Field("ambient_degc", "Ambient temperature", read=read_decimal("°C")), f"{base}.ambient_degc", f"{place}.ambient_degc")  # fmt: skip
        if ambient is not None:
            entry["ambient_degc"] = ambient
        for part in ("deviations", "note"):
            if self.text(f"{base}.{part}"):
                entry[part] = self.text(f"{base}.{part}")
        if is_path:
            entry["path"] = path_of(self, name, procedure, f"{place}.path")
        repeated = self.text(f"{base}.repeats_test")
        if repeated in names:
            entry["repeats_test"] = repeated
        return entry

    def test_time(self, name: str) -> dt.datetime:
        return made_at(self.values, name, self.begun) or self.created

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
            recorded = reading_from_trace(self.values, key, self.library)
            entry: dict[str, Any] = recorded or {
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
            time = stated or (self.test_time(test) if recorded else self.begun(key))
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
            if not is_source(source) and not self.fill:
                self.add(
                    f"{key}.source",
                    f"{spec.title}: say where the value comes from",
                    "read on the label, data sheet, wiring diagram, measured with",
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
            if not is_source(entry.get("source", "")):
                if not self.fill:
                    self.add(
                        f"{key}.source", f"{spec.title}: say where the limit comes from", "document, edition, page"
                    )
                    continue
                entry["source"] = "not stated yet"
            found.append(entry)
        return found
