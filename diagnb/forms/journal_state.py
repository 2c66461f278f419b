"""What the lines of a draft journal add up to: the texts of a sheet, their times, the steps of undo.

It knows nothing of files: an entry goes in, whether it made sense comes back. Whoever holds it sees to the threads.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

BEGINS, WHOLE, JOINS = 1, 2, 3
"""Marks of a change that begins a step of undo, is a step by itself, joins the last one: a replay undoes the same steps."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field changed: its key, what stood there before (None: nothing), what stands there after."""

    key: str
    before: str | None
    after: str


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the undo list: a run of changes of one field, or several fields set at once."""

    changes: tuple[Change, ...]

    @property
    def key(self) -> str:
        """The first field of the step: where the eye should go."""
        return self.changes[0].key


class JournalState:
    """The state of one sheet after so many entries.

    ``values`` is field key → text as typed, ``stamps`` key → (time, number) of its last change, ``begun`` key → time of
    its first text; ``steps`` are those undo would take back, ``undone`` those redo would bring back, last at the end.
    ``closed`` and ``reopened`` hold what the sheet was closed and opened again with.
    """

    def __init__(self) -> None:
        self.values: dict[str, str] = {}
        self.stamps: dict[str, tuple[str, int]] = {}
        self.begun: dict[str, str] = {}
        self.steps: list[Step] = []
        self.undone: list[Step] = []
        self.closed: Mapping[str, Any] | None = None
        self.reopened: Mapping[str, Any] | None = None
        self.last_time: str | None = None
        self.number = 0
        self.fresh_step = True

    def take(self, entry: Mapping[str, Any]) -> bool:
        """Count an entry and do what it says; False when that makes no sense here."""
        self.number = max(self.number, entry["n"])
        return self._apply(entry)

    def _apply(self, entry: Mapping[str, Any]) -> bool:
        event = entry["e"]
        if event == "put":
            changes = entry.get("all", {entry.get("k"): entry.get("v")})
            if not isinstance(changes, dict) or not changes:
                return False
            if not all(isinstance(k, str) and isinstance(v, str) for k, v in changes.items()):
                return False
            if entry.get("s") in (BEGINS, WHOLE):
                self.fresh_step = True
            self._apply_put(changes, entry["t"], entry["n"], joins=entry.get("s") == JOINS)
            self.fresh_step |= entry.get("s") == WHOLE
        elif event == "undo" and self.steps:
            step = self.steps.pop()
            self.undone.append(step)
            self._restore({c.key: c.before for c in step.changes}, entry["t"], entry["n"])
        elif event == "redo" and self.undone:
            step = self.undone.pop()
            self.steps.append(step)
            self._restore({c.key: c.after for c in step.changes}, entry["t"], entry["n"])
        elif event == "close" and isinstance(entry.get("with"), dict):
            self.closed = MappingProxyType(entry["with"])
        elif event == "reopen" and self.closed is not None and isinstance(entry.get("with"), dict):
            self.closed, self.reopened = None, MappingProxyType(entry["with"])
            self.steps, self.undone, self.fresh_step = [], [], True  # what was signed is not undone
        else:
            return False
        if event not in ("close", "reopen"):
            self.last_time = entry["t"]
        return True

    def _apply_put(self, changes: Mapping[str, str], time: str, number: int, *, joins: bool) -> None:
        made = tuple(Change(key, self.values.get(key), text) for key, text in changes.items())
        last = self.steps[-1].changes if self.steps else ()
        goes_on = not self.fresh_step and len(made) == 1 and bool(last) and made[0].key == last[0].key
        if last and (joins or goes_on):
            merged = {change.key: change for change in last}
            for one in made:
                merged[one.key] = Change(one.key, merged[one.key].before, one.after) if one.key in merged else one
            self.steps[-1] = Step(tuple(merged.values()))
        else:
            self.steps.append(Step(made))
        self.fresh_step = self.fresh_step if joins else len(made) > 1
        self.undone.clear()
        for change in made:
            self._set(change.key, change.after, time, number)

    def _set(self, key: str, text: str, time: str, number: int) -> None:
        if text.strip():
            self.begun.setdefault(key, time)
        self.values[key] = text
        self.stamps[key] = (time, number)

    def _restore(self, texts: Mapping[str, str | None], time: str, number: int) -> None:
        self.fresh_step = True
        for key, text in texts.items():
            if text is None:
                self.values.pop(key, None)
                self.begun.pop(key, None)
                self.stamps[key] = (time, number)
            else:
                self._set(key, text, time, number)
