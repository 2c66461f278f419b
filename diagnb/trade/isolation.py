"""High voltage: which circuits count as it, isolation resistance, bonding. Volts, ohms, amperes.

Measuring on such circuits is for trained and licensed people, by the vehicle maker's procedure; these functions
only compute.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from diagnb.trade.arguments import Given, Number, not_negative, plain, positive, read
from diagnb.trade.tables import find_table


def is_high_voltage(*, voltage: Number, kind: Literal["dc", "ac"] = "dc") -> Number:
    """Whether a working voltage lies above 60 V (``dc``) or 30 V root mean square (``ac``).

    ``voltage`` in volts, any shape, the sign of DC left out; returns bools.
    Source: 49 CFR 571.305, S3 (read); voltage class B of ISO 6469-3 (from memory).
    """
    (v,) = read(Given("voltage", voltage, "V"))
    return plain(np.abs(v) > find_table("voltage-class").pick("above", kind, "V"))


def minimum_isolation_resistance(*, working_voltage: Number, circuit: Literal["dc", "ac", "combined"]) -> Number:
    """100 Ω/V (``dc``) or 500 Ω/V (``ac``, ``combined``) times the working voltage.

    ``working_voltage`` in volts above zero, any shape; returns ohms.
    Source: UN Regulation No. 100, 5.1.3.1 and 5.1.3.2 (read).
    """
    (v,) = read(positive("working_voltage", working_voltage, "V"))
    return plain(v * find_table("isolation-minimum").pick("per_volt", circuit, "Ω/V"))


def isolation_resistance(
    *, known_resistance: Number, bus_voltage: Number, voltage_before: Number, voltage_after: Number
) -> Number:
    """R_o · V_b · (1/V1' - 1/V1): isolation from two voltages to the chassis, without and with a known resistor.

    ``voltage_before`` is V1, the larger of the two sides to the chassis; ``voltage_after`` is V1', the same side with
    ``known_resistance`` R_o (ohms) between it and the chassis; ``bus_voltage`` V_b. Any shapes that fit; returns ohms.
    Raises InputFault where V1' is above V1 or V1 above V_b. Source: UN Regulation No. 100, annex on isolation
    resistance (read).
    """
    ro, vb, v1, v2 = read(
        positive("known_resistance", known_resistance, "Ω"),
        positive("bus_voltage", bus_voltage, "V"),
        positive("voltage_before", voltage_before, "V"),
        positive("voltage_after", voltage_after, "V"),
    )
    read(
        not_negative("voltage_before - voltage_after", v1 - v2, "V", "the known resistor can only lower the voltage"),
        not_negative("bus_voltage - voltage_before", vb - v1, "V", "one side can't show more than the bus"),
    )
    return plain(ro * vb * (1 / v2 - 1 / v1))


def isolation_per_volt(*, isolation_resistance: Number, working_voltage: Number) -> Number:
    """R_i / V_b, any shapes that fit; returns ohms per volt."""
    r, v = read(
        not_negative("isolation_resistance", isolation_resistance, "Ω"),
        positive("working_voltage", working_voltage, "V"),
    )
    return plain(r / v)


def bonding_limit() -> tuple[float, float]:
    """Resistance in ohms that bonding must stay below, and the least current in amperes it is measured with.

    Source: UN Regulation No. 100, 5.1.2.2 (read through a national draft standard that follows it).
    """
    table = find_table("bonding")
    return float(table.values("resistance", "Ω")[0]), float(table.values("current", "A")[0])


def bonding_drop(*, resistance: Number, current: Number) -> Number:
    """R · I: drop across a bonding path, any shapes that fit; returns volts. Source: Ohm's law."""
    r, i = read(not_negative("resistance", resistance, "Ω"), positive("current", current, "A"))
    return plain(r * i)
