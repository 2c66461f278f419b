"""Readings taken from recorded traces: the file, the feature, the window, the points used."""

from __future__ import annotations

from diagnb.record.document import CircuitTest, Reading, TraceSource
from diagnb.report.blocks import Block, Cell, CellLike, Figure, Heading, Paragraph, Table
from diagnb.report.sections.matter import Matter
from diagnb.report.traces import trace_picture

_MOST_PICTURES = 8


def traces(matter: Matter) -> list[Block]:
    """One row and one picture for each reading that was taken from a trace; nothing when there is none."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    figures: list[Block] = []
    for test, results in matter.pairs():
        titles = {r.name: r.title for r in results.readings}
        for reading in test.readings:
            if reading.trace is None:
                continue
            rows.append(_row(matter, test, reading, reading.trace, titles.get(reading.name, reading.name)))
            if len(figures) < _MOST_PICTURES and (reading.trace.outline or reading.trace.points):
                figures.append(_figure(matter, test, reading.trace))
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{key}") for key in ("reading", "feature", "window", "file"))
    note = Paragraph(wording.say("text.trace-note"), small=True)
    return [Heading(2, wording.say("section.traces")), Table(head, kept, (28, 38, 24, 40), (), left), *figures, note]


def _row(matter: Matter, test: CircuitTest, reading: Reading, trace: TraceSource, title: str) -> tuple[CellLike, ...]:
    wording = matter.wording
    said = [f"{key} {wording.number(value)}" for key, value in trace.parameters.items()]
    said += [
        f"u({entry.source}) {wording.number(entry.standard_uncertainty)} {trace.contribution_unit}"
        for entry in trace.contributions
    ]
    said += [wording.say(key) if wording.has(key := f"trace-remark.{code}") else code for code in trace.remarks]
    window = f"{wording.number(trace.start)} … {wording.number(trace.end)} s"
    return (
        Cell(title, strong=True, detail=f"{matter.named(test)}: {', '.join(reading.texts[:4])}"),
        Cell(_feature(matter, trace), detail="; ".join(said)),
        Cell(window, detail=wording.say("text.trace-points", count=len(trace.points), rows=trace.rows)),
        Cell(f"{trace.attachment}, {trace.column}", detail=f"SHA-256 {trace.sha256}"),
    )


def _feature(matter: Matter, trace: TraceSource) -> str:
    key = f"feature.{trace.feature}"
    return matter.wording.say(key) if matter.wording.has(key) else trace.feature


def _figure(matter: Matter, test: CircuitTest, trace: TraceSource) -> Figure:
    threshold = trace.parameters.get("threshold")
    drawing = trace_picture(
        time=[float(t) for t, _ in trace.outline],
        values=[float(x) for _, x in trace.outline],
        unit=trace.unit,
        points=[(float(t), float(x)) for t, x in trace.points],
        threshold=_number(threshold),
        window=(float(trace.start), float(trace.end)),
        label=f"{matter.named(test)} · {_feature(matter, trace)} · {trace.column}",
        language=matter.wording.language,
    )
    return Figure(drawing, drawing.alt)


def _number(text: str | None) -> float | None:
    """The number of a parameter such as "9 V", which stands in the unit of the picture."""
    try:
        return None if text is None else float(text.split(" ")[0])
    except ValueError:
        return None
