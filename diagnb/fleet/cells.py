"""How numbers about a fleet are written: a share never in powers of ten, a ratio without a unit."""

from __future__ import annotations

import math

SMALLEST_SHARE = 0.001
"""Below it a share or a probability is only said to be below it: no table of events knows it better."""


def number(value: float | None, digits: int = 4) -> str:
    """A number for a cell; a dash for none, words for no bound. A large one is written out."""
    if value is None:
        return "–"
    if math.isinf(value):
        return "no bound"
    if 10**digits <= abs(value) < 1e15:
        return f"{float(f'{value:.{digits}g}'):,.0f}"
    return f"{value:.{digits}g}"


def share(value: float | None, digits: int = 4) -> str:
    """A share, a probability or a ratio: ``0.31``, ``0``, and ``< 0.001`` for whatever is smaller but not nothing."""
    if value is not None and 0 < abs(value) < SMALLEST_SHARE:
        return f"< {SMALLEST_SHARE:g}" if value > 0 else f"> -{SMALLEST_SHARE:g}"
    return number(value, digits)


def probability(value: float | None, digits: int = 2) -> str:
    """What stands after p: ``= 0.03`` or ``< 0.001``; a dash for none."""
    text = share(value, digits)
    return text if value is None or text.startswith("<") else f"= {text}"


def in_unit(value: float | None, unit: str, digits: int = 4) -> str:
    """A number as its unit asks for: what has the unit 1 is a share or a ratio."""
    return share(value, digits) if unit == "1" else number(value, digits)


def span(lower: float | None, upper: float | None, unit: str, digits: int = 4, *, between: str = " to ") -> str:
    """``0.12 to 0.31``; a dash where there are no limits; once where both ends are below what is told apart."""
    if lower is None or upper is None:
        return "–"
    low, high = in_unit(lower, unit, digits), in_unit(upper, unit, digits)
    return high if low in ("0", high) and high.startswith("<") else f"{low}{between}{high}"


def unit_text(unit: str) -> str:
    """The unit as printed: a ratio has none."""
    return "" if unit == "1" else unit


def readable(value: float | None, unit: str) -> tuple[float, str]:
    """What to multiply a figure by, and the unit it is then in: a slope over use is told per 10,000 km."""
    small = value is not None and unit.endswith(" per km") and 0 < abs(value) < SMALLEST_SHARE
    return (1e4, f"{unit.removesuffix('km')}10,000 km") if small else (1.0, unit)


def amount(value: float | None) -> str:
    """A count of events or an exposure: whole from a thousand on, because nobody counts parts of a vehicle-month."""
    return f"{value:,.0f}" if value is not None and 1000 <= value < 1e15 else number(value)


def per(count: float, exposure_unit: str) -> str:
    """``per 1000 vehicle-months``, ``per vehicle-month``, ``per km``."""
    if count != 1:
        return f"per {count:g} {exposure_unit}"
    return f"per {exposure_unit[:-1] if exposure_unit.endswith('s') and len(exposure_unit) > 2 else exposure_unit}"


__all__ = [
    "SMALLEST_SHARE",
    "amount",
    "in_unit",
    "number",
    "per",
    "probability",
    "readable",
    "share",
    "span",
    "unit_text",
]
