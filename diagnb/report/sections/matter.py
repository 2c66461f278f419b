"""What every section is written from, and how values, limits and long texts are put into words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property

from diagnb.evaluation import Evaluation, Result, TestResult, UsedLimit
from diagnb.procedures import GivenSpec
from diagnb.quantities.rounding import significant, value_with_uncertainty
from diagnb.record import Record, procedure_of
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
_SMALL = 0.1
NB = "\u00a0"


@dataclass(frozen=True)
class Scale:
    """The unit in which a row is printed, and by which power of ten its numbers grow for it."""

    unit: str
    power: int = 0

    def of(self, value: float) -> float:
        """`value` in this unit, without the errors of a binary product."""
        return float(Decimal(repr(float(value))).scaleb(self.power)) if self.power and math.isfinite(value) else value


def scale_of(*results: Result) -> Scale:
    """One scale for results of one unit: mV or mΩ where every value and U in V or Ω is below 0.1, else their own."""
    unit = results[0].unit
    numbers = [n for r in results if r.value is not None for n in (r.value, r.expanded_uncertainty or 0.0)]
    small = bool(numbers) and all(abs(n) < _SMALL for n in numbers)
    alike = all(r.unit == unit for r in results)
    return Scale(f"m{unit}", 3) if unit in ("V", "Ω") and small and alike else Scale(unit)


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

    @cached_property
    def _scales(self) -> dict[int, Scale]:
        found: dict[tuple[str, str, str], list[Result]] = {}
        for test, outcome in self.pairs():
            for result in outcome.results:
                found.setdefault((test.procedure, result.name, result.unit), []).append(result)
        return {id(one): scale for alike in found.values() for scale in (scale_of(*alike),) for one in alike}

    def scale(self, result: Result) -> Scale:
        """One scale for a quantity in all tests of one procedure, so that a limit reads alike as found and as left."""
        return self._scales.get(id(result)) or scale_of(result)

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

    def value(self, result: Result, scale: Scale | None = None) -> str:
        """Value ± expanded uncertainty, rounded together, in the reader's format; a dash without a value."""
        if result.at_least is not None:
            scale = scale or Scale(result.unit)
            return f">{NB}{self.wording.number(significant(scale.of(result.at_least), 3))}{_unit(scale.unit)}"
        if result.value is None:
            return "–"
        scale = scale or self.scale(result)
        unit = _unit(scale.unit)
        if not result.expanded_uncertainty:
            return f"{self.wording.number(significant(scale.of(result.value)))}{unit}"
        value, half = value_with_uncertainty(scale.of(result.value), scale.of(result.expanded_uncertainty))
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

    def limit(self, limit: UsedLimit | None, scale: Scale | None = None) -> str:
        """The limit as inequality with its unit, or in that of the value beside it."""
        if limit is None:
            return self.wording.say("text.no-limit")
        scale = scale or Scale(limit.unit)
        unit = _unit(scale.unit)
        sides = []
        if limit.lower is not None:
            sides.append(f"≥{NB}{self.wording.number(significant_short(scale.of(limit.lower)))}{unit}")
        if limit.upper is not None:
            sides.append(f"≤{NB}{self.wording.number(significant_short(scale.of(limit.upper)))}{unit}")
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


def names_used(results: TestResult) -> set[str]:
    """Every name that stands in a formula which gave a value."""
    return {name for result in results.results if result.value is not None for name in result.inputs}


def givens_assumed(matter: Matter, test: CircuitTest, results: TestResult) -> list[GivenSpec]:
    """The values that the procedure assumed for this test, because nobody stated them, and that a result rests on."""
    used = names_used(results)
    specs = procedure_of(matter.record, test.procedure).givens
    return [g for g in specs if g.default is not None and g.name not in test.given and g.name in used]


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
    return result.to_judge
