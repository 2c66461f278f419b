"""The rows of one test: cautions, conditions, readings, given values, results, limits."""

from __future__ import annotations

import contextlib
import re
import traceback
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from diagnb.errors import InputFault
from diagnb.evaluation import LimitCapability, Result, TestResult, capabilities
from diagnb.forms.entries import instrument_for, instruments_able, is_source, which_fuse
from diagnb.forms.fields import Field, read_decimal, read_half_width, read_quantity
from diagnb.forms.model import FormModel
from diagnb.forms.presenter import Presenter
from diagnb.forms.reading_check import ReadingState
from diagnb.forms.row import FOR_A_CLAIM, FieldRows, Row, action, capital, heading, note
from diagnb.forms.voltage_stop import Stop
from diagnb.procedures import DerivedSpec, GivenSpec, LimitSpec, Procedure, ReadingSpec


class RowsOfTest(FieldRows):
    """Makes the rows of the tests of one sheet. ``log`` takes the text of a traceback."""

    def __init__(self, model: FormModel, presenter: Presenter, log: Callable[[str], None]) -> None:
        super().__init__(model)
        self.presenter = presenter
        self.log = log
        self._known: list[tuple[tuple[Any, ...], tuple[str, ...]]] = []

    def title_of(self, key: str) -> str:
        """What a reading or given value of a test is called, with its test."""
        _, test, kind, name, *_ = [*key.split("."), "", "", ""]
        procedure = self.model.procedure(test)
        spec = (self.model.spec(test, name) or procedure.given(name)) if procedure else None
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
        base = f"tests.{test}"
        rows = [heading(self.model.test_name(test), procedure.purpose)]
        rows += [note(text, "caution") for text in self.model.cautions(test)]
        for number, text in enumerate(procedure.conditions):
            spec = Field("", capital(text), "choice", options=(("", "choose"), ("yes", "met"), ("no", "not met")))
            row = self.field(spec, f"{base}.conditions.{number}")
            if row["text"] == "no" and not self.model.text(f"{base}.deviations").strip():
                row["caution"] = (
                    "say under Deviations why it was measured all the same; unsaid, it would get the claim rejected"
                )
            rows.append(row)
        begun = self.model.has_readings(test)
        time = Field(
            "",
            "Test made",
            hint="when its first reading was typed" if begun else "left blank: when its first reading is typed",
        )
        rows.append(self.moment(time, f"{base}.time", self.model.time_of_test(test) if begun else None))
        rows += [note(text) for text in self.before_the_test(test, procedure)]
        rows += self.taken(test, procedure, evaluated)
        rows.append(self.field(Field("", "Deviations", hint="what was done otherwise than the procedure says"), f"{base}.deviations"))  # fmt: skip
        rows.append(self.field(Field("", "Note"), f"{base}.note"))
        rows.append(action(f"remove.{base}", "Take this test off the sheet"))
        return rows

    def taken(self, test: str, procedure: Procedure, outcome: TestResult | None) -> list[Row]:
        """Readings, given values and results of one test."""
        results = {r.name: r for r in outcome.results} if outcome else {}
        rows: list[Row] = []
        if fuse := which_fuse(procedure, test):
            rows.append(self.field(Field("", "Which fuse", hint="place and rating, for example F12, 10 A"), fuse))
        for reading in procedure.readings:
            rows += self.reading(test, reading, self.model.values)
        for given in procedure.givens:
            rows += self.given(test, given)
        rows += self.looked_up(procedure)
        for derived in procedure.derived:
            key = f"tests.{test}.results.{derived.name}"
            rows.append(self.judged(key, derived.title, results.get(derived.name)))
            rows += self.limit(test, procedure, derived, results.get(derived.name))
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
            here = {sheet.id for sheet in sheets.values()}
            others = {m: sheet for m, sheet in model.library.meters.items() if m not in here}

            def finer(wanted: LimitCapability) -> tuple[str, ...]:
                """The instruments on file that could judge this limit by the same readings."""
                could = {
                    m: capabilities(procedure, {m: sheet, **sheets}, system_voltage=voltage, ambient_degc=ambient)
                    for m, sheet in others.items()
                }
                return tuple(
                    others[m].title
                    for m, said in could.items()
                    if any((c.result, c.by, c.capable) == (wanted.result, wanted.by, True) for c in said)
                )

            found = tuple(_capable(c, titles, able, () if c.capable else finer(c)) for c in able if c.result not in own)
            self._known = [*self._known[-20:], (asked, found)]
        return found

    def reading(self, test: str, spec: ReadingSpec, values: Mapping[str, str]) -> list[Row]:
        key = f"tests.{test}.readings.{spec.name}"
        version = self.model.journal.number_of(key)
        state = self.model.reading_state(test, spec.name)
        earlier = self.model.text(f"tests.{self.model.text(f'tests.{test}.repeats_test')}.readings.{spec.name}")
        able = instruments_able(values, self.model.library, spec)
        chosen = instrument_for(values, self.model.library, test, spec)
        detail = ", ".join(part for part in (spec.points, spec.load_state) if part)
        hint = f"as found: {earlier}" if earlier else "" if spec.required else "not needed when the others are taken"
        if spec.proves_load and not spec.required:
            detail = f"{detail}; {FOR_A_CLAIM}" if detail else FOR_A_CLAIM
            hint = hint if earlier else "shows that the load was on"
        stop = self.model.stop()
        row: Row = {
            "disabled": stop is not None and key not in stop.keys,
            "kind": "reading", "key": key, "label": spec.title, "unit": spec.unit, "text": self.model.text(key),
            "version": version, "detail": detail, "hint": hint, "needed": spec.required,
            "back": state.back, "fault": state.fault, "caution": _with_value(state),
            "fix": {"label": state.fix[0], "text": state.fix[1]} if state.fix else None,
            "deny": {"label": state.deny[0], "act": f"confirm.{key}"} if state.deny else None,
        }  # fmt: skip
        row |= _of_stop(stop, key)
        if len(able) < 2:
            return [row]
        names = tuple((name, self.model.instrument_name(name)) for name in able)
        choice = self.field(Field("", f"{spec.title}: taken with", "choice", options=names), f"{key}.instrument")
        return [row, choice | {"text": chosen}]

    def given(self, test: str, spec: GivenSpec) -> list[Row]:
        key = f"tests.{test}.given.{spec.name}"
        symbol = "" if spec.unit == "1" else spec.unit
        assumed = f" ± {spec.half_width} {symbol}".rstrip() if spec.half_width else ""
        usual = (
            f"{f'{spec.default} {symbol}'.strip()}{assumed} when left blank: {spec.source}"
            if spec.default is not None
            else ""
        )
        value = Field(
            "", spec.title, needed=spec.required and not usual, hint=usual, read=read_quantity(spec.unit), keyboard="decimal"
        )  # fmt: skip
        stop = self.model.stop()
        row = self.field(value, key) | {"unit": symbol, "disabled": stop is not None and key not in stop.keys}
        row |= _of_stop(stop, key)
        if not row["text"].strip():
            earlier = self.model.text(f"tests.{self.model.text(f'tests.{test}.repeats_test')}.given.{spec.name}")
            return [row | {"hint": f"as found: {earlier}"} if earlier else row]
        if symbol == "" and row.get("back"):
            row["back"] = str(row["back"]).removesuffix(" 1")
        own = self.model.text(f"{key}.half_width").strip()
        if spec.half_width and not own and row.get("back"):
            row["back"] = f"{row['back']}{assumed}, assumed by the procedure"
        width = Field("", f"{spec.title}: ±", hint=_assumed(spec), read=read_half_width(spec.unit), keyboard="decimal")
        return [
            row,
            self.field(width, f"{key}.half_width") | {"unit": symbol},
            self._source_of(spec, f"{key}.source"),
        ]

    def _source_of(self, spec: GivenSpec, key: str) -> Row:
        """Where a given value comes from, with the usual answer to take over by one tap."""
        row = self.field(Field("", f"{spec.title}: source", needed=True, hint="label, data sheet, measured with"), key)
        if row["text"].strip():
            return row if is_source(str(row["text"])) else row | {"fault": "does not say where the value comes from"}
        usual = _usual_source(spec)
        return row if self.model.locked or not usual else row | {"fix": {"label": f"Use “{usual}”", "text": usual}}

    def looked_up(self, procedure: Procedure) -> list[Row]:
        """What the formulas take from a table by the system voltage, with its source: nothing else on screen says it."""
        voltage = self.model.system_voltage()
        used = {
            name
            for derived in procedure.derived
            for formula in derived.formulas
            for name in re.findall(r"table\((\w+), *system_voltage\)", formula.text)
        }
        rows = []
        for name, table in procedure.tables.items():
            plain = next((t for t in procedure.plain.get("tables", ()) if t["name"] == name), None)
            if name not in used or plain is None:
                continue
            there = dict(zip(table.x, plain["y"], strict=True)).get(voltage) if voltage is not None else None
            title = capital(name.replace("_", " "))
            value = f"{there} {plain['y_unit']} at {voltage:g} V" if there else "none for this system voltage"
            rows.append(note(f"{title}: {value} ({plain['source']})"))
        return rows

    def judged(self, key: str, title: str, result: Result | None, *, drawn: bool = True) -> Row:
        """The row of one result, blank while there is none; with its picture if ``drawn``."""
        row: Row = {"kind": "result", "key": key, "label": title, "version": 0}
        if result is None:
            return row
        word = result.verdict.verdict
        if result.reason == "no-limit":
            return row | {"plain": True, "value": self.presenter.value(result), "limit": self.presenter.no_limit()}
        return row | {
            "verdict": word,
            "said": self.presenter.verdict(word),
            "value": self.presenter.value(result),
            "limit": self.presenter.limit(result),
            "advice": self.presenter.remark(result) or self.presenter.limit_from(result),
            "picture": self.presenter.picture(result) if drawn else "",
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
            stated = any(self.model.text(f"{key}.{side}").strip() for side in ("lower", "upper"))
            sides = (("lower", "At least"), ("upper", "At most"))
            rows += [
                self.field(Field("", title, read=number, keyboard="decimal"), f"{key}.{side}") | {"unit": own.unit}
                for side, title in sides
            ]
            source = self.field(
                Field("", "Source of the limit", needed=stated, hint="document, edition, page"), f"{key}.source"
            )
            wrong = str(source["text"]).strip() and not is_source(str(source["text"]))
            rows.append(source | ({"fault": "does not say where the limit comes from"} if wrong else {}))
        return rows


def _usual_source(spec: GivenSpec) -> str:
    """Where a given value usually comes from, by what it is called; blank where there is no usual answer."""
    title = spec.title.lower()
    if "data sheet" in title:
        return "read in the data sheet"
    if any(word in title for word in ("label", "rated", "design voltage")):
        return "read on the label"
    return "read on a thermometer" if spec.unit == "°C" else ""


def _with_value(state: ReadingState) -> str:
    """A caution after the value as it was read."""
    return f"= {state.back}; {state.caution}" if state.caution and state.back else state.caution


def _of_stop(stop: Stop | None, key: str) -> Row:
    """What the stop says at one field: why it stands, or why the field waits."""
    if stop is None:
        return {}
    if key not in stop.keys:
        return {"caution": stop.refusal}
    return {} if stop.asks else {"fault": f"{stop.at_field} See the top of this step."}


def _capable(
    found: LimitCapability,
    titles: Mapping[str, str],
    able: Sequence[LimitCapability],
    finer: Sequence[str],
) -> str:
    """One sentence on what these instruments can judge, and what to use instead where they can't.

    ``able`` are the ways to this limit and the others, ``finer`` the instruments on file that would do.
    """
    by = " and ".join(titles.get(name, name) for name in found.by)
    low, high = (f"{side:.3g}" for side in found.undecided_zone)
    symbol = "" if found.unit == "1" else f" {found.unit}"
    if not found.capable:
        return (
            f"Before the first reading: {found.title}, by “{by}”: these instruments are coarse for this limit. Only a value "
            f"clearly on one side of it can be judged: any between {low}{symbol} and {high}{symbol} would stay conditional. "
            f"{_instead(found, titles, able, finer)}"
        )
    return (
        f"Before the first reading: {found.title}, by “{by}”: these instruments can judge this limit. "
        f"Only values between {low}{symbol} and {high}{symbol} would stay conditional."
    )


def _instead(
    found: LimitCapability, titles: Mapping[str, str], able: Sequence[LimitCapability], finer: Sequence[str]
) -> str:
    ways = [c.by for c in able if c.result == found.result and c.capable]
    better = [" and ".join(f"“{titles.get(name, name)}”" for name in way) for way in ways]
    said = [f"take {' or '.join(better)} instead"] if better else []
    said += [f"use a finer instrument, for example: {', '.join(finer[:3])}"] if finer else []
    return f"Better: {'; or '.join(said)}." if said else "No instrument on file here is finer."


def _assumed(spec: GivenSpec) -> str:
    if spec.half_width:
        return f"left blank: ± {spec.half_width} {spec.unit}, assumed by the procedure"
    return "left blank: taken as exact; type the half-width if you know it"
