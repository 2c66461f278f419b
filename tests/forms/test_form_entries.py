"""Entries that can be read in two ways, assumed widths, and times that are stated later."""

from __future__ import annotations

import datetime as dt

import pytest

from diagnb.errors import InputFault
from diagnb.forms.fields import read_moment, read_total

HERE = dt.timezone(dt.timedelta(hours=1))


@pytest.mark.parametrize("text", ["212,400", "212.400", "12,400 mi", "1.000"])
def test_three_digits_after_one_mark_are_asked_about(text):
    with pytest.raises(InputFault, match=r"without a thousands mark: [0-9]+ "):
        read_total("km")(text)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [("212400", "212400", "km"), ("212 400", "212400", "km"), ("212400,5 mi", "212400.5", "mi"), ("0.400", "0.400", "km"), ("212.4", "212.4", "km")],
)  # fmt: skip
def test_a_plain_total_is_taken_as_it_is(text, value, unit):
    assert read_total("km")(text) == {"value": value, "unit": unit}


def test_the_odometer_asks_at_its_field_and_says_the_repair(bench):
    bench.sheet.show("vehicle")
    bench.type("vehicle.odometer", "212,400")
    assert "without a thousands mark: 212400" in bench.row("vehicle.odometer")["fault"]
    assert "vehicle.odometer" in [fault.where for fault in bench.model.faults()]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-02 09:05", "2026-03-02T09:05:00+01:00"),
        ("2026.3.2 9.05", "2026-03-02T09:05:00+01:00"),
        ("2026-03-02 09:05 UTC+02:00", "2026-03-02T09:05:00+02:00"),
        ("2026-03-02T09:05:07.123+01:00", "2026-03-02T09:05:07+01:00"),
        ("2026-03-02 09:05Z", "2026-03-02T09:05:00+00:00"),
    ],
)
def test_a_moment_is_read_with_or_without_its_zone(text, expected):
    assert read_moment(text, lambda moment: moment.replace(tzinfo=HERE)).isoformat() == expected


@pytest.mark.parametrize("text", ["2026-03-02", "2026-13-02 09:05", "2026-03-02 25:05", "09:05", "yesterday", "2026-03-02 09:05+99:00"])  # fmt: skip
def test_what_is_no_moment_is_refused_with_an_example(text):
    with pytest.raises(InputFault, match="2026-03-02 09:05"):
        read_moment(text, lambda moment: moment.replace(tzinfo=HERE))


def test_the_job_and_a_test_may_have_been_earlier_and_readings_follow_the_test(bench):
    bench.fill()
    bench.sheet.show("vehicle")
    bench.type("order.opened", "2026-03-02 09:05")
    assert bench.row("order.opened")["back"] == "2026-03-02 09:05 UTC+01:00"
    bench.sheet.show("found")
    assert bench.row("tests.t1.time")["hint"].startswith("left blank: 2026-03-05 09:3")
    bench.type("tests.t1.time", "2026-03-02 10:15")
    record = bench.model.record()
    assert record.order.opened.isoformat() == "2026-03-02T09:05:00+01:00"
    (test,) = record.tests
    assert {test.time, *(reading.time for reading in test.readings)} == {dt.datetime(2026, 3, 2, 10, 15, tzinfo=HERE)}
    bench.type("tests.t1.time", "last week")
    assert bench.row("tests.t1.time")["fault"]
    assert [fault.where for fault in bench.model.faults()] == ["tests.t1.time"]


def cranking(bench) -> None:
    bench.fill()
    bench.sheet._add_test("cranking-voltage", "found", "")
    bench.type("tests.t2.given.air_temperature", "8")


def test_an_assumed_width_is_shown_and_can_be_replaced(bench):
    cranking(bench)
    row = bench.row("tests.t2.given.air_temperature")
    assert row["back"] == "8 °C ± 2 °C, assumed by the procedure"
    bench.type("tests.t2.given.air_temperature.source", "thermometer beside the engine")
    bench.type("tests.t2.given.air_temperature.half_width", "± 0,5")
    assert bench.model.record().tests[1].given["air_temperature"].half_width == "0.5"
    assert "assumed" not in bench.row("tests.t2.given.air_temperature")["back"]
    bench.type("tests.t2.given.air_temperature.half_width", "0")
    assert "above zero" in bench.row("tests.t2.given.air_temperature.half_width")["fault"]


