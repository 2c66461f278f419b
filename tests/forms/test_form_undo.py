"""Undo takes back one entry at a time, and what is on its way to "350 mV" is never taken for 350 V."""

from __future__ import annotations

from diagnb.forms.journal import Journal

DROP = "tests.t1.readings.drop"


def typed(bench, text: str, key: str = DROP) -> None:
    """Every key press of ``text`` into an emptied field, as a browser sends them."""
    for end in range(1, len(text) + 1):
        bench.type(key, text[:end])


def leave(bench, key: str = DROP) -> None:
    bench.sheet.grids[bench.sheet.here]._handle_custom_msg({"k": "left", "view": "v", "key": key}, [])


def begin(bench) -> None:
    bench.fill()
    bench.model.undo()
    bench.model.undo()
    bench.sheet.show("found")


def logged(bench) -> str:
    return bench.model.journal.path.read_text(encoding="utf-8")


def test_millivolts_typed_key_by_key_stop_nothing_and_log_no_caution(bench):
    begin(bench)
    typed(bench, "350 mV")
    assert bench.model.stop() is None
    assert "cautions.C5" not in logged(bench)
    typed(bench, "3500 mV")
    assert "cautions.C5" not in logged(bench)


def test_undo_brings_back_the_reading_before_and_the_form_stays_open(bench):
    begin(bench)
    for text in ("350 mV", "0.42", "0.43"):
        typed(bench, text)
        leave(bench)
    for before in ("0.42", "350 mV", ""):
        bench.sheet.undo.click()
        assert bench.model.text(DROP) == before
        assert bench.model.stop() is None
    assert bench.model.tests() == ("t1",)
    bench.sheet.redo.click()
    assert bench.model.text(DROP) == "350 mV"


def test_each_entry_left_by_tab_is_undone_alone_also_after_the_sheet_was_opened_again(bench):
    begin(bench)
    for text in ("0.25", "0.31", "0.33"):
        typed(bench, text)
        leave(bench)
    again = Journal.read(bench.model.journal.path)
    assert [step.changes[0].after for step in list(again.steps())[:3]] == ["0.33", "0.31", "0.25"]
    bench.sheet.undo.click()
    assert bench.model.text(DROP) == "0.31"


def test_the_caution_of_a_high_voltage_goes_with_the_reading_that_brought_it(bench):
    begin(bench)
    typed(bench, "0.31")
    leave(bench)
    bench.type(DROP, "64.2 V")
    assert bench.model.text("cautions.C5") == "shown"
    bench.sheet.undo.click()
    assert (bench.model.text(DROP), bench.model.stop()) == ("0.31", None)
    bench.sheet.redo.click()
    assert bench.model.text("cautions.C5") == "shown"


def test_what_undo_did_is_said_where_it_is_seen(bench):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test("feed-side-drop", "found", "")
    bench.sheet._add_test("ground-side-drop", "found", "")
    bench.sent.clear()
    bench.sheet.undo.click()
    assert "the test “Ground-side voltage drop” is off the sheet" in bench.trouble
    assert not [message for message in bench.sent if message["k"] == "focus"]  # nothing of another test is meant
    bench.sheet.redo.click()
    assert "the test “Ground-side voltage drop” is on the sheet again" in bench.trouble
    bench.type("tests.t1.readings.drop", "350 mV")
    assert bench.trouble == ""
    bench.sheet._left()
    bench.sheet.undo.click()
    assert "Drop measured directly, source + to load + is blank again" in bench.trouble
    assert bench.sent[-1] == {"k": "focus", "key": "tests.t1.readings.drop"}
    bench.act("remove.tests.t1")
    bench.sheet.undo.click()
    assert "what was taken off is on the sheet again" in bench.trouble
    bench.sheet.show("vehicle")
    bench.type("vehicle.system_voltage", "24")
    bench.sheet.undo.click()
    assert "System voltage is “12 V” again" in bench.trouble
