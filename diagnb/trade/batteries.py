"""Lead-acid batteries of 12 V: state of charge, load tests, capacity, days until they can't start.

Two charge tables and two load tests exist that give different answers. They are never mixed: a table is named by
the caller, and a load test is handed out as one object, its load together with its limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnb.errors import fault
from diagnb.quantities import convert
from diagnb.trade.arguments import Given, Number, not_negative, plain, positive, read
from diagnb.trade.tables import ReferenceTable, find_table

CELL_SPREAD_LIMIT = 0.025
"""Largest difference of specific gravity between two cells of a charged battery (TM 9-6140-200-14, 4-7; read)."""
_DEGC = (-50.0, 75.0)


def state_of_charge_from_voltage(*, voltage: Number, table: str | ReferenceTable) -> Number:
    """State of charge from the open-circuit voltage of one 12 V battery, straight between the rows of ``table``.

    ``voltage`` in volts, any shape, at the conditions of the table; ``table`` is ``charge-battery-council``,
    ``charge-tm-5-3805`` (they differ by up to 0.19 V) or your own. Returns a fraction; below the table 0, up to
    13.2 V 1. Raises InputFault above 13.2 V: on charge, surface charge, or two batteries in series.
    """
    return plain(find_table(table).interpolate("state_of_charge", voltage, symbol="1", x_symbol="V", argument="voltage"))  # fmt: skip


def state_of_charge_from_specific_gravity(
    *, specific_gravity: Number, table: str | ReferenceTable = "charge-battery-council"
) -> Number:
    """State of charge from the specific gravity at 80 °F, straight between the rows of ``table``.

    ``specific_gravity`` any shape, within the table (1.120 to 1.265). Returns a fraction.
    Source: battery-council table (read in public pages).
    """
    return plain(
        find_table(table).interpolate(
            "state_of_charge",
            specific_gravity,
            symbol="1",
            x_symbol="1",
            argument="specific_gravity",
            over="specific_gravity",
        )
    )


def voltage_correction(*, temperature_degc: Number) -> Number:
    """0.024 V · (t - 80 °F) / 10 °F: how much more a 12 V battery shows than it would at 80 °F.

    ``temperature_degc`` from -50 °C to 75 °C, any shape; returns volts.
    Source: compensation table of a public battery service page, 0 °F to 160 °F (read).
    """
    return plain(0.024 * _above_80_degf(temperature_degc) / 10)


def voltage_at_80_degf(*, voltage: Number, temperature_degc: Number) -> Number:
    """Open-circuit voltage of a 12 V battery less its :func:`voltage_correction`, ready for a charge table.

    ``voltage`` in volts, any shapes that fit; returns volts.
    """
    v, correction = read(
        Given("voltage", voltage, "V"), Given("correction", voltage_correction(temperature_degc=temperature_degc))
    )
    return plain(v - correction)


def specific_gravity_at_80_degf(*, specific_gravity: Number, temperature_degc: Number) -> Number:
    """SG + 0.004 · (t - 80 °F) / 10 °F.

    ``specific_gravity`` from 1.0 to 1.4, any shapes that fit; returns a pure number.
    Source: public battery service pages (read).
    """
    sg, above = read(
        Given("specific_gravity", specific_gravity, "", 1.0, 1.4, repair="write 1.265, not 1265"),
        Given("temperature", _above_80_degf(temperature_degc)),
    )
    return plain(sg + 0.004 * above / 10)


def cell_spread(*, specific_gravities: Number) -> Number:
    """Largest less smallest specific gravity over the last axis (..., cells); returns (...).

    Raises InputFault outside 1.0 to 1.4, or for fewer than two cells. The limit is :data:`CELL_SPREAD_LIMIT`.
    """
    (cells,) = read(
        Given("specific_gravities", np.atleast_1d(specific_gravities), "", 1.0, 1.4, repair="write 1.265, not 1265")
    )
    if cells.shape[-1] < 2:
        raise fault("specific_gravities", "must hold two cells or more")
    return plain(np.ptp(cells, axis=-1))


def exceeds_cell_spread(*, specific_gravities: Number) -> Number:
    """Whether the :func:`cell_spread` of a charged battery is above 0.025; shape (...) of bool.

    Source: TM 9-6140-200-14, paragraph 4-7 (read).
    """
    # Readings have three decimals; their binary difference must not decide at exactly 0.025.
    return plain(np.round(cell_spread(specific_gravities=specific_gravities), 9) > CELL_SPREAD_LIMIT)


@dataclass(frozen=True, slots=True, eq=False)
class LoadTest:
    """One way to load a 12 V battery: current in amperes, time in seconds, voltage it must hold at the end."""

    method: str
    current: Number
    duration: float
    minimum_voltage: Number
    source: str


def minimum_load_voltage(*, temperature_degc: Number) -> Number:
    """Lowest voltage after 15 s at half the cold cranking current, straight between the rows of the table.

    ``temperature_degc`` of the battery, -18 °C to 60 °C, any shape; 9.6 V holds from 20 °C up. Returns volts.
    Source: table of public service pages (read in three; common practice).
    """
    table = find_table("load-test-half-cca")
    return plain(table.interpolate("voltage", temperature_degc, symbol="V", x_symbol="°C", argument="temperature_degc"))


def load_test_at_half_cca(*, cold_cranking_current: Number, temperature_degc: Number) -> LoadTest:
    """Half the cold cranking current for 15 s, against :func:`minimum_load_voltage`.

    ``cold_cranking_current`` in amperes (as on the label), ``temperature_degc`` of the battery, any shapes that fit.
    Source: public service pages (read; common practice).
    """
    (cca, _) = read(positive("cold_cranking_current", cold_cranking_current, "A"), Given("temperature_degc", temperature_degc))  # fmt: skip
    minimum = minimum_load_voltage(temperature_degc=temperature_degc)
    return LoadTest("half the cold cranking current", plain(cca / 2), 15.0, minimum, find_table("load-test-half-cca").source)  # fmt: skip


def load_test_at_three_times_capacity(*, capacity_ah: Number) -> LoadTest:
    """Three times the ampere-hours, at most 500 A, for 15 s, against 9.0 V whatever the temperature.

    ``capacity_ah`` in ampere-hours, any shape. Source: US Army TM 5-3805-263-14&P-2 (read); the page's own figure
    for each cell, 1.6 V, disagrees with its 9 V.
    """
    (ah,) = read(positive("capacity_ah", capacity_ah, "A·h"))
    current = np.minimum(3 * ah, 500.0)
    minimum = np.full(current.shape, 9.0)
    return LoadTest("three times the ampere-hours", plain(current), 15.0, plain(minimum), "US Army TM 5-3805-263-14&P-2")  # fmt: skip


def capacity_ah_from_reserve(*, reserve_minutes: Number) -> Number:
    """25 A · RC / 60: ampere-hours delivered during the reserve-capacity test.

    ``reserve_minutes`` at 25 A and 27 °C to 10.5 V, any shape; returns ampere-hours.
    Source: definition in SAE J537 (read in public pages).
    """
    (minutes,) = read(not_negative("reserve_minutes", reserve_minutes, "min"))
    return plain(25 * minutes / 60)


def usable_ah_from_reserve(
    *, reserve_minutes: Number, ah_per_minute: Number = 0.6, usable_fraction: Number = 0.4
) -> Number:
    """0.4 · 0.6 A·h/min · RC: charge a battery can lose at a small draw and still start.

    ``reserve_minutes`` any shape; returns ampere-hours. Source: public battery pages (read; common practice).
    """
    minutes, rate, share = read(
        not_negative("reserve_minutes", reserve_minutes, "min"),
        positive("ah_per_minute", ah_per_minute, "A·h/min"),
        Given("usable_fraction", usable_fraction, "", 0, 1),
    )
    return plain(minutes * rate * share)


def days_to_no_start(*, usable_ah: Number, draw: Number) -> Number:
    """Q / (I · 24 h/d): days until a parked vehicle's draw has used what the battery can lose.

    ``usable_ah`` in ampere-hours, ``draw`` in amperes above zero, any shapes that fit; returns days.
    Source: definition; self-discharge and cold are left out.
    """
    q, i = read(not_negative("usable_ah", usable_ah, "A·h"), positive("draw", draw, "A"))
    return plain(q / (i * 24))


def _above_80_degf(temperature_degc: Number) -> Number:
    (t,) = read(Given("temperature_degc", temperature_degc, "°C", *_DEGC, repair="give the electrolyte in °C"))
    return convert(t, "°C", "°F") - 80
