"""One row of the entry grid as a plain mapping, and the row of a typed field. Kinds and keys: ``static/grid.js``."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from diagnb.errors import Fault, InputFault
from diagnb.forms.fields import Field, read_date, read_moment, say_moment
from diagnb.forms.model import FormModel
from diagnb.record import vin_remark

Row = dict[str, Any]
FOR_A_CLAIM = "needed for a claim"


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
    same_place = len(old) == len(after) and all(_place(a) == _place(b) for a, b in zip(old, after, strict=True))
    if not same_place:
        return None
    return [new for was, new in zip(old, after, strict=True) if was != new and "key" in new]


def _place(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """What must not differ for a row to be painted anew where it stands."""
    drawn_once = row.get("label") if "key" not in row or row["kind"] == "action" else None
    return row.get("key"), row["kind"], row.get("block"), drawn_once, row.get("buttons")


class FieldRows:
    """Makes the rows of typed fields of one sheet."""

    def __init__(self, model: FormModel) -> None:
        self.model = model

    def fields(self, specs: Iterable[Field], prefix: str = "") -> list[Row]:
        return [self.field(spec, f"{prefix}{spec.name}") for spec in specs]

    def field(self, spec: Field, key: str) -> Row:
        version = self.model.journal.number_of(key)  # first: a later text with this number is skipped by the browser
        text = self.model.text(key)
        row: Row = {
            "kind": spec.kind, "key": key, "label": spec.label, "text": text, "version": version,
            "needed": spec.needed, "hint": spec.hint, "options": [list(o) for o in spec.options], "keyboard": spec.keyboard,
        }  # fmt: skip
        if spec.claim:
            row["detail"] = FOR_A_CLAIM
        return row | self._said(spec, key, text)

    def _said(self, spec: Field, key: str, text: str) -> Row:
        if not text.strip():
            return {}
        try:
            value = spec.read(text)
        except InputFault as error:
            return {"fault": sentence(error.faults[0])}
        if key == "vehicle.vin":
            remark = vin_remark(value)
            read = "" if value == text else f"{value}: "
            plate = "compare it with the plate; leave it where it stands so there (outside North America it needs no check digit)"
            return (
                {"caution": f"{remark}; {plate}"} if remark else {"back": f"{read}17 characters, the check digit fits"}
            )
        if re.fullmatch(r"instruments\.[^.]+\.due", key) and dt.date.fromisoformat(value) < self.model.clock().date():
            return {"caution": f"overdue since {value}: what it reads after that day is not judged"}
        if key == "coverage.ends" and _is_before(value, self.model.text("coverage.begins")):
            return {"caution": f"that is before the coverage begins ({self.model.text('coverage.begins').strip()})"}
        if isinstance(value, dict) and "unit" in value:
            return {"back": f"{value['value']} {value['unit']}"}
        if isinstance(value, dict):  # the size of a wire
            return {"back": f"{value['area_mm2']} mm²" if "area_mm2" in value else f"AWG {value['awg']}"}
        if key == "conditions.ambient_degc":
            return {"back": f"{value} °C"}
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
            return row | {"fault": sentence(error.faults[0])}


def _is_before(date: str, begins: str) -> bool:
    """Whether a date lies before another one as it was typed; one that can't be read says nothing."""
    try:
        return date < read_date(begins)
    except InputFault:
        return False


def sentence(found: Fault) -> str:
    """A fault as one sentence: where, what, how to repair."""
    text = f"{found.where} {found.what}".strip()
    return f"{text}: {found.repair}" if found.repair else text


def capital(text: str) -> str:
    """``text`` with its first letter large."""
    return text[:1].upper() + text[1:]
