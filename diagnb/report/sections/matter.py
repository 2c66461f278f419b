"""What every section is written from, and how values, limits and long texts are put into words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from diagnb.evaluation import Evaluation, Result, TestResult, UsedLimit
from diagnb.quantities.rounding import significant, value_with_uncertainty
from diagnb.record import Record
from diagnb.record.document import CircuitTest
from diagnb.report.blocks import Cell, CellLike
from diagnb.report.charts import significant_short
from diagnb.report.options import Options
from diagnb.report.photos import Photo
from diagnb.report.wording import Wording

MOST_CHARACTERS = 3000
MOST_LINES = 40
MOST_CELL_LINES = 14
MOST_ROWS = 400
NB = "\u00a0"


@dataclass(frozen=True)
class Matter:
    """Record, evaluation, wording and options of one report, digests of record and fields, pictures by attachment."""

    record: Record
    evaluation: Evaluation
    wording: Wording
    options: Options
    digest: str
    digest_head: str = ""
    pictures: Mapping[str, Photo] = field(default_factory=dict)

    def pairs(self) -> list[tuple[CircuitTest, TestResult]]:
        """Each test of the record with its results, in the order of the record."""
        return [(test, self.evaluation.test(test.id)) for test in self.record.tests]

    def phase(self, phase: str) -> str:
        return self.wording.say("phase." + phase.replace(" ", "-"))

    def short(self, text: str, most: int = MOST_CHARACTERS) -> str:
        """`text`, cut with a note when it is too long for a page; the attached record keeps all of it."""
        lines = text.splitlines()
        if len(text) <= most and len(lines) <= MOST_LINES:
            return text
        kept = "\n".join(lines[:MOST_LINES])[:most].rstrip()
        return f"{kept} … {self.wording.say('page.shortened', count=len(text))}"

    def rows(self, rows: Sequence[tuple[CellLike, ...]]) -> tuple[tuple[tuple[CellLike, ...], ...], tuple[str, ...]]:
        """At most 400 rows of a table, and the note that says how many were left out."""
        kept = tuple(tuple(_folded(cell) for cell in row) for row in rows[:MOST_ROWS])
        left = len(rows) - len(kept)
        return kept, (self.wording.say("page.rows-left-out", count=left),) if left else ()

    def value(self, result: Result) -> str:
        """Value ± expanded uncertainty, rounded together, in the reader's format; a dash without a value."""
        if result.value is None:
            return "–"
        unit = _unit(result.unit)
        if not result.expanded_uncertainty:
            return f"{self.wording.number(significant(result.value))}{unit}"
        value, half = value_with_uncertainty(result.value, result.expanded_uncertainty)
        return f"{self.wording.number(value)}{NB}±{NB}{self.wording.number(half)}{unit}"

    def number(self, value: float | None, digits: int = 3) -> str:
        """A plain number to so many significant digits; ∞ and a dash where there is none."""
        if value is None or math.isnan(value):
            return "–"
        if math.isinf(value):
            return "∞" if value > 0 else "−∞"
        if value and not 1e-6 <= abs(value) < 1e9:
            return self.wording.number(f"{value:.{digits - 1}e}")
        return self.wording.number(significant(value, digits))

    def limit(self, limit: UsedLimit | None) -> str:
        """The limit as inequality with its unit."""
        if limit is None:
            return self.wording.say("text.no-limit")
        sides = []
        if limit.lower is not None:
            sides.append(f"≥{NB}{self.wording.number(significant_short(limit.lower))}{_unit(limit.unit)}")
        if limit.upper is not None:
            sides.append(f"≤{NB}{self.wording.number(significant_short(limit.upper))}{_unit(limit.unit)}")
        return ", ".join(sides)

    def limit_source(self, limit: UsedLimit | None) -> str:
        if limit is None:
            return ""
        return self.short(", ".join(part for part in (limit.source, limit.edition) if part), 240)

    def probability(self, value: float | None) -> str:
        """A conformance probability in per cent; never rounded to certainty."""
        if value is None:
            return "–"
        if value > 0.999:
            return self.wording.say("format.probability-high")
        if value < 0.001:
            return self.wording.say("format.probability-low")
        return f"{self.wording.number(f'{value * 100:.1f}')}{NB}%"

    def margin(self, result: Result) -> str:
        """Distance to the nearest side of the limit as a multiple of U, with its sign."""
        if result.margin is None:
            return "–"
        text = significant(result.margin, 2)
        text = f"{float(text):.0f}" if abs(result.margin) >= 10 else text
        return f"{'+' if result.margin > 0 else ''}{self.wording.number(text)}{NB}U"

    def identity(self) -> str:
        """Record and revision."""
        return self.wording.say("text.identity", identity=self.record.id, revision=self.record.revision)

    def labelled(self, label: str, text: str) -> str:
        """A label of the wording, a colon as the language sets it, and a text."""
        return self.wording.say("text.labelled", label=self.wording.say(f"label.{label}"), text=text)

    def named(self, test: CircuitTest) -> str:
        """A test by phase and id, short enough for a table."""
        return f"{self.phase(test.phase)} · {self.wording.say('label.test-short')}{NB}{test.id}"

    def person(self, name: str) -> str:
        return next((p.name for p in self.record.people if p.id == name), name)

    def title(self, test: str, result: str) -> str:
        """`test` and title of a result, to name it in a sentence."""
        return f"{self.wording.say('label.test')} {test}, {result}"


def _unit(unit: str) -> str:
    return "" if unit in ("", "1") else f"{NB}{unit}"


def one_line(text: str) -> str:
    """`text` with its line breaks turned into blanks."""
    return " ".join(text.splitlines())


def _folded(cell: CellLike) -> CellLike:
    """A cell of few lines as it is; one of many, which was meant as one line, on one."""
    text, detail = (cell.text, cell.detail) if isinstance(cell, Cell) else (cell, "")
    if text.count("\n") <= MOST_CELL_LINES and detail.count("\n") <= MOST_CELL_LINES:
        return cell
    if isinstance(cell, Cell):
        return replace(cell, text=one_line(text), detail=one_line(detail))
    return one_line(text)


def judged(result: Result) -> bool:
    """Whether a limit applies to this result, or is missing: what the comparison lists."""
    return result.limit is not None or result.reason != "no-limit"
