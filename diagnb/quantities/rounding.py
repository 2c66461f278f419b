"""Rounding of results, JCGM 100 (GUM) 7.2.6: once, at output, in decimal arithmetic."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal

_ANY_FLOAT = Context(prec=800)
"""Enough digits for every float at every decimal place; the usual 28 are too few for 1e15 ± 1e-15."""


def round_uncertainty(uncertainty: float, *, digits: int = 2) -> Decimal:
    """``uncertainty`` to ``digits`` significant digits, upwards when ordinary rounding would lose over 2.5 %.

    GUM 7.2.6 rounds 10.47 mΩ up to 11 mΩ but 28.05 kHz down to 28 kHz; the bound lies between its two examples
    and is stricter than the 5 % that EA-4/02 6.3 allows (from memory). Raises ValueError on a negative or undefined value.
    """
    if not math.isfinite(uncertainty) or uncertainty < 0:
        raise ValueError(f"{uncertainty} is not an uncertainty")
    exact = Decimal(repr(float(uncertainty)))
    if not exact:
        return exact
    place = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    rounded = exact.quantize(place, rounding=ROUND_HALF_UP)
    if rounded < exact * Decimal("0.975"):
        rounded = exact.quantize(place, rounding=ROUND_CEILING)
    if rounded.adjusted() > exact.adjusted():
        rounded = rounded.quantize(place.scaleb(1))
    return rounded


def round_to(value: float, place: Decimal) -> Decimal:
    """``value`` to the decimal place of ``place``; never a negative zero."""
    rounded = Decimal(repr(float(value))).quantize(place, ROUND_HALF_EVEN, _ANY_FLOAT)
    return abs(rounded) if rounded == 0 else rounded


def value_with_uncertainty(value: float, expanded: float, *, digits: int = 2) -> tuple[str, str]:
    """The pair ("0.240", "0.008") of a value and its expanded uncertainty, in the same decimal place."""
    if not math.isfinite(value):
        raise ValueError(f"{value} can't be rounded")
    rounded = round_uncertainty(expanded, digits=digits)
    if rounded == 0:
        return plain(Decimal(repr(float(value)))), "0"
    return plain(round_to(value, Decimal(1).scaleb(rounded.as_tuple().exponent))), plain(rounded)  # type: ignore[arg-type]


def plain(number: Decimal) -> str:
    """``number`` without an exponent, trailing zeros kept."""
    return f"{number:f}"


def significant(value: float, digits: int = 4) -> str:
    """``value`` to so many significant digits, without an exponent, for numbers shown without an uncertainty."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    exact = Decimal(repr(float(value)))
    return plain(exact.quantize(Decimal(1).scaleb(exact.adjusted() - digits + 1), rounding=ROUND_HALF_EVEN))
