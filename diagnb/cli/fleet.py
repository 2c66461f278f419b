"""``diagnb fleet``: tables of results in, figures with their intervals out."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from diagnb.cli.recurring import add_report
from diagnb.errors import Fault, fault
from diagnb.quantities.counting import counted

_NEEDS_VEHICLES = ("life", "recurrence", "trend", "lots", "months", "effect")


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    parent = commands.add_parser("fleet", help="what keeps failing, where, since when; every figure with its interval")
    actions = parent.add_subparsers(dest="action", metavar="ACTION", required=True)
    texts = {
        "summary": (run_summary, "components by rate, and shares of tests that failed"),
        "life": (run_life, "time to the first defect: Kaplan-Meier and Weibull"),
        "recurrence": (run_recurrence, "events per vehicle by age, with limits by vehicle"),
        "trend": (run_trend, "is it getting worse: with the vehicles' age, or with the calendar"),
        "lots": (run_lots, "every component by every lot, adjusted for their number"),
        "months": (run_months, "since when: charts with exposure in every point"),
        "drift": (run_drift, "a measured value over use, within vehicles"),
        "measurement": (run_measurement, "fails that the measurement alone explains"),
        "effect": (run_effect, "defect rate after a change over before"),
    }
    for name, (run, text) in texts.items():
        parser = actions.add_parser(name, help=text)
        parser.add_argument(
            "file",
            type=Path,
            metavar="FILE",
            help="results, one a row: .csv, .parquet, or the folder of an archive's copy",
        )
        parser.add_argument(
            "--vehicles",
            type=Path,
            metavar="FILE",
            help="vehicles under watch: asset, watched_from, watched_to, in_service, lot",
        )
        parser.add_argument("--component", help="one component; all together where left out")
        parser.add_argument("--rule", default="guarded-95", choices=("guarded-95", "guarded-U", "simple", "as-stored"),
                            help="judge all history again under this rule (as-stored: don't)")  # fmt: skip
        parser.add_argument("--without-instrument", action="append", default=[], metavar="SERIAL",
                            help="leave out what this instrument took part in, as of one that was recalled; may stand several times")  # fmt: skip
        parser.add_argument("--json", action="store_true", help="results as JSON")
        parser.add_argument("--plot", type=Path, metavar="FILE", help="write the plot: .png, .svg or .pdf")
        if name == "effect":
            parser.add_argument("--date", required=True, help="day of the change, 2026-03-31")
            parser.add_argument(
                "--settling", type=float, default=3.0, metavar="MONTHS",
                help="months after it that are left out, because defects from before are still being found (default 3)",
            )  # fmt: skip
        if name == "months":
            parser.add_argument(
                "--baseline",
                type=int,
                metavar="N",
                help="the first N months say what is usual (default: the first half, in whole years)",
            )
        if name == "trend":
            parser.add_argument("--clock", choices=("age", "calendar"), default="age",
                                help="age: older against younger vehicles in the same month; calendar: later against earlier months at the same age (default age)")  # fmt: skip
        if name in ("summary", "measurement"):
            parser.add_argument(
                "--by", default="component", choices=("component", "point", "lot", "site", "technician", "instrument")
            )
        parser.set_defaults(run=run)
    add_report(actions)
    made = actions.add_parser("invent", help="write an invented fleet with known truth, to try the others on")
    made.add_argument("--out", type=Path, required=True, metavar="DIR")
    made.add_argument("--seed", type=int, default=1)
    made.add_argument("--number", type=int, default=200, metavar="N", help="vehicles")
    made.set_defaults(run=run_invent)


class _Data:
    """Checked rows, defects and vehicles of one call; faults of the data are printed as they are found."""

    def __init__(self, options: argparse.Namespace) -> None:
        from diagnb.fleet import distinct_defects, mismatches, not_judged, read_rows, read_table, read_vehicles

        if options.action in _NEEDS_VEHICLES and options.vehicles is None:
            raise fault("--vehicles", "is missing", "without the vehicles under watch there is no exposure")
        rows = read_rows(read_table(options.file))
        _complain(rows.faults)
        if not len(rows):
            raise fault(
                str(options.file), f"holds no row that can be used, of {rows.set_aside_count:,}", "see the faults above"
            )
        self.notes: tuple[str, ...] = ()
        if options.without_instrument:
            whole, rows = len(rows), rows.without_instruments(options.without_instrument)
            self.notes = (
                f"{counted(whole - len(rows), 'result')} of {', '.join(options.without_instrument)} left out",
            )
            if not len(rows):
                raise fault("--without-instrument", "leaves no result")
        self.rows = rows if options.rule == "as-stored" else rows.under_one_rule(options.rule)
        asked = options.component if options.component in self.rows.component.names else None
        said = not_judged(self.rows.of_component(asked) if asked else self.rows)
        self.vehicles = None
        self.notes += (said,) if said else ()
        if options.vehicles is not None:
            self.vehicles = read_vehicles(read_table(options.vehicles))
            _complain(self.vehicles.faults)
            self.notes += mismatches(rows, self.vehicles)
        self.defects = distinct_defects(self.rows)
        self.chosen = self.defects.of_component(options.component) if options.component else self.defects
        self.name = options.component or "all components"
        self.set_aside = rows.set_aside_count
        self.read = len(rows)
        self.faulty = bool(rows.faults)

    @property
    def facts(self) -> str:
        """What was read, in one line."""
        d = self.defects
        rules = ", ".join(d.rules)
        said = (
            f"{counted(self.read, 'result')} used, {self.set_aside:,} set aside; rule {rules}; failing results: "
            f"{d.failing_results:,}, distinct defects: {len(d):,}; results undecided: {d.undecided:,}"
        )
        over = int(self.rows.over_range.sum())
        return said + (f"; judged by an over-range display, without a value: {over:,}" if over else "")


def _complain(faults: tuple[Fault, ...], most: int = 50) -> None:
    for one in faults[:most]:
        print(f"diagnb: {one}", file=sys.stderr)
    if len(faults) > most:
        print(f"diagnb: … and {len(faults) - most} more", file=sys.stderr)


def _show(
    options: argparse.Namespace, data: _Data, results: Any, tables: list[Any], figure: Any = None, *,
    said: tuple[str, ...] = (),
) -> None:  # fmt: skip
    """Facts, what doesn't fit, the finding in sentences (``said``), tables; or all of it as JSON; and the plot."""
    from diagnb.fleet import to_plain

    if options.plot is not None:
        from diagnb.fleet.plots import save

        if options.plot.suffix.lower() not in (".png", ".svg", ".pdf"):
            raise fault(str(options.plot), "is neither .png, .svg nor .pdf")
        save(figure(), options.plot)
    if options.json:
        found = {"facts": data.facts, "notes": [*data.notes, *said], "results": to_plain(results)}
        print(json.dumps(found, ensure_ascii=False, indent=1))
        return
    print(data.facts)
    for line in data.notes:
        print(f"note: {line}")
    for line in said:
        print(line)
    for table in tables:
        print()
        print(table)


