"""Circuits of a few parts: joints, coils, step responses, converters. Coherent SI throughout."""

from __future__ import annotations

import numpy as np

from diagnb.trade.arguments import Given, Number, not_negative, plain, positive, read


def resistance_from_drop(*, drop: Number, current: Number) -> Number:
    """R = V / I of a joint, wire or path.

    ``drop`` in volts, ``current`` in amperes, any shapes that fit; returns ohms. Raises InputFault where the
    current is zero: a drop without current proves nothing. Source: Ohm's law.
    """
    v, i = read(Given("drop", drop, "V"), Given("current", current, "A", zero=False, repair="switch the load on"))
    return plain(v / i)


def power_from_drop(*, drop: Number, current: Number) -> Number:
    """P = V · I, the heat of a joint or the power of a load.

    ``drop`` in volts, ``current`` in amperes, any shapes that fit; returns watts. Source: Joule's law.
    """
    v, i = read(Given("drop", drop, "V"), Given("current", current, "A"))
    return plain(v * i)


def drop_at_current(*, drop: Number, current: Number, reference_current: Number) -> Number:
    """V · I_ref / I: a drop brought to the current that its limit is stated at.

    Volts and amperes, any shapes that fit; returns volts. Raises InputFault where ``current`` is zero.
    Source: Ohm's law, the resistance taken as constant.
    """
    v, i, ref = read(
        Given("drop", drop, "V"),
        Given("current", current, "A", zero=False),
        Given("reference_current", reference_current, "A"),
    )
    return plain(v * ref / i)


def source_resistance(*, open_circuit_voltage: Number, loaded_voltage: Number, current: Number) -> Number:
    """(V_open - V_loaded) / I: resistance of a source, for example a battery while it cranks.

    Volts and amperes, any shapes that fit; returns ohms. Raises InputFault where the current is zero.
    Source: Ohm's law.
    """
    v0, v1, i = read(
        Given("open_circuit_voltage", open_circuit_voltage, "V"),
        Given("loaded_voltage", loaded_voltage, "V"),
        Given("current", current, "A", zero=False),
    )
    return plain((v0 - v1) / i)


def parallel_resistance(*, first: Number, second: Number) -> Number:
    """R1 · R2 / (R1 + R2).

    Ohms above zero, any shapes that fit; returns ohms. Source: Kirchhoff's current law.
    """
    a, b = read(positive("first", first, "Ω"), positive("second", second, "Ω"))
    return plain(a * b / (a + b))


def resistance_behind_parallel(*, total: Number, parallel: Number) -> Number:
    """1 / (1/R - 1/R_p): a relay coil measured together with the resistor across it.

    ``total`` and ``parallel`` in ohms, any shapes that fit; returns ohms. Raises InputFault unless the total is
    below the parallel resistor. Source: Kirchhoff's current law.
    """
    r, p = read(positive("total", total, "Ω"), positive("parallel", parallel, "Ω"))
    read(positive("parallel - total", p - r, "Ω", "the total must be below the resistor across it"))
    return plain(r * p / (p - r))


def charge_fraction(*, time: Number, time_constant: Number) -> Number:
    """1 - exp(-t / τ): share of its end value that a first-order circuit has reached after a step.

    Seconds, any shapes that fit; returns a fraction. Source: first-order step response.
    """
    t, tau = read(not_negative("time", time, "s"), positive("time_constant", time_constant, "s"))
    return plain(-np.expm1(-t / tau))


def coil_current(*, voltage: Number, resistance: Number, inductance: Number, time: Number) -> Number:
    """V / R · (1 - exp(-t · R / L)): current of a coil after it is switched on.

    Volts, ohms, henries, seconds, any shapes that fit; returns amperes. Source: first-order step response,
    τ = L / R.
    """
    v, r, inductance_, t = read(
        Given("voltage", voltage, "V"),
        positive("resistance", resistance, "Ω"),
        positive("inductance", inductance, "H"),
        not_negative("time", time, "s"),
    )
    return plain(-v / r * np.expm1(-t * r / inductance_))


def efficiency(*, input_voltage: Number, input_current: Number, output_voltage: Number, output_current: Number) -> Number:  # fmt: skip
    """V_out · I_out / (V_in · I_in) of a DC-DC converter.

    Volts and amperes, any shapes that fit; returns a fraction. Raises InputFault where the input power is zero.
    Source: definition.
    """
    vi, ii, vo, io = read(
        positive("input_voltage", input_voltage, "V"),
        positive("input_current", input_current, "A"),
        not_negative("output_voltage", output_voltage, "V"),
        not_negative("output_current", output_current, "A"),
    )
    return plain(vo * io / (vi * ii))
