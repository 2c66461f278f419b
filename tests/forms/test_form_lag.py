"""A key press waits for the disk, never for an evaluation; results say up to which entry they hold."""

from __future__ import annotations

import threading
import time

import pytest

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library
from diagnb.forms.sheet import Sheet
from diagnb.notebook.present import ReportPresenter

VOLTAGE = "tests.t1.readings.node_n2"


@pytest.fixture
def path_sheet(tmp_path, clock, visit):
    """A path test of ten nodes on screen, with what its grid sent."""
    model = FormModel(Journal.open(tmp_path / "d" / "s-1.jsonl"), sheet="s-1", library=load_library(), clock=clock)
    model.put_all(visit)
    test = model.add("tests", procedure="path-test", phase="as found")
    for _ in range(4):
        model.add_node(test, "n2")
    model.put_all({f"tests.t1.readings.node_n{n}": f"12.{70 - n}" for n in range(1, 5)})
    model.put_all({"tests.t1.readings.node_n6": "0.1 mV", "tests.t1.readings.current": "6.4 A"})
    sheet = Sheet(model, presenter=ReportPresenter(), office=None, log=print, settle=30)
    sheet.show("found")
    sent: list[dict] = []
    sheet.grids["found"].send = lambda message, buffers=None: sent.append(message)
    yield sheet, sent
    sheet.stop()


def press(sheet: Sheet, text: str, seq: int) -> None:
    message = {"k": "edit", "view": "v", "key": VOLTAGE, "text": text, "seq": seq}
    sheet.grids["found"]._handle_custom_msg(message, [])


def worked(sent: list[dict]) -> list[int]:
    return [message["worked"] for message in sent if message.get("worked")]


def until(condition) -> None:
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_keys_are_on_disk_and_acknowledged_while_an_evaluation_goes_on(path_sheet, monkeypatch):
    sheet, sent = path_sheet
    begun, may_end, runs = threading.Event(), threading.Event(), []
    at_once = FormModel._evaluate

    def held(self, test, entries, *, new=False):
        runs.append(entries[VOLTAGE])
        begun.set()
        assert may_end.wait(30)
        return at_once(self, test, entries, new=new)

    monkeypatch.setattr(FormModel, "_evaluate", held)
    press(sheet, "12.5", 1)
    assert begun.wait(30)
    for seq, text in enumerate(("12.55", "12.551", "12.5512"), 2):
        press(sheet, text, seq)
    acknowledged = [message["ack"]["seq"] for message in sent if message.get("ack")]
    assert acknowledged == [1, 2, 3, 4]
    assert Journal.read(sheet.model.journal.path).text_of(VOLTAGE) == "12.5512"
    assert worked(sent) == []
    may_end.set()
    last = sheet.model.journal.number
    until(lambda: worked(sent) and worked(sent)[-1] == last)
    assert runs == ["12.5", "12.5512"]  # what nobody sees any more is not worked out
    row = next(row for row in sheet.grids["found"].rows if row.get("key") == VOLTAGE)
    assert (row["text"], row["back"]) == ("12.5512", "12.5512 V")


def test_results_worked_out_from_an_earlier_text_are_not_kept(path_sheet, monkeypatch):
    sheet, _ = path_sheet
    model = sheet.model
    at_once = FormModel._evaluate

    def overtaken(self, test, entries, *, new=False):
        found = at_once(self, test, entries, new=new)
        if entries[VOLTAGE] == "12.1":
            self.keep(VOLTAGE, "12.6")
        return found

    monkeypatch.setattr(FormModel, "_evaluate", overtaken)
    model.keep(VOLTAGE, "12.1")
    model.evaluated("t1")
    assert model.evaluated("t1")[0].result("span_1_drop").value == pytest.approx(12.69 - 12.6)


def test_a_key_of_a_path_costs_the_kernel_little(path_sheet):
    sheet, sent = path_sheet
    press(sheet, "12.60", 1)
    until(lambda: worked(sent))
    keys = 30
    start = time.process_time()
    for seq in range(2, keys + 2):
        press(sheet, f"12.6{seq}", seq)
    until(lambda: worked(sent)[-1] == sheet.model.journal.number)
    assert (time.process_time() - start) / keys < 0.01


def test_the_size_of_a_wire_is_read_back_and_the_test_stays_on_screen(path_sheet):
    sheet, _ = path_sheet
    for text, said in (("4 mm²", "4 mm²"), ("12 AWG", "AWG 12")):
        sheet.model.put("tests.t1.path.n1.size", text)
        row = next(row for row in sheet.rows.of("found") if row.get("key") == "tests.t1.path.n1.size")
        assert row["back"] == said


def test_a_test_whose_results_take_a_blink_is_worked_out_with_the_key_itself(path_sheet):
    sheet, sent = path_sheet
    press(sheet, "12.5", 1)
    until(lambda: worked(sent))
    sheet._backlog.note((VOLTAGE,), 0.001)  # whatever this machine took
    sent.clear()
    press(sheet, "12.51", 2)
    assert worked(sent) == [sheet.model.journal.number]
    sheet._backlog.note((VOLTAGE,), 0.5)
    sent.clear()
    press(sheet, "12.52", 3)
    assert worked(sent) == []
    until(lambda: worked(sent) == [sheet.model.journal.number])
