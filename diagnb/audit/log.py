"""The log file: lines of canonical JSON, one writer at a time, on disk before anybody is told so."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from diagnb.audit.entry import FIRST, Entry, Event, read_line
from diagnb.audit.tree import Head, Tree, leaf_hash
from diagnb.errors import Fault, InputFault, fault

LOCK_SECONDS = 20.0
MOST_BYTES = 4 * 2**30
_BLOCK = 2**20
_START = "name the log with its path, or start one: --log on a command that issues or signs"


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What checking a log found. ``faults`` speak against it; ``remarks`` do not, but must be seen."""

    head: Head
    entries: tuple[Entry, ...]
    faults: tuple[Fault, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every line is whole, in its place and bound to the one before it."""
        return not self.faults


class AuditLog:
    """A log on disk. ``create`` makes the file when it is not there; otherwise a missing file is a fault.

    What was appended is never written again: a line cut off by a crash is moved to a file of its own beside the log,
    and the log says so in its next line.
    """

    def __init__(self, path: Path | str, *, create: bool = False) -> None:
        self.path = Path(path)
        self._create = create
        self._tree = Tree()
        self._read_to = 0
        self._last: Entry | None = None
        self._last_hash = FIRST

    def append(self, event: Event, *, clock: Callable[[], datetime]) -> tuple[Entry, Head]:
        """Add one line; returns it with the head over everything up to and with it."""
        return self.append_all([event], clock=clock)[0]

    def append_all(self, events: Sequence[Event], *, clock: Callable[[], datetime]) -> list[tuple[Entry, Head]]:
        """Add lines in their order under one lock with one flush to disk. ``clock`` gives a time with zone.

        Raises :class:`InputFault` when the log is missing, held by another writer for too long, broken at its end,
        or shorter than it was.
        """
        with self._lock():
            torn = self._catch_up()
            waiting = [*torn, *events]
            done: list[tuple[Entry, Head]] = []
            lines = bytearray()
            for event in waiting:
                entry = self._entry(event, clock())
                line = entry.line()
                lines += line + b"\n"
                self._take(entry, leaf_hash(line))
                done.append((entry, self._tree.head()))
            try:
                self._write(bytes(lines))
            except OSError as error:
                raise fault(
                    str(self.path), f"can't be written: {error.strerror or error}", "nothing was acknowledged"
                ) from error
            self._read_to += len(lines)
        return done[len(torn) :]

    def head(self) -> Head:
        """The head over all whole lines now on disk."""
        return self.check().head

    def check(self) -> LogCheck:
        """Read the whole log again and check every line. Changes nothing."""
        return check_lines(_whole(self.path))

    # -- inside ----------------------------------------------------------------------------------------

    @contextmanager
    def _lock(self) -> Iterator[None]:
        from filelock import FileLock, Timeout

        if not self.path.parent.is_dir():
            raise fault(str(self.path), "lies in a folder that does not exist")
        lock = FileLock(str(self.path) + ".lock", timeout=LOCK_SECONDS)
        try:
            lock.acquire()
        except Timeout:
            raise fault(str(self.path), "is held by another program", "wait until it has finished") from None
        except OSError as error:
            raise fault(str(self.path), f"can't be locked: {error.strerror or error}") from error
        try:
            yield
        except BaseException:
            self._forget()
            raise
        finally:
            lock.release()

    def _entry(self, event: Event, time: datetime) -> Entry:
        if time.utcoffset() is None:
            raise fault("clock", "gives no time zone")
        time = time.replace(microsecond=0)
        if self._last is not None and time < self._last.time:
            note = f"the clock stands {_span(self._last.time - time)} before the line above"
            event = replace(event, remark="; ".join(part for part in (event.remark, note) if part))
        return Entry(self._tree.size, time, event, self._last_hash)

    def _take(self, entry: Entry, leaf: bytes) -> None:
        self._tree.add(leaf)
        self._last, self._last_hash = entry, leaf.hex()

    def _forget(self) -> None:
        self._tree, self._read_to, self._last, self._last_hash = Tree(), 0, None, FIRST

    def _catch_up(self) -> list[Event]:
        """Take in what others wrote since; events that must stand in the log first."""
        if not self.path.exists():
            if not self._create or self._read_to:
                raise fault(str(self.path), "is not there", _START)
            os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            _flush_folder(self.path.parent)
            return []
        size = self.path.stat().st_size
        if size > MOST_BYTES:
            raise fault(
                str(self.path), "is larger than a log can be", "start a new one whose first line names its head"
            )
        if size < self._read_to:
            raise fault(str(self.path), "is shorter than it was", "see diagnb log verify")
        with self.path.open("rb") as stream:
            stream.seek(self._read_to)
            data = stream.read()
        end = data.rfind(b"\n") + 1
        before, last_line = self._last_hash, b""
        for line in data[:end].split(b"\n")[:-1]:
            if last_line:
                before = leaf_hash(last_line).hex()
            self._tree.add(leaf_hash(line))
            last_line = line
        if end:
            where = f"{self.path.name}, line {self._tree.size}"
            self._last = read_line(last_line, where=where)
            if self._last.seq != self._tree.size - 1 or self._last.previous != before:
                raise fault(where, "is not in its place", "see diagnb log verify")
            self._last_hash = leaf_hash(last_line).hex()
        self._read_to += end
        return [self._set_aside(data[end:])] if data[end:] else []

    def _set_aside(self, torn: bytes) -> Event:
        """Move an unfinished last line into a file beside the log."""
        digest = hashlib.sha256(torn).hexdigest()
        aside = self.path.with_name(f"{self.path.name}.torn-{self._tree.size}-{digest[:8]}")
        with aside.open("wb") as stream:
            stream.write(torn)
            stream.flush()
            os.fsync(stream.fileno())
        _flush_folder(self.path.parent)
        with self.path.open("r+b") as stream:
            stream.truncate(self._read_to)
            stream.flush()
            os.fsync(stream.fileno())
        return Event(
            action="torn-line", actor="diagnb", file=aside.name, file_sha256=digest,
            reason=f"{len(torn)} bytes of a line that was never finished were moved aside",
        )  # fmt: skip

    def _write(self, lines: bytes) -> None:
        descriptor = os.open(self.path, os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0))
        try:
            view = memoryview(lines)
            while view:
                view = view[os.write(descriptor, view) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def check_lines(data: bytes) -> LogCheck:
    """Check the bytes of a log: every line whole, canonical, in its place, bound to the line before it."""
    tree = Tree()
    entries: list[Entry] = []
    faults: list[Fault] = []
    remarks: list[str] = []
    end = data.rfind(b"\n") + 1
    previous, last_time, shift = FIRST, None, 0
    for number, line in enumerate(data[:end].split(b"\n")[:-1], 1):
        where = f"line {number}"
        leaf = leaf_hash(line)
        tree.add(leaf)
        try:
            entry = read_line(line, where=where)
        except InputFault as error:
            faults.extend(error.faults)
        else:
            entries.append(entry)
            if entry.seq - (number - 1) != shift:  # the lines after it are shifted alike, and not wrong once more
                faults.append(Fault(where, _misplaced(entry.seq, number, shift)))
                shift = entry.seq - (number - 1)
            if entry.previous != previous:
                faults.append(
                    Fault(where, "is not bound to the line before it", "a line was changed, added or removed")
                )
            if last_time is not None and entry.time < last_time:
                remarks.append(f"{where}: the clock was set back by {_span(last_time - entry.time)}")
            if entry.event.action == "torn-line":
                remarks.append(f"{where}: an unfinished line was moved to {entry.event.file}")
            last_time = entry.time
        previous = leaf.hex()
        if len(faults) > 200:
            break
    if data[end:]:
        remarks.append(f"the last line is unfinished ({len(data) - end} bytes); it was never acknowledged")
    return LogCheck(tree.head(), tuple(entries), tuple(faults), tuple(remarks))


def _misplaced(seq: int, number: int, shift: int) -> str:
    """What is wrong with a line whose number is not one more than that of the line before it."""
    missing = seq - (number - 1) - shift
    what = (
        f"{missing} line{'s are' if missing > 1 else ' is'} missing before it"
        if missing > 0
        else "lines before it were put in or moved"
    )
    return f"says that it is line {seq + 1}: {what}"


def _span(back: timedelta) -> str:
    """A time in the largest unit that it fills, so that a year is not told in seconds."""
    seconds = back.total_seconds()
    for unit, size in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= size:
            count = f"{seconds / size:.1f}".removesuffix(".0")
            return f"{count} {unit}{'' if count == '1' else 's'}"
    return f"{seconds:.0f} s"


def lines_of(path: Path) -> list[bytes]:
    """The whole lines of a log, without their ends."""
    data = _whole(path)
    return data[: data.rfind(b"\n") + 1].split(b"\n")[:-1]


def _whole(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise fault(str(path), "is not there", _START) from error
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror or error}") from error


def _flush_folder(folder: Path) -> None:
    """A new name in a folder lasts only when the folder is on disk; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
