"""A study as a tagged PDF: question, finding, data, method, each plot with its table beside it, caveats; to be signed.

The two tables and ``study.json`` (RFC 8785) travel inside, so that anybody can answer the question again.
Sentences come from ``templates/recurring``; the fleet room's own words are English, so this report is.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import rfc8785

from diagnb.errors import Fault, InputFault
from diagnb.fleet import (
    SET_ASIDE,
    CellSurvey,
    Chart,
    Figure,
    plot_cells,
    plot_charts,
    plot_effect,
    plot_pareto,
    plot_recurrence,
    plot_survival,
    sets_said,
)
from diagnb.fleet.cells import SMALLEST_SHARE, in_unit, number, probability, share, span, unit_text
from diagnb.quantities.counting import counted
from diagnb.recurring.study import Study
from diagnb.report import blocks as b
from diagnb.report.wording import Wording, load_wording, parse_wording
from diagnb.shipped import templates_directory

FIELD = "Engineer"
"""Name of the signature field."""
DATA = "study.json"
MOST_BYTES = 32 * 2**20
"""More than this of tables is not put inside a report."""
_MOST_ROWS, _MOST_CELLS = 24, 15
_LEAST = SMALLEST_SHARE / 10


def render_study(
    study: Study, *, moment: dt.datetime, paper: str = "A4", signer: str = "", role: str = "", meaning: str = ""
) -> bytes:
    """The study as an unsigned PDF with one signature field, :data:`FIELD`.

    ``moment`` (with zone) is when it was made; the field shows ``signer``, ``role``, it and ``meaning``, and nothing
    without a signer. Raises :class:`~diagnb.errors.InputFault` for an unknown paper, or tables
    that are too large to travel inside, and :class:`~diagnb.errors.MissingPackage` without the extra ``fleet``.
    """
    from diagnb.report.pdf import Attachment, PageLines, render_document

    wording = study_wording()
    say = wording.say
    size = len(study.results.data) + len(study.vehicles.data)
    if size > MOST_BYTES:
        what = f"are {size / 2**20:.0f} MB together, more than the {MOST_BYTES // 2**20} MB that travel inside a report"
        raise InputFault([Fault("tables", what, "take the results of the component, as Parquet")])
    data = rfc8785.dumps(study.to_plain())
    digest = hashlib.sha256(data).hexdigest()
    identity = f"study-{digest[:12]}"
    title = say("recurring.title")
    tables = [
        Attachment(t.name, t.data, media_type=_media(t.name), relationship="Source", description=say("recurring.attached-table"))
        for t in (study.results, study.vehicles)
    ]  # fmt: skip
    shown = wording.signer(name=signer, role=role, moment=moment, meaning=meaning) if signer else ()
    return render_document(
        tuple(_blocks(study, wording, moment, identity, shown)),
        title=f"{title} {identity}", subject=say("recurring.subject"), language="en",
        paper="Letter" if paper == "Letter" else "A4", moment=moment.replace(microsecond=0), identity=identity,
        digest=digest,
        attachments=(*tables, Attachment(DATA, data, relationship="Data", description=say("recurring.attached"))),
        page_lines=PageLines(
            record=identity, title=title, digest=say("recurring.digest", digest=digest),
            page=say("page.number", page="{page}", pages="{pages}"),
        ),
    )  # fmt: skip


def _media(name: str) -> str:
    return "text/csv" if name.lower().endswith(".csv") else "application/vnd.apache.parquet"


@cache
def study_wording() -> Wording:
    """The sentences of the report engine with those of this report."""
    own = parse_wording((templates_directory() / "recurring" / "en.toml").read_bytes(), where="recurring/en.toml")
    return Wording("en", {**load_wording("en").sentences, **own})


def findings(study: Study) -> tuple[str, ...]:
    """What the study says, a sentence for each part of the question; a part that is refused says why."""
    say = study_wording().say
    return tuple(_findings(study, say))


def _findings(study: Study, say: Any) -> Iterator[str]:
    rate = study.rate
    if rate.value is None:
        yield say(
            "recurring.finding-rate-refused",
            name=rate.name,
            events=counted(study.defects, "distinct defect"),
            reason=str(rate.refusal),
        )
    else:
        yield say(
            "recurring.finding-rate", name=rate.name, events=counted(rate.numerator, "distinct defect"), exposure=f"{rate.exposure:,.0f}",
            rate=number(rate.value), lower=number(rate.lower), upper=number(rate.upper), coverage=f"{100 * rate.coverage:g}", unit=rate.unit,
        )  # fmt: skip
    if study.blind:
        yield f"{study.blind}."
    for trend in study.trends:
        growth, test = trend.growth, trend.trial
        if test.p_value is None:
            yield say(f"recurring.finding-{trend.clock}-refused", reason=str(test.refusal))
        elif growth.value is None:
            yield say(f"recurring.finding-{trend.clock}", direction=test.direction, p=probability(test.p_value))
        else:
            yield say(f"recurring.finding-{trend.clock}-growth", direction=test.direction, p=probability(test.p_value), growth=share(growth.value, 3), lower=share(growth.lower, 3), upper=share(growth.upper, 3))  # fmt: skip
    if study.course is not None:
        yield " ".join((*study.course.sentences, *(f"{line[:1].upper()}{line[1:]}." for line in (study.ages,) if line)))
        grows = study.trends[0].trial
        if (
            not study.held
            and grows.rejects
            and grows.direction == "getting worse"
            and any(s.word == "rises" for s in study.course.shifts)
        ):
            yield say("recurring.finding-older")
    shape = study.life.shape
    if shape.value is None:
        yield say("recurring.finding-life-refused", reason=str(shape.refusal))
    else:
        yield say("recurring.finding-life", reading=study.life.reading, shape=share(shape.value, 3), lower=share(shape.lower, 3), upper=share(shape.upper, 3))  # fmt: skip
    alarms = [c for c in study.lots.alarms if not study.question.component or c.row == study.question.component]
    if alarms:
        said = [
            say("recurring.finding-lot", lot=c.column if study.question.component else f"{c.row}, {c.column}", ratio=share(c.ratio, 3), lower=share(c.lower, 3), upper=share(c.upper, 3), p=probability(c.adjusted))
            for c in alarms[:5]
        ]  # fmt: skip
        yield say("recurring.finding-lots", lots="; ".join(said))
    elif not _asked(study).cells:
        reasons = dict.fromkeys(f"{row}, {lot}: {why}" for row, lot, why in _asked(study).untested[:3])
        yield say("recurring.finding-lots-refused", reason="; ".join(reasons) or say("recurring.no-cells"))
    else:
        yield say("recurring.finding-no-lot", cells=counted(len(study.lots.cells), "cell"))
    if study.effect is not None:
        ratio, date = study.effect.ratio, study.question.change
        if ratio.value is None:
            yield say("recurring.finding-effect-refused", date=date, reason=str(ratio.refusal))
        else:
            yield say("recurring.finding-effect", date=date, finding=study.effect.finding, ratio=share(ratio.value, 3), lower=share(ratio.lower, 3), upper=share(ratio.upper, 3))  # fmt: skip
    yield from _measurement_findings(study, say)


def _measurement_findings(study: Study, say: Any) -> Iterator[str]:
    for name, m in study.measurement.items():
        if m.false_fails.value is not None:
            # Nothing is that certain: what came out as none is below what can be told apart.
            value = share(max(m.false_fails.value, _LEAST), 2)
            ends = span(max(m.false_fails.lower or 0.0, 0.0), max(m.false_fails.upper or 0.0, _LEAST), "1", 2)
            text = value if ends == value else f"{value} ({ends})"
            yield say("recurring.finding-measurement", name=name, share=text)
    off = [o for o in study.meters if o.flagged]
    if off:
        said = (say("recurring.finding-meter", name=o.instrument, ratio=share(o.ratio.value, 3), lower=share(o.ratio.lower, 3), upper=share(o.ratio.upper, 3)) for o in off[:5])  # fmt: skip
        yield say("recurring.finding-meters", meters="; ".join(said))
    elif any(o.group for o in study.meters) and not any(o.undecided for o in study.meters):
        compared = [o for o in study.meters if o.group]
        yield say(
            "recurring.finding-no-meter-in-sets" if len({o.group for o in compared}) > 1 else "recurring.finding-no-meter",
            meters=counted(len(compared), "instrument"), lower=share(min(o.ratio.lower or 0.0 for o in compared), 3),
            upper=share(max(o.ratio.upper or 0.0 for o in compared), 3),
        )  # fmt: skip
    yield from (f"{line[:1].upper()}{line[1:]}." for line in sets_said(study.meters))


def _blocks(
    study: Study, wording: Wording, moment: dt.datetime, identity: str, signer: tuple[str, ...]
) -> Iterator[b.Block]:
    say = wording.say
    asked = study.question
    yield b.Heading(1, say("recurring.title"))
    yield b.Heading(2, say("recurring.question"))
    yield b.Paragraph(asked.text, strong=True)
    yield b.Paragraph(
        say("recurring.of-component", component=asked.component) if asked.component else say("recurring.of-all")
    )
    if asked.without_instruments:
        yield b.Paragraph(say("recurring.without", instruments=", ".join(asked.without_instruments)))
    yield b.Heading(2, say("recurring.finding"))
    for sentence in findings(study):
        yield b.Paragraph(sentence)
    yield from _data(study, wording, moment)
    yield b.Heading(2, say("recurring.method"))
    yield b.Paragraph(say("recurring.method-text"))
    if asked.change:
        yield b.Paragraph(say("recurring.method-change", months=f"{asked.settling_months:g}", date=asked.change))
    yield from _answers(study, wording)
    yield from _caveats(study, wording)
    yield b.Heading(2, say("recurring.proof"))
    yield b.Paragraph(say("recurring.proof-text"))
    yield b.SignatureField(FIELD, say("recurring.sign"), signer)
    yield b.EndMark(say("page.end", identity=identity))


def _data(study: Study, wording: Wording, moment: dt.datetime) -> Iterator[b.Block]:
    say = wording.say
    rule = say("recurring.as-stored") if study.question.rule == "as-stored" else study.question.rule
    aside = study.rows_in - study.rows_used
    yield b.Heading(2, say("recurring.data"))
    yield b.KeyValues((
        (say("recurring.rows"), f"{study.rows_in:,}"), (say("recurring.used"), f"{study.rows_used:,}"),
        (say("recurring.aside"), f"{aside:,}"), (say("recurring.period"), f"{study.first_day}, {study.last_day}"),
        (say("recurring.vehicles"), f"{study.vehicles_used:,}"),
        (say("recurring.exposure"), say("recurring.vehicle-months", months=f"{study.exposure_months:,.0f}")),
        (say("recurring.defects"), say("recurring.defects-text", defects=f"{study.defects:,}", results=f"{study.failing_results:,}", repeats=f"{study.repeats:,}")),
        (say("recurring.undecided"), f"{study.undecided:,}"), (say("recurring.rule"), rule),
        (say("recurring.made"), wording.moment(moment)),
    ))  # fmt: skip
    yield b.Heading(3, say("recurring.files"))
    yield b.KeyValues(tuple((t.name, t.sha256) for t in (study.results, study.vehicles)), mono=True)
    if study.set_aside:
        yield b.Heading(3, say("recurring.exclusions"))
        yield b.Table(
            (say("recurring.reason"), say("recurring.count"), say("recurring.repair")),
            tuple((b.Cell(SET_ASIDE[code][0], detail=code), f"{count:,}", SET_ASIDE[code][1] or "–") for code, count in study.set_aside.items()),
            (5, 1, 4), ("left", "right", "left"),
        )  # fmt: skip
    if study.faults:
        yield b.Heading(3, say("recurring.faults"))
        shown = study.faults[:_MOST_ROWS]
        yield b.KeyValues(tuple((f.where, f.what) for f in shown))
        yield from (b.Paragraph(line) for line in _more(len(study.faults) - len(shown), wording))


def _answers(study: Study, wording: Wording) -> Iterator[b.Block]:
    say, name = wording.say, study.rate.name
    yield b.Heading(2, say("recurring.recurs"))
    yield _plot(plot_pareto(study.pareto), say("recurring.recurs"))
    yield _pareto(study, wording)
    yield b.Heading(2, say("recurring.comes-back"))
    yield _plot(plot_recurrence({name: study.recurrence}), say("recurring.comes-back"))
    yield _figures((study.rate, *study.recurrence_at), wording)
    yield b.Heading(2, say("recurring.lifetime"))
    yield _plot(plot_survival({name: study.survival}, fits={name: study.life}), say("recurring.lifetime"))
    yield _figures((study.survival.age_at(0.5), study.life.shape, study.life.age_at(0.1)), wording)
    yield b.Heading(2, say("recurring.course"))
    yield _plot(plot_charts(study.charts), say("recurring.course"))
    yield _chart(study, wording)
    yield _trials(study, wording)
    yield _figures([t.growth for t in study.trends], wording)
    yield b.Heading(2, say("recurring.lots"))
    lots = _asked(study)
    if lots.cells:
        yield _plot(plot_cells(lots, most=_MOST_CELLS), say("recurring.lots"))
        yield _cells(lots, wording)
    else:
        untested = tuple((f"{row}, {lot}", str(why)) for row, lot, why in lots.untested[:_MOST_ROWS])
        yield b.KeyValues(untested) if untested else b.Paragraph(say("recurring.no-cells"))
    yield from _measurement(study, wording)
    if study.effect is not None:
        yield b.Heading(2, say("recurring.effect"))
        yield _plot(plot_effect(study.effect), say("recurring.effect"))
        yield _figures((study.effect.before, study.effect.after, study.effect.ratio), wording)


def _plot(plot: Any, what: str) -> b.Figure:
    from diagnb.recurring.picture import picture_of

    said = [axes.get_title(loc="left") or axes.get_title() for axes in plot.axes]
    above = plot.get_suptitle()
    alt = ". ".join(dict.fromkeys(filter(None, (what, above, *said))))
    return b.Figure(picture_of(plot, alt=alt), alt)


def _figures(figures: Iterable[Figure], wording: Wording) -> b.Table:
    say = wording.say
    rows, notes = [], []
    for f in figures:
        value = say("recurring.refused") if f.value is None else in_unit(f.value, f.unit)
        interval = "–" if f.value is None else span(f.lower, f.upper, f.unit, between=" – ")
        rows.append((
            b.Cell(f.name, detail=f.method), b.Cell(value, strong=True, detail=str(f.refusal) if f.refusal else unit_text(f.unit)),
            b.Cell(interval, detail="" if f.value is None else f"{100 * f.coverage:g} %"),
            f"{f.numerator:,.0f} / {f.exposure:,.0f} {f.exposure_unit}".rstrip(), f"{f.n:,}",
        ))  # fmt: skip
        notes += [f"{f.name}: {c}" for c in f.cautions]
    head = tuple(say(f"recurring.{key}") for key in ("figure", "value", "interval", "events", "n"))
    return b.Table(
        head, tuple(rows), (5, 4, 3, 4, 1.4), ("left", "left", "left", "left", "right"), tuple(dict.fromkeys(notes))
    )


def _pareto(study: Study, wording: Wording) -> b.Table:
    say = wording.say
    shown = study.pareto.rows[:_MOST_ROWS]
    rows = tuple(
        (
            b.Cell(r.item, strong=r.item == study.question.component), f"{r.events:,.0f}", f"{100 * r.share:.1f} %",
            b.Cell(say("recurring.refused") if r.rate.value is None else number(r.rate.value), detail=str(r.rate.refusal or r.rate.unit)),
            "–" if r.rate.value is None else span(r.rate.lower, r.rate.upper, r.rate.unit, between=" – "), f"{r.rate.n:,}",
        )
        for r in shown
    )  # fmt: skip
    notes = (*_more(len(study.pareto.rows) - len(shown), wording), *_methods(r.rate for r in shown))
    head = tuple(say(f"recurring.{key}") for key in ("component", "defects", "share", "rate", "interval", "n"))
    return b.Table((head[0], say("recurring.events"), *head[2:]), rows, (4, 2, 1.6, 4, 3, 1.4), ("left", "right", "right", "left", "left", "right"), notes)  # fmt: skip


def _methods(figures: Iterable[Figure]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f.method for f in figures if f.refusal is None))


def _chart(study: Study, wording: Wording) -> b.Block:
    say, chart = wording.say, study.months
    if chart.refusal is not None:
        return b.KeyValues(((chart.name, f"{say('recurring.refused')}: {chart.refusal}"),))
    count = len(chart.labels)

    def sum_of(one: Chart, k: int) -> b.Cell:
        if one.refusal is not None:
            return b.Cell("–")
        return b.Cell(f"{one.value[k]:.1f}", strong=bool(one.signal[k]), detail=say("recurring.signal-word") if one.signal[k] else "")  # fmt: skip

    rows = tuple(
        (
            chart.labels[k], f"{chart.numerator[k]:,.0f} / {chart.exposure[k]:,.0f}", in_unit(float(chart.value[k]), chart.unit, 3),
            span(float(chart.lower[k]), float(chart.upper[k]), chart.unit, 3, between=" – "),
            say("recurring.signal-word") if chart.signal[k] else "", sum_of(study.rise, k), sum_of(study.fall, k),
        )
        for k in range(max(count - 2 * _MOST_ROWS, 0), count)
    )  # fmt: skip
    head = (
        say("recurring.month"), say("recurring.events"), f"{say('recurring.rate')} {unit_text(chart.unit)}", say("recurring.limits"),
        say("recurring.signal"), say("recurring.rise"), say("recurring.fall"),
    )  # fmt: skip
    notes = [*_more(count - len(rows), wording), *filter(None, [study.ages]), chart.method]
    notes += [
        f"{c.name}: {c.method}; {say('recurring.signal-above', height=f'{c.upper[0]:.1f}')}"
        for c in (study.rise, study.fall)
        if c.refusal is None
    ]
    return b.Table(head, rows, (2, 2.6, 2.4, 3, 1.6, 1.6, 1.6), ("left", "right", "right", "left", "left", "right", "right"), tuple(notes))  # fmt: skip


def _measurement(study: Study, wording: Wording) -> Iterator[b.Block]:
    """Is it the measurement: the false among the fails, and the meters against each other."""
    say = wording.say
    yield b.Heading(2, say("recurring.measurement"))
    answered = [m for m in study.measurement.values() if m.shown.refusal is None]
    if answered:
        yield _figures([replace(f, name=f"{name}: {f.name}") for name, m in study.measurement.items() if m.shown.refusal is None for f in (m.shown, m.true, m.false_fails)], wording)  # fmt: skip
    yield b.Paragraph(say("recurring.measurement-caveat"))
    known = [o for o in study.meters if o.ratio.refusal is None]
    if not known:
        yield b.Paragraph(say("recurring.no-meters"))
        return
    shown = known[:_MOST_ROWS]
    rows = tuple(
        (
            o.instrument, share(o.ratio.value, 4), span(o.ratio.lower, o.ratio.upper, "1", 4, between=" – "), share(o.adjusted, 2),
            "–" if o.stated is None else f"{100 * o.stated:.2g} %", f"{o.ratio.n:,}", str(o.group),
            b.Cell(
                say("recurring.meter-off") if o.flagged else say("recurring.meter-open") if o.undecided
                else say("recurring.meter-differs") if o.differs else "",
                strong=o.flagged or o.undecided,
            ),
        )
        for o in shown
    )  # fmt: skip
    head = tuple(
        say(f"recurring.{key}")
        for key in ("meter", "meter-ratio", "interval", "adjusted", "stated", "vehicles-n", "meter-set", "signal")
    )
    notes = (*_more(len(known) - len(shown), wording), shown[0].ratio.method, say("recurring.meter-note"))
    yield b.Table(
        head, rows, (2, 2.4, 3, 1.8, 1.6, 1.6, 1, 2.4), ("left", "right", "left", "right", "right", "right", "right", "left"), notes
    )  # fmt: skip


def _trials(study: Study, wording: Wording) -> b.Table:
    say = wording.say
    rows = tuple(
        (
            b.Cell(t.name, detail=t.hypothesis), b.Cell(t.direction if t.refusal is None else say("recurring.refused"), strong=t.rejects, detail=str(t.refusal or t.method)),
            "–" if t.p_value is None else share(t.p_value, 2), f"{t.n:,}",
        )
        for t in study.tests
    )  # fmt: skip
    return b.Table(tuple(say(f"recurring.{key}") for key in ("test", "says", "p", "n")), rows, (4, 6, 1.5, 1.5), ("left", "left", "right", "right"))  # fmt: skip


def _asked(study: Study) -> CellSurvey:
    """The cells of the component that is asked about; their p-values stay adjusted for all cells."""
    return study.lots.of_row(study.question.component) if study.question.component else study.lots


def _cells(lots: CellSurvey, wording: Wording) -> b.Table:
    say = wording.say
    shown = lots.cells[:_MOST_CELLS]
    rows = tuple(
        (
            f"{c.row}, {c.column}", f"{c.events:,} / {c.exposure:,.0f}", share(c.ratio, 3), span(c.lower, c.upper, "1", 3, between=" – "),
            share(c.adjusted, 2), b.Cell(say("recurring.alarm") if c.alarm else "", strong=True),
        )
        for c in shown
    )  # fmt: skip
    notes: list[str] = [*_more(len(lots.cells) - len(shown), wording), lots.method]
    notes += [say("recurring.unused", what=f"{row}, {lot}: {why}") for row, lot, why in lots.untested[:6]]
    head = tuple(say(f"recurring.{key}") for key in ("cell", "events", "ratio", "interval", "adjusted", "signal"))
    return b.Table(head, rows, (4, 3, 2, 3, 2, 2), ("left", "right", "right", "left", "right", "left"), tuple(notes))


def _caveats(study: Study, wording: Wording) -> Iterator[b.Block]:
    say = wording.say
    yield b.Heading(2, say("recurring.caveats"))
    if study.refusals:
        yield b.KeyValues(tuple((say("recurring.caveat-answer", name=name), why) for name, why in study.refusals))
    cautions = (*study.cautions, *(f"{f.name}: {c}" for f in study.figures for c in f.cautions))
    for line in (*dict.fromkeys(cautions), say("recurring.caveat-selection"), say("recurring.caveat-cause")):
        yield b.Paragraph(line[:1].upper() + line[1:] if not line.endswith(".") else line)


def _more(count: int, wording: Wording) -> tuple[str, ...]:
    return (wording.say("recurring.more", count=f"{count:,}"),) if count > 0 else ()


__all__: Sequence[str] = ["DATA", "FIELD", "MOST_BYTES", "findings", "render_study", "study_wording"]
