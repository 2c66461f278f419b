"""The form without its widgets: the draft, what is said at each field, the record, the live evaluation.

Nothing here knows a notebook. The journal holds the truth; this model reads it, and writes it before it does
anything else. One lock lets callbacks arrive on any thread.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.evaluation import Evaluation, TestResult, evaluate, evaluate_test
from diagnb.forms.carried_over import alike_tests
from diagnb.forms.draft import Draft, draft_record
from diagnb.forms.entries import which_fuse
from diagnb.forms.instrument_choice import function_for, larger_instrument
from diagnb.forms.library import load_library as load_library
from diagnb.forms.reading_check import ReadingState, check_reading
from diagnb.forms.sheet_files import SheetFiles
from diagnb.forms.targets import field_of
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

_LONGEST_NOTE = 40


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


class FormModel(SheetFiles):
    """One sheet. ``clock`` returns the present moment with its zone; nothing here reads a clock itself.

    ``localise`` gives a date and time without a zone that of this place; by default the offset of ``clock``.

    Every change goes to the journal first. A change that comes after a fault is still kept: the fault is
    reported beside it.
    """

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

    # -- what is said ------------------------------------------------------------------------------------

    def reading_state(self, test: str, name: str) -> ReadingState:
        """What stands beside one reading, the instrument's own refusal included."""
        spec = self.spec(test, name)
        if spec is None:
            return ReadingState()
        key = f"tests.{test}.readings.{name}"
        state = check_reading(
            self.text(key),
            spec,
            system_voltage=self.system_voltage(),
            function=function_for(self.values, self.library, test, spec),
            confirmed=self.text(f"{key}.confirmed"),
        )
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
            known = self._evaluated.get(test)
            values, turn = self.values, self._turns.get(test, 0)
        if known is not None:
            return known
        found = self._evaluate(test, values)  # outside the lock: no key press waits for it
        with self._guard:
            if self._turns.get(test, 0) == turn:
                self._evaluated[test] = found
        return found

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
            return (evaluate_test(record, record.tests[0]) if record.tests else None), faults
        return None, faults

    def _draft(self, values: Mapping[str, str], *, only_test: str = "", fill: bool = False, new: bool = False) -> Draft:
        return draft_record(
            values,
            library=self.library,
            sheet=self.sheet,
            created=self.clock() if new else self.created,
            time_of=self.journal.time_of,
            begun=self.journal.begun,
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
            known: Review | None = self._reviewed.get(number)
            if known is not None:
                return known
            draft = self._draft(self._usable(), fill=True)
            faults = tuple(self._of_test(found) for found in self.faults())
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

    def rejections(self, record: Record, evaluation: Evaluation) -> tuple[Remark, ...]:
        """What would get the claim of this very record rejected, in words: what the one who signs it has to be told."""
        return tuple(self._in_words(r) for r in check(record, evaluation) if r.severity == "rejects")

    def _of_test(self, found: Fault) -> Fault:
        """A fault of a test with the test's name: the same field may be there in several."""
        head, test, *_ = [*found.where.split("."), "", ""]
        if head != "tests" or test not in self.tests():
            return found
        return replace(found, what=f"{found.what} ({self.test_name(test)})")

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
        """A short name of a test for people: procedure, which of several, phase."""
        known = self.procedure(test)
        title = known.title if known else self.text(f"tests.{test}.procedure")
        which = self.which(test)
        return f"{title}{f', {which}' if which else ''}, {self.text(f'tests.{test}.phase')}"

    def which(self, test: str) -> str:
        """What tells a test from the others of its procedure and phase: its fuse, its note, else its number."""
        known = self.procedure(test)
        fuse = self.text(which_fuse(known, test)).strip() if known else ""
        alike = alike_tests(self.values, test)
        if fuse or len(alike) < 2:
            return fuse
        note = " ".join(self.text(f"tests.{test}.note").split())
        return f"{note[:_LONGEST_NOTE]}…" if len(note) > _LONGEST_NOTE else note or f"no. {alike.index(test) + 1}"

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
            raise fault("record", "kept beside the sheet is not the one that was signed", "use: diagnb amend")
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
