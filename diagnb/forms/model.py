"""The form without its widgets: the draft, what is said at each field, the record, the live evaluation.

Nothing here knows a notebook. The journal holds the truth; this model reads it, and writes it before it does
anything else. One lock lets callbacks arrive on any thread.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.evaluation import Evaluation, TestResult, evaluate, evaluate_test
from diagnb.forms.attached import TraceView, entries_of_file, is_photo, taken_into_reading, view_of
from diagnb.forms.carried_over import instruments_of, repeated_as_left
from diagnb.forms.cautions import caution_codes, cautions_due, class_caution
from diagnb.forms.draft import Draft, draft_record
from diagnb.forms.fields import items, next_item, say_moment
from diagnb.forms.file_store import FileStore
from diagnb.forms.instrument_choice import instruments_by_size, larger_instrument
from diagnb.forms.journal import Journal, Step
from diagnb.forms.library import Library
from diagnb.forms.library import load_library as load_library
from diagnb.forms.path_nodes import (
    node_ids,
    reading_specs,
    usual_nodes,
    with_node_after,
    with_node_moved,
    without_node,
)
from diagnb.forms.reading_check import ReadingState, check_reading
from diagnb.forms.targets import field_of
from diagnb.forms.voltage_stop import Stop, is_measurement, is_unfinished, refused_by, stop_of
from diagnb.procedures import Procedure, ReadingSpec
from diagnb.readiness import Remark, check
from diagnb.record import (
    Record,
    amend,
    canonical_bytes,
    differences,
    digest,
    load_record,
    read_json,
    read_record,
)

Clock = Callable[[], dt.datetime]
LIVE_TRIALS = 20_000
"""Monte Carlo trials while somebody types; the record is evaluated with all of them when it is signed."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a change did: the number of its journal entry, and what could not be worked out afterwards.

    The entry is on disk when this exists, also when ``trouble`` is not blank.
    """

    version: int
    tests: frozenset[str] = frozenset()
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Review:
    """The sheet as a whole: what is missing, the evaluation so far, the remarks with the field of each."""

    faults: tuple[Fault, ...]
    evaluation: Evaluation | None
    remarks: tuple[tuple[str, Remark], ...]
    blank: tuple[str, ...] = ()
    """The readings and given values that a test needs and that are still blank, as field keys."""

    @property
    def rejecting(self) -> tuple[Remark, ...]:
        """The remarks that would get the claim rejected."""
        return tuple(remark for _, remark in self.remarks if remark.severity == "rejects")


class FormModel:
    """One sheet. ``clock`` returns the present moment with its zone; nothing here reads a clock itself.

    ``localise`` gives a date and time without a zone that of this place; by default the offset of ``clock``.

    Every change goes to the journal first. A change that comes after a fault is still kept: the fault is
    reported beside it.
    """

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
        self._evaluated: dict[str, tuple[TestResult | None, Mapping[str, Fault]]] = {}
        self._reviewed: dict[int, Review] = {}
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
                self.journal.put_all({"order.opened": say_moment(now, seconds=True), **presets}, moment=now)

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
                self.settle()
            self._check_stop({key: text})
            self._typing = key if typing and is_measurement(key) else ""
            unfinished = bool(self._typing) and is_unfinished(text)
            shown = cautions_due({**self.values, **({} if unfinished else {key: text})}, self.library)
            if shown:
                version = self.journal.put_all({key: text, **shown}, moment=self.clock())
            else:
                version = self.journal.put(key, text, moment=self.clock())
            self._forget((key,))
            return version

    def put(self, key: str, text: str) -> Answer:
        """Keep the text of one field and work out what follows. Raises InputFault only when it could not be kept."""
        return self.work_out((key,), self.keep(key, text))

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
            step = self.journal.undo(moment=self.clock())
            self._forget(c.key for c in step.changes) if step else None
            return step

    def redo(self) -> Step | None:
        """Bring back the step undone last; None when there is none."""
        with self._guard:
            self._check_unsealed()
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
        """When this test was made, as long as nobody states its time: when its last reading was typed, else when it was added."""
        start = f"tests.{test}.readings."
        times = [t for key in self.values if key.startswith(start) and (t := self.journal.time_of(key))]
        return max(times, default=None) or self.journal.time_of(f"tests.{test}.procedure")

    def procedure(self, test: str) -> Procedure | None:
        """The procedure of one test, or None when it is not on file here."""
        return self.library.procedures.get(self.text(f"tests.{test}.procedure"))

    def specs(self, test: str) -> tuple[ReadingSpec, ...]:
        """The readings of one test, in their order; of a path test one for each node and each span."""
        procedure = self.procedure(test)
        return reading_specs(self.values, test, procedure) if procedure else ()

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

    def _check_makeable(self, test: str, changes: Mapping[str, str]) -> None:
        """Raise InputFault when this test could not be worked out: then it must not get onto the sheet."""
        wanted = changes.get(f"tests.{test}.procedure", "")
        known = self.library.procedures.get(wanted)
        if known is None:
            raise fault(wanted or "test", "is not on file here", "choose a procedure of the list")
        if known.energise == "allowed" and self.text("circuit.class") not in ("", "ordinary"):
            raise fault(known.title, f"feeds the circuit, which is not allowed here. {self.circuit_caution()}")
        try:
            found, faults = self._evaluate(test, {**self.values, **changes}, new=True)
        except Exception as error:
            raise fault(known.title, f"can't be used on this sheet: {error or type(error).__name__}") from error
        if found is None:
            said = "; ".join(str(f) for f in faults.values()) or "it can't be worked out"
            raise fault(known.title, f"can't be used on this sheet: {said}")

    def cautions(self, test: str) -> tuple[str, ...]:
        """The caution texts that go with a test on this circuit."""
        return tuple(self.library.cautions[c] for c in caution_codes(self.values, self.library, test))

    def circuit_caution(self) -> str:
        """The caution text for the circuit's kind, blank when it has none."""
        return self.library.cautions.get(class_caution(self.values, self.library), "")

    def stop(self) -> Stop | None:
        """The stop that holds: a voltage above 60 V DC or 30 V AC, and no qualified person named."""
        values = self.values
        if self._typing and is_unfinished(values.get(self._typing, "")):
            values = {key: text for key, text in values.items() if key != self._typing}
        return stop_of(values, self.library)

    def settle(self) -> None:
        """What was typed last is finished: a number without a unit counts as it stands."""
        with self._guard:
            if not self._typing:
                return
            self._typing = ""
            shown = cautions_due(self.values, self.library)
            if shown and not self.locked and not self._sealed:
                self.put_all(shown)

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
            made, changes = repeated_as_left(self.values)
            if changes:
                self.put_all(changes)
            return made

    # -- attachments -------------------------------------------------------------------------------------

    def attach(self, file_name: str, data: bytes) -> str:
        """Keep a photo or a recorder's file and list it; returns its id. It is on disk before the journal names it.

        Raises InputFault for what can't be used, and when it could not be kept.
        """
        with self._guard:
            self._check_unsealed()
            if self.locked:
                raise fault("sheet", self.locked)
            name = next_item(self.values, "attachments")
            sha256 = hashlib.sha256(data).hexdigest()
            changes = entries_of_file(self.values, name=name, file_name=file_name, data=data, sha256=sha256)
            self.files.put(data)
            self.put_all(changes)
            return name

    def trace_view(self, name: str) -> TraceView:
        """An attached trace as its fields say it is read. Raises InputFault where they do not fit the file."""
        start = f"attachments.{name}."
        with self._guard:
            values = self.values
            heads = (start, "instruments.", "conditions.ambient", "tests.")
            asked = tuple(
                sorted(
                    (k, t)
                    for k, t in values.items()
                    if k.startswith(heads) and ".readings." not in k and not k.endswith(".shows")
                )
            )
            known = self._viewed.get(name)
            if known is None or known[0] != asked:
                data = self.files.get(self.text(f"{start}sha256"))
                known = asked, view_of(values, self.library, name, data)
                self._viewed[name] = known
            return known[1]

    def take_trace(self, name: str) -> str:
        """Put the feature of an attached trace into its reading; returns the reading's key."""
        with self._guard:
            view = self.trace_view(name)
            if view.reading is None:
                raise fault(self.text(f"attachments.{name}.name"), "gives no reading yet", view.missing)
            test, _, wanted = self.text(f"attachments.{name}.reading").partition(".")
            key = f"tests.{test}.readings.{wanted}"
            self.put_all({f"{key}{part}": text for part, text in taken_into_reading(view).items()})
            return key

    def photos(self) -> dict[str, bytes]:
        """The photos of the record by name, as taken. Raises InputFault when one is missing beside the draft."""
        return {
            self.text(f"attachments.{a}.name"): self.files.get(self.text(f"attachments.{a}.sha256"))
            for a in self.items("attachments")
            if is_photo(self.values, a)
        }

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

    # -- what is said ------------------------------------------------------------------------------------

    def reading_state(self, test: str, name: str) -> ReadingState:
        """What stands beside one reading, the instrument's own refusal included."""
        spec = self.spec(test, name)
        if spec is None:
            return ReadingState()
        key = f"tests.{test}.readings.{name}"
        state = check_reading(self.text(key), spec)
        said = self.evaluated(test)[1].get(key)
        if said and not state.fault:
            remedy = f"; {said.repair}" if said.repair else ""
            if "above the range" in said.what and (larger := larger_instrument(self.values, self.library, test, spec)):
                remedy += f", or choose “{larger}” under “taken with”"
            return ReadingState(state.back, f"{_plainly(said.what)}{remedy}", "", state.fix)
        return state

    def evaluated(self, test: str) -> tuple[TestResult | None, Mapping[str, Fault]]:
        """The evaluation of one test as far as its entries go, and the faults found on the way, by field key."""
        with self._guard:
            if test not in self._evaluated:
                self._evaluated[test] = self._evaluate(test, self.values)
            return self._evaluated[test]

    def _evaluate(
        self, test: str, entries: Mapping[str, str], *, new: bool = False
    ) -> tuple[TestResult | None, Mapping[str, Fault]]:
        values = dict(entries)
        faults: dict[str, Fault] = {}
        for _ in range(8):
            draft = self._draft(values, only_test=test, fill=True, new=new)
            faults |= {f.where: f for f in draft.faults if f.where not in faults}
            try:
                record = read_record(draft.plain)
            except InputFault as error:
                found = [Fault(draft.key_of(f.where), f.what, f.repair) for f in error.faults]
                faults |= {f.where: f for f in found if f.where not in faults}
                dropped = [f.where for f in found if values.pop(f.where, None) is not None]
                if not dropped:
                    return None, faults
                continue
            return (evaluate_test(record, record.tests[0], trials=LIVE_TRIALS) if record.tests else None), faults
        return None, faults

    def _draft(self, values: Mapping[str, str], *, only_test: str = "", fill: bool = False, new: bool = False) -> Draft:
        return draft_record(
            values,
            library=self.library,
            sheet=self.sheet,
            created=self.clock() if new else self.created,
            time_of=self.journal.time_of,
            localise=self.localise,
            only_test=only_test,
            fill=fill,
        )

    # -- the record --------------------------------------------------------------------------------------

    def faults(self) -> tuple[Fault, ...]:
        """Everything that keeps the sheet from being a record, each with its field key."""
        try:
            self.record()
        except InputFault as error:
            return error.faults
        except Exception as error:  # noqa: BLE001 - a fault of the program must not lock the sheet; it is said
            return (Fault("sheet", f"can't be worked out: {error or type(error).__name__}"),)
        return ()

    def record(self) -> Record:
        """The frozen record. Raises InputFault with every fault at its field key."""
        with self._guard:
            draft = self._draft(self.values)
            found = list(draft.faults)
            try:
                record = read_record(draft.plain)
            except InputFault as error:
                known = {f.where for f in found}
                said = [
                    Fault(key, self._in_titles(key, f.what), f.repair)
                    for f in error.faults
                    for key in (draft.key_of(f.where),)
                ]
                found += [f for f in said if f.where not in known and not _is_echo(f, known)]
                raise InputFault(found or error.faults) from error
            if found:
                raise InputFault(found)
            return self._as_revision(record)

    def blank(self, test: str) -> tuple[str, ...]:
        """The fields that this test still needs before anything can be said of it, as keys.

        A reading that another one can stand in for is not needed by itself; where every result waits for a
        reading, the first blank one is named.
        """
        procedure = self.procedure(test)
        if procedure is None:
            return ()
        base = f"tests.{test}"
        specs = self.specs(test)
        readings = {r.name: f"{base}.readings.{r.name}" for r in specs}
        found = [readings[r.name] for r in specs if r.required and not self.text(readings[r.name]).strip()]
        for given in procedure.givens:
            key = f"{base}.given.{given.name}"
            if given.required and given.default is None and not self.text(key).strip():
                found.append(key)
        outcome = self.evaluated(test)[0]
        if outcome is not None and not found:
            limited = [r for r in outcome.results if procedure.limit_for(r.name)] or list(outcome.results)
            if limited and all(r.reason == "reading-missing" for r in limited):
                found += [key for key in readings.values() if not self.text(key).strip()][:1]
        return tuple(found)

    def review(self) -> Review:
        """The sheet as a whole, also while it is incomplete. Worked out once for each state of the entries."""
        with self._guard:
            number = self.journal.number
            known = self._reviewed.get(number)
            if known is not None:
                return known
            draft = self._draft(self._usable(), fill=True)
            faults = self.faults()
            blank = tuple(key for test in self.tests() for key in self.blank(test))
        try:
            record = read_record(draft.plain)
        except InputFault:
            return Review(faults, None, (), blank)
        evaluation = evaluate(record)
        found = check(record, evaluation) if record.tests else ()
        remarks = tuple((field_of(self, r, draft.key_of(r.where)), self._in_words(r)) for r in found)
        review = Review(faults, evaluation, remarks, blank)
        self._reviewed = {number: review}
        return review

    def _in_words(self, remark: Remark) -> Remark:
        """The remark with tests and instruments called as people know them, not by their ids."""

        def named(found: re.Match[str]) -> str:
            kind, name = found.groups()
            if kind == "test" and name in self.tests():
                return f"“{self.test_name(name)}”"
            if kind == "instrument" and name in self.items("instruments"):
                return f"“{self.instrument_name(name)}”"
            return found.group()

        said, mended = (re.sub(r"\b(test|instrument) ([tm]\d+)\b", named, s) for s in (remark.message, remark.repair))
        return replace(remark, message=said, repair=mended)

    def _in_titles(self, where: str, what: str) -> str:
        """A fault's text with a reading's title in place of its name."""
        _, test, _, name, *_ = [*where.split("."), "", "", ""]
        procedure = self.procedure(test) if where.startswith("tests.") else None
        spec = (self.spec(test, name) or procedure.given(name)) if procedure else None
        return re.sub(rf"\b{re.escape(name)}\b", spec.title, what, count=1) if spec else what

    def test_name(self, test: str) -> str:
        """A short name of a test for people: procedure and phase."""
        known = self.procedure(test)
        title = known.title if known else self.text(f"tests.{test}.procedure")
        return f"{title}, {self.text(f'tests.{test}.phase')}"

    def instrument_name(self, name: str) -> str:
        """An instrument for people: its type and serial number."""
        sheet = self.library.meters.get(self.text(f"instruments.{name}.meter"))
        serial = self.text(f"instruments.{name}.serial")
        return f"{sheet.title if sheet else name}{f', {serial}' if serial else ''}"

    def _usable(self) -> Mapping[str, str]:
        """The entries without those that a test's evaluation had to leave out."""
        bad = {key for test in self.tests() for key in self.evaluated(test)[1]}
        return {key: text for key, text in self.values.items() if key not in bad}

    def frozen(self) -> tuple[Record, Evaluation]:
        """The record and its evaluation: what an export is made from, whatever is typed meanwhile."""
        record = self.record()
        return record, evaluate(record)

    def seal(self) -> tuple[Record, Evaluation]:
        """As :meth:`frozen`, and no change is taken until :meth:`unseal`: what is signed is what stands here."""
        with self._guard:
            self._check_unsealed()
            frozen = self.frozen()
            self._sealed = True
            return frozen

    def unseal(self) -> None:
        """Take changes again; after :meth:`close` there are none to take."""
        self._sealed = False

    def _check_unsealed(self) -> None:
        if self._sealed:
            raise fault("sheet", "is being signed", "wait a moment")

    def close(self, outcome: Mapping[str, Any], record: Record | None = None) -> None:
        """Close the sheet after the report of ``record`` was issued; the record is kept for a later revision."""
        with self._guard:
            kept: dict[str, Any] = {}
            if record is not None:
                kept = {"record": self.files.put(canonical_bytes(record)), "revision": record.revision}
            self.journal.close_sheet({**outcome, **kept}, moment=self.clock())

    def revise(self, reason: str) -> None:
        """Take entries again for the revision that replaces the signed one. Raises InputFault when that can't be had."""
        with self._guard:
            signed = self.journal.closed
            if signed is None:
                raise fault("sheet", "is not signed", "correct it as it stands")
            if not signed.get("record"):
                raise fault(
                    "sheet", "was signed by an earlier version, which kept no record beside it", "use: diagnb amend"
                )
            self._signed(signed)
            self.journal.reopen({**signed, "reason": " ".join(reason.split())}, moment=self.clock())
            self._evaluated.clear()
            self._reviewed.clear()

    def _signed(self, outcome: Mapping[str, Any]) -> Record:
        """The record that was signed, as it was kept. Raises InputFault when it is missing or another one."""
        record = load_record(read_json(self.files.get(str(outcome["record"])), "record"))
        if digest(record) != outcome.get("digest"):
            raise fault("record", "kept beside the draft is not the one that was signed", "use: diagnb amend")
        return record

    def _as_revision(self, record: Record) -> Record:
        """``record``, or where the sheet was signed before, as the revision that replaces the signed one."""
        reopened = self.journal.reopened
        if reopened is None:
            return record
        old = self._signed(reopened)
        if all(change.where == "created" for change in differences(old, record)):
            raise fault(
                "sheet", f"says the same as revision {old.revision}, which is signed", "correct what is wrong in it"
            )
        return amend(old, record, reason=str(reopened.get("reason", "")))

    def take_over(self, *, seconds: float) -> bool:
        """Become the writer of a sheet that is open elsewhere; False when the other one does not answer."""
        with self._guard:
            taken = self.journal.take_over(seconds=seconds)
            self._evaluated.clear()
            self._reviewed.clear()
            return taken

    def release(self) -> None:
        """Let go of the file, so that the sheet can be opened elsewhere."""
        self.journal.release()


def _plainly(what: str) -> str:
    """A fault of the record's door without the reading's own name in front of it."""
    head, _, rest = what.partition(" ")
    return rest if rest.startswith("'") or (head.isidentifier() and "_" in head) else what


def _is_echo(said: Fault, known: set[str]) -> bool:
    """Whether the record's door only repeats in its own words what a field has said already."""
    part = said.where.split(".")[0].split("[")[0]
    return any(key.split(".")[0] == part for key in known) and said.what in ("is missing", "Field required")
