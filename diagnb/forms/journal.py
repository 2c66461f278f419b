"""The draft journal: every change of a sheet on disk before anything else is done with it.

One file per sheet, one line per change, only ever appended to, and flushed to the disk before the change is
acknowledged::

    <crc32, 8 hex digits> <blank> <JSON object> <newline>

The object has ``n`` (its number), ``t`` (time with zone), ``e`` (what happened: ``put``, ``undo``, ``redo``,
``close`` or ``reopen``), and for ``put`` the field key ``k`` and the text ``v`` exactly as typed (``all`` for several fields), with
``s`` where the change begins a step of undo (1), is one by itself (2) or joins the step before it (3). The state of
the sheet is the replay of the file. A line cut off by a power failure is kept aside in a ``.torn`` file; a line with one
altered byte is put right from its checksum; one that can't be read is counted and skipped: neither costs the other
entries.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from filelock import FileLock, Timeout

from diagnb.errors import fault
from diagnb.forms.journal_line import mend_line, mend_split, read_line, write_line
from diagnb.forms.journal_state import BEGINS, JOINS, WHOLE, JournalState, Step

_ONLY_OWNER = 0o600
_IF_LEFT = b"if left"


class Journal:
    """The journal of one sheet. All methods may be called from any thread.

    ``read_only`` is true when another process (or another model in this one) writes the same sheet;
    ``closed`` holds what the sheet was closed with after signing. ``bad_lines`` counts lines that were
    skipped, ``mended_lines`` those with one altered byte that were put right, ``torn`` is true when the last line
    was cut off.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.read_only = False
        self.bad_lines = 0
        self.mended_lines = 0
        self.torn = False
        self._state = JournalState()
        self._unfinished_line = False
        self._descriptor: int | None = None
        self._waits = False
        self._waiting = b""
        self._guard = threading.RLock()
        self._lock = FileLock(path.with_name(path.name + ".lock"), timeout=0, mode=_ONLY_OWNER, thread_local=False)

    @classmethod
    def open(cls, path: Path, *, waits: bool = False) -> Journal:
        """Open or make the journal at ``path`` and replay it.

        The folder is made when it is missing. With ``waits`` the file of a new sheet is made at its first entry after
        those of :meth:`begin`: a sheet that nobody typed into leaves none. When another writer holds the sheet, the journal opens
        read-only and :attr:`read_only` says so. Raises InputFault when the file can't be read or made.
        """
        journal = cls(path)
        journal._waits = waits
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            try:
                journal._lock.acquire()
            except Timeout:
                journal.read_only = True
            journal._begin()
        except OSError as error:
            journal.release()
            raise fault(str(path), f"the draft can't be opened: {error.strerror}", "choose another folder") from error
        return journal

    @classmethod
    def read(cls, path: Path) -> Journal:
        """The journal at ``path`` for reading alone, without the writer's lock and without making anything."""
        journal = cls(path)
        journal.read_only = True
        try:
            journal.refresh()
        except OSError as error:
            raise fault(str(path), f"the draft can't be read: {error.strerror}") from error
        return journal

    def _begin(self) -> None:
        if self.read_only:
            self.refresh()
            return
        self._request.unlink(missing_ok=True)
        self._waits = self._waits and not self.path.exists()
        if self._waits:
            return
        descriptor = self._open_file()
        content = self.path.read_bytes()
        tail = self._replay(content)
        if not tail:
            return
        try:
            if self._take(tail):
                self._append(b"\n")
            elif self._take(tail[:-1]):
                self.mended_lines += 1
                os.ftruncate(descriptor, len(content) - 1)
                self._append(b"\n")
            else:
                self.torn = True
                self._set_aside(tail)
                os.ftruncate(descriptor, len(content) - len(tail))
                os.fsync(descriptor)
        except OSError:
            self._unfinished_line = True  # a full disk must not keep the sheet from opening

    def _open_file(self) -> int:
        is_new = not self.path.exists()
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
        self._descriptor = os.open(self.path, flags, _ONLY_OWNER)
        if is_new:
            flush_folder(self.path.parent)
        return self._descriptor

    def _set_aside(self, tail: bytes) -> None:
        aside = os.open(
            self.path.with_name(self.path.name + ".torn"),
            os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0),
            _ONLY_OWNER,
        )
        try:
            os.write(aside, tail + b"\n")
            os.fsync(aside)
        finally:
            os.close(aside)

    def refresh(self) -> None:
        """Read the file again: how a read-only view follows its writer. The writer itself needs none."""
        with self._guard:
            if not self.read_only:
                return
            self._clear()
            if self.path.exists():
                self._replay(self.path.read_bytes())

    def _clear(self) -> None:
        self._state = JournalState()
        self.bad_lines = self.mended_lines = 0

    def _replay(self, content: bytes) -> bytes:
        *lines, tail = content.split(b"\n")
        broken: bytes | None = None  # the line before, when nothing was got from it
        for line in lines:
            if line and self._take(line):
                broken = None
            elif self._take_all(mend_line(line)):
                self.mended_lines += 1
                broken = None
            elif broken is not None and self._take_all(mend_split(broken, line)):
                self.mended_lines += 1
                self.bad_lines -= bool(broken)
                broken = None
            else:
                self.bad_lines += bool(line)
                broken = line
        return tail

    def _take_all(self, entries: tuple[dict[str, Any], ...]) -> bool:
        return 0 < len(entries) == sum([self._state.take(entry) for entry in entries])

    def _take(self, line: bytes) -> bool:
        entry = read_line(line)
        return entry is not None and self._state.take(entry)

    # -- what stands on the sheet -------------------------------------------------------------------------

    @property
    def values(self) -> Mapping[str, str]:
        """Field key → text as typed. A frozen copy."""
        with self._guard:
            return MappingProxyType(dict(self._state.values))

    def text_of(self, key: str) -> str:
        """The text of one field, blank when there is none."""
        with self._guard:
            return self._state.values.get(key, "")

    def holds(self, key: str) -> bool:
        """Whether the field was ever entered (and not taken back by undo)."""
        return key in self._state.values

    def time_of(self, key: str) -> dt.datetime | None:
        """When this field was last changed."""
        with self._guard:
            stamp = self._state.stamps.get(key)
        return dt.datetime.fromisoformat(stamp[0]) if stamp else None

    def begun(self, key: str) -> dt.datetime | None:
        """When this field was first filled in, None when it never was. Corrections don't move it."""
        with self._guard:
            time = self._state.begun.get(key)
        return dt.datetime.fromisoformat(time) if time else None

    @property
    def last_time(self) -> dt.datetime | None:
        """When the sheet was changed last (closing it is no change)."""
        with self._guard:
            return dt.datetime.fromisoformat(self._state.last_time) if self._state.last_time else None

    def number_of(self, key: str) -> int:
        """The number of the entry that changed this field last; 0 when it never was."""
        with self._guard:
            stamp = self._state.stamps.get(key)
        return stamp[1] if stamp else 0

    @property
    def closed(self) -> Mapping[str, Any] | None:
        """What the sheet was closed with, or None while it is open."""
        return self._state.closed

    @property
    def reopened(self) -> Mapping[str, Any] | None:
        """What a signed sheet was opened again with for its next revision; None while it never was."""
        return self._state.reopened

    @property
    def damage(self) -> str:
        """What was found wrong in the file when it was read, in a sentence; blank when it was whole."""
        said = []
        if self.bad_lines:
            count = "1 line of this draft" if self.bad_lines == 1 else f"{self.bad_lines} lines of this draft"
            said.append(f"{count} can't be read and had to be left out: look through all entries before you sign.")
        if self.torn:
            said.append("The last entry was cut off before it was saved: see whether what was typed last is here.")
        if self.mended_lines:
            count = "1 line was" if self.mended_lines == 1 else f"{self.mended_lines} lines were"
            said.append(f"{count} damaged on the disk and put right from the checksum.")
        return " ".join(said)

    @property
    def number(self) -> int:
        """The number of the last entry."""
        return self._state.number

    @property
    def writable(self) -> bool:
        """Whether this journal takes changes."""
        return not self.read_only and self._state.closed is None and self._is_writer

    @property
    def _is_writer(self) -> bool:
        return self._descriptor is not None or self._waits

    def steps(self) -> Iterator[Step]:
        """The steps that undo would take back, last first."""
        with self._guard:
            return iter(tuple(reversed(self._state.steps)))

    # -- changes -----------------------------------------------------------------------------------------

    def put(self, key: str, text: str, *, moment: dt.datetime) -> int:
        """Write one change and flush it to the disk; returns its number. Nothing is parsed here.

        Raises InputFault when the sheet is closed, held by another writer, or the disk refuses.
        """
        with self._guard:
            begins = {"s": BEGINS} if self._state.fresh_step and self._state.number else {}
            return self._write({"e": "put", "k": key, "v": text, **begins}, moment)

    def put_all(self, changes: Mapping[str, str], *, moment: dt.datetime) -> int:
        """Write several fields as one line and one undo step: all of them or none survive a power failure."""
        return self._write({"e": "put", "all": dict(changes), "s": WHOLE}, moment)

    def begin(self, presets: Mapping[str, str], *, moment: dt.datetime) -> int:
        """Write what a new sheet holds before anybody types; where the file waits, it is written with the first entry."""
        return self._write({"e": "put", "all": dict(presets), "s": WHOLE}, moment, begins=True)

    def put_beside(self, changes: Mapping[str, str], *, moment: dt.datetime) -> int:
        """Write fields that follow from the last change: they are undone with it, and typing on goes on the same step."""
        return self._write({"e": "put", "all": dict(changes), "s": JOINS}, moment)

    def undo(self, *, moment: dt.datetime) -> Step | None:
        """Take back the last step (all keys typed into one field in one go). None when there is none."""
        with self._guard:
            if not self._state.steps:
                return None
            step = self._state.steps[-1]
            self._write({"e": "undo"}, moment)
            return step

    def redo(self, *, moment: dt.datetime) -> Step | None:
        """Bring back the step that was undone last. None when there is none."""
        with self._guard:
            if not self._state.undone:
                return None
            step = self._state.undone[-1]
            self._write({"e": "redo"}, moment)
            return step

    def end_step(self) -> None:
        """Start a new undo step with the next change, even if it is in the same field."""
        with self._guard:
            self._state.fresh_step = True

    def close_sheet(self, outcome: Mapping[str, Any], *, moment: dt.datetime) -> None:
        """Close the sheet after signing: later changes are refused. ``outcome`` says what was issued."""
        self._write({"e": "close", "with": dict(outcome)}, moment)

    def reopen(self, reason: Mapping[str, Any], *, moment: dt.datetime) -> None:
        """Take entries again after signing, for the next revision. ``reason`` says why and what it replaces."""
        with self._guard:
            if self._state.closed is None:
                raise fault("sheet", "is not signed", "correct it as it stands")
            self._write({"e": "reopen", "with": dict(reason)}, moment)

    def release(self) -> None:
        """Let go of the file and of the writer's lock. The entries stay."""
        with self._guard:
            if self._descriptor is not None:
                os.close(self._descriptor)
                self._descriptor = None
            self._waits = False
            self._lock.release()

    # -- handing over ------------------------------------------------------------------------------------

    @property
    def _request(self) -> Path:
        return self.path.with_name(self.path.name + ".handover")

    def is_asked_for(self) -> bool:
        """Whether another opening of this sheet asks its writer to hand over. For the writer to look at."""
        return not self.read_only and self._is_writer and self._request.exists()

    def is_asked_if_left(self) -> bool:
        """Whether the other opening asks only for a sheet that nobody has before them any more."""
        try:
            return self._request.read_bytes() == _IF_LEFT
        except OSError:
            return False

    def hand_over(self) -> None:
        """Let another opening write: this one reads only from now on. Nothing that was put is lost."""
        with self._guard:
            if self._descriptor is not None:
                os.close(self._descriptor)
                self._descriptor = None
            self._waits = False
            self.read_only = True
            self._request.unlink(missing_ok=True)
            self._lock.release()

    def take_over(self, *, seconds: float, if_left: bool = False) -> bool:
        """Ask the writer to hand over, and become the writer; False when it did not within ``seconds``.

        With ``if_left`` a writer that somebody still looks at keeps the sheet.
        """
        with self._guard:
            if not self.read_only:
                return True
            try:
                self._ask(_IF_LEFT if if_left else b"")
                self._lock.acquire(timeout=seconds, poll_interval=0.05)
            except Timeout:
                self._request.unlink(missing_ok=True)
                return False
            except OSError as error:
                raise fault("sheet", f"can't be taken over: {error.strerror}") from error
            self._request.unlink(missing_ok=True)
            self._clear()
            self.read_only = False
            self._begin()
            return True

    def _ask(self, what: bytes) -> None:
        draft = self._request.with_name(self._request.name + ".new")
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, _ONLY_OWNER)
        try:
            os.write(descriptor, what)
        finally:
            os.close(descriptor)
        draft.replace(self._request)  # whole at once: it is looked at meanwhile

    def _write(self, entry: dict[str, Any], moment: dt.datetime, *, begins: bool = False) -> int:
        with self._guard:
            if self._state.closed is not None and entry["e"] != "reopen":
                raise fault("sheet", "is signed and closed", "a correction is a new revision of the record")
            if not self._is_writer:
                raise fault("sheet", "is open for writing elsewhere", "close it there, then open it again here")
            numbered = {"n": self._state.number + 1, "t": moment.isoformat(), **entry}
            try:
                if begins and self._waits:
                    self._waiting += write_line(numbered)
                else:
                    self._append(write_line(numbered))
            except OSError as error:
                raise fault(
                    "draft",
                    f"this entry could not be written to disk: {error.strerror}",
                    "free some space; what was typed is tried again by itself",
                ) from error
            self._state.take(numbered)
            return self._state.number

    def _append(self, data: bytes) -> None:
        if self._waits and self._descriptor is None:
            self._open_file()
        assert self._descriptor is not None
        size = os.fstat(self._descriptor).st_size
        view = memoryview((b"\n" if self._unfinished_line else b"") + self._waiting + data)
        try:
            while view:
                view = view[os.write(self._descriptor, view) :]
            os.fsync(self._descriptor)
        except OSError:
            self._take_back(size)
            raise
        self._unfinished_line = self._waits = False
        self._waiting = b""

    def _take_back(self, size: int) -> None:
        """After a refused write: no piece of it stays in the file."""
        assert self._descriptor is not None
        try:
            os.ftruncate(self._descriptor, size)
        except OSError:
            self._unfinished_line = True


def flush_folder(folder: Path) -> None:
    """Make a new file's name durable, where the system lets a folder be flushed (POSIX)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
