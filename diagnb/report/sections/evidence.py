"""Codes, parts, instruments, conditions and readings: what the verdicts rest on."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from diagnb.evaluation.wires import LENGTH_SHARE, TEMPERATURE_HALF_WIDTH_K
from diagnb.procedures import Procedure
from diagnb.quantities import unit
from diagnb.record import procedure_of
from diagnb.record.document import CircuitTest, FaultCode, Given, Reading
from diagnb.report.blocks import Block, Cell, CellLike, Heading, KeyValues, Paragraph, Table
from diagnb.report.sections.matter import Matter, givens_assumed, one_line

_MOST_TEXTS = 12
_NO_CODE = frozenset(
    {
        "", "-", "–", "none", "no code", "no codes", "aucun", "aucun code", "keine", "keiner", "kein code",
        "ninguno", "ningún código", "sin códigos",
    }
)  # fmt: skip


def codes(matter: Matter) -> list[Block]:
    wording = matter.wording
    if not matter.record.codes:
        return []
    order = {"as found": 0, "isolating": 1, "as left": 2}
    rows: list[tuple[CellLike, ...]] = [
        (
            matter.phase(code.phase),
            Cell(code.text, strong=True),
            code.meaning,
            code.status,
            _saved(matter, code),
            wording.moment(code.time) if code.time else "",
        )
        for code in sorted(matter.record.codes, key=lambda c: order[c.phase])
    ]
    return _table(
        matter, "codes", ("phase", "code", "meaning", "status", "note", "time"), rows, (15, 21, 31, 11, 15, 22)
    )


def _saved(matter: Matter, code: FaultCode) -> str:
    """Whether the code was saved; nothing where the memory held none."""
    if code.text.strip().lower().rstrip(".") in _NO_CODE:
        return ""
    return matter.wording.say("text.saved" if code.saved else "text.not-saved")


def parts(matter: Matter) -> list[Block]:
    wording = matter.wording
    if not matter.record.parts:
        return []
    rows: list[tuple[CellLike, ...]] = []
    for part in sorted(matter.record.parts, key=lambda p: (not p.causal, p.action != "removed")):
        action = wording.say("action.causal" if part.causal and part.action == "removed" else f"action.{part.action}")
        rows.append(
            (
                Cell(action, strong=part.causal),
                part.number,
                part.description,
                part.serial or "–",
                part.lot or "–",
                part.kept_at,
            )
        )
    columns = ("action", "part", "description", "serial", "lot", "kept-at")
    return _table(matter, "parts", columns, rows, (22, 15, 30, 10, 10, 22))


def instruments(matter: Matter) -> list[Block]:
    wording, record = matter.wording, matter.record
    if not record.instruments:
        return []
    rows: list[tuple[CellLike, ...]] = []
    for instrument in record.instruments:
        sheet = record.meters.get(instrument.meter, {})
        rows.append(
            (
                Cell(instrument.id, strong=True),
                Cell(
                    matter.short(str(sheet.get("title", instrument.meter)), 200),
                    detail=matter.short(instrument.checks, 400),
                ),
                instrument.serial,
                wording.day(instrument.calibrated) if instrument.calibrated else "–",
                wording.day(instrument.due) if instrument.due else "–",
                instrument.certificate or "–",
                _state(matter, instrument.id),
            )
        )
    columns = ("instrument", "description", "serial", "calibrated", "due", "certificate", "state")
    sources = sorted({str(sheet["source"]) for name, sheet in record.meters.items() if "source" in sheet})
    notes = [matter.labelled("source", matter.short(source, 300)) for source in sources]
    return _table(matter, "instruments", columns, rows, (13, 30, 13, 13, 13, 17, 16), notes)


def _state(matter: Matter, instrument: str) -> str:
    refusals = {r.refusal for t in matter.evaluation.tests for r in t.readings if r.instrument == instrument}
    if not refusals:
        return matter.wording.say("text.not-used")
    if "meter-overdue" in refusals:
        return matter.wording.say("text.overdue")
    if "calibration-unknown" in refusals:
        return matter.wording.say("text.calibration-not-stated")
    return matter.wording.say("text.in-calibration")


def conditions(matter: Matter) -> list[Block]:
    wording, record = matter.wording, matter.record
    ambient = record.conditions.ambient_degc
    said = f"{wording.number(ambient)} °C" if ambient else wording.say("text.ambient-missing")
    rows = [(wording.say("label.ambient"), said)]
    if record.conditions.note.strip():
        rows.append((wording.say("label.note"), matter.short(record.conditions.note)))
    for test in record.tests:
        lines = [one_line(met) for met in test.conditions_met[:40]]
        lines += [
            wording.say("text.condition-not-met", condition=one_line(lacking))
            for lacking in test.conditions_not_met[:40]
        ]
        if test.ambient_degc:
            lines.insert(0, f"{wording.number(test.ambient_degc)} °C")
        if test.note.strip():
            lines.append(matter.short(test.note))
        if lines:
            rows.append((f"{wording.say('label.test')} {test.id}", "; ".join(lines)))
    if record.circuit.description.strip():
        rows.append((wording.say("label.circuit"), matter.short(record.circuit.description)))
    return [Heading(2, wording.say("section.conditions")), KeyValues(tuple(rows))]


def readings(matter: Matter) -> list[Block]:
    """Every reading as it stood on the display, and every given value with its source."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for test, results in matter.pairs():
        titles = {r.name: r.title for r in results.readings}
        notes = {r.name: r.reading.assumptions for r in results.readings}
        procedure = procedure_of(matter.record, test.procedure)
        label: CellLike = Cell(f"{test.id} · {matter.phase(test.phase)}", strong=True, detail=wording.minute(test.time))
        for reading in test.taken:
            points = " → ".join(p for p in (reading.from_point, reading.to_point) if p)
            own = wording.minute(reading.time) if reading.time and reading.time != test.time else ""
            rows.append(
                (
                    label,
                    Cell(
                        titles.get(reading.name, reading.name),
                        detail="; ".join(
                            (reading.name, *_corrections(matter, procedure, reading, notes.get(reading.name, ())))
                        ),
                    ),
                    Cell(_displayed(matter, reading), mono=True),
                    ", ".join(p for p in (reading.instrument, reading.range) if p),
                    "; ".join(p for p in (points, reading.load_state, own) if p),
                )
            )
            label = ""
        for title, size, spread in _wires(matter, test):
            rows.append((label, title, Cell(size, mono=True), "–", spread))
            label = ""
        for name, given in test.given.items():
            spec = procedure.given(name)
            title = matter.labelled("given", spec.title if spec else name.replace("_", " "))
            said = Cell(wording.say("text.given-stated"), detail=given.source)
            rows.append((label, Cell(title, detail=name), Cell(_stated(matter, given), mono=True), "–", said))
            label = ""
        for spec in givens_assumed(matter, test, results):
            given = Given(value=spec.default or "", unit=spec.unit, source=spec.source, half_width=spec.half_width)
            title = matter.labelled("given", spec.title)
            said = Cell(wording.say("text.given-assumed"), detail=given.source)
            rows.append((label, Cell(title, detail=spec.name), Cell(_stated(matter, given), mono=True), "–", said))
            label = ""
    if not rows:
        return [Heading(2, wording.say("section.readings")), Paragraph(wording.say("text.no-tests"))]
    columns = ("test", "reading", "displayed", "instrument", "points")
    return _table(matter, "readings", columns, rows, (25, 27, 16, 13, 34))