def run_summary(options: argparse.Namespace) -> int:
    """Pareto by rate and fail shares; exit 1 when the data had faults."""
    from diagnb.fleet import components_by_rate, fail_shares, figures_table, pareto_table, plot_pareto

    data = _Data(options)
    rows = data.rows.of_component(options.component) if options.component else data.rows
    found, shares = components_by_rate(data.rows, data.defects, data.vehicles), fail_shares(rows, by=options.by)
    title = f"Share of judged tests that failed, by {options.by}: {data.name}"
    tables = [pareto_table(found), figures_table(shares, title=title)]
    _show(options, data, {"pareto": found, "shares": shares}, tables, lambda: plot_pareto(found))
    return int(data.faulty)


def run_life(options: argparse.Namespace) -> int:
    """Kaplan-Meier median and Weibull."""
    from diagnb.fleet import figures_table, first_lives, kaplan_meier, plot_survival, watch_cautions, weibull

    data = _Data(options)
    lives = first_lives(data.chosen, data.vehicles)  # type: ignore[arg-type]
    curve, fit = kaplan_meier(lives), weibull(lives)
    figures = [curve.at(12), curve.at(36), curve.age_at(0.5), fit.shape, fit.scale, fit.age_at(0.1)]
    notes = (*(() if fit.refusal else (f"the shape says: {fit.reading}",)), *watch_cautions(data.chosen, data.vehicles))  # type: ignore[arg-type]
    table = figures_table(figures, title=f"Time to the first defect: {data.name}", notes=notes)
    _show(options, data, figures, [table], lambda: plot_survival({data.name: curve}, fits={data.name: fit}))
    return 0


