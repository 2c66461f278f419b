"""What else the numbers rest on, for whoever recomputes them from paper: constants, tables, accuracy specifications."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from diagnb.meters import AccuracySheet
from diagnb.meters.sheet import Function, Range
from diagnb.procedures import SYSTEM_VOLTAGE, Procedure
from diagnb.quantities import unit
from diagnb.record import procedure_of, sheet_of
from diagnb.record.document import CircuitTest, Instrument
from diagnb.report.blocks import Block, Cell, CellLike, Heading, Table
from diagnb.report.sections.matter import NB, Matter, names_used

_MOST_POINTS = 60


def constants(matter: Matter) -> list[Block]:
    """Every constant and table that a formula of this record used, once for each procedure."""
    wording = matter.wording
    seen: dict[tuple[CellLike, ...], None] = {}
    for test, results in matter.pairs():
        procedure = procedure_of(matter.record, test.procedure)
        used = names_used(results)
        formulas = {r.formula for r in results.results if r.value is not None}
        for entry in procedure.plain.get("constants", ()):
            if entry["name"] in used:
                shown = Cell(f"{wording.number(str(entry['value']))} {_symbol(entry['unit'])}".rstrip(), mono=True)
                seen.setdefault((Cell(entry["name"], mono=True), shown, entry["source"], procedure.title))
        if SYSTEM_VOLTAGE in used:
            shown = Cell(f"{wording.number(matter.record.vehicle.system_voltage)} V", mono=True)
            seen.setdefault((Cell(SYSTEM_VOLTAGE, mono=True), shown, wording.say("label.system-voltage"), ""))
        named = {
            table
            for spec in procedure.derived
            for formula in spec.formulas
            if formula.text in formulas
            for table in formula.tables
        }
        for entry in procedure.plain.get("tables", ()):
            if entry["name"] in named:
                seen.setdefault(
                    (Cell(entry["name"], mono=True), _points(matter, entry), *_origin(matter, procedure, entry))
                )
    if not seen:
        return []
    kept, left = matter.rows(list(seen))
    head = tuple(wording.say(f"label.{key}") for key in ("constant", "plain-value", "source", "procedure"))
    return [Heading(2, wording.say("section.basis")), Table(head, kept, (26, 32, 38, 22), (), left)]


def _points(matter: Matter, entry: Mapping[str, Any]) -> CellLike:
    number = matter.wording.number
    x, y = _symbol(entry["x_unit"]), _symbol(entry["y_unit"])
    # One point stays on one line: its blanks don't break.
    pairs = [
        f"{number(a)} {x}".rstrip().replace(" ", NB) + f"{NB}→{NB}" + f"{number(b)} {y}".rstrip().replace(" ", NB)
        for a, b in list(zip(entry["x"], entry["y"], strict=True))[:_MOST_POINTS]
    ]
    return Cell("; ".join(pairs), mono=True)


def _origin(matter: Matter, procedure: Procedure, entry: Mapping[str, Any]) -> tuple[CellLike, CellLike]:
    wording = matter.wording
    notes = []
    if entry.get("half_width"):
        half = f"{wording.number(entry['half_width'])} {_symbol(entry['y_unit'])}".rstrip()
        notes.append(wording.say("text.table-half-width", half=half))
    if entry.get("outside") == "hold":
        notes.append(wording.say("text.table-outside"))
    return Cell(entry["source"], detail="; ".join(notes)), procedure.title


def specifications(matter: Matter) -> list[Block]:
    """The accuracy specification of each function and range that was read, under the id of its instrument."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    before: tuple[str, str, str] | None = None
    for instrument, sheet, function, chosen in _used(matter):
        further = "; ".join(_further(matter, instrument, sheet, function, chosen))
        own = (instrument.id, function.name, further)
        rows.append(
            (
                # What holds for several ranges of one function is said once.
                "" if own == before else Cell(instrument.id, strong=True, detail=matter.short(sheet.title, 200)),
                Cell(function.name, detail=chosen.name),
                _accuracy(matter, chosen),
                _step(matter, chosen, function.unit),
                "" if own == before else further,
            )
        )
        before = own
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{key}") for key in ("instrument", "function-range", "accuracy", "step", "further"))
    return [
        Heading(2, wording.say("section.specifications")),
        Table(head, kept, (24, 17, 22, 11, 44), (), (wording.say("text.specifications-note"), *left)),
    ]


