"""The rows of each step: what the entry grid shows, made from the model. Plain mappings, no widget.

Row kinds and their keys are described in ``static/grid.js``.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnb.errors import Fault, InputFault
from diagnb.evaluation import LimitCapability, Result, capabilities
from diagnb.forms.draft import instrument_for, instruments_able
from diagnb.forms.fields import (
    CIRCUIT,
    COMPLAINT,
    CONDITIONS,
    COVERAGE,
    ITEMS,
    OPENED,
    ORDER,
    PEOPLE,
    REPAIR,
    VEHICLE,
    Field,
    read_decimal,
    read_half_width,
    read_moment,
    read_quantity,
    say_moment,
)
from diagnb.forms.model import FormModel, Review
from diagnb.forms.presenter import Presenter
from diagnb.procedures import DerivedSpec, GivenSpec, LimitSpec, Procedure, ReadingSpec
from diagnb.record import vin_remark

Row = dict[str, Any]


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
    StepSpec("findings", "Findings", needed=False),
    StepSpec("review", "Review"),
    StepSpec("sign", "Sign and export"),
)

_STEP_OF = {
    "order": "vehicle", "vehicle": "vehicle", "coverage": "vehicle", "complaint": "vehicle",
    "circuit": "circuit", "conditions": "circuit", "instruments": "instruments", "people": "instruments",
    "cause": "correct", "correction": "correct", "parts": "correct", "findings": "findings", "codes": "findings",
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


def heading(label: str, detail: str = "") -> Row:
    return {"kind": "heading", "label": label, "detail": detail}


def note(text: str, tone: str = "plain") -> Row:
    return {"kind": "note", "label": text, "tone": tone}


def action(
    key: str, button: str, label: str = "", *, tone: str = "item", mark: str = "", detail: str = "", locks: bool = True
) -> Row:
    """A button of the grid, with a sentence beside it. ``locks``: it changes entries, so a closed sheet disables it."""
    return {
        "kind": "action", "key": key, "button": button, "label": label, "tone": tone, "mark": mark, "detail": detail, "locks": locks,
    }  # fmt: skip


def changed_rows(before: Iterable[Mapping[str, Any]], after: Sequence[Row]) -> list[Row] | None:
    """The rows that differ, or None when rows came or went and the whole step has to be drawn again."""
    old = [dict(row) for row in before]
    same_place = len(old) == len(after) and all(
        (a.get("key"), a["kind"], a["label"]) == (b.get("key"), b["kind"], b["label"])
        for a, b in zip(old, after, strict=True)
    )
    if not same_place:
        return None
    return [new for was, new in zip(old, after, strict=True) if was != new and "key" in new]


class Rows:
    """Makes the rows of every step of one sheet."""

    def __init__(self, model: FormModel, presenter: Presenter, log: Callable[[str], None]) -> None:
        self.model = model
        self.presenter = presenter
        self.log = log
        self._known: list[tuple[tuple[Any, ...], tuple[str, ...]]] = []

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
            return [heading("Circuit"), *self.fields(CIRCUIT), heading("Conditions"), *self.fields(CONDITIONS)]
        if step == "instruments":
            return [heading("People"), *self.fields(PEOPLE), *self.instruments()]
        if step in _PHASES:
            return [row for test in self.model.tests(*_PHASES[step]) for row in self.test(test)]
        if step == "correct":
            return [heading("Cause and correction"), *self.fields(REPAIR), *self.items("parts")]
        if step == "findings":
            return [*self.items("findings"), *self.items("codes")]
        return []

    # -- plain fields ------------------------------------------------------------------------------------

    def fields(self, specs: Iterable[Field], prefix: str = "") -> list[Row]:
        return [self.field(spec, f"{prefix}{spec.name}") for spec in specs]

    def field(self, spec: Field, key: str) -> Row:
        text = self.model.text(key)
        row: Row = {
            "kind": spec.kind, "key": key, "label": spec.label, "text": text, "version": self.model.journal.number_of(key),
            "needed": spec.needed, "hint": spec.hint, "options": [list(o) for o in spec.options], "keyboard": spec.keyboard,
        }  # fmt: skip
        return row | self._said(spec, key, text)

    def _said(self, spec: Field, key: str, text: str) -> Row:
        if not text.strip():
            return {}
        try:
            value = spec.read(text)
        except InputFault as error:
            return {"fault": _sentence(error.faults[0])}
        if key == "vehicle.vin":
            remark = vin_remark(text.strip().upper())
            return {"caution": remark} if remark else {"back": "17 characters, the check digit fits"}
        if re.fullmatch(r"instruments\.[^.]+\.due", key) and dt.date.fromisoformat(value) < self.model.clock().date():
            return {"caution": f"overdue since {value}: what it reads after that day is not judged"}
        if isinstance(value, dict):
            return {"back": f"{value['value']} {value['unit']}"}
        return {}

    def moment(self, spec: Field, key: str, usual: dt.datetime | None = None) -> Row:
        """The row of a date and time; blank it means ``usual``."""
        row = self.field(spec, key)
        text = str(row["text"])
        if not text.strip():
            return row | ({"hint": f"left blank: {say_moment(usual)}, {spec.hint}"} if usual else {})
        try:
            return row | {"back": say_moment(read_moment(text, self.model.localise))}
        except InputFault as error:
            return row | {"fault": _sentence(error.faults[0])}

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

    # -- tests -------------------------------------------------------------------------------------------

    def title_of(self, key: str) -> str:
        """What a reading or given value of a test is called, with its test."""
        _, test, kind, name, *_ = [*key.split("."), "", "", ""]
        procedure = self.model.procedure(test)
        spec = (procedure.reading(name) or procedure.given(name)) if procedure else None
        return f"{spec.title if spec else name or kind} ({self.model.test_name(test)})"

    def test(self, test: str) -> list[Row]:
        procedure = self.model.procedure(test)
        if procedure is None:
            wanted = self.model.text(f"tests.{test}.procedure")
            return self._lost(
                test,
                f"The procedure {wanted or 'of this test'} is not on file here. Its entries are kept. "
                "Put its file back and open the sheet again, or take this test off.",
            )
        try:
            rows = self._test(test, procedure)
        except Exception as error:  # noqa: BLE001 - one bad test must not keep the whole sheet from opening
            self.log(traceback.format_exc())
            return self._lost(
                test, f"This test can't be shown ({error or type(error).__name__}). Its entries are kept."
            )
        return [row | {"of": test} for row in rows]

    def _lost(self, test: str, why: str) -> list[Row]:
        rows = [
            heading(self.model.test_name(test)),
            note(why, "caution"),
            action(f"remove.tests.{test}", "Take this test off"),
        ]
        return [row | {"of": test} for row in rows]

    def _test(self, test: str, procedure: Procedure) -> list[Row]:
        evaluated, _ = self.model.evaluated(test)
        results = {r.name: r for r in evaluated.results} if evaluated else {}
        base = f"tests.{test}"
        rows = [heading(self.model.test_name(test), procedure.purpose)]
        rows += [note(text, "caution") for text in self.model.cautions(test)]
        for number, text in enumerate(procedure.conditions):
            spec = Field("", _capital(text), "choice", options=(("", "choose"), ("yes", "met"), ("no", "not met")))
            rows.append(self.field(spec, f"{base}.conditions.{number}"))
        time = Field("", "Test made", hint="when its last reading was typed")
        rows.append(self.moment(time, f"{base}.time", self.model.time_of_test(test)))
        rows += [note(text) for text in self.before_the_test(test, procedure)]
        values = self.model.values
        for reading in procedure.readings:
            rows += self.reading(test, reading, values)
        for given in procedure.givens:
            rows += self.given(test, given)
        for derived in procedure.derived:
            rows.append(self.result(test, derived, results.get(derived.name)))
            rows += self.limit(test, procedure, derived, results.get(derived.name))
        rows.append(self.field(Field("", "Deviations", hint="what was done otherwise than the procedure says"), f"{base}.deviations"))  # fmt: skip
        rows.append(self.field(Field("", "Note"), f"{base}.note"))
        rows.append(action(f"remove.{base}", "Take this test off the sheet"))
        return rows

    def before_the_test(self, test: str, procedure: Procedure) -> tuple[str, ...]:
        """Whether the instruments on the sheet can judge the limits of this test, in plain words."""
        model = self.model
        sheets = {
            name: model.library.meters[model.text(f"instruments.{name}.meter")]
            for name in model.items("instruments")
            if model.text(f"instruments.{name}.meter") in model.library.meters
        }
        if not sheets:
            return (
                "Before the first reading: enter the instruments, then it says here whether they can judge the limits.",
            )
        voltage = model.text("vehicle.system_voltage") or "12"
        ambient: float | None = None
        with contextlib.suppress(InputFault, ValueError):
            ambient = float(read_decimal("°C")(model.text("conditions.ambient_degc")))
        own = frozenset(d.name for d in procedure.derived if model.text(f"tests.{test}.limits.{d.name}.use") == "own")
        names = tuple(self.model.instrument_name(name) for name in sheets)
        asked = (procedure.id, tuple(sheets.items()), names, voltage, ambient, own)
        found = next((said for known, said in self._known if known == asked), None)
        if found is None:
            able = capabilities(procedure, sheets, system_voltage=voltage, ambient_degc=ambient)
            titles = {r.name: r.title for r in procedure.readings}
            found = tuple(_capable(c, titles) for c in able if c.result not in own)
            self._known = [*self._known[-20:], (asked, found)]
        return found

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

    def reading(self, test: str, spec: ReadingSpec, values: Mapping[str, str]) -> list[Row]:
        key = f"tests.{test}.readings.{spec.name}"
        state = self.model.reading_state(test, spec.name)
        earlier = self.model.text(f"tests.{self.model.text(f'tests.{test}.repeats_test')}.readings.{spec.name}")
        able = instruments_able(values, self.model.library, spec)
        chosen = instrument_for(values, self.model.library, test, spec)
        detail = ", ".join(part for part in (spec.points, spec.load_state) if part)
        hint = f"as found: {earlier}" if earlier else "" if spec.required else "not needed when the others are taken"
        row: Row = {
            "kind": "reading", "key": key, "label": spec.title, "unit": spec.unit, "text": self.model.text(key),
            "version": self.model.journal.number_of(key), "detail": detail, "hint": hint, "needed": spec.required,
            "back": state.back, "fault": state.fault, "caution": state.caution,
            "fix": {"label": state.fix[0], "text": state.fix[1]} if state.fix else None,
        }  # fmt: skip
        if len(able) < 2:
            return [row]
        names = tuple((name, self.model.instrument_name(name)) for name in able)
        choice = self.field(Field("", f"{spec.title}: taken with", "choice", options=names), f"{key}.instrument")
        return [row, choice | {"text": chosen}]

    def given(self, test: str, spec: GivenSpec) -> list[Row]:
        key = f"tests.{test}.given.{spec.name}"
        assumed = f" ± {spec.half_width} {spec.unit}" if spec.half_width else ""
        usual = (
            f"{spec.default} {spec.unit}{assumed} when left blank: {spec.source}" if spec.default is not None else ""
        )
        value = Field(
            "", spec.title, needed=spec.required and not usual, hint=usual, read=read_quantity(spec.unit), keyboard="decimal"
        )  # fmt: skip
        row = self.field(value, key) | {"unit": spec.unit}
        if not row["text"].strip():
            earlier = self.model.text(f"tests.{self.model.text(f'tests.{test}.repeats_test')}.given.{spec.name}")
            return [row | {"hint": f"as found: {earlier}"} if earlier else row]
        own = self.model.text(f"{key}.half_width").strip()
        if spec.half_width and not own and row.get("back"):
            row["back"] = f"{row['back']} ± {spec.half_width} {spec.unit}, assumed by the procedure"
        width = Field("", f"{spec.title}: ±", hint=_assumed(spec), read=read_half_width(spec.unit), keyboard="decimal")
        return [
            row,
            self.field(width, f"{key}.half_width") | {"unit": spec.unit},
            self.field(Field("", f"{spec.title}: source", hint="label, data sheet, measured with"), f"{key}.source"),
        ]

    def result(self, test: str, spec: DerivedSpec, result: Result | None) -> Row:
        row: Row = {"kind": "result", "key": f"tests.{test}.results.{spec.name}", "label": spec.title, "version": 0}
        if result is None:
            return row
        word = result.verdict.verdict
        if result.reason == "no-limit":
            return row | {"plain": True, "value": self.presenter.value(result), "limit": "no limit applies"}
        return row | {
            "verdict": word,
            "mark": self.presenter.mark(word),
            "value": self.presenter.value(result),
            "limit": self.presenter.limit(result),
            "advice": self.presenter.remark(result) or (f"Limit from: {result.limit.source}" if result.limit else ""),
            "picture": self.presenter.picture(result),
        }

    def limit(self, test: str, procedure: Procedure, spec: DerivedSpec, result: Result | None) -> list[Row]:
        own: LimitSpec | None = procedure.limit_for(spec.name)
        if own is None:
            return []
        key = f"tests.{test}.limits.{spec.name}"
        rows = []
        if not own.required:
            rows.append(self.field(Field("", "Limit used", "choice", options=(
                ("", f"the procedure's: {own.source}"), ("own", "another limit, with its source"))), f"{key}.use"))  # fmt: skip
        if own.required or self.model.text(f"{key}.use") == "own":
            number = read_decimal(own.unit)
            rows += [
                self.field(Field("", "At least", read=number, keyboard="decimal"), f"{key}.lower") | {"unit": own.unit},
                self.field(Field("", "At most", read=number, keyboard="decimal"), f"{key}.upper") | {"unit": own.unit},
                self.field(
                    Field("", "Source of the limit", needed=True, hint="document, edition, page"), f"{key}.source"
                ),
            ]
        return rows

    # -- review ------------------------------------------------------------------------------------------

    def review(self, review: Review) -> list[Row]:
        """What is missing, then what would get the claim rejected, each with a way to its field."""
        rows = (
            [heading("Missing or wrong", "the report can't be signed before these are mended")] if review.faults else []
        )
        for number, found in enumerate(review.faults):
            rows.append(
                action(f"go.{number}.{found.where}", "Go there", found.what, tone="fault", mark="✕", detail=found.repair, locks=False)
            )  # fmt: skip
        if review.blank:
            rows.append(heading("Still blank", "without these the tests say nothing"))
        for number, key in enumerate(review.blank):
            rows.append(
                action(f"go.b{number}.{key}", "Go there", self.title_of(key), tone="caution", mark="!", locks=False)
            )
        rejecting = len(review.rejecting)
        counted = (
            f": {_remarks(rejecting)} would" if rejecting else ": nothing found that would" if review.evaluation else ""
        )
        rows.append(heading("Claim readiness" + counted + (" get this claim rejected" if counted else "")))
        marks = {"rejects": ("✕ rejects:", "fault"), "weakens": ("! weakens:", "caution"), "note": ("· note:", "plain")}
        for number, (key, remark) in enumerate(review.remarks):
            mark, tone = marks[remark.severity]
            rows.append(
                action(f"go.r{number}.{key}", "Go there", _capital(remark.message), tone=tone, mark=mark, detail=_capital(remark.repair), locks=False)
            )  # fmt: skip
        if not review.remarks:
            rows.append(note("Nothing more to say." if review.evaluation else "Said when there is a test to look at."))
        return rows

    # -- state of the steps ------------------------------------------------------------------------------

    def states(self, review: Review) -> dict[str, StepState]:
        """For each step its state and what is said of it in the step list."""
        count: dict[str, int] = {}
        for key in (*(f.where for f in review.faults), *review.blank):
            step = step_of(self.model, key)
            count[step] = count.get(step, 0) + 1
        states: dict[str, StepState] = {}
        for spec in STEPS:
            wrong = count.get(spec.id, 0)
            if wrong:
                states[spec.id] = StepState("missing", f"{wrong} missing")
            elif spec.id == "review":
                states[spec.id] = _state_of_review(sum(count.values()), review)
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


def _state_of_review(missing: int, review: Review) -> StepState:
    rejecting = len(review.rejecting)
    said = [f"{missing} missing"] if missing else []
    said += [f"{rejecting} would reject"] if rejecting else []
    if said:
        return StepState("missing", ", ".join(said))
    return StepState("done" if review.evaluation is not None and review.evaluation.tests else "open")


def _sentence(found: Fault) -> str:
    text = f"{found.where} {found.what}".strip()
    return f"{text}: {found.repair}" if found.repair else text


def _capable(found: LimitCapability, titles: Mapping[str, str]) -> str:
    by = " and ".join(titles.get(name, name) for name in found.by)
    low, high = (f"{side:.3g}" for side in found.undecided_zone)
    unit = "" if found.unit == "1" else f" {found.unit}"
    if not found.capable:
        return (
            f"Before the first reading: {found.title}, by “{by}”: these instruments are too coarse for this limit. "
            f"The tolerance would have to be {found.narrowest_tolerance:.2g}{unit} wide or more."
        )
    return (
        f"Before the first reading: {found.title}, by “{by}”: these instruments can judge this limit. "
        f"Only values between {low}{unit} and {high}{unit} would stay conditional."
    )


def _assumed(spec: GivenSpec) -> str:
    if spec.half_width:
        return f"left blank: ± {spec.half_width} {spec.unit}, assumed by the procedure"
    return "left blank: taken as exact; type the half-width if you know it"


def _remarks(count: int) -> str:
    return "1 remark" if count == 1 else f"{count} remarks"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
