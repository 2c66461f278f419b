"""Tables of results as plain cells, for a terminal, a notebook or a file; a plot may stand beside each."""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np

from diagnb.fleet.cells import amount, in_unit, number, readable, share, span, unit_text
from diagnb.fleet.effect import Effect
from diagnb.fleet.figure import Figure, Trial
from diagnb.fleet.instruments import InstrumentOffset, sets_said
from diagnb.fleet.labels import Labels
from diagnb.fleet.lots import CellSurvey, LotComparison
from diagnb.fleet.measurement_share import MeasurementShare
from diagnb.fleet.monthly import Chart
from diagnb.fleet.rates import Pareto
from diagnb.quantities.counting import counted


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table of text cells with notes below and, in a notebook, its plot beside it."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    plot: Any = None

    def lines(self) -> Iterable[str]:
        """Lines for a terminal, columns aligned."""
        yield self.title
        widths = [max(len(r[k]) for r in (self.columns, *self.rows)) for k in range(len(self.columns))]
        for row in (self.columns, *self.rows):
            yield "  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for note in self.notes:
            yield f"  note: {note}"

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def _repr_html_(self) -> str:
        head = "".join(f"<th scope='col' style='text-align:left'>{html.escape(c)}</th>" for c in self.columns)
        body = "".join(
            "<tr>" + "".join(f"<td style='text-align:left'>{html.escape(c)}</td>" for c in row) + "</tr>"
            for row in self.rows
        )
        notes = "".join(f"<p style='margin:0.2em 0'>{html.escape(n)}</p>" for n in self.notes)
        picture = ""
        if self.plot is not None:
            from diagnb.fleet.plots import as_png

            data = base64.b64encode(as_png(self.plot)).decode("ascii")
            picture = f"<img alt='{html.escape(self.title, quote=True)}' style='max-width:100%' src='data:image/png;base64,{data}'>"
        return (
            f"<figure style='margin:0.5em 0'><table><caption style='text-align:left'><b>{html.escape(self.title)}</b></caption>"
            f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{notes}{picture}</figure>"
        )


def interval(figure: Figure) -> str:
    """``0.12 to 0.31`` or a dash."""
    if figure.value is None or figure.lower is None or figure.upper is None:
        return "–"
    times, unit = readable(figure.value, figure.unit)
    return span(times * figure.lower, times * figure.upper, unit)


def to_plain(found: Any) -> Any:
    """A frozen result as dictionaries, lists, numbers and text for JSON; NaN and infinite are null."""
    if isinstance(found, Labels):
        return found.texts()
    if is_dataclass(found) and not isinstance(found, type):
        return {f.name: to_plain(getattr(found, f.name)) for f in fields(found)}
    if isinstance(found, dict):
        return {str(k): to_plain(v) for k, v in found.items()}
    if isinstance(found, list | tuple):
        return [to_plain(v) for v in found]
    if isinstance(found, np.ndarray):
        return [str(v) for v in found] if found.dtype.kind == "M" else [to_plain(v) for v in found.tolist()]
    if isinstance(found, np.generic):
        return to_plain(found.item())
    return None if isinstance(found, float) and not math.isfinite(found) else found


FIGURE_COLUMNS = ("figure", "value", "interval", "unit", "events", "exposure", "n", "method")


def figure_row(figure: Figure) -> tuple[str, ...]:
    """The cells of one figure; a refusal stands where the value would."""
    times, unit = readable(figure.value, figure.unit)
    value = in_unit(times * (figure.value or 0), unit) if figure.refusal is None else f"refused: {figure.refusal}"
    said = interval(figure) if figure.refusal else f"{interval(figure)} ({100 * figure.coverage:g} %)"
    return (
        figure.name, value, said, unit_text(unit), amount(figure.numerator),
        f"{amount(figure.exposure)} {figure.exposure_unit}".strip(), str(figure.n), figure.method,
    )  # fmt: skip


def figures_table(figures: Sequence[Figure], *, title: str, plot: Any = None, notes: tuple[str, ...] = ()) -> Table:
    """One figure a row, cautions as notes; a method that all rows share stands once below them."""
    cautions = tuple(f"{f.name}: {c}" for f in figures for c in f.cautions)
    return _methods_below(
        Table(title, FIGURE_COLUMNS, tuple(figure_row(f) for f in figures), (*notes, *cautions), plot)
    )


