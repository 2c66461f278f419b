"""The form without its widgets: what is typed, what is said, what becomes a record."""

from __future__ import annotations

import threading

import pytest

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.forms.model import FormModel


def feed_drop(model: FormModel, phase: str = "as found", drop: str = "350 mV", current: str = "5.00") -> str:
    test = model.add("tests", procedure="feed-side-drop", phase=phase)
    model.put(f"tests.{test}.readings.drop", drop)
    model.put(f"tests.{test}.readings.load_current", current)
    return test


def verdict(model: FormModel, test: str, result: str = "feed_drop") -> str:
    evaluated, _ = model.evaluated(test)
    assert evaluated is not None
    return evaluated.result(result).verdict.verdict


@pytest.mark.parametrize(
    ("drop", "expected"),
    [("350 mV", "fail"), ("50.0 mV", "pass"), ("0.200", "conditional pass"), ("201.0mV", "conditional fail")],
)
def test_a_reading_becomes_a_verdict_while_the_rest_of_the_sheet_is_blank(open_model, drop, expected):
    model = open_model()
    model.begin({})
    model.add("instruments", meter="handheld-6000", due="2027-01-10")
    test = model.add("tests", procedure="feed-side-drop", phase="as found")
    model.put(f"tests.{test}.readings.drop", drop)
    assert verdict(model, test) == expected


def test_every_key_press_on_the_way_to_a_reading_is_answered(model):
    test = model.add("tests", procedure="feed-side-drop", phase="as found")
    text = ""
    for letter in "350 mV; 351 mV":
        text += letter
        answer = model.put(f"tests.{test}.readings.drop", text)
        assert answer.trouble == ""
        assert answer.tests == {test}
        model.reading_state(test, "drop")
    evaluated, faults = model.evaluated(test)
    assert not faults
    assert evaluated.result("feed_drop").value == pytest.approx(0.3505)


def test_everything_comes_back_when_the_sheet_is_opened_again(model, open_model):
    test = feed_drop(model, drop="abc")
    before = dict(model.values)
    again = open_model()
    assert dict(again.values) == before
    assert "not one reading" in again.reading_state(test, "drop").fault
    again.put(f"tests.{test}.readings.drop", "350 mV")
    assert verdict(again, test) == "fail"


def test_the_record_is_the_record_of_what_was_typed(model):
    test = feed_drop(model)
    record, evaluation = model.frozen()
    assert record.vehicle.odometer.value == "183412"
    assert record.order.opened.utcoffset().total_seconds() == 3600
    reading = record.tests[0].readings[0]
    assert reading.texts == ("350 mV",)
    assert (reading.from_point, reading.to_point, reading.load_state) == ("source +", "load +", "load on")
    assert record.tests[0].readings[1].texts == ("5.00 A",)
    assert reading.time is not None
    assert evaluation.test(test).result("feed_drop").verdict.verdict == "fail"
    assert [c.id for c in record.cautions_shown] == ["C8"]
    assert evaluate(record).to_plain() == evaluation.to_plain()


def test_all_faults_are_named_at_once_with_their_fields(open_model):
    model = open_model()
    model.begin({})
    model.put("vehicle.in_service", "5.3.2026")
    model.add("instruments", meter="handheld-6000", calibrated="2026-05-01", due="2026-04-01")
    test = model.add("tests", procedure="key-off-draw", phase="as found")
    model.put(f"tests.{test}.readings.draw", "12 V")
    where = {fault.where for fault in model.faults()}
    assert {
        "order.number", "vehicle.system_voltage", "circuit.name", "circuit.class", "complaint", "vehicle.in_service",
        "people.technician.name", "instruments.m1.serial", f"tests.{test}.readings.draw",
    } <= where  # fmt: skip
    assert any("due before" in fault.what for fault in model.faults())


def test_a_complete_sheet_has_no_faults(model):
    feed_drop(model)
    assert model.faults() == ()


def test_a_missing_instrument_is_said_at_the_reading(open_model):
    model = open_model()
    model.begin({})
    test = model.add("tests", procedure="feed-side-drop", phase="as found")
    model.put(f"tests.{test}.readings.drop", "350 mV")
    assert "no instrument on this sheet measures dc voltage" in model.reading_state(test, "drop").fault
    model.add("instruments", meter="handheld-6000", due="2027-01-10")
    assert model.reading_state(test, "drop").fault == ""
    assert verdict(model, test) == "fail"


