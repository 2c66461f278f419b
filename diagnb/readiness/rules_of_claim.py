"""Claim readiness: what of the claim itself would get it rejected: parts, identity, statements, dates, people."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from diagnb.evaluation import Evaluation
from diagnb.quantities import convert
from diagnb.readiness.remark import Remark
from diagnb.readiness.rules_of_measurement import tests_of
from diagnb.record import Record, procedure_of, vin_remark
from diagnb.record.document import Quantity


def causal_part(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Parts were fitted, but the part that caused the repair is not identified."""
    if not record.parts:
        return
    causal = [(i, p) for i, p in enumerate(record.parts) if p.causal]
    if not causal:
        yield Remark(
            "no-causal-part",
            "rejects",
            "parts",
            "no part is marked as the causal part",
            "mark the one whose failure started the repair",
        )
    for i, part in causal:
        if not part.serial and not part.lot:
            yield Remark(
                "part-unidentified", "rejects", f"parts[{i}]", f"the causal part {part.number} has neither serial number nor lot",
                "read its label; say so where the part carries none",
            )  # fmt: skip
        if not part.kept_at:
            yield Remark(
                "part-not-kept",
                "weakens",
                f"parts[{i}]",
                f"nobody says where the causal part {part.number} is kept",
                "enter where it is held for return",
            )


def identity(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """VIN missing or mistyped; odometer or repair order missing. A wrong check digit warns, it does not refuse."""
    vehicle = record.vehicle
    if not vehicle.vin:
        yield Remark(
            "vin-missing",
            "rejects",
            "vehicle.vin",
            "there is no vehicle identification number",
            "read it off the plate; for other machines enter the product identification",
        )
    else:
        remark = vin_remark(vehicle.vin)
        if remark:
            yield Remark(
                "vin-check-digit",
                "weakens",
                "vehicle.vin",
                f"the VIN {remark}",
                "compare it with the plate; vehicles from outside North America may carry none",
            )
    if vehicle.odometer is None:
        yield Remark(
            "odometer-missing", "rejects", "vehicle.odometer", "there is no odometer reading", "enter it with its unit"
        )
    if not record.order.number:
        yield Remark("order-missing", "rejects", "order.number", "there is no repair order number", "enter it")


def three_statements(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Complaint, cause and correction, each its own statement."""
    for name in ("complaint", "cause", "correction"):
        if not getattr(record, name).strip():
            yield Remark(
                f"{name}-missing", "rejects", name, f"the {name} is not stated", "write it in one or two sentences"
            )


def dates_in_order(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Dates that can't be true together, or outside the coverage (40 CFR 1037.120(b) counts from first service)."""
    opened, vehicle, coverage = record.order.opened, record.vehicle, record.coverage
    if vehicle.in_service and vehicle.in_service > opened.date():
        yield Remark(
            "dates-out-of-order",
            "rejects",
            "vehicle.in_service",
            "the vehicle went into service after the repair order was opened",
            "correct the date",
        )
    for i, test in enumerate(record.tests):
        if test.time < opened:
            yield Remark(
                "dates-out-of-order",
                "rejects",
                f"tests[{i}].time",
                f"test {test.id} was made before the repair order was opened",
                "correct the time",
            )
        if test.time > record.created:
            yield Remark(
                "dates-out-of-order",
                "rejects",
                f"tests[{i}].time",
                f"test {test.id} was made after the record was written",
                "correct the time",
            )
    found, left = tests_of(record, "as found"), tests_of(record, "as left")
    if found and left:
        i, last = max(found, key=lambda one: one[1].time)
        _, first = min(left, key=lambda one: one[1].time)
        if last.time > first.time:
            yield Remark(
                "dates-out-of-order", "weakens", f"tests[{i}].time",
                f"test {last.id} (as found, {last.time:%Y-%m-%d %H:%M}) is later than test {first.id} (as left, {first.time:%Y-%m-%d %H:%M})",
                f"state when test {last.id} was made, or correct its phase",
            )  # fmt: skip
    if coverage is None:
        yield Remark(
            "coverage-missing",
            "note",
            "coverage",
            "the coverage is not stated",
            "enter policy, begin, end and distance limit",
        )
        return
    day = opened.date()
    if (coverage.begins and day < coverage.begins) or (coverage.ends and day > coverage.ends):
        yield Remark(
            "outside-coverage",
            "rejects",
            "coverage",
            f"the repair order was opened on {day}, outside the coverage",
            "ask whether another policy applies",
        )
    if _further(vehicle.odometer, coverage.distance_limit):
        yield Remark(
            "outside-coverage",
            "rejects",
            "vehicle.odometer",
            "the odometer reading is beyond the coverage's distance limit",
            "ask whether another policy applies",
        )


def _further(reading: Quantity | None, limit: Quantity | None) -> bool:
    return (
        reading is not None
        and limit is not None
        and float(convert(float(reading.value), reading.unit, limit.unit)) > float(limit.value)
    )


def codes_saved(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Fault codes were cleared before they were saved."""
    for i, code in enumerate(record.codes):
        if code.phase == "as found" and not code.saved:
            yield Remark(
                "code-not-saved",
                "weakens",
                f"codes[{i}]",
                f"code {code.text} was not saved before clearing",
                "say so, and keep the next one",
            )


def second_person(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Nobody but those who tested stands in the record."""
    testers = {t.by for t in record.tests}
    if not any(p.id not in testers for p in record.people):
        yield Remark(
            "single-signature",
            "weakens",
            "people",
            "nobody but the technician is named",
            "have a second person review and countersign",
        )


def cautions_recorded(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A procedure's caution is not recorded as shown."""
    shown = {c.id for c in record.cautions_shown}
    wanted: dict[str, int] = {}
    for i, test in enumerate(record.tests):
        for caution in procedure_of(record, test.procedure).cautions:
            wanted.setdefault(caution, i)
    for caution, i in wanted.items():
        if caution not in shown:
            yield Remark(
                "caution-not-shown",
                "weakens",
                f"tests[{i}]",
                f"caution {caution} is not recorded as shown",
                "the form shows and records it before the test; a record made otherwise states it when it was shown",
            )


def standing(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """The record was declared void."""
    if record.status == "void":
        reason = record.replaces.reason if record.replaces else ""
        yield Remark(
            "void-record", "rejects", "status", f"the record was declared void: {reason}",
            "start a new record; nothing may rest on this one",
        )  # fmt: skip


def written_late(record: Record, days: int) -> Iterable[Remark]:
    """The record was written long after the tests."""
    if record.tests and record.created - max(t.time for t in record.tests) > dt.timedelta(days=days):
        yield Remark(
            "written-late",
            "weakens",
            "created",
            f"the record was written more than {days} days after its last test",
            "say why",
        )
