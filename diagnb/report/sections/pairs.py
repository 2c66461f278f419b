"""What the repair changed: each value as found and as left, its change and its ratio, with their uncertainty."""

from __future__ import annotations

import math

from diagnb.evaluation import Pair, Result
from diagnb.quantities import unit as unit_called
from diagnb.quantities.rounding import plain, significant, value_with_uncertainty
from diagnb.report.blocks import Align, Block, Cell, CellLike, Heading, Paragraph, Table
from diagnb.report.sections.matter import NB, Matter, Scale

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
    old, new = (matter.evaluation.test(test).result(pair.name) for test in (pair.before, pair.after))
    scale = matter.scale(old)
    unit = "" if scale.unit in ("", "1") else f"{NB}{scale.unit}"
    difference = pair.change
    if "monte-carlo" in (old.method, new.method) and old.value is not None and new.value is not None:
        # Trials gave the mean, not the formula's value: the change is that of the numbers beside it.
        difference = new.value - old.value
    change, half = value_with_uncertainty(scale.of(difference), scale.of(pair.expanded))
    sign = "+" if difference > 0 else ""
    before = _number(matter, pair.before, old, scale)
    after = _number(matter, pair.after, new, scale)
    tests = f"{wording.say('label.test-short')}{NB}{pair.before} → {pair.after}"
    word, detail = wording.say("text.change-only" if new.limit is None else "text.two-sided-change-only"), ""
    if pair.improvement:
        word = wording.say("text.improved" if pair.improvement == "improved" else "text.improvement-not-shown")
        detail = matter.probability(pair.probability)
    if pair.improvement and old.verdict.verdict == "pass":
        word, detail = wording.say("text.already-within"), ""
    return (
        Cell(pair.title, strong=True, detail=tests),
        f"{before} → {after}{unit}",
        f"{sign}{wording.number(change)}{NB}±{NB}{wording.number(half)}{unit}",
        _ratio(matter, pair),
        Cell(word, strong=pair.improvement == "improved" and bool(detail), detail=detail),
    )


def _number(matter: Matter, test: str, result: Result, scale: Scale) -> str:
    """The number as it stood on the display where the value is one display; else rounded with its U."""
    typed = _typed(matter, test, result, scale)
    if typed is not None:
        return matter.wording.number(typed)
    value, half = result.value or 0.0, result.expanded_uncertainty
    if not half:
        return matter.wording.number(significant(scale.of(value)))
    return matter.wording.number(value_with_uncertainty(scale.of(value), scale.of(half))[0])


def _typed(matter: Matter, test: str, result: Result, scale: Scale) -> str | None:
    """Every digit of the one uncorrected display that this value is, in the unit of the row; None for any other."""
    taken = next((r for t in matter.record.tests if t.id == test for r in t.taken if r.name == result.formula), None)
    read = next((r for r in matter.evaluation.test(test).readings if r.name == result.formula), None)
    if taken is None or read is None or len(read.reading.indications) != 1:
        return None
    shown = read.reading.indications[0]
    changed = {"certificate-corrections-used", "zero-taken-off", "loading-corrected", "burden-corrected"}
    if shown.number is None or changed & set(read.reading.assumptions):
        return None
    ratio = shown.symbol.factor / unit_called(result.unit).factor
    shift = round(math.log10(ratio))
    if shown.symbol.offset or not math.isclose(ratio, 10.0**shift, rel_tol=1e-12):
        return None
    return plain(shown.number.scaleb(shift + scale.power))


def _ratio(matter: Matter, pair: Pair) -> str:
    # Across a change of sign a ratio says nothing that a reader could use.
    if pair.ratio is None or pair.ratio_interval is None or pair.ratio_interval[0] < 0:
        return "–"
    low, high = pair.ratio_interval
    return f"{matter.number(pair.ratio)} [{matter.number(low)}, {matter.number(high)}]"
