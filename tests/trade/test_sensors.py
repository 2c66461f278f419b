"""Sensors: every curve comes back from its inverse; what a sensor can't be is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault, MeasurementFault

POSITIVE_B = st.floats(1500, 6000)


@given(st.floats(-200, 850), st.sampled_from([100.0, 500.0, 1000.0]))
def test_temperature_comes_back_from_platinum(t: float, r0: float) -> None:
    r = trade.rtd_resistance(temperature_degc=t, resistance_0=r0)
    assert trade.rtd_temperature(resistance=r, resistance_0=r0) == pytest.approx(t, abs=1e-8)


def test_platinum_rises_over_the_whole_range_in_one_array() -> None:
    t = np.linspace(-200, 850, 2101)
    r = trade.rtd_resistance(temperature_degc=t)
    assert np.all(np.diff(r) > 0)
    assert np.max(np.abs(trade.rtd_temperature(resistance=r) - t)) < 1e-8


@pytest.mark.parametrize("r", [18.0, 391.0, 0.0, -100.0, "100", [100.0, 1e6]])
def test_a_resistance_that_platinum_cannot_have(r: Any) -> None:
    with pytest.raises(InputFault, match="resistance"):
        trade.rtd_temperature(resistance=r)


@pytest.mark.parametrize("t", [-200.1, 850.1])
def test_a_temperature_out_of_the_standard(t: float) -> None:
    with pytest.raises(InputFault, match="temperature_degc"):
        trade.rtd_resistance(temperature_degc=t)


def test_tolerance_classes() -> None:
    t = np.array([-100.0, 0.0, 100.0])
    assert trade.rtd_tolerance(temperature_degc=t, tolerance_class="A") == pytest.approx([0.35, 0.15, 0.35])
    assert trade.rtd_tolerance(temperature_degc=t, tolerance_class="B") == pytest.approx([0.80, 0.30, 0.80])
    with pytest.raises(InputFault, match="class A"):
        trade.rtd_tolerance(temperature_degc=500.0, tolerance_class="A")
    with pytest.raises(InputFault, match="'A', 'B'"):
        trade.rtd_tolerance(temperature_degc=0.0, tolerance_class="Z")  # type: ignore[arg-type]


@given(st.floats(-100, 400), st.floats(100, 1e6), POSITIVE_B)
def test_temperature_comes_back_from_a_thermistor(t: float, r25: float, b: float) -> None:
    r = trade.ntc_resistance(temperature_degc=t, resistance_25=r25, b_kelvin=b)
    assert trade.ntc_temperature(resistance=r, resistance_25=r25, b_kelvin=b) == pytest.approx(t, abs=1e-6)


@given(POSITIVE_B)
def test_b_comes_back_from_two_points(b: float) -> None:
    t = np.array([25.0, 85.0])
    r = trade.ntc_resistance(temperature_degc=t, resistance_25=10e3, b_kelvin=b)
    assert trade.b_from_points(resistances=r, temperatures_degc=t) == pytest.approx(b)
    with pytest.raises(InputFault, match="equal"):
        trade.b_from_points(resistances=r, temperatures_degc=[25.0, 25.0])


@given(st.floats(-55, 150))
def test_three_coefficients_come_back_and_invert(t: float) -> None:
    a, b, c = 1.129e-3, 2.341e-4, 8.775e-8
    r = trade.steinhart_hart_resistance(temperature_degc=t, a=a, b=b, c=c)
    assert trade.steinhart_hart_temperature(resistance=r, a=a, b=b, c=c) == pytest.approx(t, abs=1e-8)
    three = np.array([0.0, 25.0, 70.0])
    points = trade.steinhart_hart_resistance(temperature_degc=three, a=a, b=b, c=c)
    found = trade.steinhart_hart_coefficients(resistances=points, temperatures_degc=three)
    assert found == pytest.approx((a, b, c), rel=1e-7)


def test_points_that_are_no_thermistor() -> None:
    with pytest.raises(MeasurementFault, match="NTC"):
        trade.steinhart_hart_coefficients(resistances=[100.0, 110.0, 120.0], temperatures_degc=[0.0, 25.0, 50.0])
    with pytest.raises(InputFault, match="three"):
        trade.steinhart_hart_coefficients(resistances=[100.0, 110.0], temperatures_degc=[0.0, 25.0])


def test_coefficients_that_lead_nowhere() -> None:
    with pytest.raises(InputFault, match="1/T"):
        trade.steinhart_hart_temperature(resistance=10e3, a=-1.0, b=1e-4, c=1e-7)
    with pytest.raises(InputFault, match="temperature"):
        trade.ntc_temperature(resistance=1.0, resistance_25=10e3, b_kelvin=3950.0)


def test_a_divider_gives_the_sensor() -> None:
    assert trade.divider_resistance(voltage=[0.0, 2.5], reference=5.0, pull_up=2200.0).tolist() == [0.0, 2200.0]
    with pytest.raises(InputFault, match="open"):
        trade.divider_resistance(voltage=5.0, reference=5.0, pull_up=2200.0)


@given(st.floats(-0.25, 1.5))
def test_the_loop_comes_back(fraction: float) -> None:
    assert trade.loop_fraction(current=trade.loop_current(fraction=fraction)) == pytest.approx(fraction, abs=1e-12)


def test_what_a_loop_says_at_the_edges() -> None:
    milliamperes = np.array([0.0, 3.6, 3.7, 3.8, 20.5, 20.6, 21.0])
    assert trade.loop_state(current=milliamperes / 1000).tolist() == [
        "failure low", "failure low", "below range", "measuring", "measuring", "above range", "failure high",
    ]  # fmt: skip
    with pytest.raises(InputFault, match="12 mA is 0"):
        trade.loop_fraction(current=12.0)
    assert trade.loop_supply_minimum(transmitter_minimum=10.0, load_resistance=250.0) == pytest.approx(15.25)


def test_a_ratio_does_not_see_the_reference_or_the_ground() -> None:
    assert trade.ratio_from_voltages(signal=[2.45, 2.55], reference=[4.90, 5.0], ground=[0.0, 0.1]) == pytest.approx([0.5, 0.5])  # fmt: skip
    value = trade.value_from_ratio(ratio=[0.1, 0.5, 0.9], ratio_low=0.1, ratio_high=0.9, value_low=0.0, value_high=1e6)
    assert value == pytest.approx([0.0, 5e5, 1e6])
    with pytest.raises(InputFault, match="reference - ground"):
        trade.ratio_from_voltages(signal=1.0, reference=0.0)


@given(st.floats(-199, 849))
def test_the_slope_of_platinum_is_that_of_its_curve(t: float) -> None:
    step = 1e-3
    ends = trade.rtd_resistance(temperature_degc=[t - step, t + step])
    assert trade.rtd_sensitivity(temperature_degc=t) == pytest.approx((ends[1] - ends[0]) / (2 * step), rel=1e-5)


@given(st.floats(-99, 399), POSITIVE_B)
def test_the_slope_of_a_thermistor_is_that_of_its_curve(t: float, b: float) -> None:
    step = 1e-3
    ends = trade.ntc_resistance(temperature_degc=[t - step, t + step], resistance_25=10e3, b_kelvin=b)
    found = trade.ntc_sensitivity(temperature_degc=t, resistance_25=10e3, b_kelvin=b)
    assert found == pytest.approx((ends[1] - ends[0]) / (2 * step), rel=1e-4)
