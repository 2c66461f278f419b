"""The log as a shop meets it: crashes, two writers, a clock set back, somebody who rewrites the past."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb.audit import (
    AuditLog,
    Event,
    check_lines,
    lines_of,
    prove_consistency,
    prove_inclusion,
    read_head,
    read_line,
    read_proof,
)
from diagnb.errors import InputFault

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def event(number: int = 0, **more: object) -> Event:
    return Event(action="issue", actor="R. Example", record=f"REC-{number}", revision=1, digest="a" * 64, **more)  # type: ignore[arg-type]


def filled(path: Path, count: int) -> AuditLog:
    log = AuditLog(path, create=True)
    log.append_all([event(i) for i in range(count)], clock=lambda: NOON)
    return log


def test_lines_are_canonical_bound_and_under_one_head(tmp_path: Path) -> None:
    path = tmp_path / "Prüf stand" / "audit.jsonl"
    path.parent.mkdir()
    log = AuditLog(path, create=True)
    heads = [log.append(event(i, reason="Ω – ä"), clock=lambda: NOON)[1] for i in range(5)]
    found = AuditLog(path).check()
    assert found.good and found.remarks == ()
    assert found.head == heads[-1]
    assert [e.seq for e in found.entries] == [0, 1, 2, 3, 4]
    assert all(
        later.previous == entry.hash().hex() for entry, later in zip(found.entries, found.entries[1:], strict=False)
    )
    if os.name != "nt":
        assert path.stat().st_mode & 0o077 == 0


def test_another_process_and_a_stale_object_go_on_from_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    first, second = filled(path, 2), AuditLog(path)
    for i in range(6):
        (first if i % 2 else second).append(event(i), clock=lambda: NOON)
    found = AuditLog(path).check()
    assert found.good
    assert found.head.size == 8


WRITER = """
import sys
from datetime import UTC, datetime
from diagnb.audit import AuditLog, Event
log = AuditLog(sys.argv[1], create=True)
for i in range(int(sys.argv[2])):
    log.append(Event(action="verify", actor="writer " + sys.argv[3], record=f"R{i}"), clock=lambda: datetime.now(UTC))
    print(i, flush=True)
