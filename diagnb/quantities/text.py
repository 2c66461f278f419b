"""Typed readings: what a person writes from a meter's display, digits kept."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Literal

from diagnb.errors import InputFault, fault
from diagnb.quantities.units import Unit, normalise_symbols, unit
from diagnb.quantities.units import unit as find_unit

Kind = Literal["number", "over range", "not stable"]

_OVER_RANGE = re.compile(r"^[+-]?\.?[0O]\.?L\.?D?$|^OVERLOAD$|^OVER RANGE$|^OPEN$", re.IGNORECASE)
_NOT_STABLE = re.compile(r"^(not stable|unstable|drifting|~)$", re.IGNORECASE)
_NUMBER = re.compile(r"^(?P<sign>[+-]?)\s*(?P<digits>\d+(?:[.,]\d*)?|[.,]\d+)\s*(?P<unit>[^\d\s.,+-].*)?$")
_INFIX = re.compile(r"^(?P<sign>[+-]?)(?P<whole>\d+)(?P<prefix>[kM])(?P<part>\d+)\s*(?P<unit>.*)$")
_PREFIXES = ("m", "k", "M", "µ", "u", "n", "G")
_CASE = {"v": "V", "a": "A", "mv": "mV", "ma": "mA", "kohm": "kΩ", "ohm": "Ω", "ohms": "Ω", "mohm": "mΩ", "mohms": "mΩ",
         "Mohms": "MΩ", "Mohm": "MΩ", "ua": "µA", "uv": "µV", "uA": "µA", "uV": "µV", "uΩ": "µΩ", "c": "°C", "f": "°F", "degc": "°C",
         "degf": "°F", "C": "°C", "F": "°F", "hz": "Hz", "khz": "kHz", "kHz": "kHz", "w": "W", "K": "K", "ah": "A·h",
         "Ah": "A·h", "kω": "kΩ"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Indication:
    """One display: kind, number with its digits, step of the last digit, unit.

    ``number`` and ``step`` are in ``unit``, ``value`` and ``step_si`` in coherent SI. For an over-range or
    unstable display ``number`` and ``step`` are None, the other two not a number; a display such as "> 2000 MΩ" is
    over range with that ``value``.
    """

    text: str
    kind: Kind
    number: Decimal | None
    step: Decimal | None
    unit: str
    value: float = math.nan
    step_si: float = math.nan

    @property
    def symbol(self) -> Unit:
        """The unit, resolved."""
        return unit(self.unit)

    def __str__(self) -> str:
        if self.number is None:
            over = "OL" if math.isnan(self.value) else normalise_symbols(self.text).strip()
            return over if self.kind == "over range" else "not stable"
        return f"{self.number} {self.unit}"


@lru_cache(maxsize=4096)
def parse_indication(text: str, *, unit: str) -> Indication:
    """Read ``text`` as shown on a meter. A lone number takes ``unit``; a prefix alone scales it ("350m").

    Accepts a decimal comma, either ohm or micro sign, "1.2 kΩ", "4k7", "OL", "> 2000 MΩ". Refuses thousands marks
    ("1,234.5"), a unit of another dimension, and anything else that isn't plainly one reading.
    Raises :class:`~diagnb.errors.InputFault` with the repair.
    """
    raw = normalise_symbols(text).strip()
    if not raw:
        raise fault("reading", "is empty", "type what the display shows, or leave the row out")
    head = raw.split(" ")[0]
    if _OVER_RANGE.match(raw) or (_OVER_RANGE.match(head) and _is_unit(raw[len(head) :], unit)):
        return Indication(text, "over range", None, None, _unit_of(raw[len(head) :], unit) if head != raw else unit)
    if raw[0] in ">≥":
        beyond = parse_indication(raw[1:], unit=unit)
        if beyond.kind != "number" or beyond.value < 0:
            raise fault(repr(text), "is not one reading", "type it as displayed, for example > 2000 MΩ")
        return Indication(text, "over range", None, None, beyond.unit, beyond.value)
    if _NOT_STABLE.match(raw):
        return Indication(text, "not stable", None, None, unit)
    infix = _INFIX.match(raw)
    if infix:
        raw = f"{infix['sign']}{infix['whole']}.{infix['part']} {infix['prefix']}{infix['unit'] or unit}"
    match = _NUMBER.match(raw)
    if not match:
        marks = sum(raw.count(mark) for mark in ".,")
        hint = (
            "use one decimal mark and no thousands marks" if marks > 1 else "type it as displayed, for example 12.60 V"
        )
        raise fault(repr(text), "is not one reading", hint)
    digits = match["digits"].replace(",", ".")
    number = Decimal(match["sign"] + (digits if not digits.startswith(".") else "0" + digits).rstrip("."))
    places = len(digits.partition(".")[2])
    symbol = _unit_of(match["unit"] or "", unit)
    step = Decimal(1).scaleb(-places)
    scale = find_unit(symbol)
    step_si = float(step * Decimal(repr(scale.factor)))
    return Indication(text, "number", number, step, symbol, scale.exact_to_si(number), step_si)


def _unit_of(tail: str, default: str) -> str:
    symbol = tail.strip()
    if not symbol:
        return default
    wanted = unit(default)
    folded = symbol if symbol.startswith("M") else symbol.lower()
    candidates = [_CASE.get(symbol, _CASE.get(folded, symbol)), symbol]
    if symbol in _PREFIXES and symbol != default:
        candidates = [symbol.replace("u", "µ") + default]
    if symbol == "F" and wanted.symbol == "F":
        candidates = ["F"]
    for candidate in candidates:
        try:
            found = unit(candidate)
        except InputFault:
            continue
        if found.dimension == wanted.dimension:
            return found.symbol
    try:
        unit(candidates[-1])
    except InputFault:
        raise fault(repr(tail.strip()), "is not a unit", f"this reading is taken in {default}") from None
    raise fault(repr(tail.strip()), "is the wrong kind of unit", f"this reading is taken in {default}")


def _is_unit(tail: str, default: str) -> bool:
    try:
        _unit_of(tail, default)
    except InputFault:
        return False
    return True
