"""Rich display: each thing is described once as lines and tables, and written in four formats.

The HTML stands in a reopened, untrusted notebook: inline styles only, pictures as images with alt text, every
text escaped. Text and LaTeX say the same.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from diagnb.conformity import REASONS, Verdict
from diagnb.evaluation import Evaluation, Result, TestResult
from diagnb.notebook.present import ReportPresenter, data_address
from diagnb.notebook.remarks import Remarks
from diagnb.record import Record
from diagnb.report.charts import Picture
from diagnb.report.wording import MARKS

if TYPE_CHECKING:
    from diagnb.proof import Verification

Cells = tuple[str, ...]
_BORDERS = {"pass": "3px solid", "conditional pass": "3px dashed", "conditional fail": "3px dashed", "fail": "5px double", "not judged": "3px dotted"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    head: Cells
    rows: tuple[Cells, ...]
    verdict_column: int | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A description of one thing: title, lines, tables, pictures."""

    title: str
    lines: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()


def bundle(kind: str, value: Any) -> dict[str, str]:
    """The four formats of one value; ``kind`` names the function below that describes it."""
    shown = _DESCRIBED[kind](value)
    return {
        "text/plain": as_text(shown),
        "text/markdown": as_markdown(shown),
        "text/html": as_html(shown),
        "text/latex": as_latex(shown),
    }


# -- what is said ------------------------------------------------------------------------------------------


def describe_record(record: Record) -> Shown:
    """Identity, statements, tests as displayed."""
    vehicle = ", ".join(p for p in (record.vehicle.unit, record.vehicle.vin, record.vehicle.description) if p)
    lines = [f"Repair order {record.order.number}, {record.vehicle.system_voltage} V, circuit: {record.circuit.name} ({record.circuit.circuit_class})"]  # fmt: skip
    if vehicle:
        lines.insert(0, f"Vehicle {vehicle}")
    if record.demonstration:
        lines.append("Demonstration with invented data")
    for label, text in (("Complaint", record.complaint), ("Cause", record.cause), ("Correction", record.correction)):
        if text:
            lines.append(f"{label}: {text}")
    rows = tuple(
        (test.phase, test.procedure, reading.name, "; ".join(reading.texts), reading.instrument)
        for test in record.tests
        for reading in test.taken
    )
    table = Table(("Phase", "Procedure", "Reading", "As displayed", "Instrument"), rows)
    return Shown(f"Record {record.id}, revision {record.revision}", tuple(lines), (table,) if rows else ())


def describe_evaluation(evaluation: Evaluation) -> Shown:
    """All results of a record with their verdicts."""
    table = _results([(test.phase, result) for test in evaluation.tests for result in test.results])
    return Shown(
        f"Evaluation of record {evaluation.record}, revision {evaluation.revision}",
        (f"{evaluation.engine}, SHA-256 of the record {evaluation.record_digest}",),
        (table,),
        tuple(picture for test in evaluation.tests for picture in _of_test(test)),
    )


def describe_test(test: TestResult) -> Shown:
    """The results of one test."""
    return Shown(f"{test.title}, {test.phase}", (), (_results([(test.phase, r) for r in test.results]),), _of_test(test))  # fmt: skip


def describe_result(result: Result) -> Shown:
    """One result, what would settle it, its uncertainty budget."""
    presenter = ReportPresenter()
    lines = [presenter.advice(item, result.unit) for item in result.advice]
    if not lines:
        lines = [presenter.remark(result)] if presenter.remark(result) else []
    symbol = "" if result.unit == "1" else f" {result.unit}"
    budget = tuple((row.source, f"{abs(float(row.contribution)):.3g}{symbol}", f"{100 * float(row.share):.1f} %") for row in result.budget)  # fmt: skip
    tables = [_results([("", result)])]
    if budget:
        tables.append(Table(("Source", "Contribution u", "Share"), budget))
    return Shown(result.title, tuple(lines), tuple(tables), _pictures((result,)))


