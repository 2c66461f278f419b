"""Starting: voltage while cranking, drop limits of the cables and of the starter circuit's parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnb.errors import fault
from diagnb.trade.arguments import Given, Number, plain, read
from diagnb.trade.tables import find_table


def cranking_window(*, temperature_degc: Number, system_voltage: float) -> tuple[Number, Number]:
    """Lowest and highest battery voltage expected while cranking.

    ``temperature_degc`` from -23 °C to 27 °C, any shape; where two bands meet the warmer one holds.
    ``system_voltage`` 12 or 24. Returns two results in volts. Raises InputFault outside.
    Source: US Army TM 5-3895-382-24, table 29 (read); the vehicle maker's figure replaces it.
    """
    table = find_table("cranking-voltage")
    if system_voltage not in (12, 24):
        raise fault("system_voltage", f"{system_voltage!r} is not in the table {table.id}", "12 or 24")
    starts, ends = table.values("from", "°C"), table.values("to", "°C")
    (t,) = read(Given("temperature_degc", temperature_degc, "°C", float(starts[0]), float(ends[-1]), repair=f"the table {table.id} says no more"))  # fmt: skip
    band = np.maximum(np.searchsorted(starts, t, side="right") - 1, 0)
    low, high = (table.values(f"{end}_{system_voltage:g}", "V")[band] for end in ("low", "high"))
    return plain(low), plain(high)


@dataclass(frozen=True, slots=True)
class DropLimit:
    """A drop limit in volts together with the current in amperes that it is stated at; never one without the other."""

    drop: float
    current: float


def battery_cable_limit(*, system_voltage: float) -> DropLimit:
    """Largest drop of both battery cables together, with its current. Raises InputFault unless 12 or 24 V.

    Source: US Army TM 5-2420-230-24-2, p. 13-23 (read). Twice the drop at half the current: four times the resistance.
    """
    table = find_table("battery-cable-drop")
    return DropLimit(float(table.pick("drop", system_voltage, "V")), float(table.pick("current", system_voltage, "A")))


def battery_cable_drop(*, positive_side: Number, negative_side: Number) -> Number:
    """V+ + V-: drop of both battery cables, any shapes that fit; returns volts."""
    a, b = read(Given("positive_side", positive_side, "V"), Given("negative_side", negative_side, "V"))
    return plain(a + b)


def starter_circuit_limit(*, parts: Sequence[str]) -> float:
    """Sum of the largest drops of the parts of a 12 V starter circuit, in volts.

    ``parts`` by name, one for each time it is there: ``cable under 3 ft``, ``cable 3 to 6 ft``, ``mechanical switch``,
    ``solenoid switch``, ``magnetic switch``, ``connection``, ``ground side``. Raises InputFault for another part.
    Source: US Army TM 5-3820-256-24-4 (read).
    """
    if isinstance(parts, str):
        raise fault("parts", "must be a list of parts", "for example ['solenoid switch']")
    if not len(parts):
        return 0.0
    return float(np.sum(find_table("starter-circuit-parts").pick("drop", list(parts), "V")))
