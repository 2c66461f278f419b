"""Batteries: the two charge tables and the two load tests stay apart; what is no battery reading is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault
from diagnb.quantities import convert

TABLES = ("charge-battery-council", "charge-tm-5-3805")


def test_the_charge_table_has_to_be_named() -> None:
    with pytest.raises(TypeError):
        trade.state_of_charge_from_voltage(voltage=12.4)  # type: ignore[call-arg]


def test_the_two_charge_tables_disagree() -> None:
    first, second = (trade.state_of_charge_from_voltage(voltage=12.0, table=t) for t in TABLES)
    assert (first, second) == (pytest.approx(0.25 * (12.0 - 11.89) / 0.17), pytest.approx(0.25))


@pytest.mark.parametrize("table", TABLES)
@given(st.lists(st.floats(0, 13.2), min_size=2, max_size=20))
def test_charge_never_falls_with_voltage_and_stays_a_fraction(table: str, volts: list[float]) -> None:
    charge = trade.state_of_charge_from_voltage(voltage=sorted(volts), table=table)
    assert np.all((charge >= 0) & (charge <= 1))
    assert np.all(np.diff(charge) >= 0)


@pytest.mark.parametrize("volts", [25.2, 14.1, -0.1, float("nan"), "12.4 V"])
def test_a_pair_a_charging_battery_or_no_number_is_refused(volts: Any) -> None:
    with pytest.raises(InputFault, match="voltage"):
        trade.state_of_charge_from_voltage(voltage=volts, table=TABLES[0])


def test_voltage_and_gravity_of_one_row_give_one_charge() -> None:
    table = trade.find_table(TABLES[0])
    by_volts = trade.state_of_charge_from_voltage(voltage=table.values("voltage"), table=table)
    by_gravity = trade.state_of_charge_from_specific_gravity(specific_gravity=table.values("specific_gravity"))
    assert by_volts == pytest.approx(by_gravity)
    with pytest.raises(InputFault, match="specific_gravity"):
        trade.state_of_charge_from_specific_gravity(specific_gravity=1225)


def test_a_cold_battery_is_brought_up_and_a_hot_one_down() -> None:
    degc = convert(np.array([0.0, 80.0, 160.0]), "°F", "°C")
    assert trade.voltage_at_80_degf(voltage=12.4, temperature_degc=degc) == pytest.approx([12.592, 12.4, 12.208])
    assert trade.specific_gravity_at_80_degf(specific_gravity=1.25, temperature_degc=degc) == pytest.approx([1.218, 1.25, 1.282])  # fmt: skip


def test_cell_spread_of_many_batteries_and_exactly_at_the_limit() -> None:
    cells = [[1.265, 1.240, 1.25], [1.265, 1.239, 1.25]]
    assert trade.cell_spread(specific_gravities=cells) == pytest.approx([0.025, 0.026])
    assert trade.exceeds_cell_spread(specific_gravities=cells).tolist() == [False, True]
    assert trade.exceeds_cell_spread(specific_gravities=cells[0]) is False


def test_the_load_test_minimum_holds_above_20_degrees_and_ends_at_minus_18() -> None:
    assert trade.minimum_load_voltage(temperature_degc=[20.0, 40.0, 13.0]) == pytest.approx([9.6, 9.6, 9.45])
    for t in (-18.5, 61.0):
        with pytest.raises(InputFault, match="temperature_degc"):
            trade.minimum_load_voltage(temperature_degc=t)


def test_a_load_test_hands_out_load_and_limit_of_one_method() -> None:
    half = trade.load_test_at_half_cca(cold_cranking_current=800.0, temperature_degc=20.0)
    three = trade.load_test_at_three_times_capacity(capacity_ah=100.0)
    assert (half.current, half.minimum_voltage) == (400.0, 9.6)
    assert (three.current, three.minimum_voltage) == (300.0, 9.0)
    assert half.method != three.method
    assert half.source != three.source
    many = trade.load_test_at_half_cca(cold_cranking_current=[600.0, 800.0], temperature_degc=[0.0, 20.0])
    assert many.current.shape == many.minimum_voltage.shape == (2,)
    with pytest.raises(InputFault, match="cold_cranking_current"):
        trade.load_test_at_half_cca(cold_cranking_current=0, temperature_degc=20.0)


def test_days_until_a_parked_vehicle_cannot_start() -> None:
    usable = trade.usable_ah_from_reserve(reserve_minutes=180.0)
    assert usable == pytest.approx(43.2)
    assert trade.days_to_no_start(usable_ah=usable, draw=[0.050, 0.100]) == pytest.approx([36.0, 18.0])
    with pytest.raises(InputFault, match="draw"):
        trade.days_to_no_start(usable_ah=usable, draw=0.0)
