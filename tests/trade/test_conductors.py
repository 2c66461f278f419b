"""Copper: gauges, tables, temperature, drops."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault

DEGC = st.floats(-100, 250)


@given(st.integers(-3, 40))
def test_a_gauge_comes_back_from_its_diameter(n: int) -> None:
    assert trade.gauge_from_diameter(diameter=trade.diameter_from_gauge(gauge=n)) == pytest.approx(n, abs=1e-9)


@pytest.mark.parametrize(("text", "n"), [("4/0", -3), ("0000", -3), ("00", -1), ("1/0", 0), ("0", 0), ("1", 1), ("40", 40)])  # fmt: skip
def test_gauges_as_printed(text: str, n: int) -> None:
    assert trade.gauge_number(text=text) == n


@pytest.mark.parametrize("text", ["5/0", "00000", "41", "-3", "", "2.5", "AWG", "٣", 18, None])
def test_what_is_no_gauge(text: Any) -> None:
    with pytest.raises(InputFault, match="no AWG size"):
        trade.gauge_number(text=text)


@pytest.mark.parametrize("n", [-4, 41, 2.5, "18", True, float("nan"), None, [18, 99]])
def test_a_gauge_out_of_the_series_is_a_fault(n: Any) -> None:
    with pytest.raises(InputFault, match="gauge"):
        trade.diameter_from_gauge(gauge=n)


@given(DEGC, st.floats(1e-4, 1e4), st.sampled_from([trade.COEFFICIENT_IEC_60028, trade.COEFFICIENT_IEC_60228]))
def test_temperature_comes_back_from_resistance(t: float, r20: float, alpha: float) -> None:
    hot = trade.resistance_at_temperature(resistance_20=r20, temperature_degc=t, coefficient=alpha)
    assert trade.resistance_at_20(resistance=hot, temperature_degc=t, coefficient=alpha) == pytest.approx(r20)
    found = trade.temperature_from_resistance(resistance=hot, resistance_20=r20, coefficient=alpha)
    assert found == pytest.approx(t, abs=1e-6)


def test_the_two_coefficients_differ_by_a_third_of_a_per_cent_at_80_degrees() -> None:
    first, second = (
        trade.resistance_at_temperature(resistance_20=1.0, temperature_degc=80.0, coefficient=c)
        for c in (trade.COEFFICIENT_IEC_60028, trade.COEFFICIENT_IEC_60228)
    )
    assert second / first - 1 == pytest.approx(0.0034, abs=1e-4)
    # IEC 60228 prints the factor to 20 °C at 80 °C as 0.806.
    assert round(1 / second, 3) == 0.806


@pytest.mark.parametrize(("size", "table", "per_km"), [(0.5, "iec-60228-class-5", 39.0), (50, "iec-60228-class-2", 0.387), (10, "iso-6722-1", 1.82)])  # fmt: skip
def test_printed_maxima(size: float, table: str, per_km: float) -> None:
    assert 1000 * trade.maximum_resistance_per_metre(size_mm2=size, table=table) == pytest.approx(per_km)


@pytest.mark.parametrize("table", ["iec-60228-class-2", "iec-60228-class-5", "iso-6722-1"])
def test_no_standard_asks_for_much_more_than_solid_copper_of_the_nominal_size(table: str) -> None:
    found = trade.find_table(table)
    sizes = found.values("size", "mm²")
    maxima = trade.maximum_resistance_per_metre(size_mm2=sizes, table=table)
    solid = trade.resistance_per_metre_from_area(area=sizes * 1e-6)
    assert np.all((maxima / solid > 0.98) & (maxima / solid < 1.20))
    assert np.all(np.diff(maxima) < 0)


def test_a_size_between_the_rows_is_refused_and_the_sizes_are_listed() -> None:
    with pytest.raises(InputFault, match=r"size: 2 is not in the table iso-6722-1.*0\.5, 0\.75, 1, 1\.5, 2\.5"):
        trade.maximum_resistance_per_metre(size_mm2=[1.5, 2.0], table="iso-6722-1")


def test_gauge_and_area_give_the_same_drop() -> None:
    n = np.arange(-3, 25)
    by_gauge = trade.drop_from_gauge(gauge=n, length=5.0, current=10.0, temperature_degc=60.0)
    by_area = trade.drop_from_area(area=trade.area_from_gauge(gauge=n), length=5.0, current=10.0, temperature_degc=60.0)
    assert by_gauge == pytest.approx(by_area, rel=2e-3)


@given(st.floats(1e-3, 5), st.floats(0.1, 50), st.floats(0.1, 500), DEGC)
def test_the_area_for_a_drop_drops_just_that(drop: float, length: float, current: float, t: float) -> None:
    area = trade.area_from_drop(drop=drop, length=length, current=current, temperature_degc=t)
    assert trade.drop_from_area(area=area, length=length, current=current, temperature_degc=t) == pytest.approx(drop)


def test_arrays_of_length_and_current_make_a_table_of_drops() -> None:
    drops = trade.maximum_drop(size_mm2=2.5, length=np.array([[1.0], [6.0]]), current=[1.0, 10.0, 20.0], table="iso-6722-1")  # fmt: skip
    assert drops.shape == (2, 3)
    assert drops[1, 2] == pytest.approx(0.0076 * 6 * 20)


def test_ampacity_of_every_insulation_rises_with_the_wire_and_with_the_rating() -> None:
    n = np.array([18, 16, 14, 12, 10, 8, 6, 4, 3, 2, 1, 0, -1, -2, -3])
    found = np.stack([trade.ampacity(gauge=n, insulation_degc=c) for c in (60, 75, 80, 90, 105, 125, 200)])
    assert np.all(np.diff(found, axis=1) >= 0)
    assert np.all(np.diff(found, axis=0) >= 0)


@pytest.mark.parametrize(("n", "insulation", "part"), [(20, 105, "gauge"), (5, 105, "gauge"), (12, 100, "insulation_degc")])  # fmt: skip
def test_ampacity_out_of_the_table(n: int, insulation: int, part: str) -> None:
    with pytest.raises(InputFault, match=part):
        trade.ampacity(gauge=n, insulation_degc=insulation)


@pytest.mark.parametrize("t", [-101.0, 251.0, [20.0, 1084.0]])
def test_a_temperature_out_of_range_is_a_fault(t: Any) -> None:
    with pytest.raises(InputFault, match="temperature_degc"):
        trade.resistance_at_temperature(resistance_20=1.0, temperature_degc=t)


def test_all_bad_arguments_are_told_at_once_and_shapes_must_fit() -> None:
    with pytest.raises(InputFault) as found:
        trade.area_from_drop(drop=0.0, length=-1.0, current="10 A", temperature_degc=999.0)
    assert [f.where for f in found.value.faults] == ["drop", "length", "current", "temperature_degc"]
    with pytest.raises(InputFault, match="shapes"):
        trade.drop_from_area(area=[1e-6, 2e-6], length=[1.0, 2.0, 3.0], current=1.0)


def test_one_number_in_one_python_number_out() -> None:
    assert type(trade.drop_from_gauge(gauge=12, length=1.0, current=1.0)) is float
    assert type(trade.ampacity(gauge=12)) is float