def describe_verdict(verdict: Verdict) -> Shown:
    """One verdict with its evidence."""
    lines = [REASONS.get(verdict.reason, verdict.reason), f"decision rule {verdict.rule}"]
    if verdict.limit is not None:
        sides = [f"{sign} {side:g} {verdict.limit.unit}".strip() for sign, side in (("≥", verdict.limit.lower), ("≤", verdict.limit.upper)) if side is not None]  # fmt: skip
        lines.append(f"limit {' and '.join(sides)}" + (f", {verdict.limit.source}" if verdict.limit.source else ""))
    if verdict.conformance_probability is not None:
        lines.append(f"conformance probability {_percent(verdict.conformance_probability)}")
    return Shown(f"{MARKS[verdict.verdict]} {verdict.verdict}", tuple(lines))


def describe_verification(found: Verification) -> Shown:
    """The five answers about one file, then the reasons."""
    from diagnb.proof import REASONS as PROOF_REASONS

    intact = bool(found.signatures) and all(s.intact for s in found.signatures)
    trusted = bool(found.signatures) and all(s.trusted for s in found.signatures)
    pages = {
        "same": "✓ yes, byte for byte",
        "differ": "✗ no",
        "other-version": "– drawn by another version; see the last answer",
    }
    same = f"✓ yes, {found.results} results" if not found.differing else f"✗ no, {len(found.differing)} differences"
    rows = (
        ("Is every signed byte unchanged?", _yes(intact)),
        ("Is it signed by people on the trust list?", _yes(trusted)),
        ("Was nothing added later?", _yes(intact and not found.later_changes)),
        ("Do the pages come from the embedded record?", pages.get(found.pages, "– not checked")),
        ("Does recomputing give the same results?", same if found.results else "– not checked"),
    )
    signers = tuple(
        (s.field, s.signer, s.role, s.signed_at.isoformat(sep=" ") if s.signed_at else "no time", "time-stamped" if s.timestamped else "the signer's own clock")
        for s in found.signatures
    )  # fmt: skip
    lines = [f"Record {found.record_id}, revision {found.revision}, SHA-256 {found.digest}"] if found.record_id else []
    lines += [f"{PROOF_REASONS.get(code, code)} [{code}]" for code in (*found.reasons, *found.notes)]
    tables = [Table(("Question", "Answer"), rows)]
    if signers:
        tables.append(Table(("Field", "Signer", "Role", "Signed at", "Time"), signers))
    word = "✓ trustworthy" if found.trustworthy else "✗ not trustworthy"
    return Shown(f"{found.file}: {word}", tuple(lines), tuple(tables))


def _yes(answer: bool) -> str:
    return "✓ yes" if answer else "✗ no"


def describe_remarks(remarks: Remarks) -> Shown:
    """What would get a claim rejected."""
    rows = tuple((r.severity, r.message, r.repair, r.where) for r in remarks)
    title = f"Claim readiness of record {remarks.record}"
    if not rows:
        return Shown(title, ("✓ No remark.",))
    return Shown(title, (), (Table(("", "What", "What to do", "Where"), rows),))


def _results(found: Sequence[tuple[str, Result]]) -> Table:
    presenter = ReportPresenter()
    rows = []
    for phase, result in found:
        word = result.verdict.verdict
        probability = result.verdict.conformance_probability
        evidence = "" if probability is None else f"P(conforms) {_percent(probability)}"
        if word == "not judged":
            evidence = presenter.remark(result)
        said = "–" if result.reason == "no-limit" else f"{MARKS[word]} {word}"
        rows.append(
            (phase, result.title, presenter.value(result) or "–", presenter.limit(result) or "–", said, evidence)
        )
    return Table(("Phase", "Result", "Value ± U", "Limit", "Verdict", "Evidence"), tuple(rows), verdict_column=4)


def _percent(probability: float) -> str:
    """In per cent, never printed as certain."""
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"


def _of_test(test: TestResult) -> tuple[Picture, ...]:
    """The pictures of one test; a path has its profile, and of its spans only the one that fails."""
    profile = test.profile
    if profile is None or all(p.value is None for p in profile.points):
        return _pictures(test.results)
    from diagnb.report.profile import voltage_profile

    failing = [r for r in test.results if r.name == f"{profile.failing}_drop"]
    return (voltage_profile(test=test), *_pictures(failing))


def _pictures(results: Sequence[Result]) -> tuple[Picture, ...]:
    presenter = ReportPresenter()
    return tuple(drawn for drawn in map(presenter.drawing, results) if drawn is not None)