"""


def test_many_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(path), "25", str(n)], stdout=subprocess.DEVNULL)
        for n in range(4)
    ]
    assert [process.wait(120) for process in running] == [0, 0, 0, 0]
    found = AuditLog(path).check()
    assert found.good, found.faults
    assert found.head.size == 100


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_a_killed_writer_loses_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    command = [sys.executable, "-c", WRITER, str(path), "100000", "x"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for _ in range(20):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        acknowledged = 20 + len(process.stdout.read().split())
    AuditLog(path).append(event(), clock=lambda: datetime.now(UTC))
    found = AuditLog(path).check()
    assert found.good
    assert found.head.size >= acknowledged + 1


@pytest.mark.parametrize("torn", [b"{", b'{"action":"issue","actor":"x"', b"\x00" * 300, b"x" * 5000])
def test_a_torn_last_line_is_kept_aside_and_noted(tmp_path: Path, torn: bytes) -> None:
    path = tmp_path / "audit.jsonl"
    filled(path, 3)
    whole = path.read_bytes()
    path.write_bytes(whole + torn)
    found = AuditLog(path).check()
    assert found.good
    assert "never acknowledged" in found.remarks[0]
    assert path.read_bytes() == whole + torn, "checking changes nothing"
    entry, head = AuditLog(path).append(event(9), clock=lambda: NOON)
    assert path.read_bytes().startswith(whole)
    aside = next(tmp_path.glob("audit.jsonl.torn-*"))
    assert aside.read_bytes() == torn
    found = AuditLog(path).check()
    assert found.good and found.head == head
    assert found.entries[3].event.action == "torn-line"
    assert found.entries[3].event.file == aside.name
    assert entry.seq == 4


def test_a_clock_set_back_is_written_down(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    log = filled(path, 1)
    entry, _ = log.append(event(), clock=lambda: NOON - timedelta(hours=1))
    assert "the clock stands 1 hour before" in entry.event.remark
    found = AuditLog(path).check()
    assert found.good
    assert found.remarks == ("line 2: the clock was set back by 1 hour",)
    log.append(event(), clock=lambda: NOON - timedelta(days=400, hours=1))
    assert log.check().remarks[-1] == "line 3: the clock was set back by 400 days"


def test_a_line_taken_out_is_one_finding(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    filled(path, 60)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:9] + lines[10:]))
    found = AuditLog(path).check()
    assert [str(fault) for fault in found.faults] == [
        "line 10: says that it is line 11: 1 line is missing before it",
        "line 10: is not bound to the line before it (a line was changed, added or removed)",
    ]
    path.write_bytes(b"".join(lines[:9] + lines[10:40] + lines[42:]))
    assert [fault.where for fault in AuditLog(path).check().faults] == ["line 10", "line 10", "line 40", "line 40"]
    assert "2 lines are missing" in AuditLog(path).check().faults[2].what
    path.write_bytes(b"".join([*lines[:9], lines[8], *lines[9:]]))
    assert {fault.where for fault in AuditLog(path).check().faults} == {"line 10"}


def test_a_clock_without_a_zone_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    log = filled(path, 1)
    before = path.read_bytes()
    with pytest.raises(InputFault, match="zone"):
        log.append(event(), clock=lambda: datetime(2026, 1, 1))  # noqa: DTZ001
    assert path.read_bytes() == before
    log.append(event(), clock=lambda: NOON)
    assert log.check().good


def test_a_missing_log_is_not_started_by_mistake(tmp_path: Path) -> None:
    for path in (tmp_path / "audit.jsonl", tmp_path / "no" / "folder" / "audit.jsonl"):
        with pytest.raises(InputFault):
            AuditLog(path).append(event(), clock=lambda: NOON)
        assert not path.exists()


def test_a_full_disk_acknowledges_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "audit.jsonl"
    log = filled(path, 2)
    real = os.write

    def full(descriptor: int, data: memoryview) -> int:
        if len(data) < 60:
            raise OSError(28, "No space left on device")
        return real(descriptor, data[:50])

    with monkeypatch.context() as patched:
        patched.setattr(os, "write", full)
        with pytest.raises(InputFault, match="No space left"):
            log.append(event(7), clock=lambda: NOON)
    _, head = log.append(event(8), clock=lambda: NOON)
    found = log.check()
    assert found.good and found.head == head
    assert [e.event.action for e in found.entries] == ["issue", "issue", "torn-line", "issue"]


def rewritten(lines: list[bytes], how: str) -> bytes:
    lines = list(lines)
    if how == "changed":
        lines[2] = lines[2].replace(b"REC-2", b"REC-7")
    elif how == "removed":
        del lines[2]
    elif how == "swapped":
        lines[2], lines[3] = lines[3], lines[2]
    elif how == "doubled":
        lines.insert(2, lines[2])
    elif how == "reformatted":
        lines[2] = lines[2].replace(b'"action":', b'"action": ')
    elif how == "garbage":
        lines[2] = b"\x00" * 40
    return b"\n".join(lines) + b"\n"


@pytest.mark.parametrize("how", ["changed", "removed", "swapped", "doubled", "reformatted", "garbage"])
def test_a_rewritten_line_is_found(tmp_path: Path, how: str) -> None:
    path = tmp_path / "audit.jsonl"
    log = filled(path, 6)
    honest = log.head()
    path.write_bytes(rewritten(lines_of(path), how))
    found = AuditLog(path).check()
    assert not found.good
    assert found.head != honest


def test_a_log_written_anew_from_the_start_is_found_by_any_head_that_left_the_shop(tmp_path: Path) -> None:
    """Every hash inside fits again; only a head printed in an issued report gives it away."""
    path, other = tmp_path / "audit.jsonl", tmp_path / "other.jsonl"
    pinned = filled(path, 4).head()
    log = AuditLog(other, create=True)
    log.append_all([event(i, reason="never happened") for i in range(6)], clock=lambda: NOON)
    assert log.check().good
    with pytest.raises(InputFault, match="not a head of this log"):
        prove_consistency(lines_of(other), pinned)


def test_a_shortened_log_is_found(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    log = filled(path, 5)
    pinned = log.head()
    path.write_bytes(b"\n".join(lines_of(path)[:3]) + b"\n")
    with pytest.raises(InputFault, match="shorter"):
        log.append(event(), clock=lambda: NOON)
    with pytest.raises(InputFault, match="covers 5 lines"):
        prove_inclusion(lines_of(path), 0, head=pinned)


def test_appending_to_a_log_with_a_broken_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    filled(path, 3)
    path.write_bytes(path.read_bytes() + b"not a line\n")
    with pytest.raises(InputFault, match="line 4"):
        AuditLog(path).append(event(), clock=lambda: NOON)


def test_proofs_travel_without_the_log(tmp_path: Path) -> None:
    import json

    path = tmp_path / "audit.jsonl"
    log = filled(path, 4)
    earlier = log.head()
    log.append_all([event(i) for i in range(4, 11)], clock=lambda: NOON)
    lines = lines_of(path)
    for proof in (
        prove_inclusion(lines, 6),
        prove_inclusion(lines, 2, head=earlier),
        prove_consistency(lines, earlier),
    ):
        again = read_proof(json.dumps(proof.to_plain()).encode())
        assert again == proof
        assert again.holds()
    proof = prove_inclusion(lines, 6)
    assert proof.entry.event.record == "REC-6"
    forged = proof.to_plain()
    forged["line"] = forged["line"].replace("REC-6", "REC-5")
    assert not read_proof(json.dumps(forged).encode()).holds()


@given(st.binary(max_size=400))
def test_any_bytes_are_an_answer(data: bytes) -> None:
    check_lines(data)
    for read in (read_line, read_proof):
        with pytest.raises(InputFault):
            read(data)


@given(st.text(max_size=40), st.text(max_size=200), st.integers(0, 2**53 - 1))
def test_any_text_survives_the_line(actor: str, reason: str, revision: int) -> None:
    from dataclasses import replace

    from diagnb.audit.entry import FIRST, Entry

    if not actor.strip():
        return
    one = Entry(0, NOON, replace(event(), actor=actor, reason=reason, revision=revision), FIRST)
    assert b"\n" not in one.line()
    assert read_line(one.line()) == one
    assert read_head(f"1:{one.hash().hex()}").size == 1
