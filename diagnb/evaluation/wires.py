"""The resistance that a wire should have, from its size, length and temperature as stated."""

from __future__ import annotations

import math

from diagnb.record.document import Wire
from diagnb.uncertainty import Component, Estimate

LENGTH_SHARE = 0.05
"""Half-width of a wire's length where none is stated: 5 %."""
TEMPERATURE_HALF_WIDTH_K = 10.0
"""Half-width of a conductor's temperature where none is stated."""
LAY_SHARE = 0.10
"""A cable has up to so much more resistance than solid copper of its size: strands lie at an angle, and standards
allow a smaller area (ISO 6722-1 allows 5 % to 10 %, from memory). The middle is taken, the rest is a rectangle."""
_ROOT_THREE = math.sqrt(3)


def wire_resistance(wire: Wire, name: str) -> Estimate:
    """Resistance of a copper wire from its size, length and temperature, in ohms, its sources named after ``name``.

    Copper by :mod:`diagnb.trade.conductors`, plus 0 % to 10 % for the lay of the strands (:data:`LAY_SHARE`).
    """
    from diagnb.trade.conductors import (
        gauge_number,
        resistance_per_metre_from_area,
        resistance_per_metre_from_gauge,
    )

    def per_metre(degc: float) -> float:
        if wire.awg is not None:
            return float(resistance_per_metre_from_gauge(gauge=gauge_number(text=wire.awg), temperature_degc=degc))
        return float(resistance_per_metre_from_area(area=float(wire.area_mm2 or 0) * 1e-6, temperature_degc=degc))

    length, degc = float(wire.length_m), float(wire.conductor_degc)
    length_half = LENGTH_SHARE * length if wire.length_half_width_m is None else float(wire.length_half_width_m)
    kelvin = TEMPERATURE_HALF_WIDTH_K if wire.temperature_half_width_k is None else float(wire.temperature_half_width_k)
    solid = per_metre(degc) * length
    value = solid * (1 + LAY_SHARE / 2)
    warmer = (per_metre(degc + kelvin) - per_metre(degc - kelvin)) / 2 * length * (1 + LAY_SHARE / 2)
    parts = (
        ("lay of the strands", solid * LAY_SHARE / 2),
        ("length of the wire", value * length_half / length),
        ("temperature of the wire", warmer),
    )
    return Estimate.of(
        value,
        [Component(f"{name}: {what}", half / _ROOT_THREE, distribution="rectangular") for what, half in parts if half],
    )