def test_a_width_assumed_in_another_unit_is_converted(bench):
    cranking(bench)
    bench.type("tests.t2.given.air_temperature", "46.4 °F")
    bench.type("tests.t2.given.air_temperature.source", "thermometer")
    given = bench.model.record().tests[1].given["air_temperature"]
    assert (given.unit, float(given.half_width)) == ("°F", pytest.approx(3.6))


def test_a_repeated_test_brings_its_given_values_with_their_sources_and_widths(bench):
    cranking(bench)
    bench.type("tests.t2.given.air_temperature.half_width", "0.5")
    bench.type("tests.t2.given.air_temperature.source", "thermometer beside the engine")
    bench.sheet.show("left")
    bench.sheet._repeat()
    left = bench.model.tests("as left")[1]
    brought = f"tests.{left}.given.air_temperature"
    assert bench.model.text(brought) == "", "a temperature is read again"
    assert bench.model.text(f"{brought}.source") == "thermometer beside the engine"
    assert bench.model.text(f"{brought}.half_width") == "0.5"
    assert all(not bench.model.text(f"tests.{left}.readings.{s.name}") for s in bench.model.specs(left))


@pytest.mark.parametrize(
    ("procedure", "given", "offered"),
    [
        ("fuse-current-estimate", "fuse_resistance", None),
        ("key-off-draw", "battery_capacity", "read on the label"),
        ("battery-load-test-half-cca", "battery_temperature", "read on a thermometer"),
    ],
)
def test_a_source_is_offered_only_where_it_makes_sense(bench, procedure, given, offered):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test(procedure, "found", "")
    bench.type(f"tests.t1.given.{given}", "7.41")
    fix = bench.row(f"tests.t1.given.{given}.source").get("fix")
    assert (fix and fix["text"]) == offered


@pytest.mark.parametrize(("voltage", "said"), [("12", "500 A at 12 V"), ("24", "250 A at 24 V"), ("48", "none for")])
def test_the_reference_current_of_a_cable_drop_is_said_with_its_source(bench, voltage, said):
    for key, text in {**bench.visit, "vehicle.system_voltage": voltage}.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test("starter-cable-drop", "found", "")
    notes = [row["label"] for row in bench.sheet.grids["found"].rows if row["kind"] == "note"]
    (found,) = [text for text in notes if text.startswith("Reference current:")]
    assert said in found
    assert "p. 13-23" in found


def test_the_form_shows_the_very_number_that_is_reported(bench):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test("fuse-current-estimate", "found", "")
    bench.type("tests.t1.readings.drop", "3.4 mV")
    bench.type("tests.t1.given.fuse_resistance", "7.41 mΩ")
    (reported,) = bench.model.review().evaluation.tests[0].results
    assert reported.method == "monte-carlo"
    assert bench.model.evaluated("t1")[0].results[0].value == reported.value
    shown = next(row for row in bench.sheet.grids["found"].rows if row["kind"] == "result")
    assert shown["value"] == bench.sheet.rows.presenter.value(reported)


def test_a_coverage_that_ends_before_it_begins_is_said(bench):
    bench.sheet.show("vehicle")
    bench.type("coverage.begins", "2019-05-01")
    bench.type("coverage.ends", "2018-05-01")
    assert "before the coverage begins (2019-05-01)" in bench.row("coverage.ends")["caution"]
    bench.type("coverage.ends", "2022-05-01", seq=2)
    assert not bench.row("coverage.ends").get("caution")
    bench.type("coverage.begins", "2023-05-01", seq=2)
    assert "2023-05-01" in bench.row("coverage.ends")["caution"]


def test_no_time_is_named_for_a_test_without_a_reading(bench):
    bench.sheet.show("found")
    bench.sheet._add_test("feed-side-drop", "found", "")
    assert bench.row("tests.t1.time")["hint"] == "left blank: when its first reading is typed"
    bench.type("tests.t1.readings.drop", "350 mV")
    assert bench.row("tests.t1.time")["hint"].endswith("UTC+01:00, when its first reading was typed")
