"""What a test procedure and an accuracy sheet say of themselves in a notebook."""

from __future__ import annotations

from diagnb.meters import AccuracySheet
from diagnb.notebook.written import Shown, Table
from diagnb.procedures import LimitSpec, Procedure, caution_texts
from diagnb.quantities import significant


def describe_procedure(procedure: Procedure) -> Shown:
    """Readings, derived values with their formulas, limits with their sources, cautions."""
    cautions = caution_texts()
    lines = [procedure.purpose, f"What may feed the circuit: {procedure.energise}"]
    if procedure.fail_means:
        lines.append(f"A fail means: {procedure.fail_means}")
    if procedure.next_step:
        lines.append(f"Next: {procedure.next_step}")
    lines += [f"Caution {code}: {cautions.get(code, '')}".rstrip(": ") for code in procedure.cautions]
    readings = tuple(
        (r.name, r.title, r.unit, r.function, "needed" if r.required else "may be left out") for r in procedure.readings
    )
    derived = tuple((d.name, d.title, d.unit, " or ".join(f.text for f in d.formulas)) for d in procedure.derived)
    limits = tuple(
        (limit.result, _sides(limit), limit.rule, ", ".join(limit.tags), limit.source) for limit in procedure.limits
    )
    tables = (
        Table(("Reading", "Title", "Unit", "Function", ""), readings),
        Table(("Derived value", "Title", "Unit", "Formula"), derived),
        Table(("Limit on", "Value", "Rule", "Kind of source", "Source"), limits),
    )
    number = f"{procedure.number} " if procedure.number else ""
    return Shown(
        f"{number}{procedure.title} [{procedure.id}, version {procedure.version}]",
        tuple(line for line in lines if line),
        tuple(table for table in tables if table.rows),
    )


def describe_meter(sheet: AccuracySheet) -> Shown:
    """Each range with its accuracy limit."""
    rows = tuple(
        (f.name, r.name, f"±({significant(r.percent, 3)} % + {significant(r.counts, 3)} counts)")
        for f in sheet.functions
        for r in f.ranges
    )
    low, high = sheet.reference_degc
    lines = [f"Source: {sheet.source}", f"Accuracy stated from {low:g} °C to {high:g} °C; calibration every {sheet.calibration_months} months"]  # fmt: skip
    return Shown(
        f"{sheet.title} [{sheet.id}]", tuple(lines), (Table(("Function", "Range", "Accuracy limit"), rows),)
    )  # fmt: skip


def _sides(limit: LimitSpec) -> str:
    if limit.required:
        return "to be stated with its source"
    if limit.by_system:
        systems = ((voltage, limit.at_system(voltage)) for voltage in sorted(limit.by_system, key=int))
        return "; ".join(f"{voltage} V: {_sides(at)}" for voltage, at in systems if at is not None)
    unit = "" if limit.unit == "1" else f" {limit.unit}"
    sides = " and ".join(
        f"{sign} {side:g}{unit}" for sign, side in (("≥", limit.lower), ("≤", limit.upper)) if side is not None
    )
    return f"{sides} at 12 V, scaled with the system voltage" if limit.scaling != "none" else sides
