"""What was found against what was left: the table, the findings, the pictures."""

from __future__ import annotations

from diagnb.evaluation import Result
from diagnb.record.document import CircuitTest
from diagnb.report.blocks import Block, Cell, CellLike, Figure, Heading, Paragraph, Table
from diagnb.report.charts import Lane, lanes_picture
from diagnb.report.sections.matter import Matter, Scale, judged

_MOST_PICTURES = 16


def groups(matter: Matter) -> list[list[tuple[CircuitTest, Result]]]:
    """Results that a limit concerns, those of one procedure and quantity together, in the order of the record."""
    found: dict[tuple[str, str], list[tuple[CircuitTest, Result]]] = {}
    for test, results in matter.pairs():
        for result in results.results:
            if judged(result):
                found.setdefault((test.procedure, result.name), []).append((test, result))
    return list(found.values())


def compared(matter: Matter) -> list[Block]:
    """The table that an adjuster reads first."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for group in groups(matter):
        for test, result in group:
            scale = matter.scale(result)
            settled = result.verdict.verdict in ("pass", "fail")
            rows.append(
                (
                    Cell(result.title, strong=True, detail=matter.named(test)),
                    matter.value(result, scale),
                    Cell(matter.limit(result.limit, scale), detail=matter.limit_source(result.limit)),
                    Cell(
                        wording.verdict(result.verdict.verdict),
                        strong=True,
                        detail="" if settled else wording.reason(result.reason),
                    ),
                    matter.margin(result),
                    matter.probability(result.verdict.conformance_probability),
                )
            )
    if not rows:
        return [Heading(2, wording.say("section.compared")), Paragraph(wording.say("text.outcome-none"))]
    head = tuple(
        wording.say(f"label.{k}") for k in ("result", "value", "limit-source", "verdict", "margin", "probability")
    )
    kept, notes = matter.rows(rows)
    return [
        Heading(2, wording.say("section.compared")),
        Table(
            head,
            kept,
            (23, 22, 26, 22, 10, 13),
            ("left", "left", "left", "left", "right", "right"),
            (wording.say("text.values-note"), *notes),
        ),
    ]


def findings(matter: Matter) -> list[Block]:
    """Each finding with the results that show it."""
    wording = matter.wording
    if not matter.record.findings:
        return []
    blocks: list[Block] = [Heading(2, wording.say("section.findings"))]
    for number, finding in enumerate(matter.record.findings, 1):
        mark = f" ({wording.say('text.opinion')})" if finding.opinion else ""
        blocks.append(Paragraph(f"{number}. {matter.short(finding.text)}{mark}"))
        shown = [line for test in finding.tests for line in _shown(matter, test)]
        if shown:
            blocks.append(Paragraph(matter.labelled("shown-by", "; ".join(shown)), small=True))
    return blocks


def _shown(matter: Matter, name: str) -> list[str]:
    test = next(t for t in matter.record.tests if t.id == name)
    results = matter.evaluation.test(name).results
    wanted = [r for r in results if r.limit is not None and r.value is not None] or [
        r for r in results if r.value is not None
    ]
    failing = _failing_spans(matter)
    wanted = sorted(wanted, key=lambda r: r.name not in failing)
    said = [f"{r.title} {matter.value(r)}, {matter.wording.verdict(r.verdict.verdict)}" for r in wanted[:3]]
    return [f"{matter.named(test)}: {', '.join(said)}"] if said else [matter.named(test)]


def _failing_spans(matter: Matter) -> set[str]:
    """Drops of the spans that had the largest excess in any path test of the record."""
    profiles = [t.profile for t in matter.evaluation.tests if t.profile is not None]
    return {f"{p.failing}_drop" for p in profiles if p.failing}


def pictures(matter: Matter) -> list[Block]:
    """One picture for each quantity that was judged against one limit, all phases on one scale."""
    wording = matter.wording
    blocks: list[Block] = []
    failing = _failing_spans(matter)
    for group in groups(matter):
        # A path has its profile; of its spans only the one with the largest excess is drawn here again.
        if group[0][0].path is not None and group[0][1].name not in failing:
            continue
        by_limit: dict[tuple[float | None, float | None], list[tuple[CircuitTest, Result]]] = {}
        for test, result in group:
            if result.limit and result.value is not None and result.interval is not None:
                by_limit.setdefault((result.limit.lower, result.limit.upper), []).append((test, result))
        for (lower, upper), members in by_limit.items():
            if len(blocks) >= 2 * _MOST_PICTURES:
                break
            shown = members[:8]
            last = shown[-1][1]
            scale = matter.scale(last)
            drawing = lanes_picture(
                lanes=tuple(_lane(matter, test, result, scale) for test, result in shown),
                limit_lower=_scaled(lower, scale),
                limit_upper=_scaled(upper, scale),
                acceptance_lower=_scaled(last.acceptance[0], scale),
                acceptance_upper=_scaled(last.acceptance[1], scale),
                unit="" if scale.unit == "1" else scale.unit,
                language=wording.language,
            )
            blocks += [Heading(3, last.title), Figure(drawing, f"{last.title}. {drawing.alt}")]
    if not blocks:
        return []
    return [Heading(2, wording.say("section.pictures")), *blocks, Paragraph(wording.say("chart.legend"), small=True)]


def _scaled(number: float | None, scale: Scale) -> float | None:
    return None if number is None else scale.of(number)


def _lane(matter: Matter, test: CircuitTest, result: Result, scale: Scale) -> Lane:
    assert result.value is not None and result.interval is not None
    low, high = result.interval
    return Lane(
        scale.of(result.value),
        scale.of(min(low, result.value)),
        scale.of(max(high, result.value)),
        result.verdict.verdict,
        f"{matter.phase(test.phase)} · {test.id}",
    )
