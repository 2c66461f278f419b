"""The draft journal: nothing acknowledged is lost, whatever happens to the process or the disk."""

from __future__ import annotations

import datetime as dt
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from diagnb.errors import InputFault
from diagnb.forms.journal import Journal

NOW = dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.UTC)


def write(path: Path, *entries: tuple[str, str]) -> None:
    journal = Journal.open(path)
    for key, text in entries:
        journal.put(key, text, moment=NOW)
    journal.release()


def test_what_was_put_is_there_after_opening_again(tmp_path):
    path = tmp_path / "shop data ü" / "sheet.jsonl"
    write(path, ("vehicle.vin", "12,6 Ω"), ("complaint", "zeile\nzwei  \t"), ("complaint", ""))
    again = Journal.open(path)
    assert dict(again.values) == {"vehicle.vin": "12,6 Ω", "complaint": ""}
    assert again.number == 3
    assert again.time_of("complaint") == NOW
    again.release()


def test_odd_text_survives_to_the_letter(tmp_path):
    odd = 'a"b\\c\u2028\x00\u202e\U0001f6e0\ud800é'
    write(tmp_path / "s.jsonl", ("complaint", odd))
    again = Journal.open(tmp_path / "s.jsonl")
    assert again.values["complaint"] == odd
    again.release()


def test_a_torn_last_line_is_kept_aside_and_the_rest_restored(tmp_path):
    path = tmp_path / "s.jsonl"
    write(path, ("a", "1"), ("b", "2"))
    whole = path.read_bytes()
    for cut in range(len(whole.split(b"\n")[0]) + 2, len(whole) - 1):
        path.write_bytes(whole[:cut])
        journal = Journal.open(path)
        assert journal.torn
        assert dict(journal.values) == {"a": "1"}
        journal.put("c", "3", moment=NOW)
        journal.release()
        again = Journal.open(path)
        assert dict(again.values) == {"a": "1", "c": "3"}
        assert again.bad_lines == 0
        again.release()
    assert (tmp_path / "s.jsonl.torn").stat().st_size > 0


