"""The fields of the sheet outside the tests: key, label, where each goes in the record, how its text is read.

Keys are dotted (``vehicle.vin``, ``parts.p1.number``); a list's items have ids in place of numbers, so that
removing one never renames another.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from diagnb.errors import fault
from diagnb.quantities import parse_indication
from diagnb.quantities.units import normalise_symbols

Kind = Literal["text", "lines", "choice"]
Reader = Callable[[str], Any]

NAMES: Mapping[str, str] = MappingProxyType(
    {"instruments": "m", "tests": "t", "parts": "p", "findings": "f", "codes": "c", "attachments": "a", "people": ""}
)
"""The lists of a sheet and the letter their items' ids begin with."""


def read_vin(text: str) -> str:
    """A VIN as it is kept: capitals, no blanks. The letter I that some bar codes put before it is no part of it."""
    plain = "".join(text.split()).upper()
    return plain[1:] if len(plain) == 18 and plain.startswith("I") else plain


def read_text(text: str) -> str:
    """One line as it is, without blanks around it."""
    return " ".join(text.split())


def read_lines(text: str) -> str:
    """Several lines as they are, without blank ends."""
    return text.strip()


def read_date(text: str) -> str:
    """A date as ISO 8601. Other orders are refused: 3.5. and 5/3 are read differently in different places."""
    found = re.fullmatch(r"(\d{4})[-./ ](\d{1,2})[-./ ](\d{1,2})", text.strip())
    try:
        return dt.date(*map(int, found.groups())).isoformat() if found else _no_date()
    except ValueError:
        return _no_date()


def _no_date() -> str:
    raise fault("", "is not a date", "year-month-day, for example 2026-03-05")


def read_year(text: str) -> int:
    """A model year."""
    if not re.fullmatch(r"\d{4}", text.strip()):
        raise fault("", "is not a year", "four digits, for example 2021")
    return int(text)


def read_quantity(default: str) -> Reader:
    """A number with its unit, digits kept; a lone number takes ``default``."""

    def read(text: str) -> dict[str, str]:
        joined = re.sub(r"(?<=\d)[\s']+(?=\d{3}(\D|$))", "", normalise_symbols(text).strip())
        found = parse_indication(joined, unit=default)
        if found.number is None:
            raise fault("", "is not a number", f"for example 183412 {default}")
        return {"value": f"{found.number:f}", "unit": found.unit}

    return read


_THREE_AFTER_A_MARK = re.compile(r"[+]?([1-9]\d{0,2})([.,])(\d{3})(?!\d)")


def read_total(default: str) -> Reader:
    """A count that runs into the thousands (odometer, engine hours): as :func:`read_quantity`.

    Three digits after one mark are asked about: 212,400 and 212.400 are a thousands mark to one reader and a
    decimal mark to another.
    """
    read = read_quantity(default)

    def read_asking(text: str) -> dict[str, str]:
        found = _THREE_AFTER_A_MARK.match(text.strip())
        if found:
            whole, _, rest = found.groups()
            raise fault(
                "",
                f"{found.group()} can be read in two ways",
                f"write it without a thousands mark: {whole}{rest} (or, with a decimal, {whole}.{rest.rstrip('0') or '0'})",
            )
        total: dict[str, str] = read(text)
        return total

    return read_asking


def read_moment(text: str, localise: Callable[[dt.datetime], dt.datetime]) -> dt.datetime:
    """A date with its time of day, as "2026-03-02 09:05" or with an offset; without one ``localise`` gives the zone."""
    found = re.fullmatch(
        r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})[ T,]+(\d{1,2})[:.](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*(Z|(?:UTC)?[+-]\d{2}:?\d{2})?",
        text.strip(),
    )
    said = fault("", "is not a date with a time", "year-month-day hour:minute, for example 2026-03-02 09:05")
    if not found:
        raise said
    year, month, day, hour, minute, second, offset = found.groups()
    plain = f"{year}-{int(month):02}-{int(day):02}T{int(hour):02}:{minute}:{second or '00'}"
    try:
        moment = dt.datetime.fromisoformat(plain + (offset or "").removeprefix("UTC"))
        return moment if offset else localise(moment)
    except (ValueError, OverflowError, OSError):
        raise said from None


