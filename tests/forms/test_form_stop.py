"""Above 60 V DC or 30 V AC the sheet stops until a qualified person is named; cautions are recorded as shown."""

from __future__ import annotations

import pytest

from diagnb.errors import InputFault
from diagnb.readiness import check


def drop_test(model) -> str:
    return model.add("tests", procedure="feed-side-drop", phase="as found")


def test_a_voltage_above_the_class_limit_is_kept_and_nothing_more_is_taken(model):
    test = drop_test(model)
    model.put(f"tests.{test}.readings.drop", "64.2 V")
    assert model.text(f"tests.{test}.readings.drop") == "64.2 V"
    said = model.stop().sentence
    assert "64.2 V, above 60 V DC" in said
    assert "qualified person" in said
    with pytest.raises(InputFault, match="stopped"):
        model.put(f"tests.{test}.readings.load_current", "5.00 A")
    with pytest.raises(InputFault, match="stopped"):
        model.add("tests", procedure="ground-side-drop", phase="as found")
    with pytest.raises(InputFault, match="stopped"):
        model.repeat_as_left()
    assert model.text(f"tests.{test}.readings.load_current") == ""


def test_a_qualified_person_with_a_qualification_ends_the_stop_and_stands_in_the_record(model):
    test = drop_test(model)
    model.put(f"tests.{test}.readings.load_current", "5.00 A")
    model.put(f"tests.{test}.readings.drop", "64.2 V")
    model.put("people.qualified.name", "Quin Example")
    assert model.stop() is not None
    assert any(f.where == "people.qualified.qualification" for f in model.faults())
    model.put("people.qualified.qualification", "x")
    assert model.stop() is not None
    assert any("too short" in f.what for f in model.faults() if f.where == "people.qualified.qualification")
    model.put("people.qualified.qualification", "high-voltage course 3 (invented)")
    assert model.stop() is None
    model.put(f"tests.{test}.readings.load_current", "5.10 A")
    record, evaluation = model.frozen()
    assert record.person(record.qualified_person).name == "Quin Example"
    assert record.person(record.qualified_person).qualification == "high-voltage course 3 (invented)"
    assert "qualified-person-missing" not in [r.code for r in check(record, evaluation)]
    assert all(r.refusal != "qualified-person-missing" for r in evaluation.tests[0].readings)
    assert "C5" in [c.id for c in record.cautions_shown]


def test_a_slip_of_typing_is_corrected_at_its_own_field(model):
    test = drop_test(model)
    model.put(f"tests.{test}.readings.drop", "126")
    assert model.stop() is not None
    model.put(f"tests.{test}.readings.drop", "126 mV")
    assert model.stop() is None
    model.put(f"tests.{test}.readings.load_current", "5.00 A")


@pytest.mark.parametrize(
    ("procedure", "part", "text"),
    [
        ("lamp-socket-voltage", "given.design_voltage", "72 V"),
        ("alternator-ripple", "readings.ripple_reading", "31 V"),
        ("path-test", "readings.node_n2", "61"),
    ],
)
def test_a_stated_supply_an_alternating_voltage_and_a_node_stop_as_well(model, procedure, part, text):
    test = model.add("tests", procedure=procedure, phase="as found")
    known = {f"readings.{s.name}" for s in model.specs(test)} | {
        f"given.{g.name}" for g in model.procedure(test).givens
    }
    if part not in known:
        part = next(f"readings.{s.name}" for s in model.specs(test) if s.function == "ac voltage")
    model.put(f"tests.{test}.{part}", text)
    assert model.stop().keys == (f"tests.{test}.{part}",)


@pytest.mark.parametrize("kind", ["restraint", "control module or data network", "high voltage"])
def test_what_feeds_the_circuit_is_refused_with_the_caution_on_circuits_that_are_only_measured(model, kind):
    model.put("circuit.class", kind)
    feeding = next(p.id for p in model.library.procedures.values() if p.energise == "allowed")
    with pytest.raises(InputFault) as refused:
        model.add("tests", procedure=feeding, phase="as found")
    assert model.circuit_caution()
    assert model.circuit_caution() in str(refused.value)
    assert not model.tests()


def test_the_caution_of_the_circuit_is_recorded_when_it_is_shown_also_after_the_test_was_added(model):
    drop_test(model)
    assert model.text("cautions.C1") == ""
    model.put("circuit.class", "restraint")
    assert model.text("cautions.C1") == "shown"
    assert "C1" in [c.id for c in model.record().cautions_shown]


def test_the_screen_says_it_and_closes_the_other_fields(bench):
    bench.fill()
    told = bench.type("tests.t1.readings.drop", "350 V")
    assert told["ack"]["version"]
    rows = bench.sheet.grids["found"].rows
    assert rows[0]["tone"] == "stop"
    assert [row["key"] for row in rows[1:3]] == ["people.qualified.name", "people.qualified.qualification"]
    assert bench.row("tests.t1.readings.load_current")["disabled"] is True
    assert bench.row("tests.t1.readings.drop")["disabled"] is False
    refused = bench.type("tests.t1.readings.load_current", "3 A")
    assert refused["k"] == "refused"
    assert "qualified person" in refused["reason"]
    bench.type("people.qualified.name", "Quin Example")
    bench.type("people.qualified.qualification", "course 3")
    assert bench.row("tests.t1.readings.load_current")["disabled"] is False
    assert all(row.get("tone") != "stop" for row in bench.sheet.grids["found"].rows)


def test_a_number_on_its_way_to_millivolts_stops_nothing_until_the_field_is_left(bench):
    bench.fill()
    bench.type("tests.t1.readings.drop", "148")
    assert bench.model.stop() is None
    assert bench.model.text("cautions.C5") == ""
    grid = bench.sheet.grids["found"]
    grid._handle_custom_msg({"k": "left", "view": "v", "key": "tests.t1.readings.drop"}, [])
    assert grid.rows[0]["label"].startswith("Waiting for an answer: ")
    assert bench.row("tests.t1.readings.drop")["caution"] == "= 148 V; did you mean mV?"
    assert "answer the question" in bench.row("tests.t1.readings.load_current")["caution"]
    assert bench.model.text("cautions.C5") == ""
    bench.act(bench.row("tests.t1.readings.drop")["deny"]["act"])
    assert grid.rows[0]["tone"] == "stop"
    assert "high voltage" in bench.row("tests.t1.readings.drop")["fault"]
    assert bench.model.text("tests.t1.readings.drop.confirmed") == "148"
    assert bench.model.text("cautions.C5") == "shown"
    bench.type("tests.t1.readings.drop", "148 mV")
    assert bench.model.stop() is None
    assert all(row.get("tone") != "stop" for row in grid.rows)


@pytest.mark.parametrize(
    "change",
    [
        {"vehicle.system_voltage": ""},
        {"circuit.class": "high voltage"},
        {"tests.t1.readings.drop": "148 V"},
        {"tests.t1.readings.load_feed_voltage": "148"},
    ],
)
def test_where_millivolts_are_not_likely_the_form_stops_at_once(bench, change):
    bench.fill()
    bench.model.put_all({"tests.t1.readings.drop": "148", **change})
    stop = bench.model.stop()
    assert stop is not None
    assert (stop.asks, bench.model.text("cautions.C5")) == (False, "shown")


def test_the_next_reading_is_refused_also_when_nobody_said_that_the_field_was_left(bench):
    bench.fill()
    bench.type("tests.t1.readings.drop", "148")
    assert bench.type("tests.t1.readings.load_current", "3 A")["k"] == "refused"
