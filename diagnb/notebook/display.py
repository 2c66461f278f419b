"""Rich display: what is said about each thing, once, as lines, tables and pictures; written in four formats."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from diagnb.conformity import REASONS, Verdict
from diagnb.evaluation import Evaluation, Result, TestResult
from diagnb.notebook.catalogue_display import describe_meter, describe_procedure
from diagnb.notebook.impact_display import describe_impact
from diagnb.notebook.present import ReportPresenter
from diagnb.notebook.remarks import Remarks
from diagnb.notebook.written import Shown, Table, as_html, as_latex, as_markdown, as_text
from diagnb.record import Record
from diagnb.report.charts import Picture
from diagnb.report.wording import MARKS

if TYPE_CHECKING:
    from diagnb.proof import Verification


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
    from diagnb.notebook.answers import five_answers, overall
    from diagnb.proof import REASONS as PROOF_REASONS

    rows = tuple((answer.question, answer.said, "; ".join(answer.evidence)) for answer in five_answers(found))
    lines = [f"Record {found.record_id}, revision {found.revision}, SHA-256 {found.digest}"] if found.record_id else []
    lines += [f"{PROOF_REASONS.get(code, code)} [{code}]" for code in (*found.reasons, *found.notes)]
    lines += [*found.relations, *found.found_inside]
    return Shown(f"{found.file}: {overall(found)}", tuple(lines), (Table(("Question", "Answer", "Evidence"), rows),))


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
        evidence = "" if probability is None else f"conformance probability {_percent(probability)}"
        if word == "not judged":
            evidence = presenter.remark(result)
        said = "–" if not result.to_judge else f"{MARKS[word]} {word}"
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
    "procedure": describe_procedure,
    "meter": describe_meter,
    "impact": describe_impact,
}
