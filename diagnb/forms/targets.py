"""Which field of the sheet a remark of claim readiness talks about: where its "Go there" leads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from diagnb.procedures import Procedure
from diagnb.readiness import Remark


class SheetFields(Protocol):
    """What has to be known of a sheet to find a field on it."""

    def text(self, key: str) -> str:
        """The text of one field."""

    def items(self, kind: str) -> tuple[str, ...]:
        """Ids of the items of one list."""

    def tests(self, *phases: str) -> tuple[str, ...]:
        """Ids of the tests of these phases."""

    def procedure(self, test: str) -> Procedure | None:
        """The procedure of one test."""

    def blank(self, test: str) -> tuple[str, ...]:
        """The fields that a test still needs."""


_PLAIN = {
    "vin-missing": "vehicle.vin", "vin-check-digit": "vehicle.vin", "odometer-missing": "vehicle.odometer",
    "order-missing": "order.number", "complaint-missing": "complaint", "cause-missing": "cause",
    "correction-missing": "correction", "coverage-missing": "coverage.policy",
    "temperature-missing": "conditions.ambient_degc",
}  # fmt: skip
_OF_PART = {"part-unidentified": "serial", "part-not-kept": "kept_at", "no-causal-part": "causal"}
_OF_LIMIT = ("limit-missing", "generic-default")
_OF_INSTRUMENT = {"meter-overdue": "due", "calibration-unknown": "due", "instrument-unnamed": "serial"}


def field_of(sheet: SheetFields, remark: Remark, near: str) -> str:
    """The key of the field where ``remark`` is mended; ``near`` is the field that its path in the record gives."""
    code = remark.code
    if code in _PLAIN:
        return _PLAIN[code]
    if code in _OF_PART:
        return _part_field(sheet, near, _OF_PART[code])
    if code in _OF_INSTRUMENT:
        return ".".join([*near.split(".")[:2], _OF_INSTRUMENT[code]])
    if code == "outside-coverage":
        return "coverage.distance_limit" if remark.where.startswith("vehicle") else "coverage.begins"
    if code == "no-as-left-reading":
        return "step.left"
    if code == "dates-out-of-order" and remark.where == "vehicle.in_service":
        return "vehicle.in_service"
    test = _test_of(sheet, near)
    if not test:
        return near if "." in near else "step.found"
    if code in _OF_LIMIT:
        return _limit_field(sheet, test, remark.message)
    if code == "dates-out-of-order":
        return f"tests.{test}.time"
    if code == "condition-not-met":
        return f"tests.{test}.deviations"
    return _reading_field(sheet, test, code)


def _test_of(sheet: SheetFields, near: str) -> str:
    head, _, rest = near.partition(".")
    if head == "tests":
        return rest.partition(".")[0]
    return next(iter(sheet.tests("as found")), "") if near.startswith("tests") else ""


def _part_field(sheet: SheetFields, near: str, name: str) -> str:
    part = near.split(".")[1] if near.startswith("parts.") else next(iter(sheet.items("parts")), "")
    return f"parts.{part}.{name}" if part else "step.correct"


def _limit_field(sheet: SheetFields, test: str, message: str) -> str:
    procedure = sheet.procedure(test)
    if procedure is None:
        return f"tests.{test}.procedure"
    named = [d for d in procedure.derived if d.title.casefold() in message.casefold()]
    limited = [d for d in procedure.derived if procedure.limit_for(d.name)]
    for spec in (*sorted(named, key=lambda d: -len(d.title)), *limited):
        own = procedure.limit_for(spec.name)
        if own is None:
            continue
        base = f"tests.{test}.limits.{spec.name}"
        states_own = own.required or sheet.text(f"{base}.use") == "own"
        return f"{base}.upper" if states_own else f"{base}.use"
    return f"tests.{test}.note"


def _reading_field(sheet: SheetFields, test: str, code: str) -> str:
    procedure = sheet.procedure(test)
    if procedure is None:
        return f"tests.{test}.procedure"
    base = f"tests.{test}.readings"
    if code == "drop-without-current":
        proving = [r.name for r in procedure.readings if r.proves_load and not sheet.text(f"{base}.{r.name}").strip()]
        if proving:
            return f"{base}.{proving[0]}"
    blank = sheet.blank(test)
    if blank:
        return blank[0]
    taken = [r.name for r in procedure.readings if sheet.text(f"{base}.{r.name}").strip()]
    return f"{base}.{(taken or [procedure.readings[0].name])[0]}"


def nearest_key(keys: Sequence[str], wanted: str) -> str:
    """Of the fields on the screen the one that ``wanted`` means: itself, else the one with most steps in common."""
    if wanted in keys:
        return wanted
    steps = wanted.split(".")
    best, most = "", 0
    for key in keys:
        shared = 0
        for one, other in zip(key.split("."), steps, strict=False):
            if one != other:
                break
            shared += 1
        if shared > most:
            best, most = key, shared
    return best