def test_a_last_line_that_lacks_only_its_newline_counts(tmp_path):
    path = tmp_path / "s.jsonl"
    write(path, ("a", "1"))
    path.write_bytes(path.read_bytes()[:-1])
    journal = Journal.open(path)
    journal.put("b", "2", moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert dict(again.values) == {"a": "1", "b": "2"}
    assert not again.torn
    again.release()


def test_a_line_that_cannot_be_read_costs_one_line_only(tmp_path):
    path = tmp_path / "s.jsonl"
    write(path, ("a", "1"), ("b", "2"), ("c", "3"))
    lines = path.read_bytes().split(b"\n")
    lines[1] = lines[1].replace(b'"2"', b'"9"').replace(b'"k"', b'"q"')
    path.write_bytes(b"\n".join(lines))
    journal = Journal.open(path)
    assert dict(journal.values) == {"a": "1", "c": "3"}
    assert journal.bad_lines == 1
    journal.release()


@pytest.mark.parametrize("content", [b"\x00" * 300, b"\n\n\n", b"not a journal\n" * 3, os.urandom(999) + b"\n"])
def test_a_file_full_of_rubbish_opens_empty_and_takes_entries(tmp_path, content):
    path = tmp_path / "s.jsonl"
    path.write_bytes(content)
    journal = Journal.open(path)
    assert dict(journal.values) == {}
    journal.put("a", "1", moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert dict(again.values) == {"a": "1"}
    again.release()


def test_undo_takes_back_a_field_at_a_time_and_redo_brings_it_back(tmp_path):
    path = tmp_path / "s.jsonl"
    journal = Journal.open(path)
    for text in ("1", "12", "12.", "12.6"):
        journal.put("a", text, moment=NOW)
    for text in ("3", "35"):
        journal.put("b", text, moment=NOW)
    assert journal.undo(moment=NOW).key == "b"
    assert dict(journal.values) == {"a": "12.6"}
    assert journal.undo(moment=NOW).key == "a"
    assert dict(journal.values) == {}
    assert journal.undo(moment=NOW) is None
    journal.redo(moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert dict(again.values) == {"a": "12.6"}
    again.redo(moment=NOW)
    assert dict(again.values) == {"a": "12.6", "b": "35"}
    again.undo(moment=NOW)
    again.put("a", "13", moment=NOW)
    assert again.redo(moment=NOW) is None
    again.undo(moment=NOW)
    assert dict(again.values) == {"a": "12.6"}
    again.release()


def test_a_second_writer_opens_read_only_and_follows(tmp_path):
    path = tmp_path / "s.jsonl"
    first = Journal.open(path)
    first.put("a", "1", moment=NOW)
    second = Journal.open(path)
    assert second.read_only
    assert not second.writable
    assert dict(second.values) == {"a": "1"}
    with pytest.raises(InputFault, match="elsewhere"):
        second.put("a", "2", moment=NOW)
    first.put("a", "2", moment=NOW)
    second.refresh()
    assert dict(second.values) == {"a": "2"}
    second.release()
    first.release()
    third = Journal.open(path)
    assert not third.read_only
    third.release()


def test_a_closed_sheet_takes_nothing_more_even_after_opening_again(tmp_path):
    path = tmp_path / "s.jsonl"
    journal = Journal.open(path)
    journal.put("a", "1", moment=NOW)
    journal.close_sheet({"report": "r.pdf", "revision": 1}, moment=NOW)
    with pytest.raises(InputFault, match="signed"):
        journal.put("a", "2", moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert dict(again.closed) == {"report": "r.pdf", "revision": 1}
    with pytest.raises(InputFault, match="revision"):
        again.undo(moment=NOW)
    assert dict(again.values) == {"a": "1"}
    again.release()


def test_only_the_owner_reads_a_draft(tmp_path):
    write(tmp_path / "drafts" / "s.jsonl", ("a", "1"))
    if os.name != "posix":
        return
    for path in (tmp_path / "drafts").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path
    assert stat.S_IMODE((tmp_path / "drafts").stat().st_mode) == 0o700


def test_a_full_disk_is_said_and_costs_only_the_entry_in_hand(tmp_path, monkeypatch):
    path = tmp_path / "s.jsonl"
    journal = Journal.open(path)
    journal.put("a", "1", moment=NOW)
    real = os.write
    state = {"left": 20}

    def short(descriptor: int, data: bytes) -> int:
        if not state["left"]:
            raise OSError(28, "No space left on device")
        taken = min(state["left"], len(data))
        state["left"] -= taken
        return real(descriptor, bytes(data[:taken]))

    monkeypatch.setattr(os, "write", short)
    with pytest.raises(InputFault, match="No space left"):
        journal.put("b", "2", moment=NOW)
    monkeypatch.setattr(os, "write", real)
    assert dict(journal.values) == {"a": "1"}
    journal.put("c", "3", moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert dict(again.values) == {"a": "1", "c": "3"}
    assert again.bad_lines == 0
    again.release()


WRITER = """
import datetime as dt, sys
from pathlib import Path
from diagnb.forms.journal import Journal
journal = Journal.open(Path(sys.argv[1]))
n = 0
while True:
    n += 1
    journal.put(f"k{n % 7}", str(n), moment=dt.datetime.now(dt.UTC))
    print(n, flush=True)
"""


def test_kill_loses_nothing_that_was_acknowledged(tmp_path):
    path = tmp_path / "s.jsonl"
    for _ in range(3):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.15)
        process.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        acknowledged = [int(line) for line in process.stdout.read().split()]
        process.wait()
        process.stdout.close()
        journal = Journal.open(path)
        assert not journal.read_only
        last = max(acknowledged, default=1)
        assert max(int(v) for v in journal.values.values()) >= last
        journal.release()


def test_a_folder_that_is_a_file_is_a_named_fault(tmp_path):
    (tmp_path / "drafts").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputFault, match="can't be opened"):
        Journal.open(tmp_path / "drafts" / "s.jsonl")


def test_fields_set_together_are_one_line_and_one_undo_step(tmp_path):
    path = tmp_path / "s.jsonl"
    journal = Journal.open(path)
    journal.put("a", "1", moment=NOW)
    journal.put_all({"tests.t1.procedure": "drop", "tests.t1.phase": "as found"}, moment=NOW)
    journal.put("tests.t1.procedure", "other", moment=NOW)
    assert journal.number_of("tests.t1.phase") == 2
    journal.undo(moment=NOW)
    assert journal.values["tests.t1.procedure"] == "drop"
    journal.undo(moment=NOW)
    assert dict(journal.values) == {"a": "1"}
    journal.redo(moment=NOW)
    journal.release()
    again = Journal.open(path)
    assert again.values["tests.t1.phase"] == "as found"
    assert len(path.read_bytes().splitlines()) == 6
    again.release()


def test_a_writer_that_is_asked_hands_over_with_everything(tmp_path):
    path = tmp_path / "s.jsonl"
    first = Journal.open(path)
    first.put("a", "1", moment=NOW)
    second = Journal.open(path)
    assert not second.take_over(seconds=0.1)
    assert not first.is_asked_for()

    def watch() -> None:
        while not first.is_asked_for():
            time.sleep(0.01)
        first.put("a", "12", moment=NOW)
        first.hand_over()

    thread = threading.Thread(target=watch)
    thread.start()
    assert second.take_over(seconds=5)
    thread.join()
    assert dict(second.values) == {"a": "12"}
    second.put("b", "2", moment=NOW)
    with pytest.raises(InputFault, match="elsewhere"):
        first.put("b", "3", moment=NOW)
    first.refresh()
    assert dict(first.values) == {"a": "12", "b": "2"}
    assert first.take_over(seconds=0.1) is False
    second.release()
    assert first.take_over(seconds=1)
    first.release()
    (tmp_path / "s.jsonl.handover").touch()
    third = Journal.open(path)
    assert not third.is_asked_for(), "a request left over from a crash must not lock the writer out"
    third.release()


def test_undo_takes_back_the_same_step_after_the_file_was_opened_again(tmp_path):
    journal = Journal.open(tmp_path / "s.jsonl")
    moment = dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.UTC)
    journal.put("a", "1", moment=moment)
    journal.end_step()
    journal.put("a", "12", moment=moment)
    journal.put("a", "123", moment=moment)
    journal.put_all({"a": "4"}, moment=moment)
    journal.put_all({"a": "5"}, moment=moment)
    journal.undo(moment=moment)
    journal.undo(moment=moment)
    assert journal.text_of("a") == "123"
    journal.undo(moment=moment)
    assert journal.text_of("a") == "1"
    journal.release()
    again = Journal.open(tmp_path / "s.jsonl")
    assert again.text_of("a") == "1"
    assert again.redo(moment=moment).changes[0].after == "123"
    again.release()


def test_a_new_sheet_that_nobody_typed_into_leaves_no_file(tmp_path):
    path = tmp_path / "d" / "fresh.jsonl"
    untouched = Journal.open(path, waits=True)
    untouched.begin({"order.opened": "today"}, moment=NOW)
    assert untouched.text_of("order.opened") == "today"
    assert untouched.writable
    untouched.release()
    assert not path.exists()

    typed = Journal.open(path, waits=True)
    typed.begin({"order.opened": "today"}, moment=NOW)
    typed.put("order.number", "RO-1", moment=NOW)
    typed.put("order.number", "RO-12", moment=NOW)
    assert dict(Journal.read(path).values) == {"order.opened": "today", "order.number": "RO-12"}
    typed.release()
    with pytest.raises(InputFault, match="open for writing elsewhere"):
        typed.put("order.number", "RO-2", moment=NOW)
    again = Journal.open(path, waits=True)
    again.put("order.site", "Bay 2", moment=NOW)
    assert [again.text_of(key) for key in ("order.opened", "order.number", "order.site")] == ["today", "RO-12", "Bay 2"]
    again.release()


def test_a_sheet_without_a_file_is_handed_over_and_written_by_the_other_alone(tmp_path):
    path = tmp_path / "fresh.jsonl"
    first = Journal.open(path, waits=True)
    first.begin({"order.opened": "today"}, moment=NOW)
    second = Journal.open(path, waits=True)
    assert second.read_only
    first.hand_over()
    assert second.take_over(seconds=5)
    second.put("order.number", "RO-1", moment=NOW)
    with pytest.raises(InputFault, match="open for writing elsewhere"):
        first.put("order.number", "RO-2", moment=NOW)
    second.release()
    assert Journal.read(path).text_of("order.number") == "RO-1"
