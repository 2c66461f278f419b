"""From a display to an estimate, as whoever holds the meter would expect it."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault, MeasurementFault
from diagnb.meters import Meter, MeterReading, load_meter, load_sheet, read_sheet, sheet_files
from diagnb.uncertainty import Estimate, propagate

HANDHELD = load_meter("handheld-6000", instrument="M1")
CLAMP = load_meter("dc-clamp", instrument="A1")
COARSE = load_meter("coarse-circuit-tester", instrument="T1")


def volts(text: str | list[str], **options: Any) -> MeterReading:
    return HANDHELD.read(text, function="dc voltage", **{"ambient_degc": 23.0, **options})


def u(reading: MeterReading) -> float:
    assert reading.estimate is not None
    return float(reading.estimate.standard_uncertainty)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("12.60 V", "60.00 V"), ("12.6 V", "600.0 V"), ("5.123 V", "6.000 V"), ("512.3 mV", "600.0 mV"),
        ("0.512 V", "6.000 V"), ("0.00 V", "60.00 V"), ("6.000 V", "6.000 V"), ("-12.60 V", "60.00 V"), ("12 V", "600.0 V"),
    ],
)  # fmt: skip
def test_the_digits_show_the_range(text: str, name: str) -> None:
    used = volts(text).range
    assert used is not None
    assert used.name == name


def test_a_stated_range_wins() -> None:
    used = volts("5.12", range="60.00 V").range
    assert used is not None
    assert used.name == "60.00 V"


@pytest.mark.parametrize(
    ("text", "options", "what"),
    [
        ("12.601 V", {}, "more digits than the meter shows"),
        ("700.0 V", {}, "above the range"),
        ("12600 V", {}, "above the range"),
        ("7.00 V", {"range": "6.000 V"}, "above the range"),
        ("5.0 V", {"range": "7 V"}, "there is no range"),
        ("5.0 A", {}, "wrong kind of unit"),
        ([], {}, "has no display"),
    ],
)
def test_what_the_meter_can_not_have_shown_is_a_fault(text: Any, options: Any, what: str) -> None:
    with pytest.raises(InputFault, match=what):
        volts(text, **options)


def test_one_reading_alone_carries_its_whole_limit_as_one_rectangle() -> None:
    reading = volts("12.45 V")
    assert u(reading) == pytest.approx((12.45 * 0.005 + 2 * 0.01) / math.sqrt(3), rel=1e-12)
    assert reading.estimate is not None
    row = reading.estimate.budget()[0]
    assert (row.distribution, row.share, row.assumption) == ("rectangular", 1.0, "whole limit as one rectangle")
    assert reading.estimate.expanded(0.95).coverage_factor == pytest.approx(0.95 * math.sqrt(3))


def test_a_display_written_with_fewer_digits_is_known_less_well() -> None:
    # "12 V" may be anything from 11.5 to 12.5.
    assert u(volts("12 V")) > 0.28


def test_cold_widens_the_limit_in_proportion() -> None:
    warm, cold = u(volts("12.60 V", ambient_degc=18)), u(volts("12.60 V", ambient_degc=8))
    # 10 % of the limit per kelvin, ten kelvin below 18 °C: twice the limit.
    assert cold == pytest.approx(2 * warm, rel=1e-12)
    assert u(volts("12.60 V", ambient_degc=28)) == pytest.approx(warm)


def test_without_a_temperature_the_whole_operating_range_is_assumed_and_said() -> None:
    unknown = volts("12.60 V", ambient_degc=None)
    assert unknown.assumptions == ("whole-operating-range-assumed",)
    assert u(unknown) == pytest.approx(u(volts("12.60 V", ambient_degc=-10)), rel=1e-12)


@pytest.mark.parametrize("ambient", [-10.1, 50.1])
def test_outside_the_operating_range_there_is_no_estimate(ambient: float) -> None:
    assert volts("12.60 V", ambient_degc=ambient).refusal == "temperature-outside-operating-range"
    with pytest.raises(MeasurementFault, match="temperature-outside-operating-range"):
        HANDHELD.estimate("12.60 V", function="dc voltage", ambient_degc=ambient)


def test_below_the_stated_level_nothing_is_extrapolated() -> None:
    low = HANDHELD.read("29.9 mV", function="ac voltage", ambient_degc=23)
    assert low.refusal == "below-stated-level"
    assert HANDHELD.read("30.0 mV", function="ac voltage", ambient_degc=23).refusal is None


def test_over_range_and_unsteady_displays_are_refusals() -> None:
    assert volts("OL").refusal == "over-range"
    assert volts(["12.60 V", "OL"]).refusal == "over-range"
    assert volts("not stable").refusal == "not-stable"


def test_percent_of_reading_is_of_what_the_display_shows() -> None:
    # 1 % of 20 °C and ten counts of 0.1 °C, not 1 % of 293 K.
    celsius = HANDHELD.estimate("20.0 °C", function="temperature", ambient_degc=23)
    assert celsius.value == pytest.approx(293.15)
    assert celsius.standard_uncertainty == pytest.approx((0.2 + 1.0) / math.sqrt(3), rel=1e-9)
    below = HANDHELD.estimate("-20.0 °C", function="temperature", ambient_degc=23)
    assert below.standard_uncertainty == pytest.approx((0.2 + 1.0) / math.sqrt(3), rel=1e-9)


def test_repeats_add_their_scatter_with_n_minus_one() -> None:
    texts = ["1.418 V", "1.421 V", "1.416 V", "1.420 V"]
    reading = volts(texts)
    assert reading.estimate is not None
    values = [1.418, 1.421, 1.416, 1.420]
    mean = sum(values) / 4
    scatter = math.sqrt(sum((x - mean) ** 2 for x in values) / 3 / 4)
    rows = {row.source: row for row in reading.estimate.parts}
    assert reading.estimate.value == pytest.approx(mean, rel=1e-12)
    assert rows["reading: repeats"].contribution == pytest.approx(scatter, rel=1e-9)
    assert rows["reading: repeats"].degrees_of_freedom == 3
    assert rows["reading: accuracy"].contribution == pytest.approx((mean * 0.005 + 0.002) / math.sqrt(3), rel=1e-9)


def drop(first: Meter, second: Meter, function: str = "dc voltage", a: str = "12.62 V", b: str = "12.38 V") -> Estimate:
    read = {
        name: meter.estimate(text, function=function, ambient_degc=23, name=name)
        for name, meter, text in (("a", first, a), ("b", second, b))
    }
    return propagate("a - b", read)


def with_common(fraction: float | None, zeroed: str = "") -> Meter:
    plain = dict(load_sheet(sheet_files()["handheld-6000"]).plain)
    function = {**plain["functions"][0], "zeroed": zeroed}
    if fraction is not None:
        function["common_fraction"] = fraction
    return Meter(read_sheet({**plain, "functions": [function]}), "M1")


def test_the_direct_reading_is_about_eighty_times_better_than_the_difference() -> None:
    direct = volts("240.0 mV")
    assert 60 < drop(HANDHELD, HANDHELD).standard_uncertainty / u(direct) < 90


def test_an_unknown_common_share_is_taken_at_the_end_that_is_worse_for_this_result() -> None:
    a, b = (
        HANDHELD.estimate(t, function="dc voltage", ambient_degc=23, name=n)
        for t, n in (("12.62 V", "a"), ("12.38 V", "b"))
    )
    difference, total = propagate("a - b", {"a": a, "b": b}), propagate("a + b", {"a": a, "b": b})
    assert {r.assumption for r in difference.parts if "gain" in r.source} == {"taken as independent"}
    assert {r.assumption for r in total.parts if "gain" in r.source} == {"taken as fully common"}
    for fraction in (0.0, 0.3, 0.8, 1.0):
        meter = with_common(fraction)
        assert drop(meter, meter).standard_uncertainty <= difference.standard_uncertainty * (1 + 1e-12)
        one, two = (
            meter.estimate(t, function="dc voltage", ambient_degc=23, name=n)
            for t, n in (("12.62 V", "a"), ("12.38 V", "b"))
        )
        summed = propagate("a + b", {"a": one, "b": two})
        assert summed.standard_uncertainty <= total.standard_uncertainty * (1 + 1e-12)


def test_common_fraction_moves_between_the_two_ends() -> None:
    spread = [drop(with_common(f), with_common(f)).standard_uncertainty for f in (0.0, 0.5, 0.8, 1.0)]
    assert spread == sorted(spread, reverse=True)
    assert spread[-1] == pytest.approx(0.00414, abs=5e-6)


def test_the_offset_cancels_in_a_difference_but_not_after_zeroing_again() -> None:
    kept, zeroed = with_common(1.0), with_common(1.0, "each reading")
    assert drop(zeroed, zeroed).standard_uncertainty > 2 * drop(kept, kept).standard_uncertainty
    offsets = [r for r in drop(kept, kept).parts if r.source.endswith("offset") and r.contribution]
    assert offsets == []


def test_two_instruments_share_nothing() -> None:
    other = load_meter("handheld-6000", instrument="M2")
    assert drop(HANDHELD, other).standard_uncertainty == pytest.approx(0.0674, abs=5e-5)
    # Two ranges of one instrument share nothing either, because nobody has stated what they share.
    ranges = propagate(
        "a - b",
        {
            "a": HANDHELD.estimate("5.000 V", function="dc voltage", ambient_degc=23, name="a"),
            "b": HANDHELD.estimate("500.0 mV", function="dc voltage", ambient_degc=23, name="b"),
        },
    )
    assert len(ranges.parts) == 2


def test_a_coarse_tester_knows_a_tenth_of_a_volt() -> None:
    reading = COARSE.estimate("0.1 V", function="dc voltage", ambient_degc=23)
    assert reading.standard_uncertainty == pytest.approx(0.1 / math.sqrt(3))


@pytest.mark.parametrize("symbol", ["mV", "V", "kV"])
def test_the_unit_does_not_change_the_result(symbol: str) -> None:
    texts = {"mV": "12600 mV", "V": "12.60 V", "kV": "0.01260 kV"}
    base = HANDHELD.estimate("12.60 V", function="dc voltage", ambient_degc=23)
    if symbol == "mV":
        # A display of 12600 mV has a step of 1 mV, finer than this meter shows there.
        with pytest.raises(InputFault, match="more digits"):
            HANDHELD.estimate(texts[symbol], function="dc voltage", ambient_degc=23)
        return
    found = HANDHELD.estimate(texts[symbol], function="dc voltage", ambient_degc=23)
    assert (found.value, found.standard_uncertainty) == pytest.approx((base.value, base.standard_uncertainty))


@given(st.integers(-6000, 6000))
def test_the_limit_grows_with_the_reading_and_is_symmetric(counts: int) -> None:
    text = f"{counts / 100:.2f} V"
    there, back = volts(text), volts(text.removeprefix("-") if counts < 0 else f"-{text}")
    assert u(there) == pytest.approx(u(back), rel=1e-12)
    assert u(there) == pytest.approx((abs(counts) / 100 * 0.005 + 0.02) / math.sqrt(3), rel=1e-9)


SHEET: dict[str, Any] = {
    "schema": "diagnb-meter/1", "id": "x", "title": "x", "source": "x", "operating_degc": [0, 40], "calibration_months": 12,
    "functions": [{"name": "f", "unit": "V", "ranges": [{"full_scale": "6.000 V", "percent": "0.5", "counts": 2}]}],
}  # fmt: skip


def changed(**changes: Any) -> dict[str, Any]:
    return {**SHEET, **changes}


@pytest.mark.parametrize(
    ("sheet", "where"),
    [
        (changed(schema="diagnb-meter/9"), "sheet.schema"),
        (changed(schema=None), "sheet.schema"),
        (changed(id="a b"), "sheet.id"),
        (changed(id="a\n"), "sheet.id"),
        (changed(extra=1), "sheet.extra"),
        (changed(title=""), "sheet.title"),
        (changed(operating_degc=[40, 0]), "sheet.operating_degc"),
        (changed(calibration_months=0), "sheet.calibration_months"),
        (changed(functions=[]), "sheet.functions"),
        (changed(functions=[1]), "sheet.functions[0]"),
        (changed(functions=SHEET["functions"] * 2), "sheet.functions"),
        (changed(functions=[{**SHEET["functions"][0], "unit": "V**9**9"}]), "sheet.functions[0].unit"),
        (changed(functions=[{**SHEET["functions"][0], "common_fraction": 2}]), "sheet.functions[0].common_fraction"),
        (changed(functions=[{**SHEET["functions"][0], "zeroed": "x"}]), "sheet.functions[0].zeroed"),
        (changed(functions=[{**SHEET["functions"][0], "ranges": [{"full_scale": "OL", "percent": 1, "counts": 1}]}]), "sheet.functions[0].ranges[0].full_scale"),
        (changed(functions=[{**SHEET["functions"][0], "ranges": [{"full_scale": "6 A", "percent": 1, "counts": 1}]}]), "sheet.functions[0].ranges[0].full_scale"),
        (changed(functions=[{**SHEET["functions"][0], "ranges": [{"full_scale": "6 V", "percent": 0, "counts": 0}]}]), "sheet.functions[0].ranges[0]"),
        (changed(functions=[{**SHEET["functions"][0], "ranges": [{"full_scale": "6 V", "percent": -1, "counts": 1}]}]), "sheet.functions[0].ranges[0].percent"),
    ],
)  # fmt: skip
def test_a_broken_sheet_says_where(sheet: dict[str, Any], where: str) -> None:
    with pytest.raises(InputFault) as raised:
        read_sheet(sheet)
    assert where in [f.where for f in raised.value.faults]


def test_all_faults_of_a_sheet_come_at_once() -> None:
    with pytest.raises(InputFault) as raised:
        read_sheet({"schema": "diagnb-meter/2", "functions": [{}], "x": 1})
    assert len(raised.value.faults) >= 6
    assert "newer version" in str(raised.value)


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_any_sheet_is_read_or_refused(data: st.DataObject) -> None:
    sheet: dict[str, Any] = {k: v for k, v in SHEET.items() if data.draw(st.booleans(), label=k)}
    for key in data.draw(st.lists(st.sampled_from([*SHEET, "note", "reference_degc"]), max_size=3)):
        sheet[key] = data.draw(json_like)
    if data.draw(st.booleans()):
        entry: dict[str, Any] = dict(SHEET["functions"][0])
        entry[data.draw(st.sampled_from([*entry, "burden", "zeroed", "common_fraction", "x"]))] = data.draw(json_like)
        sheet["functions"] = [entry]
    try:
        read_sheet(sheet)
    except InputFault as error:
        assert error.faults


@pytest.mark.parametrize("name", sorted(sheet_files()))
def test_every_shipped_sheet_loads_and_says_that_it_is_invented(name: str) -> None:
    sheet = load_sheet(sheet_files()[name])
    assert sheet.id == name
    assert sheet.plain["invented"] is True


def test_files_that_are_no_sheet_are_named(tmp_path: Any) -> None:
    for name, content in (("a.toml", b"\xff"), ("b.toml", b"a = "), ("c.toml", b"a = " + b"[" * 5000)):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputFault, match="is not TOML"):
            load_sheet(path)
    with pytest.raises(InputFault, match="can't be read"):
        load_sheet(tmp_path / "none.toml")
    with pytest.raises(InputFault, match="no such accuracy sheet"):
        load_meter("nothing")