def test_more_digits_than_the_meter_has_is_said_at_the_reading_and_the_others_still_count(model):
    test = feed_drop(model, drop="0.10001")
    assert "more digits than the meter shows" in model.reading_state(test, "drop").fault
    evaluated, _ = model.evaluated(test)
    assert [r.name for r in evaluated.readings] == ["load_current"]


def test_an_overdue_meter_is_not_judged(model):
    test = feed_drop(model)
    model.put("instruments.m1.due", "2026-02-01")
    evaluated, _ = model.evaluated(test)
    assert (evaluated.result("feed_drop").verdict.verdict, evaluated.result("feed_drop").reason) == (
        "not judged",
        "meter-overdue",
    )


def test_a_limit_of_the_maker_replaces_the_procedures_own(model):
    test = feed_drop(model)
    model.put(f"tests.{test}.limits.feed_drop.use", "own")
    model.put(f"tests.{test}.limits.feed_drop.upper", "0.5")
    assert verdict(model, test) == "pass"
    assert [f.where for f in model.faults()] == [f"tests.{test}.limits.feed_drop.source"]
    model.put(f"tests.{test}.limits.feed_drop.source", "invented service manual, p. 12")
    used = model.frozen()[1].test(test).result("feed_drop").limit
    assert (used.upper, used.source, used.stated_by) == (0.5, "invented service manual, p. 12", "user")


def test_as_left_repeats_as_found_with_the_same_instruments_and_limits_but_no_readings(model):
    found = feed_drop(model)
    model.put(f"tests.{found}.instrument", "m1")
    model.put(f"tests.{found}.limits.feed_drop.use", "own")
    model.put(f"tests.{found}.limits.feed_drop.upper", "0.3")
    model.put(f"tests.{found}.limits.feed_drop.source", "invented manual")
    (left,) = model.repeat_as_left()
    assert model.repeat_as_left() == ()
    assert model.text(f"tests.{left}.instrument") == "m1"
    assert model.text(f"tests.{left}.readings.drop") == ""
    model.put(f"tests.{left}.readings.drop", "48.0 mV")
    record, evaluation = model.frozen()
    assert record.tests[1].repeats_test == found
    assert record.tests[1].phase == "as left"
    assert evaluation.test(left).result("feed_drop").limit.upper == 0.3
    model.undo()
    model.undo()
    assert model.tests("as left") == ()


def test_taking_a_test_off_the_sheet_can_be_undone(model):
    test = feed_drop(model)
    model.remove("tests", test)
    assert model.tests() == ()
    assert model.add("tests", procedure="feed-side-drop", phase="as found") != test
    model.undo()
    model.undo()
    assert model.tests() == (test,)
    assert verdict(model, test) == "fail"


def test_a_restraint_circuit_shows_and_records_its_caution(model):
    model.put("circuit.class", "restraint")
    test = feed_drop(model)
    assert any(text.startswith("Restraint") for text in model.cautions(test))
    assert {c.id for c in model.record().cautions_shown} >= {"C1", "C8"}


def test_a_closed_sheet_says_so_and_stays_as_it_is(model, open_model):
    feed_drop(model)
    model.close({"report": "r.pdf"})
    assert model.locked.startswith("Signed")
    with pytest.raises(InputFault, match="new revision"):
        model.put("complaint", "other")
    again = open_model()
    assert again.locked.startswith("Signed")
    assert again.record() == model.record()


def test_a_second_model_on_the_same_sheet_reads_only(model, tmp_path, clock):
    from diagnb.forms.journal import Journal

    second = FormModel(Journal.open(tmp_path / "drafts" / "s-1.jsonl"), sheet="s-1", library=model.library, clock=clock)
    assert second.locked.startswith("Read only")
    assert second.text("complaint") == "left low beam dim"
    with pytest.raises(InputFault):
        second.put("complaint", "x")
    second.release()


