"""Typed texts on their way into the record: read field by field, each fault kept at its field."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from diagnb.errors import Fault, InputFault
from diagnb.forms.fields import Field, items, read_moment
from diagnb.forms.library import Library
from diagnb.procedures import Procedure, ReadingSpec
from diagnb.quantities import Indication, parse_indication

_LONE_NUMBER = re.compile(r"^[+-]?\s*[\d.,]+$")


def split_repeats(text: str) -> tuple[str, ...]:
    """The single displays of a reading field: repeats stand between semicolons."""
    return tuple(part.strip() for part in text.split(";") if part.strip())


def read_indications(text: str, spec: ReadingSpec) -> tuple[Indication, ...]:
    """The displays typed into one reading field. Raises InputFault as the text stands."""
    return tuple(parse_indication(part, unit=spec.unit) for part in split_repeats(text))


def as_displayed(text: str, spec: ReadingSpec) -> str:
    """One display as the record keeps it: as typed; a lone number gets the unit that it was taken in."""
    return f"{text} {spec.unit}" if _LONE_NUMBER.match(text) else text


def is_lone_number(text: str) -> bool:
    """Whether a text is one number without a unit."""
    return bool(_LONE_NUMBER.match(text.strip()))


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


def which_fuse(procedure: Procedure, test: str) -> str:
    """The key of the field that says at which fuse a test was made; blank where its readings are not at one fuse."""
    at = next((r.name for r in procedure.readings if r.points.endswith(" of the fuse")), "")
    return f"tests.{test}.readings.{at}.to_point" if at else ""


_NO_SOURCE = frozenset(
    {"same", "the same", "ditto", "idem", "as above", "see above", "as before", "none", "unknown", "not known", "n/a", "na", "?", "???"}
)  # fmt: skip


def is_source(text: str) -> bool:
    """Whether a text can name where a figure comes from: three characters or more, and not "same"."""
    plain = " ".join(text.split())
    return len(plain) >= 3 and plain.casefold().strip(" .") not in _NO_SOURCE and any(c.isalnum() for c in plain)


def is_of_trace(values: Mapping[str, str], key: str) -> bool:
    """Whether a reading's text is the one that a recorded trace left there."""
    text = values.get(key, "").strip()
    return bool(text) and json.dumps(text, ensure_ascii=False) in values.get(f"{key}.trace", "")


def made_at(values: Mapping[str, str], test: str, begun: Callable[[str], dt.datetime | None]) -> dt.datetime | None:
    """When a test was made, as long as nobody states it: when its first reading was typed, else when it was added.

    A reading taken from a recorder is often put in after the repair, so it says nothing about the time of its test.
    """
    start = f"tests.{test}.readings."
    typed = [k for k in values if k.startswith(start) and k.count(".") == 3 and values[k].strip()]
    times = [t for k in typed if not is_of_trace(values, k) and (t := begun(k))]
    return min(times, default=None) or begun(f"tests.{test}.procedure")


class Entries:
    """The texts of one sheet, and what was found while they were read.

    ``faults`` name field keys; ``keys`` leads from a path in the record to the field where it is mended. ``fill``:
    a needed field that is still blank is no fault yet.
    """

    def __init__(
        self,
        values: Mapping[str, str],
        library: Library,
        time_of: Callable[[str], dt.datetime | None],
        begun: Callable[[str], dt.datetime | None],
        fill: bool,
        created: dt.datetime,
        localise: Callable[[dt.datetime], dt.datetime],
    ) -> None:
        self.localise = localise
        self.values, self.library, self.fill = values, library, fill
        self.time_of, self.begun = time_of, begun
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