def run_recurrence(options: argparse.Namespace) -> int:
    """Mean cumulative function at 12, 24, 36 and 48 months."""
    from diagnb.fleet import figures_table, histories, mean_cumulative_function, plot_recurrence

    data = _Data(options)
    watched, cautions = histories(data.chosen, data.vehicles)  # type: ignore[arg-type]
    curve = mean_cumulative_function(watched)
    last = float(watched.exit.max())
    figures = [curve.at(age) for age in (12.0, 24.0, 36.0, 48.0) if age <= last]
    table = figures_table(figures, title=f"Events per vehicle: {data.name}", notes=cautions)
    _show(options, data, figures, [table], lambda: plot_recurrence({data.name: curve}))
    return 0


def run_trend(options: argparse.Namespace) -> int:
    """Trend by one clock with the other held; exit 1 when it finds it getting worse."""
    import numpy as np

    from diagnb.fleet import (
        by_month,
        clock_trend,
        figures_table,
        laplace,
        mil_hdbk_189,
        plot_chart,
        rate_chart,
        reverse_arrangements,
        trials_table,
        watches,
    )

    data = _Data(options)
    vehicles: Any = data.vehicles
    found = clock_trend(data.chosen, vehicles, clock=options.clock)
    watched = watches(data.chosen, vehicles)
    month = by_month(data.chosen, vehicles)
    # Exposure per defect, month by month: its reverse arrangements ask whether rates fall.
    gaps = month.exposure / np.maximum(month.counts, 0.5)
    trials = [laplace(watched), mil_hdbk_189(watched), reverse_arrangements(gaps)]
    titles = {
        "age": "Trend by age, in the same month of the calendar",
        "calendar": "Trend by calendar, at the same age",
    }
    tables = [
        trials_table([found.trial], title=f"{titles[options.clock]}: {data.name}", notes=found.trial.cautions),
        figures_table([found.growth], title="Rate a year later over the rate now, times"),
        trials_table(
            trials, title="Age and calendar together: the same by either clock, no answer to which of them it is",
            notes=("the answer is the one above; these mix the clocks, so that a word of theirs which differs from it is no finding: the first two look inside each vehicle's watch, where both clocks run together; the third at the months of the fleet, which grows older",),
        ),
    ]  # fmt: skip
    _show(options, data, {"trend": found, "together": trials}, tables,
          lambda: plot_chart(rate_chart(counts=month.counts, exposure=month.exposure, labels=month.labels, limits="exact", unit="per vehicle-month")))  # fmt: skip
    return int(found.trial.rejects and found.trial.direction == "getting worse")


def run_lots(options: argparse.Namespace) -> int:
    """Cells of component by lot; exit 1 when there is an alarm."""
    from diagnb.fleet import cells_table, lots_survey, plot_cells

    data = _Data(options)
    found = lots_survey(data.rows, data.defects, data.vehicles)  # type: ignore[arg-type]
    if options.component:
        found = found.of_row(options.component)
    _show(options, data, found, [cells_table(found)], lambda: plot_cells(found))
    return int(bool(found.alarms))


