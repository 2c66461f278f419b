"""The entries of one sheet and every way to change them: the journal first, then what follows.

One lock lets callbacks arrive on any thread. What follows from the entries stands in ``model.py``.
"""

from __future__ import annotations

import datetime as dt
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from diagnb.errors import Fault, fault
from diagnb.evaluation import TestResult
from diagnb.forms.attached import TraceView
from diagnb.forms.carried_over import instruments_of, repeated_as_left
from diagnb.forms.cautions import caution_codes, cautions_due, class_caution
from diagnb.forms.entries import made_at
from diagnb.forms.fields import items, next_item, say_moment
from diagnb.forms.file_store import FileStore
from diagnb.forms.instrument_choice import instruments_by_size
from diagnb.forms.journal import Journal
from diagnb.forms.journal_state import Step
from diagnb.forms.library import Library
from diagnb.forms.path_nodes import (
    node_ids,
    reading_specs,
    usual_nodes,
    with_node_after,
    with_node_moved,
    without_node,
)
from diagnb.forms.voltage_stop import Stop, is_measurement, is_unfinished, refused_by, stop_of
from diagnb.procedures import Procedure, ReadingSpec

Clock = Callable[[], dt.datetime]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a change did: the number of its journal entry, and what could not be worked out afterwards.

    The entry is on disk when this exists, also when ``trouble`` is not blank.
    """

    version: int
    tests: frozenset[str] = frozenset()
    trouble: str = ""


class SheetChanges(ABC):
    """What stands on a sheet, and its changes. Every change goes to the journal first."""

    def __init__(
        self,
        journal: Journal,
        *,
        sheet: str,
        library: Library,
        clock: Clock,
        localise: Callable[[dt.datetime], dt.datetime] | None = None,
    ) -> None:
        self.localise = localise or (lambda moment: moment.replace(tzinfo=clock().tzinfo))
        self.journal = journal
        self.sheet = sheet
        self.files = FileStore(journal.path.with_name(f"{journal.path.stem}.files"))
        self.library = library
        self.clock = clock
        self._guard = threading.RLock()
        self._sealed = False
        self._typing = ""
        self._stop: tuple[tuple[int, str], Stop | None] | None = None
        self._evaluated: dict[str, tuple[TestResult | None, Mapping[str, Fault]]] = {}
        self._turns: dict[str, int] = {}
        self._specs: dict[str, tuple[int, tuple[ReadingSpec, ...]]] = {}
        self._reviewed: dict[int, Any] = {}
        self._viewed: dict[str, tuple[tuple[tuple[str, str], ...], TraceView]] = {}

    # -- the draft ---------------------------------------------------------------------------------------

    @property
    def values(self) -> Mapping[str, str]:
        """Field key → text as typed. A frozen copy."""
        return self.journal.values

    def text(self, key: str) -> str:
        """The text of one field, blank when there is none."""
        return self.journal.text_of(key)

    @property
    def locked(self) -> str:
        """Why the sheet takes no changes now; blank while it does."""
        if self.journal.closed is not None:
            return "Signed and closed. A correction is a new revision."
        if self.journal.read_only:
            return "Read only: this sheet is open for writing in another window or kernel."
        return ""

    @property
    def created(self) -> dt.datetime:
        """When the record was made: the time of the last entry, so that no test is later than its record."""
        return self.journal.last_time or self.clock()

    def begin(self, presets: Mapping[str, str]) -> None:
        """Put the first entries of a new sheet (the technician's name and the like); none on a sheet that has any."""
        with self._guard:
            if not self.locked and not self.journal.number:
                now = self.clock()
                presets = {key: text for key, text in presets.items() if text}
                self.journal.begin({"order.opened": say_moment(now, seconds=True), **presets}, moment=now)

    def keep(self, key: str, text: str, *, typing: bool = False) -> int:
        """Keep the text of one field and nothing else; returns the number of its entry.

        ``typing``: more may follow, so a number without a unit stops nothing yet ("148" may become "148 mV").

        What follows from it is worked out by :meth:`work_out` or when it is asked for. Raises InputFault only
        when the text could not be kept.
        """
        with self._guard:
            if self.text(key) == text and self.journal.holds(key):
                return self.journal.number_of(key)
            self._check_unsealed()
            if self._typing != key:
                self._end_typing()
            self._check_stop({key: text})
            self._typing = key if typing and is_measurement(key) else ""
            version = self.journal.put(key, text, moment=self.clock())
            self._forget((key,))
            self._show_cautions()
            return version

    def put(self, key: str, text: str) -> Answer:
        """Keep the text of one field and work out what follows. Raises InputFault only when it could not be kept."""
        return self.work_out((key,), self.keep(key, text))

    def confirm(self, key: str) -> Answer:
        """Record that the reading ``key`` is meant as it stands: "did you mean mV?" was answered with no."""
        return self.put_all({f"{key}.confirmed": self.text(key).strip()})

    def system_voltage(self) -> float | None:
        """The vehicle's system voltage in V, None while it is not chosen."""
        text = self.text("vehicle.system_voltage")
        return float(text) if text else None

    def put_all(self, changes: Mapping[str, str]) -> Answer:
        """Keep several fields as one step of undo."""
        with self._guard:
            self._check_unsealed()
            self._typing = ""
            self._check_stop(changes)
            shown = cautions_due({**self.values, **changes}, self.library)
            version = self.journal.put_all({**changes, **shown}, moment=self.clock())
            self._forget(changes)
        return self.work_out(tuple(changes), version)

    def undo(self) -> Step | None:
        """Take back the last step; None when there is none."""
        with self._guard:
            self._check_unsealed()
            self._typing = ""
            step = self.journal.undo(moment=self.clock())
            self._forget(c.key for c in step.changes) if step else None
            return step

    def redo(self) -> Step | None:
        """Bring back the step undone last; None when there is none."""
        with self._guard:
            self._check_unsealed()
            self._typing = ""
            step = self.journal.redo(moment=self.clock())
            self._forget(c.key for c in step.changes) if step else None
            return step

    def work_out(self, keys: tuple[str, ...], version: int) -> Answer:
        """Evaluate the tests that these fields concern. Raises nothing: the entries are on disk already."""
        touched = self._concerned(keys)
        trouble = ""
        try:
            for name in touched:
                self.evaluated(name)
        except Exception as error:  # noqa: BLE001 - the entry is on disk; what went wrong after it is said, not raised
            trouble = f"entries are saved; this could not be worked out: {error or type(error).__name__}"
        return Answer(version, frozenset(touched), trouble)

    def _forget(self, keys: Iterable[str]) -> None:
        """Drop what was worked out from these fields."""
        for name in self._concerned(keys):
            self._evaluated.pop(name, None)
            self._turns[name] = self._turns.get(name, 0) + 1

    def _concerned(self, keys: Iterable[str]) -> tuple[str, ...]:
        """The tests that these fields belong to or bear on."""
        tests = self.tests()
        concerned: set[str] = set()
        for key in keys:
            head, _, rest = key.partition(".")
            if head == "tests":
                concerned.add(rest.partition(".")[0])
            elif head in ("order", "instruments", "conditions", "vehicle", "circuit", "people") or (
                head == "attachments" and rest.endswith((".removed", ".sha256"))
            ):
                concerned.update(tests)
        return tuple(name for name in tests if name in concerned)

    # -- lists -------------------------------------------------------------------------------------------

    def items(self, kind: str) -> tuple[str, ...]:
        """Ids of the items of one list: ``instruments``, ``tests``, ``parts``, ``codes``, ``findings``."""
        return items(self.values, kind)

    def tests(self, *phases: str) -> tuple[str, ...]:
        """Ids of the tests, of the given phases or of all."""
        every = self.items("tests")
        return tuple(t for t in every if not phases or self.text(f"tests.{t}.phase") in phases)

    def time_of_test(self, test: str) -> dt.datetime | None:
        """When this test was made, as long as nobody states its time: when its first reading was typed, else when it was added."""
        return made_at(self.values, test, self.journal.begun)

    def has_readings(self, test: str) -> bool:
        """Whether anything was read yet in this test."""
        return any(self.text(f"tests.{test}.readings.{spec.name}").strip() for spec in self.specs(test))

    def procedure(self, test: str) -> Procedure | None:
        """The procedure of one test, or None when it is not on file here."""
        return self.library.procedures.get(self.text(f"tests.{test}.procedure"))

    def specs(self, test: str) -> tuple[ReadingSpec, ...]:
        """The readings of one test, in their order; of a path test one for each node and each span."""
        number = self.journal.number
        known = self._specs.get(test)
        if known is None or known[0] != number:  # every row of a path asks
            procedure = self.procedure(test)
            known = number, reading_specs(self.values, test, procedure) if procedure else ()
            self._specs[test] = known
        return known[1]

    def spec(self, test: str, name: str) -> ReadingSpec | None:
        """One reading of a test as it is asked for, or None."""
        return next((spec for spec in self.specs(test) if spec.name == name), None)

    def add(self, kind: str, **texts: str) -> str:
        """Add an item with these fields as one step; returns its id."""
        with self._guard:
            name = next_item(self.values, kind)
            changes = {f"{kind}.{name}.{part}": text for part, text in texts.items()}
            if kind == "tests":
                known = self.library.procedures.get(texts.get("procedure", ""))
                if known is not None and known.kind == "path":
                    changes |= usual_nodes(name)
                changes |= instruments_by_size({**self.values, **changes}, self.library, name)
                self._check_stop(changes)
                self._check_makeable(name, changes)
            self.put_all(changes)
            return name

    @abstractmethod
    def _check_makeable(self, test: str, changes: Mapping[str, str]) -> None:
        """Raise InputFault when this test could not be worked out: then it must not get onto the sheet."""

    @abstractmethod
    def evaluated(self, test: str) -> tuple[TestResult | None, Mapping[str, Fault]]:
        """The evaluation of one test as far as its entries go, and the faults found on the way, by field key."""

    def cautions(self, test: str) -> tuple[str, ...]:
        """The caution texts that go with a test on this circuit."""
        return tuple(self.library.cautions[c] for c in caution_codes(self.values, self.library, test))

    def circuit_caution(self) -> str:
        """The caution text for the circuit's kind, blank when it has none."""
        return self.library.cautions.get(class_caution(self.values, self.library), "")

    def stop(self) -> Stop | None:
        """The stop that holds: a voltage above 60 V DC or 30 V AC, and no qualified person named."""
        asked = (self.journal.number, self._typing)
        known = self._stop
        if known is None or known[0] != asked:  # every row of a step asks
            known = self._stop = (asked, stop_of(self._finished(), self.library))
        return known[1]

    def settle(self) -> None:
        """What was typed last is finished: a number without a unit counts as it stands, and undo takes it back alone."""
        with self._guard:
            self._end_typing()
            self.journal.end_step()

    def _end_typing(self) -> None:
        if self._typing:
            self._typing = ""
            if not self.locked and not self._sealed:
                self._show_cautions()

    def _finished(self) -> Mapping[str, str]:
        """The entries without the number that is still being typed: "350" and "350 " may become "350 mV"."""
        values = self.values
        if self._typing and is_unfinished(values.get(self._typing, "")):
            return {key: text for key, text in values.items() if key != self._typing}
        return values

    def _show_cautions(self) -> None:
        """Record the cautions that the sheet shows since the last change, as part of that change."""
        shown = cautions_due(self._finished(), self.library)
        if shown:
            self.journal.put_beside(shown, moment=self.clock())

    def _check_stop(self, changes: Mapping[str, str]) -> None:
        stop = self.stop()
        if stop is not None and refused_by(stop, changes):
            raise fault("Not taken:", stop.refusal)

    def remove(self, kind: str, name: str) -> None:
        """Take an item off the sheet; its entries stay in the journal and undo brings it back."""
        self.put_all({f"{kind}.{name}.removed": "yes"})

    def take_over_instruments(self, earlier: Mapping[str, str]) -> tuple[str, ...]:
        """Add the instruments of an earlier sheet that this one lacks, as one step; returns their ids."""
        with self._guard:
            made, changes = instruments_of(earlier, self.values, self.library)
            if changes:
                self.put_all(changes)
            return made

    def repeat_as_left(self) -> tuple[str, ...]:
        """An as-left test for each as-found one that has none yet: same procedure, instruments, points."""
        with self._guard:
            made, changes = repeated_as_left(self.values, self.library)
            if changes:
                self.put_all(changes)
            return made

    # -- nodes of a path ---------------------------------------------------------------------------------

    def add_node(self, test: str, after: str) -> str:
        """Put a new node after another one; returns its id."""
        with self._guard:
            known = set(node_ids(self.values, test))
            self.put_all(with_node_after(self.values, test, after))
            return next(node for node in node_ids(self.values, test) if node not in known)

    def remove_node(self, test: str, node: str) -> None:
        """Take a node off the path; its entries stay in the journal and undo brings it back."""
        self.put_all(without_node(self.values, test, node))

    def move_node(self, test: str, node: str, by: int) -> None:
        """Move a node by so many places; nothing happens at an end of the path."""
        changes = with_node_moved(self.values, test, node, by)
        if changes:
            self.put_all(changes)

    def _check_unsealed(self) -> None:
        if self._sealed:
            raise fault("sheet", "is being signed", "wait a moment")
