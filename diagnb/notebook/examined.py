"""An examined report as HTML for the review view: answers, recomputed record, readiness. Every text is escaped."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

from diagnb.evaluation import Evaluation, Result
from diagnb.notebook.answers import five_answers, overall
from diagnb.notebook.present import ReportPresenter
from diagnb.notebook.reviewing import Examined
from diagnb.proof import REASONS, REMEDIES, Difference
from diagnb.record import Record

_PLACE = re.compile(r"tests\[(\d+)\]\.results\[(\d+)\]\.?(.*)")
_MOST_READINGS = 400


def answers_html(examined: Examined) -> str:
    """The conclusion, the five answers with their evidence, reasons and notes."""
    found = examined.found
    word, said = "yes" if found.counts else "no", _text(overall(found))
    rows = []
    for number, answer in enumerate(five_answers(found), 1):
        evidence = "<br>".join(map(_text, answer.evidence)) or "–"
        rows.append(
            f'<tr data-word="{answer.word}"><th scope="row">{number} {_text(answer.question)}</th>'
            f"<td>{_text(answer.said)}</td><td>{evidence}</td></tr>"
        )
    listed = [
        f"<li><b>{_text(REASONS.get(code, code))}</b> [{_text(code)}]{_text(': ' + REMEDIES[code]) if code in REMEDIES else ''}</li>"
        for code in found.reasons
    ]
    listed += [f"<li>{_text(each)}</li>" for each in (*found.relations, *found.found_inside)]
    notes = [f"<li>{_text(REASONS.get(code, code))} [{_text(code)}]</li>" for code in found.notes]
    spoken = f'<div class="dn-trouble"><b>What speaks against it</b><ul>{"".join(listed)}</ul></div>' if listed else ""
    noted = f'<div class="dn-remark"><b>To know</b><ul>{"".join(notes)}</ul></div>' if notes else ""
    log = f" In the shop's log: {_text(found.log)}." if found.log != "not checked" else ""
    return (
        f'<div class="dn-overall" data-word="{word}">{said}</div>{spoken}<div class="dn-answers dn-scroll">'
        f'{_table(("Question", "Answer", "Evidence"), rows)}</div>{noted}<div class="dn-sub">{_text(examined.trusted_by)}{log}</div>'
    )


def record_html(examined: Examined, presenter: ReportPresenter) -> str:
    """The record inside the report and what comes out when it is recomputed; differences are marked."""
    record, evaluation = examined.found.record, examined.found.evaluation
    if record is None:
        return '<div class="dn-trouble">Nothing was recomputed: no record that can be read stands under an unbroken signature.</div>'
    if evaluation is None:
        return _identity(record) + '<div class="dn-trouble">The record could not be recomputed.</div>'
    at_result, elsewhere = _placed(examined.found.differing)
    count = len(examined.found.differing)
    state = (
        f'<div class="dn-trouble"><b>≠ {count} {"difference" if count == 1 else "differences"}</b> between what the report says and what its record gives. '
        "They are marked ≠ below.</div>"
        if count
        else ""
    )
    rows: list[str] = []
    for i, test in enumerate(evaluation.tests):
        for j, result in enumerate(test.results):
            rows += _result_rows(test.phase, result, presenter, at_result.get((i, j), ()))
    other = "".join(f"<li>{_difference(d, d.where)}</li>" for d in elsewhere)
    return "".join(
        (
            _identity(record),
            state,
            '<div class="dn-scroll">',
            _table(("Result", "Value ± U", "Limit", "Verdict"), rows),
            "</div>",
            f'<div class="dn-trouble"><b>≠ Elsewhere</b><ul>{other}</ul></div>' if other else "",
            _readings(record),
            _instruments(record, evaluation),
        )
    )


def readiness_html(examined: Examined) -> str:
    """What would get the claim rejected, the gravest first."""
    if examined.remarks is None:
        return '<div class="dn-remark">– not checked: there is no record to check.</div>'
    if not len(examined.remarks):
        return '<div class="dn-good">✓ No remark.</div>'
    marks = {"rejects": "✗ rejects", "weakens": "! weakens", "note": "· note"}
    items = [
        f'<li data-severity="{_text(r.severity)}"><b>{_text(marks[r.severity])}</b> {_text(r.message)}. '
        f'<span class="dn-detail">{_text(r.repair)} [{_text(r.code)}, {_text(r.where)}]</span></li>'
        for r in examined.remarks
    ]
    return f'<ul class="dn-remarks">{"".join(items)}</ul>'


def _identity(record: Record) -> str:
    vehicle = ", ".join(p for p in (record.vehicle.unit, record.vehicle.vin, record.vehicle.description) if p)
    lines = [
        ("Record", f"{record.id}, revision {record.revision}"),
        ("Repair order", record.order.number),
        ("Vehicle", f"{vehicle or 'not named'}, {record.vehicle.system_voltage} V"),
        ("Circuit", f"{record.circuit.name} ({record.circuit.circuit_class})"),
        ("Complaint", record.complaint),
        ("Cause", record.cause),
        ("Correction", record.correction),
    ]
    rows = [f'<tr><th scope="row">{_text(name)}</th><td>{_text(said)}</td></tr>' for name, said in lines if said]
    return f'<table class="dn-table"><tbody>{"".join(rows)}</tbody></table>'


def _placed(differing: Sequence[Difference]) -> tuple[dict[tuple[int, int], list[Difference]], list[Difference]]:
    """Differences by (test, result), and those that belong to none."""
    placed: dict[tuple[int, int], list[Difference]] = {}
    elsewhere = []
    for difference in differing:
        match = _PLACE.fullmatch(difference.where)
        if match is None:
            elsewhere.append(difference)
        else:
            placed.setdefault((int(match[1]), int(match[2])), []).append(difference)
    return placed, elsewhere


def _result_rows(
    phase: str, result: Result, presenter: ReportPresenter, differing: Sequence[Difference]
) -> Iterable[str]:
    word = result.verdict.verdict
    verdict = "–"
    if result.reason != "no-limit":
        verdict = f'<span class="dn-verdict-word" data-verdict="{_text(word)}">{_text(presenter.verdict(word))}</span>'
    cells = (presenter.value(result) or "–", presenter.limit(result) or "–")
    mark = ' class="dn-differs"' if differing else ""
    name = f"<b>≠</b> {_text(result.title)}" if differing else _text(result.title)
    yield (
        f'<tr{mark}><td class="dn-result-name">{name}<span class="dn-detail">{_text(phase)}</span></td>'
        + "".join(f'<td class="dn-number">{_text(cell)}</td>' for cell in cells)
        + f"<td>{verdict}</td></tr>"
    )
    if differing:
        said = "<br>".join(_difference(d, _PLACE.fullmatch(d.where)[3]) for d in differing[:8])  # type: ignore[index]
        yield f'<tr class="dn-differs"><td colspan="4">{said}</td></tr>'


def _difference(found: Difference, where: str) -> str:
    return f"<b>{_text(where)}</b>: in the report {_text(found.embedded)}, recomputed {_text(found.recomputed)}"


def _readings(record: Record) -> str:
    rows = [
        f'<tr><td class="dn-short">{_text(test.phase)}</td><td>{_text(test.procedure)}</td><td>{_text(reading.name)}</td>'
        f"<td>{_text('; '.join(reading.texts))}</td><td>{_text(reading.instrument)}</td></tr>"
        for test in record.tests
        for reading in test.taken
    ]
    left = f"<p>{len(rows) - _MOST_READINGS} more stand in the report.</p>" if len(rows) > _MOST_READINGS else ""
    table = _table(("Phase", "Procedure", "Reading", "As displayed", "Instrument"), rows[:_MOST_READINGS])
    return f'<details><summary>Readings as displayed ({len(rows)})</summary><div class="dn-scroll">{table}</div>{left}</details>'


def _instruments(record: Record, evaluation: Evaluation) -> str:
    rows = [
        f"<tr><td>{_text(i.id)}</td><td>{_text(i.meter)}</td><td>{_text(i.serial)}</td>"
        f'<td class="dn-number">{_text(i.calibrated or "–")}</td><td class="dn-number">{_text(i.due or "–")}</td></tr>'
        for i in record.instruments
    ]
    table = _table(("Instrument", "Accuracy sheet", "Serial", "Calibrated", "Due"), rows)
    return (
        f'<details><summary>Instruments ({len(rows)})</summary><div class="dn-scroll">{table}</div></details>'
        f'<div class="dn-sub">Recomputed with {_text(evaluation.engine)}.</div>'
    )


def _table(head: Sequence[str], rows: Sequence[str]) -> str:
    titles = "".join(f'<th scope="col">{_text(title)}</th>' for title in head)
    return f'<table class="dn-table"><thead><tr>{titles}</tr></thead><tbody>{"".join(rows)}</tbody></table>'


def _text(value: object) -> str:
    return html.escape(str(value), quote=True)