_DESCRIBED: dict[str, Callable[[Any], Shown]] = {
    "record": describe_record,
    "evaluation": describe_evaluation,
    "test_result": describe_test,
    "result": describe_result,
    "verdict": describe_verdict,
    "verification": describe_verification,
    "remarks": describe_remarks,
}


# -- four formats ------------------------------------------------------------------------------------------


def as_text(shown: Shown) -> str:
    """Plain text with aligned columns."""
    lines = [shown.title, *(f"  {line}" for line in shown.lines)]
    for table in shown.tables:
        grid = [table.head, *table.rows]
        widths = [max(len(row[i]) for row in grid) for i in range(len(table.head))]
        lines += [
            "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in grid
        ]
    return "\n".join(lines)


def as_markdown(shown: Shown) -> str:
    """Markdown with pipe tables."""
    parts = [f"**{_markdown(shown.title)}**", *(_markdown(line) for line in shown.lines)]
    for table in shown.tables:
        rows = [table.head, tuple("---" for _ in table.head), *(tuple(map(_markdown, row)) for row in table.rows)]
        parts.append("\n".join("| " + " | ".join(row) + " |" for row in rows))
    return "\n\n".join(parts)


def _markdown(text: str) -> str:
    flat = " ".join(text.split())
    return html.escape(re.sub(r"([\\`*_{}\[\]#|~$])", r"\\\1", flat), quote=False)


def as_html(shown: Shown) -> str:
    """HTML with inline styles and pictures as images."""
    parts = [f'<div style="font-weight:bold;font-size:1.15em;margin-bottom:4px">{html.escape(shown.title)}</div>']
    parts += [f'<div style="white-space:pre-wrap">{html.escape(line)}</div>' for line in shown.lines]
    for table in shown.tables:
        head = "".join(
            f'<th scope="col" style="text-align:left;padding:4px 10px">{html.escape(c)}</th>' for c in table.head
        )
        body = "".join(f"<tr>{_html_cells(row, table.verdict_column)}</tr>" for row in table.rows)
        parts.append(
            f'<table style="border-collapse:collapse;margin:6px 0"><thead><tr style="border-bottom:2px solid">{head}</tr></thead><tbody>{body}</tbody></table>'
        )
    parts += [
        f'<img alt="{html.escape(p.alt, quote=True)}" src="{data_address(p)}" style="display:block;width:100%;max-width:560px;margin:4px 0">'
        for p in shown.pictures
    ]
    return f'<div style="line-height:1.4">{"".join(parts)}</div>'


def _html_cells(row: Cells, verdict_column: int | None) -> str:
    cells = []
    for index, cell in enumerate(row):
        text = html.escape(cell)
        if index == verdict_column:
            word = cell.partition(" ")[2]
            text = f'<span style="border:{_BORDERS.get(word, "0")};padding:1px 8px;font-weight:bold;white-space:nowrap">{text}</span>'
        cells.append(f'<td style="text-align:left;padding:5px 10px;vertical-align:top">{text}</td>')
    return "".join(cells)


def as_latex(shown: Shown) -> str:
    """LaTeX for nbconvert: a bold title, lines, tables; pictures as their sentences."""
    parts = [rf"\textbf{{{_latex(shown.title)}}}", *(_latex(line) for line in shown.lines)]
    for table in shown.tables:
        columns = "l" * len(table.head)
        rows = [r" & ".join(map(_latex, row)) + r" \\" for row in (table.head, *table.rows)]
        parts.append("\n".join([rf"\begin{{tabular}}{{{columns}}}", rows[0], r"\hline", *rows[1:], r"\end{tabular}"]))
    parts += [_latex(picture.alt) for picture in shown.pictures]
    return "\n\n".join(parts)


_LATEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "±": r"\(\pm\)", "≤": r"\(\leq\)", "≥": r"\(\geq\)",
    "Ω": r"\(\Omega\)", "µ": r"\(\mu\)", "°": r"\(^{\circ}\)", "✓": r"\(\surd\)", "✗": r"\(\times\)", "–": "--", "−": r"\(-\)",
}  # fmt: skip


def _latex(text: str) -> str:
    return "".join(_LATEX.get(c, c if c.isprintable() else " ") for c in " ".join(text.split()))