def run_months(options: argparse.Namespace) -> int:
    """CUSUM charts for a rise and a fall, u chart, EWMA; exit 1 when the rate rises."""
    from diagnb.fleet import (
        ages_over_time,
        by_month_at_same_age,
        chart_table,
        course_of,
        cusum_pair,
        ewma_chart,
        plot_charts,
        rate_chart,
        usual_months,
    )

    data = _Data(options)
    month = by_month_at_same_age(data.chosen, data.vehicles)  # type: ignore[arg-type]
    if month.refusal:
        raise fault("months", str(month.refusal), "leave --rule as-stored out")
    if options.baseline is not None and not 2 <= options.baseline <= len(month.labels):
        raise fault("--baseline", f"{options.baseline} months, and the results cover {len(month.labels)}", f"from 2 to {len(month.labels) - 1}")  # fmt: skip
    common: dict[str, Any] = {
        "counts": month.counts,
        "exposure": month.exposure,
        "labels": month.labels,
        "baseline": usual_months(month.labels) if options.baseline is None else options.baseline,
    }
    rise, fall = cusum_pair(**common)
    others = [
        rate_chart(**common, limits="exact", unit="per vehicle-month"),
        ewma_chart(**common, unit="per vehicle-month"),
    ]
    found = course_of(rise=rise, fall=fall, others=others)
    charts = [*others, rise, fall]
    said = (*(found.sentences if found else ()), *filter(None, [month.held or ages_over_time(data.vehicles)]))  # type: ignore[arg-type]
    _show(options, data, {"course": found, "charts": charts}, [chart_table(c) for c in charts], lambda: plot_charts(charts), said=said)  # fmt: skip
    return int(found is not None and any(s.word == "rises" for s in found.shifts))


def run_drift(options: argparse.Namespace) -> int:
    """Slope over distance of the values that are not defects."""
    import numpy as np

    from diagnb.fleet import drift_over_use, figures_table, plot_drift

    data = _Data(options)
    if not options.component:
        raise fault("--component", "is missing", "one point's values drift, not all together")
    rows = data.rows.of_component(options.component)
    rows = rows.take(
        rows.phase.marked({"as found", ""})
        & (rows.verdict != 3)
        & np.isfinite(rows.distance_km)
        & np.isfinite(rows.value)
    )
    found = drift_over_use(
        value_unit=_si_symbol(rows),
        use=rows.distance_km, value=rows.value, standard_uncertainty=rows.standard_uncertainty, asset=rows.asset.codes,
        instrument=rows.instrument.codes,
    )  # fmt: skip
    limit = float(np.nanmax(rows.upper)) if np.isfinite(rows.upper).any() else None
    figures = [found.slope] + ([found.use_at(limit)] if limit is not None else [])
    table = figures_table(
        figures, title=f"Drift of {options.component}, failing values left out",
        notes=(f"scatter beyond the stated uncertainty {found.extra_scatter:.3g}, between vehicles {found.between:.3g}",),
    )  # fmt: skip
    _show(options, data, found, [table], lambda: plot_drift(found, use=rows.distance_km, value=rows.value, limit=limit))
    return 0


def _si_symbol(rows: Any) -> str:
    """The unit that the rows' values are in, where one of their own units says it."""
    from diagnb.quantities import unit

    names = {name for code, name in enumerate(rows.unit.names) if name and (rows.unit.codes == code).any()}
    return next((n for n in sorted(names) if unit(n).factor == 1 and unit(n).offset == 0), "SI unit" if names else "")


