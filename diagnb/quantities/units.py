"""Units of measurement. The only file that knows pint.

Everything behind the doors works in coherent SI units; a :class:`Unit` says how a symbol gets there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any

from diagnb.errors import fault

Dimension = tuple[tuple[str, float], ...]
"""Exponents of the SI base dimensions, sorted by name; empty for a pure number."""

_SPELLINGS = {
    "Ω": "ohm", "mΩ": "mohm", "kΩ": "kohm", "MΩ": "Mohm", "µΩ": "uohm",
    "°C": "degC", "°F": "degF", "Ah": "A*h", "A·h": "A*h", "mAh": "mA*h", "A*h": "A*h",
    "%": "percent", "1": "", "d": "day", "h": "hour", "min": "minute", "Ω/km": "ohm/km", "mΩ/m": "mohm/m",
    "µV": "uV", "µA": "uA", "mm²": "mm**2", "Ω/V": "ohm/V", "rpm": "turn/minute", "mi": "mile", "in": "inch",
}  # fmt: skip

_FACTOR = r"[A-Za-z_Ωµ°%]{1,30}(?:[²³]|(?:\*\*|\^)-?[1-9])?"
_SYMBOL = re.compile(rf"(?:1/)?{_FACTOR}(?: ?[*·/] ?{_FACTOR}){{0,5}}")
"""What a unit may look like. pint evaluates whatever it is given, so "V**9**9**9" would never come back."""


def normalise_symbols(text: str) -> str:
    """One code point for each sign: ohm U+03A9, micro U+00B5, minus '-', ordinary blanks.

    NFKC is not used: it turns the micro sign into a Greek mu and the ohm sign into an omega in a way that
    differs between the two.
    """
    return (
        text.replace("\u2126", "\u03a9")
        .replace("\u03bc", "\u00b5")
        .replace("\u2212", "-")
        .replace("\u00a0", " ")
        .replace("\u202f", " ")
        .replace("\u2009", " ")
    )


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: ``si = value * factor + offset`` in the coherent SI unit of ``dimension``."""

    symbol: str
    factor: float
    offset: float
    dimension: Dimension

    def to_si(self, value: Any) -> Any:
        """``value`` (number or array) in this unit → coherent SI."""
        return value * self.factor + self.offset

    def from_si(self, value: Any) -> Any:
        """Coherent SI → this unit."""
        return (value - self.offset) / self.factor

    def exact_to_si(self, value: Decimal) -> float:
        """As :meth:`to_si`, from a decimal, so that 12.60 V stays the float nearest to 12.60."""
        return float(value * Decimal(repr(self.factor)) + Decimal(repr(self.offset)))


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@lru_cache(maxsize=512)
def unit(symbol: str) -> Unit:
    """The unit with this symbol ("mV", "kΩ", "°C", "A·h", "d", "%", "1").

    Raises :class:`~diagnb.errors.InputFault` when nobody knows the symbol.
    """
    import pint

    text = normalise_symbols(symbol).strip()
    spelling = _SPELLINGS.get(text, text.replace("·", "*").replace("Ω", "ohm").replace("µ", "u").replace("²", "**2"))
    registry = _registry()
    try:
        if spelling and not _SYMBOL.fullmatch(text):
            raise ValueError("not a unit")  # noqa: TRY301
        parsed = registry.parse_units(spelling) if spelling else registry.dimensionless
        at_zero = registry.Quantity(0.0, parsed).to_base_units()
        at_one = registry.Quantity(1.0, parsed).to_base_units()
        root = registry.get_dimensionality(parsed)
    except (pint.PintError, ValueError, AttributeError, TypeError, KeyError, AssertionError, ArithmeticError) as error:
        raise fault(repr(symbol), "not a unit", "write it as on the meter: V, mV, A, mA, Ω, kΩ, °C, A·h, s") from error
    # pint's base units are the SI base units but for the gram; volts are kg·m²/(A·s³), so only the factor needs it.
    mass = float(root.get("[mass]", 0))
    scale = 1000.0 ** (-mass) if str(at_one.units).find("kilogram") < 0 else 1.0
    offset = _clean(float(at_zero.magnitude) * scale)
    factor = _clean((float(at_one.magnitude) - float(at_zero.magnitude)) * scale)
    dimension = tuple(sorted((name.strip("[]"), float(power)) for name, power in root.items() if power))
    return Unit(text, factor, offset, dimension)


def _clean(value: float) -> float:
    return float(f"{value:.12g}")


def convert(value: Any, from_symbol: str, to_symbol: str) -> Any:
    """``value`` (number or array) from one unit to another of the same dimension.

    Raises :class:`~diagnb.errors.InputFault` when the dimensions differ.
    """
    source, target = unit(from_symbol), unit(to_symbol)
    if source.dimension != target.dimension:
        raise fault(from_symbol, f"can't be expressed in {to_symbol}", "the two measure different things")
    return target.from_si(source.to_si(value))


def difference_unit(symbol: str) -> str:
    """The unit of a difference of two values in ``symbol``: kelvin for temperatures, else the same."""
    return "K" if unit(symbol).offset else symbol
