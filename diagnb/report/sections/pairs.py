"""What the repair changed: each value as found and as left, its change and its ratio, with their uncertainty."""

from __future__ import annotations

from diagnb.evaluation import Pair
from diagnb.quantities.rounding import significant, value_with_uncertainty
from diagnb.report.blocks import Align, Block, Cell, CellLike, Heading, Paragraph, Table
from diagnb.report.sections.matter import NB, Matter

_ALIGN: tuple[Align, ...] = ("left", "left", "left", "left", "left")


def pairs(matter: Matter) -> list[Block]:
    """The paired table. A value with a limit on one side also says whether an improvement is shown."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = [_row(matter, pair) for pair in matter.evaluation.pairs]
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = tuple(
        wording.say(f"label.{key}") for key in ("result", "before-after", "change", "share-left", "improvement")
    )
    return [
        Heading(2, wording.say("section.pairs")),
        Table(head, kept, (30, 25, 27, 26, 17), _ALIGN, left),
        Paragraph(wording.say("text.pairs-note"), small=True),
    ]


def _row(matter: Matter, pair: Pair) -> tuple[CellLike, ...]:
    wording = matter.wording
    unit = "" if pair.unit in ("", "1") else f"{NB}{pair.unit}"
    change, half = value_with_uncertainty(pair.change, pair.expanded)
    sign = "+" if pair.change > 0 else ""
    before, after = (wording.number(significant(v)) for v in (pair.value_before, pair.value_after))
    tests = f"{wording.say('label.test-short')}{NB}{pair.before} → {pair.after}"
    word = detail = ""
    if pair.improvement:
        word = wording.say("text.improved" if pair.improvement == "improved" else "text.improvement-not-shown")
        detail = matter.probability(pair.probability)
    return (
        Cell(pair.title, strong=True, detail=tests),
        f"{before} → {after}{unit}",
        f"{sign}{wording.number(change)}{NB}±{NB}{wording.number(half)}{unit}",
        _ratio(matter, pair),
        Cell(word or "–", strong=pair.improvement == "improved", detail=detail),
    )


def _ratio(matter: Matter, pair: Pair) -> str:
    if pair.ratio is None or pair.ratio_interval is None:
        return "–"
    low, high = pair.ratio_interval
    return f"{matter.number(pair.ratio)} [{matter.number(low)}, {matter.number(high)}]"