def run_measurement(options: argparse.Namespace) -> int:
    """Share of fails that the measurement alone explains, and the instruments against each other.

    Exit 1 when a group is flagged, or an instrument is off, be it known which one or not.
    """
    from diagnb.fleet import measurement_by, measurement_table, meters_compared, offsets_table, plot_measurement_share

    data = _Data(options)
    rows = data.rows.of_component(options.component) if options.component else data.rows
    if getattr(rows, options.by).marked({""}).all():
        raise fault("--by", f"no result says its {options.by}", "component, or point, is always there")
    rule: Any = "simple" if options.rule == "as-stored" else options.rule
    found, left = measurement_by(rows, by=options.by, rule=rule)
    tables, results, off = [measurement_table(found, notes=left)], {"shares": found}, False
    # A site or a person has instruments of its own: whose fails they are can't be told without comparing these.
    if options.by in ("instrument", "site", "technician") and not rows.instrument.marked({""}).all():
        offsets = meters_compared(rows)
        tables.insert(0, offsets_table(offsets))
        wrong = [o.instrument for o in offsets if o.flagged]
        if wrong:
            left += (f"an error that is always the same is no random one: with {', '.join(wrong)} false fails are not seen here; --without-instrument leaves it out, diagnb impact instrument tells the verdicts that change",)  # fmt: skip
        tables[-1] = measurement_table(found, notes=left)
        results["offsets"], off = offsets, any(o.flagged or o.undecided for o in offsets)  # type: ignore[assignment]
    _show(options, data, results, tables, lambda: plot_measurement_share(found))
    return int(off or any(m.flagged for m in found.values()))


def run_effect(options: argparse.Namespace) -> int:
    """Rate ratio of a change; exit 1 when defects became more."""
    from diagnb.fleet import effect_at, effect_table, plot_effect

    data = _Data(options)
    try:
        import datetime

        datetime.date.fromisoformat(options.date)
    except ValueError:
        raise fault("--date", f"{options.date!r} is not a date", "write it as 2026-03-31") from None
    rows = data.rows.of_component(options.component) if options.component else data.rows
    found = effect_at(data.chosen, data.vehicles, date=options.date, settling_months=options.settling, tested=rows.date)  # type: ignore[arg-type]
    _show(options, data, found, [effect_table(found)], lambda: plot_effect(found))
    return int(found.finding == "more")


def run_invent(options: argparse.Namespace) -> int:
    """Write results.csv and vehicles.csv of an invented fleet; say what is in it and what to try."""
    from diagnb.fleet import synthesise, write_csv

    if options.number < 1:
        raise fault("--number", f"{options.number} is no number of vehicles")
    made = synthesise(seed=options.seed, vehicles=options.number)
    options.out.mkdir(parents=True, exist_ok=True)
    for name, columns in (("results.csv", made.rows), ("vehicles.csv", made.vehicles)):
        write_csv(options.out / name, columns)
    results, vehicles = options.out / "results.csv", options.out / "vehicles.csv"
    print("An INVENTED fleet: vehicles, lots, people, instruments and readings are all made up.")
    print(f"{results}: {counted(made.results, 'result')}, {len(made.truth.rates)} circuits, seed {options.seed}")
    print(f"{vehicles}: {counted(options.number, 'vehicle')}, {_months(made)} months, {made.truth.lots} lots")
    print("what is hidden in it, to be found again:")
    for line in made.hidden():
        print(f"  {line}")
    print("try next:")
    common = f'"{results}" --vehicles "{vehicles}"'
    print(f"  diagnb fleet lots {common}")
    print(f'  diagnb fleet effect {common} --component "{made.truth.changed}" --date {made.changed_from} --settling 6')
    return 0


def _months(made: Any) -> int:
    """Months of the calendar that the vehicles were watched over, all together."""
    from diagnb.fleet.vehicles import DAYS_PER_MONTH

    span = made.vehicles["watched_to"].max() - made.vehicles["watched_from"].min()
    return round(float(span.astype(float)) / DAYS_PER_MONTH)
