"""Every plot of the fleet room: a matplotlib figure from a frozen result. Reads in black and white.

Meaning is never carried by colour: line style, marker, hatching and words do that. No pyplot, so no global state.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnb.errors import missing_package
from diagnb.fleet.cells import number, probability, readable, span, unit_text
from diagnb.fleet.drift import Drift
from diagnb.fleet.effect import Effect
from diagnb.fleet.figure import Figure as Number
from diagnb.fleet.life import Survival, Weibull
from diagnb.fleet.lots import CellSurvey, LotComparison
from diagnb.fleet.measurement_share import MeasurementShare
from diagnb.fleet.monthly import Chart
from diagnb.fleet.rates import Pareto
from diagnb.fleet.recurrence import MeanCumulative
from diagnb.quantities.counting import counted

Array = Any
_INK, _MIDDLE, _PALE = "#111111", "#6e6e6e", "#cfcfcf"
_STYLES = ("-", "--", "-.", ":")
_MARKS = ("o", "s", "^", "D", "v", "x")


def _axes(width: float = 7.0, height: float = 3.6) -> tuple[Any, Any]:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise missing_package("matplotlib", "archive,fleet", "is needed for plots, and not installed") from error
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(True, color="#e6e6e6", linewidth=0.6)
    axes.set_axisbelow(True)
    return figure, axes


def _refusal(text: str, title: str) -> Any:
    figure, axes = _axes(height=1.8)
    axes.set_axis_off()
    axes.set_title(title, loc="left", fontsize=10)
    axes.text(0.5, 0.5, f"refused: {text}", ha="center", va="center", wrap=True, fontsize=9, transform=axes.transAxes)
    return figure


def _error_bars(axes: Any, figures: Sequence[Number], positions: Array, *, across: bool = False) -> None:
    """Points with their intervals; a refused figure is a cross with its word."""
    for figure, position in zip(figures, positions, strict=True):
        if figure.value is None or figure.lower is None or figure.upper is None:
            axes.annotate("refused", (0, position) if across else (position, 0), fontsize=7, color=_MIDDLE)
            continue
        high = figure.upper if math.isfinite(figure.upper) else figure.value
        bars = [[figure.value - figure.lower], [high - figure.value]]
        at = (figure.value, position) if across else (position, figure.value)
        axes.errorbar(
            *at, **{"xerr" if across else "yerr": bars}, fmt="o", color=_INK, markersize=4, capsize=3, linewidth=1
        )


def _band(axes: Any, x: Array, low: Array, high: Array, k: int) -> None:
    """Limits of the k-th curve: a grey band for the first, thin lines in its own style for the others."""
    if k == 0:
        axes.fill_between(x, low, high, step="post", color=_PALE, alpha=0.6, linewidth=0.0)
        return
    for side in (low, high):
        axes.step(x, side, where="post", color=_MIDDLE, linestyle=_STYLES[k % 4], linewidth=0.6)


def plot_pareto(found: Pareto, *, most: int = 20) -> Any:
    """Bars of counts with the cumulative share, and beside them each rate with its interval."""
    figure, left = _axes(9.0, 4.0)
    left.remove()
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(1.15, 1))
    rows = found.rows[:most]
    place = np.arange(len(rows))
    left.barh(place, [r.events for r in rows], color=_PALE, edgecolor=_INK, linewidth=0.6)
    left.set_yticks(place, [r.item for r in rows], fontsize=8)
    left.invert_yaxis()
    left.set_xlabel("distinct defects")
    share = left.twiny()
    share.plot(
        [100 * r.cumulative for r in rows], place, color=_INK, marker="s", markersize=3, linewidth=0.9, linestyle="--"
    )
    share.set_xlim(0, 105)
    share.set_xlabel("cumulative share, % (dashed)", fontsize=8)
    _error_bars(right, [r.rate for r in rows], place, across=True)
    right.set_xlabel(f"rate {rows[0].rate.unit} with {100 * rows[0].rate.coverage:g} % interval" if rows else "rate")
    for axes in (left, right):
        axes.spines["right"].set_visible(False)
        axes.grid(True, axis="x", color="#e6e6e6", linewidth=0.6)
        axes.set_axisbelow(True)
    right.set_xlim(left=0)
    rest = f", first {most} of {len(found.rows)}" if len(found.rows) > most else ""
    figure.suptitle(f"Which components recur most: ranked by {found.ranked_by}{rest}", fontsize=10, x=0.01, ha="left")
    return figure


def plot_shares(figures: Sequence[Number], *, title: str = "Share of tests that failed", most: int = 30) -> Any:
    """Shares with their intervals, one a line, and the number of tests."""
    shown = list(figures)[:most]
    figure, axes = _axes(7.0, 1.2 + 0.24 * max(len(shown), 3))
    place = np.arange(len(shown))
    _error_bars(axes, shown, place, across=True)
    axes.set_yticks(place, [f"{f.name}  ({f.numerator:g}/{f.exposure:g})" for f in shown], fontsize=8)
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.set_xlabel("share (fails/tests in brackets)")
    axes.set_title(title, loc="left", fontsize=10)
    return figure


def plot_lots(found: LotComparison) -> Any:
    """Shares by lot with intervals and the pooled share; lots of a differing pair are marked."""
    figure, axes = _axes()
    place = np.arange(len(found.lots))
    _error_bars(axes, found.lots, place)
    axes.axhline(found.pooled, color=_INK, linestyle="--", linewidth=0.9)
    axes.annotate(
        "pooled", (1.0, found.pooled), xycoords=("axes fraction", "data"), fontsize=8, va="bottom", ha="right"
    )
    differing = {name for p in found.differing for name in (p.first, p.second)}
    axes.set_xticks(place, [f"{f.name}{' *' if f.name in differing else ''}" for f in found.lots], fontsize=8)
    axes.set_ylim(bottom=0)
    axes.set_ylabel("share failed")
    axes.set_title(f"Lots: {found.note}", loc="left", fontsize=9, wrap=True)
    return figure


def plot_cells(found: CellSurvey, *, most: int = 15) -> Any:
    """Ratio of each of the first cells to the rest of its component, alarms as filled squares."""
    shown = found.cells[:most]
    if not shown:
        return _refusal("no cell was large enough to be tested", "Components by lot")
    figure, axes = _axes(7.5, 1.2 + 0.25 * max(len(shown), 3))
    for k, cell in enumerate(shown):
        low, high = max(cell.lower, 0.02), min(cell.upper, 200.0)
        axes.plot([low, high], [k, k], color=_INK, linewidth=1)
        axes.plot(
            min(max(cell.ratio, 0.02), 200.0), k, "s" if cell.alarm else "o", color=_INK, markersize=6 if cell.alarm else 4,
            markerfacecolor=_INK if cell.alarm else "white",
        )  # fmt: skip
    axes.set_xscale("log")
    axes.axvline(1.0, color=_MIDDLE, linestyle="--", linewidth=0.9)
    axes.set_yticks(
        range(len(shown)), [f"{c.row} · {c.column}  adjusted p {probability(c.adjusted)}{'  ALARM' if c.alarm else ''}" for c in shown], fontsize=8
    )  # fmt: skip
    # Past the first and last line, or their marks are cut; plain numbers, not powers of ten.
    axes.set_ylim(len(shown) - 0.4, -0.6)
    low, high = axes.get_xlim()
    axes.minorticks_off()
    axes.set_xticks([t for t in (0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200) if low <= t <= high])
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_xlabel(
        "times the rate of the component's other lots (log scale)\ndashed: the same rate; filled square: alarm",
        fontsize=8,
    )
    axes.set_title(
        f"{counted(len(found.alarms), 'alarm')} among {counted(len(found.cells), 'cell')}, false discovery rate {found.false_discovery_rate:g}",
        loc="left", fontsize=10,
    )  # fmt: skip
    return figure


def plot_survival(curves: Mapping[str, Survival], *, fits: Mapping[str, Weibull] | None = None) -> Any:
    """Kaplan-Meier curves with bands, and Weibull fits of the same names as thin lines."""
    figure, axes = _axes()
    refusals = []
    for k, (name, curve) in enumerate(curves.items()):
        if curve.refusal:
            refusals.append(f"{name}: refused: {curve.refusal}")
            continue
        end = float(curve.lives.age.max())
        age = np.concatenate([[0.0], curve.age, [end]])
        value, low, high = (np.concatenate([[1.0], c, c[-1:]]) for c in (curve.survival, curve.lower, curve.upper))
        axes.step(age, value, where="post", color=_INK, linestyle=_STYLES[k % 4], linewidth=1.3, label=name)
        _band(axes, age, low, high, k)
        fit = (fits or {}).get(name)
        if fit and fit.shape.value and fit.scale.value:
            x = np.linspace(end / 400, end, 200)
            axes.plot(x, np.exp(-((x / fit.scale.value) ** fit.shape.value)), color=_MIDDLE, linewidth=0.9, linestyle=_STYLES[k % 4],
                      label=f"{name}: Weibull, shape {fit.shape.value:.2f} ({fit.reading})")  # fmt: skip
    unit = next(iter(curves.values())).lives.unit if curves else ""
    axes.set_ylim(0, 1.02)
    axes.set_xlim(left=0)
    axes.set_xlabel(f"age, {unit}" if unit else "age")
    axes.set_ylabel("share without a first defect")
    if axes.lines:
        axes.legend(fontsize=8, frameon=False)
    for k, line in enumerate(refusals):
        axes.text(0.02, 0.05 + 0.08 * k, line, transform=axes.transAxes, fontsize=8)
    axes.set_title("Share of vehicles without a first defect, by age, with limits", loc="left", fontsize=10)
    return figure


def plot_recurrence(curves: Mapping[str, MeanCumulative]) -> Any:
    """Mean cumulative functions with their limits."""
    figure, axes = _axes()
    for k, (name, curve) in enumerate(curves.items()):
        label = f"{name}: limits refused: {curve.refusal.code}" if curve.refusal else name
        axes.step(np.concatenate([[0.0], curve.age]), np.concatenate([[0.0], curve.mean]), where="post", color=_INK,
                  linestyle=_STYLES[k % 4], linewidth=1.3, label=label)  # fmt: skip
        if not curve.refusal and curve.age.size:
            _band(axes, curve.age, curve.lower, curve.upper, k)
    first = next(iter(curves.values()), None)
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(f"age, {first.unit}" if first and first.unit else "age")
    axes.set_ylabel("events per vehicle")
    axes.legend(fontsize=8, frameon=False, loc="upper left")
    axes.set_title(
        "Events per vehicle by age, with limits by vehicle (mean cumulative function)", loc="left", fontsize=10
    )
    return figure


def plot_chart(chart: Chart) -> Any:
    """A chart over months with the limits of each point; signals are filled squares, the first one is named."""
    if chart.refusal:
        return _refusal(str(chart.refusal), chart.name)
    figure, axes = _axes(7.5, 3.4)
    _draw_chart(axes, chart)
    return figure


def plot_charts(charts: Sequence[Chart]) -> Any:
    """Several charts of the same months, one below the other; see :func:`plot_chart`."""
    drawn = [c for c in charts if c.refusal is None]
    if not drawn:
        return plot_chart(charts[0])
    figure, axes = _axes(7.5, 2.7 * len(drawn))
    axes.remove()
    for axes, chart in zip(figure.subplots(len(drawn), 1, squeeze=False)[:, 0], drawn, strict=True):
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.grid(True, color="#e6e6e6", linewidth=0.6)
        axes.set_axisbelow(True)
        _draw_chart(axes, chart)
    return figure


def _draw_chart(axes: Any, chart: Chart) -> None:
    place = np.arange(len(chart.labels))
    axes.step(place, chart.upper, where="mid", color=_MIDDLE, linewidth=0.9, linestyle="--")
    if not chart.name.startswith("CUSUM"):
        axes.step(place, chart.lower, where="mid", color=_MIDDLE, linewidth=0.9, linestyle="--")
        axes.axhline(chart.center, color=_INK, linewidth=0.7)
    axes.plot(place, chart.value, color=_INK, marker="o", markersize=3.5, linewidth=0.9)
    axes.plot(place[chart.signal], chart.value[chart.signal], "s", color=_INK, markersize=7)
    said = "dashed: limits of each month; square: signal"
    if 0 < chart.baseline < len(place):
        axes.axvline(chart.baseline - 0.5, color=_INK, linestyle=":", linewidth=0.9)
        said += "; left of the dotted line: what is usual"
    every = max(len(place) // 12, 1)
    axes.set_xticks(place[::every], chart.labels[::every], fontsize=7, rotation=30, ha="right")
    axes.set_ylabel(chart.unit, fontsize=8)
    axes.set_xlabel(said, fontsize=8)
    found = "no signal"
    if chart.first_signal is not None:
        found = f"first signal {chart.labels[chart.first_signal]}"
        if chart.started is not None:
            found += f", began about {chart.labels[chart.started]}"
    axes.set_title(f"{chart.name}: {found}", loc="left", fontsize=10)


def plot_events(
    times: Sequence[float], *, end: float, unit: str = "", shape: float | None = None, scale: float | None = None
) -> Any:
    """Cumulative events of one system against its use, the straight line of a constant rate, the power law if given."""
    figure, axes = _axes()
    t = np.asarray(times, dtype=float)
    axes.step(
        np.concatenate([[0.0], t, [end]]),
        np.concatenate([np.arange(t.size + 1), [t.size]]),
        where="post",
        color=_INK,
        label="events",
    )
    axes.plot([0, end], [0, t.size], color=_MIDDLE, linestyle="--", linewidth=0.9, label="constant rate")
    if shape is not None and scale is not None:
        x = np.linspace(0, end, 200)
        axes.plot(x, scale * x**shape, color=_INK, linestyle=":", linewidth=1.2, label=f"power law, shape {shape:.2f}")
    axes.set_xlabel(f"use, {unit}" if unit else "use")
    axes.set_ylabel("events so far")
    axes.legend(fontsize=8, frameon=False)
    axes.set_title("Events against use", loc="left", fontsize=10)
    return figure


def plot_drift(found: Drift, *, use: Array, value: Array, limit: float | None = None, most: int = 3000) -> Any:
    """Points (evenly thinned to ``most``), the line at the mean level with its limits, and the limit of the test."""
    if found.refusal or found.slope.value is None:
        return _refusal(str(found.refusal), "Drift over use")
    x, y = np.asarray(use, dtype=float), np.asarray(value, dtype=float)
    keep = np.unique(np.linspace(0, x.size - 1, min(most, x.size)).astype(int))
    figure, axes = _axes()
    axes.plot(x[keep], y[keep], ".", color=_MIDDLE, markersize=2, alpha=0.5)
    line = np.linspace(float(x.min()), float(x.max()), 50)
    s = found.slope
    axes.plot(line, found.level + float(s.value or 0) * (line - found.at_use), color=_INK, linewidth=1.5)
    ends = [found.level + float(k or 0) * (line - found.at_use) for k in (s.lower, s.upper)]
    axes.fill_between(line, np.minimum(*ends), np.maximum(*ends), color=_PALE, alpha=0.7)
    if limit is not None:
        axes.axhline(limit, color=_INK, linestyle="--", linewidth=0.9)
        axes.annotate("limit", (0.01, limit), xycoords=("axes fraction", "data"), fontsize=8, va="bottom")
    axes.set_xlabel(f"use, {found.use_unit}")
    said = unit_text(found.value_unit)
    axes.set_ylabel(f"value, {said}" if said else "value")
    times, unit = readable(s.value, s.unit)
    low, high = (times * float(k or 0) for k in (s.lower, s.upper))
    axes.set_title(
        f"Slope {number(times * float(s.value or 0), 3)} ({span(low, high, unit, 3)}) {unit}, {s.n} vehicles",
        loc="left",
        fontsize=10,
    )
    return figure


def plot_measurement_share(found: Mapping[str, MeasurementShare]) -> Any:
    """By group: share shown failed, share truly beyond the limit, and the share of fails that are false."""
    figure, first = _axes(8.5, 1.4 + 0.35 * max(len(found), 3))
    first.remove()
    left, right = figure.subplots(1, 2, sharey=True)
    place = np.arange(len(found))
    _error_bars(left, [m.shown for m in found.values()], place - 0.12, across=True)
    for k, m in enumerate(found.values()):
        if m.true.value is not None:
            left.plot(m.true.value, k + 0.12, "D", color=_INK, markerfacecolor="white", markersize=5)
    _error_bars(right, [m.false_fails for m in found.values()], place, across=True)
    threshold = next(iter(found.values())).threshold if found else 0.1
    right.axvline(threshold, color=_MIDDLE, linestyle="--", linewidth=0.9)
    left.set_yticks(place, [f"{name}{'  (flagged)' if m.flagged else ''}" for name, m in found.items()], fontsize=8)
    left.set_ylim(len(found) - 0.5, -0.5)
    left.set_xlabel("share of tests: dot shown failed, diamond truly beyond the limit", fontsize=8)
    right.set_xlabel("share of the fails that are false (dashed: threshold)", fontsize=8)
    for axes in (left, right):
        axes.set_xlim(left=0)
        axes.grid(True, axis="x", color="#e6e6e6", linewidth=0.6)
    figure.suptitle("What the measurement alone explains", fontsize=10, x=0.01, ha="left")
    return figure


def plot_effect(found: Effect) -> Any:
    """Rates before and after with limits, and their ratio in words."""
    figure, axes = _axes(5.5, 3.2)
    _error_bars(axes, (found.before, found.after), np.arange(2))
    axes.set_xticks([0, 1], ["before", "after"])
    axes.set_xlim(-0.6, 1.6)
    axes.set_ylim(bottom=0)
    axes.set_ylabel(f"rate {found.before.unit}", fontsize=8)
    ratio = found.ratio
    said = (
        f"refused: {ratio.refusal}"
        if ratio.value is None
        else f"ratio {ratio.value:.2f} ({ratio.lower:.2f} to {ratio.upper:.2f})"
    )
    axes.set_title(f"Effect of the change: {found.finding}; {said}", loc="left", fontsize=9, wrap=True)
    return figure


def as_png(figure: Any, *, dpi: int = 110) -> bytes:
    """PNG bytes of a figure, without the moment it was drawn."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=dpi, metadata={"Software": None})
    return stream.getvalue()


def as_svg(figure: Any) -> str:
    """SVG text of a figure; the same figure gives the same text."""
    import matplotlib

    stream = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "diagnb", "svg.fonttype": "path"}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def save(figure: Any, path: Any) -> None:
    """Write a figure to .png, .svg or .pdf."""
    kind = str(path).rsplit(".", 1)[-1].lower()
    metadata: dict[str, Any] = {"Date": None} if kind == "svg" else {"CreationDate": None} if kind == "pdf" else {}
    figure.savefig(path, metadata=metadata)