def _methods_below(table: Table) -> Table:
    """The table without its last column, the methods, where few of them repeat in many rows: they stand below instead."""
    methods = tuple(dict.fromkeys(row[-1] for row in table.rows))
    if len(table.rows) < 2 or len(methods) == len(table.rows):
        return table
    said = tuple(
        f"method: {m}" if len(methods) == 1 else f"method of {_named([r[0] for r in table.rows if r[-1] == m])}: {m}"
        for m in sorted(methods, key=lambda m: sum(r[-1] == m for r in table.rows))
    )
    if len(methods) > 1:
        said = (*said[:-1], f"method{' of the others' if len(methods) > 1 else ''}: {said[-1].partition(': ')[2]}")
    return replace(
        table, columns=table.columns[:-1], rows=tuple(row[:-1] for row in table.rows), notes=(*said, *table.notes)
    )


def _named(names: Sequence[str], most: int = 6) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def trials_table(trials: Sequence[Trial], *, title: str, plot: Any = None, notes: tuple[str, ...] = ()) -> Table:
    """One test a row."""
    rows = tuple(
        (
            t.name, t.hypothesis, number(t.statistic), share(t.p_value, 3) if t.refusal is None else "–",
            t.direction if t.refusal is None else f"refused: {t.refusal}", str(t.n), t.method,
        )
        for t in trials
    )  # fmt: skip
    return Table(title, ("test", "hypothesis", "statistic", "p", "finding", "n", "method"), rows, notes, plot)


def pareto_table(found: Pareto, *, plot: Any = None, notes: tuple[str, ...] = ()) -> Table:
    """Components with count, shares and rate."""
    rows = tuple(
        (
            r.item, amount(r.events), f"{100 * r.share:.1f} %", f"{100 * r.cumulative:.1f} %",
            in_unit(r.rate.value, r.rate.unit) if r.rate.refusal is None else f"refused: {r.rate.refusal}", interval(r.rate),
            f"{amount(r.rate.exposure)} {r.rate.exposure_unit}", str(r.rate.n), r.rate.method,
        )
        for r in found.rows
    )  # fmt: skip
    unit = found.rows[0].rate.unit if found.rows else ""
    columns = (
        "component",
        "defects",
        "share",
        "cumulative",
        f"rate {unit_text(unit)}".rstrip(),
        "interval",
        "exposure",
        "n",
        "method",
    )
    return _methods_below(Table(f"Components, ranked by {found.ranked_by}", columns, rows, notes, plot))


def cells_table(found: CellSurvey, *, most: int = 15, plot: Any = None) -> Table:
    """The first cells of a survey, alarms first."""
    rows = tuple(
        (
            c.row, c.column, str(c.events), amount(c.exposure), str(c.failing_assets), share(c.ratio, 3),
            span(c.lower, c.upper, "1", 3), share(c.p_value, 2), share(c.adjusted, 2),
            "ALARM" if c.alarm else "fewer" if c.upper < 1 and c.adjusted < found.false_discovery_rate else "",
        )
        for c in found.cells[:most]
    )  # fmt: skip
    notes = (
        "an alarm is for a rate above the others; fewer: it is below them, as the others are where one lot is bad",
        f"{counted(len(found.alarms), 'alarm')} among {counted(len(found.cells), 'cell')}; {found.method}",
        f"{counted(len(found.untested), 'cell')} not tested"
        + (f", the first: {' · '.join(found.untested[0][:2])}: {found.untested[0][2]}" if found.untested else ""),
        *found.cautions,
    )
    columns = (
        "component",
        "lot",
        "defects",
        "vehicle-months",
        "vehicles",
        "ratio",
        "interval",
        "p",
        "adjusted p",
        "alarm",
    )
    return Table("Components by lot, each cell against the component's other lots", columns, rows, notes, plot)


def lots_table(found: LotComparison, *, plot: Any = None) -> Table:
    """Shares by lot, the overall test and the pairs that differ as notes."""
    pairs = tuple(
        f"{p.first} and {p.second} differ: {share(p.difference, 3)}, more than {share(p.critical_range, 3)}"
        for p in found.differing
    )
    return figures_table(found.lots, title="Lots", plot=plot, notes=(str(found.overall), found.note, *pairs))