def test_a_fault_after_the_journal_never_costs_the_entry(model, open_model, monkeypatch):
    test = feed_drop(model)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a fault in the evaluation")

    monkeypatch.setattr("diagnb.forms.model.evaluate_test", broken)
    answer = model.put(f"tests.{test}.readings.drop", "351 mV")
    assert answer.trouble.startswith("entries are saved; ")
    monkeypatch.undo()
    assert open_model().text(f"tests.{test}.readings.drop") == "351 mV"


def test_two_threads_typing_at_once_lose_nothing(model, open_model):
    test = model.add("tests", procedure="feed-side-drop", phase="as found")
    failures = []

    def type_into(key: str, texts: list[str]) -> None:
        try:
            for text in texts:
                model.put(key, text)
        except Exception as error:
            failures.append(error)

    threads = [
        threading.Thread(target=type_into, args=(f"tests.{test}.readings.drop", [f"{n} mV" for n in range(10, 60)])),
        threading.Thread(target=type_into, args=(f"tests.{test}.readings.load_current", [f"{n}.0" for n in range(1, 51)])),
        threading.Thread(target=type_into, args=("complaint", ["x" * n for n in range(50)])),
    ]  # fmt: skip
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures
    again = open_model()
    assert again.text(f"tests.{test}.readings.drop") == "59 mV"
    assert again.text(f"tests.{test}.readings.load_current") == "50.0"
    assert again.text("complaint") == "x" * 49
    assert verdict(again, test) == "pass"


def test_what_a_test_cannot_use_is_a_fault_and_not_a_crash(open_model):
    model = open_model()
    model.begin({})
    for key in ("tests.t1.procedure", "tests.t9.phase", "instruments.m1.meter", "findings.f1.opinion", "parts.p1.lot"):
        model.put(key, "nothing of the kind")
    assert model.faults()
    assert model.evaluated("t1")[0] is None


def test_findings_name_the_tests_that_show_them(model):
    test = feed_drop(model)
    name = model.add("findings", text="The feed side takes too much.")
    model.put(f"findings.{name}.shows.{test}", "yes")
    record = model.record()
    assert record.findings[0].tests == (test,)
    assert record.findings[0].opinion is False


def test_parts_and_codes_reach_the_record(model):
    feed_drop(model)
    model.add("parts", action="removed", number="P-1", description="fuse holder", causal="yes", lot="L9")
    model.add("codes", text="SPN 168 FMI 4", phase="as found")
    record = model.record()
    assert record.parts[0].causal is True
    assert record.codes[0].phase == "as found"


def test_no_test_is_later_than_its_record_and_closing_changes_nothing(model):
    feed_drop(model)
    record = model.record()
    assert max(t.time for t in record.tests) <= record.created
    assert record.order.opened < record.created
    model.close({"report": "r.pdf"})
    assert model.record() == record


def test_instruments_of_an_earlier_sheet_are_taken_over_once_and_undone_at_once(model, open_model, tmp_path, clock):
    from diagnb.forms.journal import Journal
    from diagnb.forms.model import load_library

    earlier = Journal.read(model.journal.path).values
    new = FormModel(Journal.open(tmp_path / "drafts" / "s-2.jsonl"), sheet="s-2", library=load_library(), clock=clock)
    new.begin({})
    assert new.take_over_instruments(earlier) == ("m1", "m2")
    assert new.text("instruments.m2.serial") == "S-2"
    assert new.take_over_instruments(earlier) == ()
    new.undo()
    assert new.items("instruments") == ()
    new.release()


def test_a_shops_broken_file_is_left_out_and_named(tmp_path):
    from diagnb.forms.model import load_library

    (tmp_path / "meters").mkdir()
    (tmp_path / "meters" / "own.toml").write_text("schema = 'diagnb-meter/1'\nid = 3", encoding="utf-8")
    library = load_library(tmp_path)
    assert "own" not in library.meters
    assert "handheld-6000" in library.meters
    assert any("own.toml" in str(fault) for fault in library.faults)


def test_while_a_sheet_is_being_signed_nothing_changes(model):
    test = feed_drop(model)
    record, _ = model.seal()
    for change in (
        lambda: model.put("complaint", "x"),
        lambda: model.put_all({"complaint": "x"}),
        model.undo,
        lambda: model.remove("tests", test),
        model.seal,
    ):
        with pytest.raises(InputFault, match="being signed"):
            change()
    assert model.record() == record
    model.unseal()
    model.put("complaint", "x")