def say_moment(moment: dt.datetime, *, seconds: bool = False) -> str:
    """A moment as people read it and as :func:`read_moment` takes it, with its offset from UTC."""
    offset = moment.isoformat()[-6:] if moment.utcoffset() is not None else ""
    return f"{moment:%Y-%m-%d %H:%M:%S}{offset}" if seconds else f"{moment:%Y-%m-%d %H:%M} UTC{offset}"


def read_decimal(unit: str) -> Reader:
    """A number in ``unit``, digits kept, as text."""

    def read(text: str) -> str:
        found = parse_indication(text, unit=unit)
        if found.number is None:
            raise fault("", "is not a number", f"for example 21 {unit}")
        if found.unit != unit:
            raise fault("", f"is in {found.unit}", f"give it in {unit}")
        return f"{found.number:f}"

    return read


def read_half_width(unit: str) -> Reader:
    """The half-width of a value in ``unit``: above zero, written with or without ±."""
    read = read_decimal(unit)

    def read_positive(text: str) -> str:
        width: str = read(text.strip().removeprefix("±").removeprefix("+/-"))
        if float(width) <= 0:
            raise fault("", "is not above zero", f"for example 0.5 {unit}")
        return width

    return read_positive


def read_yes(text: str) -> bool:
    """A yes-or-no choice."""
    return text == "yes"


@dataclass(frozen=True, slots=True)
class Field:
    """One field: ``name`` within its part of the sheet, and how its text becomes a value of the record."""

    name: str
    label: str
    kind: Kind = "text"
    needed: bool = False
    claim: bool = False
    """Whether a warranty claim is rejected while it is blank."""
    hint: str = ""
    options: tuple[tuple[str, str], ...] = ()
    read: Reader = read_text
    keyboard: str = ""


def _choice(*values: str, blank: str = "choose") -> tuple[tuple[str, str], ...]:
    return (("", blank), *((value, value) for value in values))


VEHICLE = (
    Field("vehicle.vin", "VIN", claim=True, read=read_vin, hint="17 characters; of other machines the product identification"),
    Field("vehicle.unit", "Unit number"),
    Field("vehicle.description", "Vehicle", hint="type, body, engine"),
    Field("vehicle.model_year", "Model year", read=read_year, keyboard="numeric"),
    Field("vehicle.odometer", "Odometer", claim=True, read=read_total("km"), keyboard="decimal", hint="km unless you write mi"),
    Field("vehicle.engine_hours", "Engine hours", read=read_total("h"), keyboard="decimal"),
    Field("vehicle.in_service", "In service since", read=read_date, hint="year-month-day"),
    Field("vehicle.system_voltage", "System voltage", kind="choice", needed=True, options=(("", "choose"), ("12", "12 V"), ("24", "24 V"), ("48", "48 V"))),
)  # fmt: skip

ORDER = (
    Field("order.number", "Repair order", needed=True),
    Field("order.site", "Site", hint="workshop or depot"),
    Field("order.customer", "Customer"),
)

OPENED = Field("order.opened", "Repair order opened", hint="year-month-day hour:minute, local time")
"""When the job was opened; its text is read with :func:`read_moment`."""

COVERAGE = (
    Field("coverage.policy", "Warranty policy", hint="as the customer states it"),
    Field("coverage.begins", "Coverage begins", read=read_date, hint="year-month-day"),
    Field("coverage.ends", "Coverage ends", read=read_date, hint="year-month-day"),
    Field("coverage.distance_limit", "Distance limit", read=read_total("km"), keyboard="decimal"),
)

COMPLAINT = (
    Field("complaint", "Complaint", kind="lines", needed=True, read=read_lines, hint="the driver's own words: when, where, how often"),
)  # fmt: skip