def chart_table(chart: Chart, *, plot: Any = None) -> Table:
    """Every point with its own limits."""
    if chart.refusal:
        return Table(f"{chart.name}: refused: {chart.refusal}", ("month", "events", "exposure"), tuple(
            (label, number(float(a)), number(float(b)))
            for label, a, b in zip(chart.labels, chart.numerator, chart.exposure, strict=True)
        ), (), plot)  # fmt: skip
    rows = tuple(
        (
            chart.labels[k], number(float(chart.numerator[k])), number(float(chart.exposure[k])), number(float(chart.value[k])),
            number(float(chart.lower[k])), number(float(chart.upper[k])), "SIGNAL" if chart.signal[k] else "",
        )
        for k in range(len(chart.labels))
    )  # fmt: skip
    columns = ("month", "events", "exposure", unit_text(chart.unit), "lower", "upper", "signal")
    return Table(chart.name, columns, rows, (chart.method,), plot)


def effect_table(found: Effect, *, plot: Any = None) -> Table:
    """Rates before and after and their ratio; what the ratio compares and what was left out stand below."""
    notes = [f"compared within {found.strata} {found.strata_of}: the ratio is that of like with like"]
    crude = found.crude_ratio
    if crude is not None and found.ratio.value is not None:
        notes.append(
            f"the two rates as they stand have the ratio {share(crude, 3)}; it also holds what else differs, "
            f"such as older vehicles after the change"
        )
    if found.settling_months:
        notes.append(f"the first {found.settling_months:g} months after the change are left out (defects from before it are still being found)")  # fmt: skip
    else:
        notes.append(
            "nothing is left out after the change; defects from before it that are found later pull the ratio towards 1"
        )
    p = found.trial.p_value
    notes.append(f"not tested: {found.trial.refusal}" if p is None else f"if nothing had changed, a ratio so far from 1 would come about with probability {share(p, 3)}")  # fmt: skip
    return figures_table(
        (found.before, found.after, found.ratio), title=f"Effect of the change: {found.finding}", plot=plot, notes=tuple(notes)
    )  # fmt: skip


def measurement_table(found: dict[str, MeasurementShare], *, plot: Any = None, notes: tuple[str, ...] = ()) -> Table:
    """By group, what the measurement does to the fail rate."""
    rows = []
    for name, m in found.items():
        if m.shown.refusal:
            rows.append((name, f"refused: {m.shown.refusal}", "–", "–", "–", "–", "–"))
            continue
        rows.append(
            (
                name, f"{number(m.shown.numerator)} of {amount(m.shown.exposure)}", share(m.shown.value, 3),
                share(m.true.value, 3), share(m.false_fails.value, 3), interval(m.false_fails),
                "FLAGGED" if m.flagged else "",
            )
        )  # fmt: skip
    methods = (*sorted({f"{m.shown.method}; rule {m.rule}" for m in found.values()}), MEASUREMENT_CAVEAT)
    columns = (
        "group",
        "fails",
        "share shown failed",
        "share truly beyond the limit",
        "false among fails",
        "interval",
        "flag",
    )
    return Table("What the measurement alone explains", columns, tuple(rows), (*methods, *notes), plot)


MEASUREMENT_CAVEAT = (
    "errors are taken as random and as large as stated: an instrument that is wrong by more than it states, and always the "
    "same way, is not seen here; compare the instruments with --by instrument"
)


def offsets_table(found: Sequence[InstrumentOffset], *, plot: Any = None, notes: tuple[str, ...] = ()) -> Table:
    """One instrument a row, the furthest off first; the method and what can't be said stand below."""
    rows = tuple(
        (
            o.instrument, share(o.ratio.value, 4) if o.ratio.refusal is None else f"refused: {o.ratio.refusal}",
            interval(o.ratio), share(o.adjusted, 2), "–" if o.stated is None else f"{100 * o.stated:.2g} %", amount(o.ratio.exposure),
            str(o.ratio.n), str(o.group or "–"),
            "OFF" if o.flagged else "CAN'T BE SAID" if o.undecided else "differs" if o.differs else "",
        )
        for o in found
    )  # fmt: skip
    methods = tuple(dict.fromkeys(o.ratio.method for o in found if o.ratio.refusal is None))
    said = (
        "OFF: the interval lies beyond twice the stated relative standard uncertainty; differs: it leaves out 1, which the statement allows",
        "in a set of three or more the middle instrument counts as right: an error that most instruments share is not seen",
    )  # fmt: skip
    columns = (
        "instrument",
        "ratio to the others",
        "interval",
        "adjusted p",
        "stated u",
        "readings",
        "vehicles",
        "set",
        "flag",
    )
    return Table(
        "Instruments, compared at the same points of the same vehicles", columns, rows,
        (*sets_said(found), *methods, *said, *notes), plot,
    )  # fmt: skip
