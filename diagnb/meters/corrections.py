"""Known corrections of a reading, each with its uncertainty. Estimates in, an estimate out, coherent SI."""

from __future__ import annotations

import math

from diagnb.uncertainty import Component, Estimate, propagate

RESISTANCE_TOLERANCE = 0.01
"""Half-width, relative, of a meter's nominal input resistance or burden where its sheet states no tolerance
(common practice)."""


def stated(value: float, *, half_width: float, name: str) -> Estimate:
    """A value known to ± ``half_width``, rectangular (JCGM 100, 4.3.7)."""
    return Estimate.of(value, (Component(name, half_width / math.sqrt(3), distribution="rectangular"),))


def zero_corrected(*, reading: Estimate, zero: Estimate) -> Estimate:
    """``reading - zero``: lead resistance with the probes shorted, or a clamp's display with no current.

    Taken on the same range of the same meter the offset cancels, because both carry it under one name.
    """
    return propagate("reading - zero", {"reading": reading, "zero": zero})


def loading_corrected(*, reading: Estimate, source_resistance: Estimate, input_resistance: Estimate) -> Estimate:
    """Voltage without the load of the meter: V · (1 + Rs / Ri). Voltages in volts, resistances in ohms."""
    return propagate("v * (1 + rs / ri)", {"v": reading, "rs": source_resistance, "ri": input_resistance})


def burden_corrected(*, reading: Estimate, burden: Estimate, circuit_resistance: Estimate) -> Estimate:
    """Current without the meter in the circuit: I · (1 + Rb / Rc). Current in amperes, resistances in ohms."""
    return propagate("i * (1 + rb / rc)", {"i": reading, "rb": burden, "rc": circuit_resistance})


def winding_at_reference(*, resistance: Estimate, temperature: Estimate, reference_kelvin: float = 293.15) -> Estimate:
    """Copper resistance brought to a reference temperature: R · (T0 - Tz) / (T - Tz), Tz = 38.65 K.

    ``resistance`` in ohms, ``temperature`` in kelvin. Inferred zero-resistance temperature -234.5 °C of annealed
    copper, IEC 60028 (from memory).
    """
    constants = {"t0": Estimate.of(reference_kelvin, ()), "tz": Estimate.of(38.65, ())}
    return propagate("r * (t0 - tz) / (t - tz)", {"r": resistance, "t": temperature, **constants})
