"""The vehicle's supply: code ranges, load dump, regulator window, lamp voltage. Volts, ohms, seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnb.errors import fault
from diagnb.trade.arguments import Given, Number, plain, positive, read
from diagnb.trade.tables import find_table

LAMP_SHARE = 0.85
"""Least share of its design voltage at a lamp socket, engine running (13 CCR 1249(c), read)."""


def supply_code_range(*, code: str) -> tuple[float, float]:
    """Lowest and highest supply, in volts, at which a component with this code keeps working.

    ``code`` A to D for 12 V, E to H for 24 V. Raises InputFault for another letter.
    Source: ISO 16750-2, tables 1 and 2 (A and the start of B read, the rest from memory).
    """
    row = find_table("supply-voltage-codes").row(code)
    return float(row["lowest"]), float(row["highest"])


def supply_codes_within(*, lowest: float, highest: float, system_voltage: float) -> tuple[str, ...]:
    """The codes of a 12 V or 24 V system whose range holds all that the supply did, ``lowest`` to ``highest`` volts.

    Raises InputFault where the lowest is above the highest, or for another system. Source: see
    :func:`supply_code_range`.
    """
    low, high = read(Given("lowest", lowest, "V"), Given("highest", highest, "V"))
    read(Given("highest - lowest", high - low, "V", low=0))
    table = find_table("supply-voltage-codes")
    systems = table.values("system", "V")
    if system_voltage not in systems:
        raise fault("system_voltage", f"{system_voltage!r} is not in the table {table.id}", "12 or 24")
    fits = (systems == system_voltage) & (table.values("lowest", "V") <= low) & (table.values("highest", "V") >= high)
    return tuple(code for code, fit in zip(table.words("code"), fits, strict=True) if fit)


def supply_band_48v(*, voltage: Number) -> Number:
    """The band of a 48 V supply: ``unlimited operation`` from 36 V to 52 V, ``limited operation, low`` from 24 V,
    ``limited operation, high`` to 54 V, ``short overvoltage`` to 60 V, ``below operation``, ``above 60 V``.

    ``voltage`` in volts, zero or above, any shape; returns words. The end of a band belongs to the milder one.
    Source: ISO 21780 (from memory).
    """
    (v,) = read(Given("voltage", voltage, "V", low=0))
    table = find_table("supply-bands-48v")
    starts, words = table.values("from", "V"), np.array(table.words("band"))
    normal = table.words("band").index("unlimited operation")
    upwards = np.searchsorted(starts, v, side="right") - 1
    downwards = np.searchsorted(starts, v, side="left") - 1
    return plain(words[np.where(upwards > normal, np.maximum(downwards, normal), upwards)])


@dataclass(frozen=True, slots=True)
class LoadDump:
    """Windows (lowest, highest) of an unsuppressed load dump: peak in volts, source in ohms, duration in seconds."""

    peak: tuple[float, float]
    source_resistance: tuple[float, float]
    duration: tuple[float, float]


def load_dump(*, system_voltage: float) -> LoadDump:
    """The unsuppressed load dump of a 12 V or 24 V system. Raises InputFault for another.

    Source: ISO 16750-2, test A (read in a public journal).
    """
    table = find_table("load-dump-unsuppressed")

    def window(name: str, symbol: str) -> tuple[float, float]:
        low, high = (float(table.pick(f"{name}_{end}", system_voltage, symbol)) for end in ("low", "high"))
        return low, high

    return LoadDump(window("peak", "V"), window("source", "Ω"), window("duration", "s"))


def regulator_window(*, temperature_degc: Number) -> tuple[Number, Number]:
    """Lowest and highest voltage of a 12 V regulator at its own temperature, straight between the rows.

    ``temperature_degc`` from 65 °F to 145 °F (18.3 °C to 62.8 °C), any shape; returns two results in volts.
    Source: US Army TM 10-3930-621-12, paragraph 3 (read); the vehicle maker's window replaces it.
    """
    table = find_table("regulator-12v")
    low, high = (
        table.interpolate(name, temperature_degc, symbol="V", x_symbol="°C", argument="temperature_degc")
        for name in ("lowest", "highest")
    )
    return plain(low), plain(high)


def regulator_slope() -> float:
    """Mean fall of the lower end of :func:`regulator_window` over its whole span, in volts per kelvin, positive."""
    table = find_table("regulator-12v")
    low, t = table.values("lowest", "V"), table.values("temperature", "K")
    return float((low[0] - low[-1]) / (t[-1] - t[0]))


def lamp_voltage_minimum(*, design_voltage: Number) -> Number:
    """0.85 · V_design: least voltage at a lamp socket with the engine running.

    ``design_voltage`` of the bulb in volts, any shape; returns volts. Source: 13 CCR 1249(c) (read).
    """
    (v,) = read(positive("design_voltage", design_voltage, "V"))
    return plain(LAMP_SHARE * v)
