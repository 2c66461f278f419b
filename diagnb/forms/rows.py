"""The rows of each step: what the entry grid shows, made from the model. Plain mappings, no widget.

Row kinds and their keys are described in ``static/grid.js``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnb.forms.fields import (
    CIRCUIT,
    COMPLAINT,
    CONDITIONS,
    COVERAGE,
    ITEMS,
    OPENED,
    ORDER,
    PEOPLE,
    QUALIFIED,
    REPAIR,
    VEHICLE,
    Field,
)
from diagnb.forms.model import FormModel, Review
from diagnb.forms.presenter import Presenter
from diagnb.forms.row import Row, action, changed_rows, heading, note
from diagnb.forms.rows_of_files import RowsOfFiles
from diagnb.forms.rows_of_path import RowsOfPath


@dataclass(frozen=True, slots=True)
class StepSpec:
    """One screen of the form."""

    id: str
    title: str
    needed: bool = True


@dataclass(frozen=True, slots=True)
class StepState:
    """How a step stands: ``done``, ``missing`` or ``open``, and what is said of it."""

    state: str
    said: str = ""


STEPS = (
    StepSpec("vehicle", "Vehicle and complaint"),
    StepSpec("circuit", "Circuit"),
    StepSpec("instruments", "Instruments and people"),
    StepSpec("found", "As found"),
    StepSpec("correct", "Correct", needed=False),
    StepSpec("left", "As left", needed=False),
    StepSpec("files", "Traces and photos", needed=False),
    StepSpec("findings", "Findings", needed=False),
    StepSpec("review", "Review"),
    StepSpec("sign", "Sign and export"),
)

_STEP_OF = {
    "order": "vehicle", "vehicle": "vehicle", "coverage": "vehicle", "complaint": "vehicle",
    "circuit": "circuit", "conditions": "circuit", "instruments": "instruments", "people": "instruments",
    "cause": "correct", "correction": "correct", "parts": "correct", "findings": "findings", "codes": "findings",
    "attachments": "files",
}  # fmt: skip
_PHASES = {"found": ("as found", "isolating"), "left": ("as left",)}
_ITEM_NAMES = {"instruments": "Instrument", "parts": "Part", "codes": "Fault code", "findings": "Finding"}


def step_of(model: FormModel, key: str) -> str:
    """The step where a field stands."""
    parts = key.split(".")
    if parts[0] == "step":
        return parts[1]
    if parts[0] == "tests":
        phase = model.text(f"tests.{parts[1]}.phase") if len(parts) > 1 else ""
        return "left" if phase == "as left" else "found"
    return _STEP_OF.get(parts[0], "vehicle")


class Rows(RowsOfPath):
    """Makes the rows of every step of one sheet."""

    def __init__(self, model: FormModel, presenter: Presenter, log: Callable[[str], None]) -> None:
        super().__init__(model, presenter, log)
        self.files = RowsOfFiles(model, presenter)

    def present_with(self, presenter: Presenter) -> None:
        """Say and draw results by another presenter from now on."""
        self.presenter = self.files.presenter = presenter

    def of(self, step: str) -> list[Row]:
        """All rows of one step, top to bottom. Steps without entries have none."""
        if step == "vehicle":
            return [
                heading("Job"), *self.fields(ORDER), self.moment(OPENED, OPENED.name),
                heading("Vehicle"), *self.fields(VEHICLE),
                heading("Complaint"), *self.fields(COMPLAINT),
                heading("Warranty", "leave blank when no claim will be made"), *self.fields(COVERAGE),
            ]  # fmt: skip
        if step == "circuit":
            caution = self.model.circuit_caution()
            return [
                heading("Circuit"), *self.fields(CIRCUIT), *([note(caution, "caution")] if caution else []),
                heading("Conditions"), *self.fields(CONDITIONS),
            ]  # fmt: skip
        if step == "instruments":
            return [heading("People"), *self.fields(PEOPLE), *self.fields(QUALIFIED), *self.instruments()]
        if step in _PHASES:
            return [*self.stopped(), *(row for test in self.model.tests(*_PHASES[step]) for row in self.test(test))]
        if step == "correct":
            return [heading("Cause and correction"), *self.fields(REPAIR), *self.items("parts")]
        if step == "files":
            return self.files.rows()
        if step == "findings":
            return [*self.items("findings"), *self.items("codes")]
        return []

    def stopped(self) -> list[Row]:
        """The stop above 60 V DC or 30 V AC with the fields that end it; none while it doesn't hold."""
        stop = self.model.stop()
        if stop is None:
            return []
        if stop.asks:
            return [note(stop.sentence, "caution")]
        return [note(stop.sentence, "stop"), *self.fields(QUALIFIED)]

    def items(self, kind: str) -> list[Row]:
        rows: list[Row] = []
        for number, name in enumerate(self.model.items(kind), 1):
            rows.append(heading(f"{_ITEM_NAMES[kind]} {number}"))
            rows += self.fields(ITEMS[kind], f"{kind}.{name}.")
            if kind == "findings":
                rows += [self._shown_by(name, test) for test in self.model.tests()]
            rows.append(action(f"remove.{kind}.{name}", f"Take {_ITEM_NAMES[kind].lower()} {number} off the sheet"))
        return rows

    def _shown_by(self, finding: str, test: str) -> Row:
        spec = Field(
            f"shows.{test}", f"Shown by {self.model.test_name(test)}", "choice", options=(("", "no"), ("yes", "yes"))
        )
        return self.field(spec, f"findings.{finding}.shows.{test}")

    def instruments(self) -> list[Row]:
        types = tuple((name, sheet.title) for name, sheet in sorted(self.model.library.meters.items()))
        meter = Field("meter", "Type of instrument", "choice", needed=True, options=(("", "choose"), *types))
        rows: list[Row] = []
        for number, name in enumerate(self.model.items("instruments"), 1):
            sheet = self.model.library.meters.get(self.model.text(f"instruments.{name}.meter"))
            source = f"accuracy from: {sheet.source}" if sheet else ""
            rows.append(heading(f"Instrument {number}", source))
            rows += self.fields((meter, *ITEMS["instruments"]), f"instruments.{name}.")
            rows.append(action(f"remove.instruments.{name}", f"Take instrument {number} off the sheet"))
        return rows

    def changed(self, step: str, key: str, before: Sequence[Mapping[str, Any]]) -> list[Row] | None:
        """The rows of a step that a change of ``key`` altered; None when the whole step has to be drawn again.

        A change within one test alters that test and those that repeat it, so only these are made anew.
        """
        parts = key.split(".")
        if parts[0] != "tests" or step not in _PHASES:
            return changed_rows(before, self.of(step))
        changed: list[Row] = []
        for test in self.model.tests(*_PHASES[step]):
            if test == parts[1] or self.model.text(f"tests.{test}.repeats_test") == parts[1]:
                found = changed_rows([row for row in before if row.get("of") == test], self.test(test))
                if found is None:
                    return None
                changed += found
        return changed

    # -- state of the steps ------------------------------------------------------------------------------

    def states(self, review: Review) -> dict[str, StepState]:
        """For each step its state and what is said of it in the step list."""
        open_keys = (*(f.where for f in review.faults), *review.blank)
        missing = Counter(step_of(self.model, key) for key in open_keys if not self.model.text(key).strip())
        wrong = Counter(step_of(self.model, key) for key in open_keys if self.model.text(key).strip())
        rejects = Counter(step_of(self.model, key) for key, r in review.remarks if r.severity == "rejects")
        states: dict[str, StepState] = {}
        for spec in STEPS:
            counted: tuple[tuple[int, str], ...] = (missing[spec.id], "missing"), (wrong[spec.id], "wrong")
            if not any(number for number, _ in counted):  # what is missing is often why a claim would be rejected
                counted = ((rejects[spec.id], "needed for a claim"),)
            said = ", ".join(f"{number} {word}" for number, word in counted if number)
            if said:
                states[spec.id] = StepState("missing", said)
            elif spec.id == "review":
                states[spec.id] = _state_of_review(missing.total(), wrong.total(), review)
            elif spec.id == "sign":
                states[spec.id] = StepState("done" if self.model.journal.closed is not None else "open")
            else:
                states[spec.id] = StepState("done" if self._has_entries(spec.id) else "open")
        return states

    def _has_entries(self, step: str) -> bool:
        if step in _PHASES:
            return bool(self.model.tests(*_PHASES[step]))
        heads = [head for head, place in _STEP_OF.items() if place == step]
        values = self.model.values
        return any(text and key.split(".")[0] in heads and key != "order.opened" for key, text in values.items())


def _state_of_review(missing: int, wrong: int, review: Review) -> StepState:
    rejecting = len(review.rejecting)
    said = [f"{missing} missing"] if missing else []
    said += [f"{wrong} wrong"] if wrong else []
    said += [f"{rejecting} would reject"] if rejecting else []
    if said:
        return StepState("missing", ", ".join(said))
    return StepState("done" if review.evaluation is not None and review.evaluation.tests else "open")
