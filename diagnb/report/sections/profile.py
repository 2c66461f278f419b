"""The path of a circuit: its voltage profile, its spans with drop, resistance and expected drop, the sum check."""

from __future__ import annotations

from diagnb.evaluation import Result, TestResult
from diagnb.record.document import CircuitTest
from diagnb.report.blocks import Align, Block, Cell, CellLike, Figure, Heading, Paragraph, Table
from diagnb.report.profile import describe_profile, failing_sentence, voltage_profile
from diagnb.report.sections.calculation import advice_sentence, settling
from diagnb.report.sections.matter import NB, Matter, scale_of

_ALIGN: tuple[Align, ...] = ("left", "left", "left", "left", "left", "left")
_WIDTHS = (24, 24, 19, 20, 22, 16)


def profile(matter: Matter) -> list[Block]:
    """One profile for each path test, phase by phase."""
    blocks: list[Block] = []
    for test, results in matter.pairs():
        if results.profile is not None:
            blocks += _one(matter, test, results)
    if not blocks:
        return []
    wording = matter.wording
    return [
        Heading(2, wording.say("section.profile")),
        *blocks,
        Paragraph(wording.say("chart.profile-legend"), small=True),
    ]


def _one(matter: Matter, test: CircuitTest, results: TestResult) -> list[Block]:
    wording, found = matter.wording, results.profile
    assert found is not None
    blocks: list[Block] = [Heading(3, matter.named(test))]
    if any(p.value is not None for p in found.points):
        drawing = voltage_profile(test=results, language=wording.language)
        blocks.append(Figure(drawing, f"{matter.named(test)}. {describe_profile(results, wording)}"))
    blocks.append(Paragraph(failing_sentence(results, wording), strong=bool(found.failing)))
    worst = next((r for r in results.results if found.failing and r.name == f"{found.failing}_drop"), None)
    found_advice = settling(worst) if worst is not None else ()
    if worst is not None and found_advice:
        blocks.append(Paragraph(advice_sentence(matter, found_advice[0], matter.scale(worst))))
    blocks.append(Paragraph(_sum(matter, results)))
    by_name = {r.name: r for r in results.results}
    rows = [_row(matter, span.title, span.name, by_name) for span in found.spans if span.kind != "load"]
    if rows:
        kept, left = matter.rows(rows)
        keys = ("span", "drop", "verdict", "resistance", "expected", "ratio")
        head = tuple(wording.say(f"label.{key}") for key in keys)
        expected = any(name.endswith("_expected") for name in by_name)
        notes = (wording.say("text.profile-expected-note"),) if expected else ()
        blocks.append(Table(head, kept, _WIDTHS, _ALIGN, (*notes, *left)))
    return blocks


def _row(matter: Matter, title: str, name: str, results: dict[str, Result]) -> tuple[CellLike, ...]:
    drop = results[f"{name}_drop"]
    wanted = results.get(f"{name}_expected")
    scale = scale_of(drop, wanted) if wanted is not None and wanted.value is not None else scale_of(drop)
    said = [matter.limit(drop.limit, scale)]
    if drop.verdict.verdict not in ("pass", "fail"):
        said.append(matter.wording.reason(drop.reason))

    def value(suffix: str) -> str:
        other = results.get(f"{name}_{suffix}")
        return "–" if other is None else matter.value(other, scale if suffix == "expected" else None)

    return (
        Cell(title, strong=True),
        matter.value(drop, scale),
        Cell(matter.wording.verdict(drop.verdict.verdict), strong=True, detail="; ".join(said)),
        value("resistance"),
        value("expected"),
        value("ratio"),
    )


def _sum(matter: Matter, results: TestResult) -> str:
    found = results.profile
    check = next((r for r in results.results if r.name == "sum_check"), None)
    if found is None or found.adds_up is None or check is None:
        return matter.wording.say("text.profile-sum-unknown")
    key = "text.profile-adds-up" if found.adds_up else "text.profile-does-not-add-up"
    return matter.wording.say(key, gap=matter.value(check).replace(NB, " "))
