"""Quantities: units, typed text in, rounded text out."""

from diagnb.quantities.rounding import plain, round_to, round_uncertainty, significant, value_with_uncertainty
from diagnb.quantities.text import Indication, parse_indication
from diagnb.quantities.units import Dimension, Unit, convert, difference_unit, unit

__all__ = [
    "Dimension",
    "Indication",
    "Unit",
    "convert",
    "difference_unit",
    "parse_indication",
    "plain",
    "round_to",
    "round_uncertainty",
    "significant",
    "unit",
    "value_with_uncertainty",
]