def _used(matter: Matter) -> list[tuple[Instrument, AccuracySheet, Function, Range]]:
    """Each instrument with each function and range that was read, in the order of the instruments of the record."""
    found: dict[tuple[str, str, str], Range] = {}
    for test, results in matter.pairs():
        for read in results.readings:
            function = _function(matter, test, read.name)
            if read.reading.range is not None and function:
                found.setdefault((read.instrument, function, read.reading.range.name), read.reading.range)
    rows = []
    for instrument in matter.record.instruments:
        order = {key[:2]: index for index, key in reversed(list(enumerate(found)))}
        for (name, function, _), chosen in sorted(found.items(), key=lambda item: order[item[0][:2]]):
            if name == instrument.id:
                sheet = sheet_of(matter.record, instrument.meter)
                rows.append((instrument, sheet, sheet.function(function), chosen))
    return rows


def _function(matter: Matter, test: CircuitTest, name: str) -> str:
    """The function with which a reading was taken: its own, or the procedure's for it (node_3 is read as a node)."""
    own = next((r.function for r in test.taken if r.name == name), "")
    procedure = procedure_of(matter.record, test.procedure)
    spec = procedure.reading(name) or procedure.reading(name.rpartition("_")[0])
    return own or (spec.function if spec else "")


def _accuracy(matter: Matter, chosen: Range) -> str:
    percent, counts = (matter.wording.number(f"{number:g}") for number in (chosen.percent, chosen.counts))
    if not chosen.counts:
        return matter.wording.say("text.accuracy-percent", percent=percent)
    if not chosen.percent:
        return matter.wording.say("text.accuracy-counts", counts=counts)
    return matter.wording.say("text.accuracy", percent=percent, counts=counts)


def _step(matter: Matter, chosen: Range, symbol: str) -> str:
    """One step of the display, in the unit in which the range is written."""
    written = chosen.name.rpartition(" ")[2] if " " in chosen.name else symbol
    return f"{matter.wording.number(f'{chosen.step / unit(written).factor:.9g}')}{NB}{_symbol(written)}".rstrip(NB)


def _further(
    matter: Matter, instrument: Instrument, sheet: AccuracySheet, function: Function, chosen: Range
) -> Iterator[str]:
    wording, number = matter.wording, matter.wording.number
    if function.temperature_coefficient:
        low, high = (number(f"{t:g}") for t in sheet.reference_degc)
        percent = number(f"{function.temperature_coefficient * 100:g}")
        yield wording.say("text.temperature-coefficient", percent=percent, low=low, high=high)
        low, high = (number(f"{t:g}") for t in sheet.operating_degc)
        yield wording.say("text.operating-range", low=low, high=high)
    entry: Mapping[str, Any] = next((f for f in sheet.plain["functions"] if f["name"] == function.name), {})
    for key, said in (("input_resistance", "input-resistance"), ("burden", "burden")):
        if key in entry:
            yield wording.say(f"text.{said}", value=number(str(entry[key])))
    if chosen.above:
        yield wording.say("text.holds-above", value=f"{matter.number(chosen.above)}{NB}{function.unit}")
    if function.zeroed:
        yield wording.say("text.zeroed-each" if function.zeroed == "each reading" else "text.zeroed-once")
    if function.common_fraction is None:
        yield wording.say("text.common-not-stated")
    else:
        yield wording.say("text.common-stated", percent=number(f"{function.common_fraction * 100:g}"))
    for correction in instrument.corrections:
        if (correction.function, correction.range) == (function.name, chosen.name):
            points = "; ".join(
                f"{number(p.nominal)}: {number(p.error)}, {number(p.expanded_uncertainty)}, {number(p.coverage_factor)}"
                for p in correction.points[:_MOST_POINTS]
            )
            drift = number(correction.drift_half_width)
            yield wording.say("text.certificate-points", points=points, drift=drift, unit=correction.unit)


def _symbol(symbol: str) -> str:
    return "" if symbol == "1" else symbol
