"""Circuits, starting, supply, isolation, networks and families: what isn't a published case."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault
from diagnb.procedures import load_procedure
from diagnb.quantities import convert

OHMS = st.floats(1e-3, 1e6)


@given(OHMS, OHMS)
def test_a_coil_comes_back_from_behind_its_resistor(coil: float, across: float) -> None:
    total = trade.parallel_resistance(first=coil, second=across)
    if total < across * (1 - 1e-6):
        assert trade.resistance_behind_parallel(total=total, parallel=across) == pytest.approx(coil, rel=1e-6)


def test_circuits() -> None:
    assert trade.drop_at_current(drop=[0.1, 0.2], current=100.0, reference_current=500.0) == pytest.approx([0.5, 1.0])
    assert trade.source_resistance(open_circuit_voltage=12.6, loaded_voltage=10.1, current=500.0) == pytest.approx(0.005)  # fmt: skip
    found = trade.efficiency(input_voltage=27.5, input_current=10.0, output_voltage=13.75, output_current=18.0)
    assert found == pytest.approx(0.9)
    assert trade.resistance_from_drop(drop=np.array([0.1, 0.3]), current=20.0).shape == (2,)


@pytest.mark.parametrize(
    ("function", "arguments", "part"),
    [
        (trade.resistance_from_drop, {"drop": 0.1, "current": [5.0, 0.0]}, "current"),
        (trade.resistance_behind_parallel, {"total": 680.0, "parallel": 680.0}, "below the resistor"),
        (trade.charge_fraction, {"time": -1.0, "time_constant": 1.0}, "time"),
        (trade.lamp_voltage_minimum, {"design_voltage": 0.0}, "design_voltage"),
        (trade.minimum_isolation_resistance, {"working_voltage": 400.0, "circuit": "hv"}, "'dc', 'ac', 'combined'"),
        (trade.is_high_voltage, {"voltage": 61.0, "kind": "DC"}, "'dc', 'ac'"),
        (trade.supply_code_range, {"code": "I"}, "'A', 'B', 'C'"),
        (trade.load_dump, {"system_voltage": 48}, "it has 12, 24 V"),
        (trade.battery_cable_limit, {"system_voltage": 48}, "it has 12, 24 V"),
        (trade.starter_circuit_limit, {"parts": ["solenoid switch", "cable"]}, "ground side"),
        (trade.starter_circuit_limit, {"parts": "solenoid switch"}, "list of parts"),
        (trade.cranking_window, {"temperature_degc": 30.0, "system_voltage": 12}, "temperature_degc"),
        (trade.cranking_window, {"temperature_degc": 0.0, "system_voltage": 48}, "system_voltage"),
        (trade.regulator_window, {"temperature_degc": 86.0}, "temperature_degc"),
        (trade.terminator_count, {"resistance": 0.0}, "resistance"),
        (trade.lin_thresholds, {"supply": -13.5}, "supply"),
        (trade.can_state, {"can_h": 3500.0, "can_l": 1500.0}, "can_h"),
        (trade.defect_threshold, {"family_size": 800, "action": "report"}, "family_size"),
        (trade.defect_threshold, {"family_size": 800, "action": "recall"}, "'investigate', 'report'"),
    ],
)  # fmt: skip
def test_bad_input_is_a_named_fault(function: Any, arguments: dict[str, Any], part: str) -> None:
    with pytest.raises(InputFault, match=part):
        function(**arguments)


def test_cranking_bands_meet_at_the_stricter_one() -> None:
    low, high = trade.cranking_window(temperature_degc=[-23.0, -7.0, 10.0, 27.0], system_voltage=24)
    assert low.tolist() == [12, 14, 16, 16]
    assert high.tolist() == [16, 18, 24, 24]


def test_a_limit_travels_with_its_current() -> None:
    twelve, twenty_four = (trade.battery_cable_limit(system_voltage=v) for v in (12, 24))
    assert (twenty_four.drop / twenty_four.current) / (twelve.drop / twelve.current) == pytest.approx(4)
    assert trade.starter_circuit_limit(parts=[]) == 0
    assert trade.starter_circuit_limit(parts=["cable under 3 ft"] * 2) == pytest.approx(0.2)


def test_regulator_at_both_ends_and_between() -> None:
    degc = convert(np.array([65.0, 95.5, 145.0]), "°F", "°C")
    low, high = trade.regulator_window(temperature_degc=degc)
    assert low == pytest.approx([14.1, 13.8, 13.4])
    assert high == pytest.approx([14.9, 14.6, 14.2])


def test_supply_codes_whose_range_holds_what_the_supply_did() -> None:
    assert trade.supply_codes_within(lowest=9.0, highest=15.0, system_voltage=12) == ("A", "B", "C")
    assert trade.supply_codes_within(lowest=5.0, highest=15.0, system_voltage=12) == ()
    assert trade.supply_codes_within(lowest=17.0, highest=32.0, system_voltage=24) == ("E", "F")
    for arguments in ({"lowest": 16.0, "highest": 9.0, "system_voltage": 12}, {"lowest": 40.0, "highest": 50.0, "system_voltage": 48}):  # fmt: skip
        with pytest.raises(InputFault):
            trade.supply_codes_within(**arguments)


def test_voltage_class_of_both_kinds_and_either_polarity() -> None:
    assert trade.is_high_voltage(voltage=[-61.0, 60.0]).tolist() == [True, False]
    assert trade.is_high_voltage(voltage=[30.0, 30.1], kind="ac").tolist() == [False, True]
    assert trade.is_high_voltage(voltage=48.0) is False


@given(st.floats(1e4, 1e8), st.floats(1e4, 1e7))
def test_isolation_comes_back_from_the_two_voltages(to_chassis: float, known: float) -> None:
    """The side under test has ``to_chassis``, the other side ten times that; then the known resistor joins it."""
    bus, other = 400.0, to_chassis / 10
    v1 = bus * to_chassis / (to_chassis + other)
    joined = to_chassis * known / (to_chassis + known)
    v2 = bus * joined / (joined + other)
    found = trade.isolation_resistance(known_resistance=known, bus_voltage=bus, voltage_before=v1, voltage_after=v2)
    assert found == pytest.approx(other, rel=1e-6)


def test_isolation_readings_that_cannot_be() -> None:
    arguments = {"known_resistance": 1e5, "bus_voltage": 400.0, "voltage_before": 300.0, "voltage_after": 200.0}
    assert trade.isolation_resistance(**arguments) == pytest.approx(1e5 * 400 * (1 / 200 - 1 / 300))
    for change in ({"voltage_after": 301.0}, {"voltage_before": 401.0}, {"voltage_after": 0.0}):
        with pytest.raises(InputFault):
            trade.isolation_resistance(**(arguments | change))
    assert trade.isolation_per_volt(isolation_resistance=2e5, working_voltage=400.0) == 500


def test_can_levels_state_by_state() -> None:
    h, low = np.array([2.5, 3.5, 2.9, 3.1]), np.array([2.5, 1.5, 2.2, 2.2])
    assert trade.can_state(can_h=h, can_l=low).tolist() == ["recessive", "dominant", "undefined", "dominant"]
    rest = trade.recessive_levels(can_h=[2.5, 3.1], can_l=[2.5, 2.5])
    assert rest.difference_fits.tolist() == [True, False]
    assert rest.can_h_fits.tolist() == [True, False]
    assert rest.common_mode.tolist() == [2.5, 2.8]
    swapped = trade.dominant_levels(can_h=1.5, can_l=3.5)
    assert (swapped.difference, swapped.difference_fits, swapped.can_h_fits, swapped.can_l_fits) == (-2.0, False, False, False)  # fmt: skip


def test_counting_terminators() -> None:
    assert trade.terminator_count(resistance=[120.0, 60.0, 40.0]) == pytest.approx([1, 2, 3])


def test_lin_follows_the_supply() -> None:
    found = trade.lin_state(voltage=[8.2, 5.3, 7.0, 13.0], supply=[13.5, 13.5, 13.5, 27.0])
    assert found.tolist() == ["recessive", "dominant", "undefined", "undefined"]


def test_bands_of_a_48_volt_supply_and_their_ends() -> None:
    volts = [0.0, 23.9, 24.0, 36.0, 48.0, 52.0, 52.1, 54.0, 54.1, 60.0, 60.1]
    assert trade.supply_band_48v(voltage=volts).tolist() == [
        "below operation", "below operation", "limited operation, low", "unlimited operation", "unlimited operation",
        "unlimited operation", "limited operation, high", "limited operation, high", "short overvoltage",
        "short overvoltage", "above 60 V",
    ]  # fmt: skip
    with pytest.raises(InputFault, match="voltage"):
        trade.supply_band_48v(voltage=-1.0)


def test_shipped_procedures_use_the_same_figures() -> None:
    battery = load_procedure("battery-open-circuit-voltage").tables["charge_of_voltage"]
    table = trade.find_table("charge-battery-council")
    assert list(battery.x) == table.values("voltage").tolist()
    assert list(battery.y) == pytest.approx(table.values("state_of_charge", "1"))
    limit = load_procedure("network-termination-resistance").limit_for("termination_resistance")
    assert limit is not None
    assert (limit.lower, limit.upper) == (trade.termination_window()[0], trade.termination_window()[2])
    zero = load_procedure("motor-loaded-resistance").constants["copper_zero"] - 273.15
    assert zero == pytest.approx(trade.zero_resistance_degc(), abs=0.1)
