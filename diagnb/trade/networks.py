"""Data networks: termination, CAN levels, LIN levels. Volts and ohms.

Levels are those of a recorder; a DC meter on a busy bus shows an average that belongs to neither state.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnb.trade.arguments import Given, Number, plain, positive, read
from diagnb.trade.circuits import parallel_resistance
from diagnb.trade.tables import find_table


def termination_from_resistors(*, first: Number, second: Number) -> Number:
    """R1 · R2 / (R1 + R2) of the two end resistors, measured between the lines with all supplies off.

    Ohms above zero, any shapes that fit; returns ohms. Source: ISO 11898-2, Kirchhoff's current law.
    """
    return parallel_resistance(first=first, second=second)


def termination_window() -> tuple[float, float, float]:
    """Lowest, nominal and highest resistance of a line that has both its end resistors, in ohms.

    Source: ISO 11898-2, resistors of 100 Ω, 120 Ω and 130 Ω (100 and 130 from memory, the band of 50 Ω to 65 Ω read
    in public transceiver data).
    """
    row = find_table("can-terminator").row("end of line")
    low, nominal, high = (float(row[name]) / 2 for name in ("lowest", "nominal", "highest"))
    return low, nominal, high


def terminator_count(*, resistance: Number, terminator: Number = 120.0) -> Number:
    """R_t / R: how many equal resistors lie between the lines, not rounded: 2.0 is right, 1.0 is one missing.

    Ohms above zero, any shapes that fit; returns a number. Source: Kirchhoff's current law.
    """
    r, one = read(positive("resistance", resistance, "Ω"), positive("terminator", terminator, "Ω"))
    return plain(one / r)


@dataclass(frozen=True, slots=True, eq=False)
class CanLevels:
    """One state of a CAN transmitter: difference and mid level in volts, and whether each level is in its window."""

    difference: Number
    common_mode: Number
    difference_fits: Number
    can_h_fits: Number
    can_l_fits: Number


def dominant_levels(*, can_h: Number, can_l: Number) -> CanLevels:
    """Levels while the bus is dominant: CAN_H 2.75 V to 4.5 V, CAN_L 0.5 V to 2.25 V, difference 1.5 V to 3.0 V.

    Volts against the ground of the control unit, any shapes that fit. Source: ISO 11898-2 (read in public
    transceiver data).
    """
    h, low = _lines(can_h, can_l)
    difference = np.round(h - low, 9)
    return CanLevels(
        plain(difference),
        plain((h + low) / 2),
        _fits("dominant difference", difference),
        _fits("dominant can_h", h),
        _fits("dominant can_l", low),
    )


def recessive_levels(*, can_h: Number, can_l: Number) -> CanLevels:
    """Levels while the bus is recessive: both lines 2.0 V to 3.0 V, difference at most 0.5 V.

    Arguments and source as :func:`dominant_levels`.
    """
    h, low = _lines(can_h, can_l)
    difference = np.round(h - low, 9)
    largest = float(find_table("can-receiver").row("recessive")["difference"])
    return CanLevels(
        plain(difference),
        plain((h + low) / 2),
        plain(difference <= largest),
        _fits("recessive can_h", h),
        _fits("recessive can_l", low),
    )


def can_state(*, can_h: Number, can_l: Number) -> Number:
    """What a receiver takes the bus for: ``dominant`` from 0.9 V, ``recessive`` to 0.5 V, ``undefined`` between.

    Volts, any shapes that fit; returns words. Source: ISO 11898-2 (read in public transceiver data).
    """
    h, low = _lines(can_h, can_l)
    dominant, recessive = find_table("can-receiver").pick("difference", ["dominant", "recessive"], "V")
    difference = np.round(h - low, 9)
    return plain(np.select([difference >= dominant, difference <= recessive], ["dominant", "recessive"], "undefined"))


def lin_thresholds(*, supply: Number) -> tuple[Number, Number]:
    """0.6 · V_sup and 0.4 · V_sup: recessive above the first, dominant below the second, at the receiver.

    ``supply`` in volts, any shape; returns two results in volts. Source: ISO 17987-4 (read in public tutorials).
    """
    (v,) = read(positive("supply", supply, "V"))
    recessive, dominant = find_table("lin-levels").pick("share", ["recessive", "dominant"], "1")
    return plain(recessive * v), plain(dominant * v)


def lin_state(*, voltage: Number, supply: Number) -> Number:
    """What a LIN receiver takes the line for: ``recessive``, ``dominant`` or ``undefined``.

    Volts, any shapes that fit; returns words. Source: see :func:`lin_thresholds`.
    """
    v, sup = read(Given("voltage", voltage, "V"), positive("supply", supply, "V"))
    recessive, dominant = lin_thresholds(supply=sup)
    return plain(np.select([v > recessive, v < dominant], ["recessive", "dominant"], "undefined"))


def _lines(can_h: Number, can_l: Number) -> tuple[Number, Number]:
    return read(Given("can_h", can_h, "V", -60, 60), Given("can_l", can_l, "V", -60, 60))  # type: ignore[return-value]


def _fits(quantity: str, value: Number) -> Number:
    row = find_table("can-levels").row(quantity)
    return plain((value >= float(row["lowest"])) & (value <= float(row["highest"])))