CIRCUIT = (
    Field("circuit.name", "Circuit", needed=True, hint="for example: left low beam, feed side"),
    Field("circuit.class", "Circuit class", kind="choice", needed=True, options=(
        ("", "choose"), ("ordinary", "ordinary"), ("control module or data network", "control module or data network"),
        ("restraint", "restraint (airbag, belt pretensioner)"), ("high voltage", "high voltage"))),
    Field("circuit.description", "Path of the circuit", kind="lines", read=read_lines, hint="source, fuse, switch, connectors, load, ground"),
)  # fmt: skip

CONDITIONS = (
    Field("conditions.ambient_degc", "Ambient temperature", read=read_decimal("°C"), keyboard="decimal", hint="°C; where it is missing, the instrument's whole operating range is assumed"),
    Field("conditions.note", "Conditions", kind="lines", read=read_lines, hint="wet, vibration, battery state, engine"),
)  # fmt: skip

PEOPLE = (
    Field("people.technician.name", "Technician", needed=True),
    Field("people.technician.qualification", "Qualification"),
    Field("people.reviewer.name", "Reviewer", hint="the second person, if there is one"),
    Field("people.reviewer.qualification", "Reviewer's qualification"),
)

QUALIFIED = (
    Field(
        "people.qualified.name", "Qualified person", hint="named before anything above 60 V DC or 30 V AC is measured"
    ),
    Field("people.qualified.qualification", "Their qualification", hint="licence, course, number"),
)

REPAIR = (
    Field("cause", "Cause", kind="lines", claim=True, read=read_lines, hint="component, location, mechanism"),
    Field("correction", "Correction", kind="lines", claim=True, read=read_lines, hint="what was done, with what"),
)

INSTRUMENT = (
    Field("serial", "Serial number", needed=True),
    Field("calibrated", "Calibrated on", read=read_date, hint="year-month-day"),
    Field("due", "Calibration due", needed=True, read=read_date, hint="year-month-day"),
    Field("certificate", "Calibration certificate"),
    Field("checks", "Checked today", hint="leads open, leads shorted, known source"),
)

PART = (
    Field("action", "Removed or installed", kind="choice", needed=True, options=_choice("removed", "installed")),
    Field("number", "Part number", needed=True),
    Field("description", "Part", needed=True),
    Field("serial", "Serial number"),
    Field("lot", "Lot or date code"),
    Field("causal", "Causal part", kind="choice", read=read_yes, options=(("", "no"), ("yes", "yes"))),
    Field("kept_at", "Kept at"),
)

CODE = (
    Field("text", "Fault code", needed=True, hint="as displayed"),
    Field("meaning", "Meaning"),
    Field("status", "Status"),
    Field("phase", "Read", kind="choice", needed=True, options=_choice("as found", "isolating", "as left")),
)

FINDING = (
    Field("text", "Finding", kind="lines", needed=True, read=read_lines, hint="what the readings show"),
    Field("opinion", "This is", kind="choice", read=read_yes, options=(("", "shown by the readings"), ("yes", "an opinion"))),
)  # fmt: skip

SINGLE = (*ORDER, *VEHICLE, *COVERAGE, *COMPLAINT, *CIRCUIT, *CONDITIONS, *PEOPLE, *QUALIFIED, *REPAIR)
"""The fields that stand once on a sheet."""

ITEMS: Mapping[str, tuple[Field, ...]] = MappingProxyType(
    {"instruments": INSTRUMENT, "parts": PART, "codes": CODE, "findings": FINDING}
)
"""The fields of each item of a list."""


def items(values: Mapping[str, str], kind: str) -> tuple[str, ...]:
    """Ids of the items of one list, oldest first, without those removed."""
    start = f"{kind}."
    found = dict.fromkeys(key.split(".", 2)[1] for key in values if key.startswith(start) and key.count(".") > 1)
    return tuple(name for name in found if values.get(f"{kind}.{name}.removed") != "yes")


def next_item(values: Mapping[str, str], kind: str) -> str:
    """An id that no item of this list has or had."""
    letter = NAMES[kind]
    used = {key.split(".")[1] for key in values if key.startswith(f"{kind}.")}
    number = 1
    while f"{letter}{number}" in used:
        number += 1
    return f"{letter}{number}"