def _wires(matter: Matter, test: CircuitTest) -> list[tuple[str, str, str]]:
    """The wires of a path as they were stated, with the half-widths that were taken."""
    if test.path is None:
        return []
    number, found = matter.wording.number, []
    for a, b in pairwise(test.path.nodes):
        wire = a.wire
        if wire is not None:
            size = f"AWG {wire.awg}" if wire.awg else f"{number(wire.area_mm2 or '')} mm²"
            shown = f"{size} · {number(wire.length_m)} m · {number(wire.conductor_degc)} °C"
            length = (
                f"{number(wire.length_half_width_m)} m" if wire.length_half_width_m else f"{100 * LENGTH_SHARE:g} %"
            )
            kelvin = wire.temperature_half_width_k or f"{TEMPERATURE_HALF_WIDTH_K:g}"
            title = matter.labelled("given", f"{a.name} → {b.name}")
            marks = (wire.length_half_width_m, wire.temperature_half_width_k)
            first, second = (matter.wording.say("text.given-stated" if m else "text.given-assumed") for m in marks)
            found.append((title, shown, f"± {length} ({first}); ± {number(kelvin)} K ({second})"))
    return found


def _stated(matter: Matter, given: Given) -> str:
    """A given value with its half-width and unit."""
    number = matter.wording.number
    half = f" ± {number(given.half_width)}" if given.half_width else ""
    return f"{number(given.value)}{half}" + ("" if given.unit in ("", "1") else f" {given.unit}")


def _corrections(matter: Matter, procedure: Procedure, reading: Reading, assumptions: tuple[str, ...]) -> Iterator[str]:
    """What was assumed about a reading or done to it, with the values that this took."""
    wording = matter.wording
    for code in assumptions:
        yield wording.say(key) if wording.has(key := f"assumption.{code}") else code
    if reading.zero:
        yield wording.say("text.zero-display", value=reading.zero)
    if reading.source_resistance:
        yield wording.say("text.source-resistance", value=_stated(matter, reading.source_resistance))
    if reading.circuit_resistance:
        yield wording.say("text.circuit-resistance", value=_stated(matter, reading.circuit_resistance))
    spec = procedure.reading(reading.name)
    if "pooled-scatter-used" in assumptions and spec is not None and spec.pooled is not None:
        deviation = f"{matter.number(spec.pooled[0] / unit(spec.unit).factor)} {spec.unit}"
        yield wording.say("text.pooled", value=deviation, dof=f"{spec.pooled[1]:g}")


def _displayed(matter: Matter, reading: Reading) -> str:
    shown = "\n".join(reading.texts[:_MOST_TEXTS])
    more = len(reading.texts) - _MOST_TEXTS
    return shown if more <= 0 else f"{shown}\n… {matter.wording.say('text.summed-repeats', count=len(reading.texts))}"


def _table(
    matter: Matter,
    section: str,
    columns: tuple[str, ...],
    rows: list[tuple[CellLike, ...]],
    widths: tuple[float, ...],
    notes: list[str] | None = None,
) -> list[Block]:
    wording = matter.wording
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{key}") for key in columns)
    return [Heading(2, wording.say(f"section.{section}")), Table(head, kept, widths, (), (*(notes or ()), *left))]
