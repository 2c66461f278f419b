"""One question about a recurring failure, answered from two tables: a pure function from their bytes to a study.

Whoever has the same two files gets the same study; so a report that carries them proves its own numbers.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet import (
    CellSurvey,
    Chart,
    ClockTrend,
    Course,
    Defects,
    Effect,
    Figure,
    InstrumentOffset,
    MeanCumulative,
    MeasurementShare,
    Pareto,
    Rows,
    Survival,
    Trial,
    Vehicles,
    Weibull,
    ages_over_time,
    by_month,
    by_month_at_same_age,
    clock_trend,
    components_by_rate,
    course_of,
    cusum_pair,
    distinct_defects,
    effect_at,
    first_lives,
    fleet_rate,
    histories,
    kaplan_meier,
    laplace,
    lots_survey,
    mean_cumulative_function,
    measurement_by,
    meters_compared,
    mil_hdbk_189,
    mismatches,
    not_judged,
    rate_chart,
    read_rows,
    read_vehicles,
    reverse_arrangements,
    to_plain,
    usual_months,
    watch_cautions,
    watches,
    weibull,
)
from diagnb.fleet.columns import read_table_bytes
from diagnb.fleet.labels import listed
from diagnb.quantities.counting import counted

RULES = ("guarded-95", "guarded-U", "simple", "as-stored")
SCHEMA = "diagnb-study/3"
OLDER = ("diagnb-study/1", "diagnb-study/2")
"""Editions that counted lots by vehicle and put all instruments on one scale: their numbers can't come out again here."""
_AGES = (12.0, 24.0, 36.0, 48.0)
_MOST_TEXT = 2000
_MOST_MEASURED, _RESAMPLES = 3, 60


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, and under which choices. Raises :class:`~diagnb.errors.InputFault` for choices that are none.

    ``text`` is the engineer's own sentence; ``component`` the one that is asked about, "" for all together; ``rule``
    the decision rule that all history is judged under; ``change`` a day ("2026-03-31") after which something is
    different, ``settling_months`` how long after it nothing is counted; ``baseline_months`` how many first months say
    what is usual (None: those before the change, or the first half in whole years); ``without_instruments`` serial
    numbers of instruments whose results are left out, and the report says so.
    """

    text: str
    component: str = ""
    rule: str = "guarded-95"
    change: str = ""
    settling_months: float = 3.0
    baseline_months: int | None = None
    without_instruments: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "without_instruments", tuple(self.without_instruments))
        faults = []
        if not self.text.strip() or len(self.text) > _MOST_TEXT:
            faults.append(Fault("question", f"needs 1 to {_MOST_TEXT} characters", "one sentence says what is asked"))
        if self.rule not in RULES:
            faults.append(Fault("rule", f"{self.rule!r} is unknown", f"one of {', '.join(RULES)}"))
        if self.change:
            try:
                np.datetime64(self.change, "D")
            except ValueError:
                faults.append(Fault("change", f"{self.change!r} is not a day", "write it as 2026-03-31"))
        if not (self.settling_months >= 0 and math.isfinite(self.settling_months)):
            faults.append(Fault("settling_months", f"{self.settling_months} is no number of months"))
        if self.baseline_months is not None and self.baseline_months < 1:
            faults.append(Fault("baseline_months", f"{self.baseline_months} is no number of months"))
        if faults:
            raise InputFault(faults)


@dataclass(frozen=True)
class Source:
    """One table as it was handed in: a file name that ends in .csv or .parquet, and its bytes."""

    name: str
    data: bytes

    @property
    def sha256(self) -> str:
        """Digest of the bytes."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class Study:
    """The answer: what was counted, every figure with its interval or its refusal. Made by :func:`answer` only.

    ``blind`` says how many results could not be judged, "" for none; ``held`` how the months were compared at the same age,
    "" where they were not; ``ages`` that, or how much older the fleet grew.
    """

    question: Question
    results: Source
    vehicles: Source
    rows_in: int
    rows_used: int
    set_aside: Mapping[str, int]
    faults: tuple[Fault, ...]
    first_day: str
    last_day: str
    vehicles_used: int
    exposure_months: float
    failing_results: int
    defects: int
    repeats: int
    undecided: int
    cautions: tuple[str, ...]
    blind: str
    rate: Figure
    pareto: Pareto
    recurrence: MeanCumulative
    recurrence_at: tuple[Figure, ...]
    survival: Survival
    life: Weibull
    trials: tuple[Trial, ...]
    trends: tuple[ClockTrend, ...]
    months: Chart
    rise: Chart
    fall: Chart
    course: Course | None
    lots: CellSurvey
    effect: Effect | None
    measurement: Mapping[str, MeasurementShare]
    meters: tuple[InstrumentOffset, ...]
    held: str
    ages: str

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Every figure of the study, in the order of the report."""
        own = [self.rate, *self.recurrence_at, self.survival.age_at(0.5), self.life.shape, self.life.age_at(0.1)]
        own += [t.growth for t in self.trends]
        if self.effect is not None:
            own += [self.effect.before, self.effect.after, self.effect.ratio]
        return tuple(own)

    @property
    def tests(self) -> tuple[Trial, ...]:
        """The trend tests: by age, by calendar, then those that hold neither."""
        return (*(t.trial for t in self.trends), *self.trials)

    @property
    def charts(self) -> tuple[Chart, ...]:
        """The charts over months: u chart, and the pair that the finding rests on."""
        return (self.months, self.rise, self.fall)

    @property
    def refusals(self) -> tuple[tuple[str, str], ...]:
        """What could not be answered, with the reason."""
        found = [(f.name, str(f.refusal)) for f in self.figures if f.refusal is not None]
        found += [(t.name, str(t.refusal)) for t in self.tests if t.refusal is not None]
        found += [(c.name, str(c.refusal)) for c in self.charts if c.refusal is not None]
        found += [
            (f"measurement of {name}", str(m.shown.refusal)) for name, m in self.measurement.items() if m.shown.refusal
        ]
        found += [
            (f"instrument {o.instrument}", str(o.ratio.refusal)) for o in self.meters if o.ratio.refusal is not None
        ]
        asked = self.question.component
        tested = {c.row for c in self.lots.cells}
        found += [
            (f"lots of {row}", str(why))
            for row, _, why in self.lots.untested
            if row not in tested and asked in ("", row)
        ]
        if self.effect is not None and self.effect.trial.refusal is not None:
            found.append((self.effect.trial.name, str(self.effect.trial.refusal)))
        return tuple(dict.fromkeys(found))

    def to_plain(self) -> dict[str, Any]:
        """As JSON: question, digests of the two tables, what was counted, and every figure."""
        return {
            "schema": SCHEMA,
            "question": to_plain(self.question),
            "sources": {
                "results": {"name": self.results.name, "sha256": self.results.sha256},
                "vehicles": {"name": self.vehicles.name, "sha256": self.vehicles.sha256},
            },
            "counted": {
                name: to_plain(getattr(self, name))
                for name in (
                    "rows_in", "rows_used", "set_aside", "first_day", "last_day", "vehicles_used", "exposure_months",
                    "failing_results", "defects", "repeats", "undecided", "cautions",
                )
            },
            "faults": [str(f) for f in self.faults],
            "figures": [to_plain(f) for f in self.figures],
            "pareto": to_plain(self.pareto),
            "trials": [to_plain(t) for t in self.tests],
            "charts": [to_plain(c) for c in self.charts],
            "course": to_plain(self.course),
            "lots": to_plain(self.lots),
            "effect": to_plain(self.effect) if self.effect is not None else None,
            "measurement": {name: to_plain(m) for name, m in self.measurement.items()},
            "meters": [to_plain(o) for o in self.meters],
            "ages": self.ages,
        }  # fmt: skip


def answer(question: Question, *, results: Source, vehicles: Source) -> Study:
    """Answer ``question`` from a table of results and a table of the vehicles under watch.

    Both are read through the doors of the fleet room: faults are listed and the rest is used. Raises
    :class:`~diagnb.errors.InputFault` where a table as a whole can't be read or the component is not in it.
    """
    rows = read_rows(read_table_bytes(results.data, results.name))
    watched = read_vehicles(read_table_bytes(vehicles.data, vehicles.name))
    if not len(rows) or not len(watched):
        empty = results.name if not len(rows) else vehicles.name
        raise InputFault(
            [fault(empty, "holds no row that can be used").faults[0], *rows.faults[:20], *watched.faults[:20]]
        )
    if question.without_instruments:
        rows = rows.without_instruments(question.without_instruments)
        if not len(rows):
            raise fault("without_instruments", "leaves no result")
    judged = rows if question.rule == "as-stored" else rows.under_one_rule(question.rule)  # type: ignore[arg-type]
    defects = distinct_defects(judged)
    if question.component and question.component not in judged.component.names:
        known = listed(judged.component.names)
        raise fault("component", f"{question.component!r} is not in the results", f"there are {known}")
    blind = not_judged(judged.of_component(question.component) if question.component else judged)
    mine = defects.of_component(question.component) if question.component else defects
    return _answer(question, results, vehicles, rows, judged, watched, defects, mine, blind)


def _answer(
    question: Question, results: Source, vehicles: Source, rows: Rows, judged: Rows, watched: Vehicles, defects: Defects,
    mine: Defects, blind: str,
) -> Study:  # fmt: skip
    lived, cautions = histories(mine, watched)
    curve = mean_cumulative_function(lived)
    lives = first_lives(mine, watched)
    plain, month = by_month(mine, watched), by_month_at_same_age(mine, watched)
    asked = question.baseline_months
    if asked is not None and not 2 <= asked <= len(month.labels):
        raise fault("baseline_months", f"{asked}, and the vehicles are watched over {len(month.labels)}", f"from 2 to {len(month.labels)}")  # fmt: skip
    common: dict[str, Any] = {
        "counts": month.counts, "exposure": month.exposure, "labels": month.labels,
        "baseline": usual_months(month.labels, change=question.change) if asked is None else asked,
    }  # fmt: skip
    within = watches(mine, watched)
    gaps = plain.exposure / np.maximum(plain.counts, 0.5)
    last = float(lived.exit.max())
    said = [
        *([blind] if blind else []),
        *cautions,
        *mismatches(judged, watched),
        *watch_cautions(mine, watched),
    ]
    over = int(judged.over_range.sum())
    if over:
        said.append(
            f"{counted(over, 'result')} without a value: an over-range display proves the verdict, under any rule"
        )
    if month.refusal is not None:
        said.append(f"results were judged under several rules ({', '.join(mine.rules)}): months are not comparable")
    survey = lots_survey(judged, defects, watched)
    said += (f"lots: {line}" for line in survey.cautions)
    effect = None
    if question.change:
        asked_rows = judged.of_component(question.component) if question.component else judged
        effect = effect_at(mine, watched, date=question.change, settling_months=question.settling_months, tested=asked_rows.date)  # fmt: skip
    months = rate_chart(**common, limits="exact", unit="per vehicle-month")
    rise, fall = cusum_pair(**common)
    if month.refusal is not None:
        months, rise, fall = (replace(c, refusal=month.refusal) for c in (months, rise, fall))
    pareto = components_by_rate(judged, defects, watched)
    measured, left = _measured(question, judged, pareto)
    said += left
    return Study(
        question, results, vehicles, len(rows) + rows.set_aside_count, len(rows),
        {code: int(found.size) for code, found in sorted(rows.set_aside.items())},
        (*rows.faults, *watched.faults), str(rows.date.min()), str(rows.date.max()), len(watched),
        float(watched.months.sum()), int(mine.records.sum()), len(mine), int(mine.repeat.sum()), mine.undecided,
        tuple(dict.fromkeys(said)), blind, _named(question, mine, watched), pareto,
        curve, tuple(curve.at(age) for age in _AGES if age <= last), kaplan_meier(lives), weibull(lives),
        (laplace(within), mil_hdbk_189(within), reverse_arrangements(gaps)),
        (clock_trend(mine, watched, clock="age"), clock_trend(mine, watched, clock="calendar")),
        months, rise, fall, course_of(rise=rise, fall=fall, others=(months,)), survey, effect, measured, meters_compared(judged),
        month.held, month.held or ages_over_time(watched),
    )  # fmt: skip


def _measured(question: Question, judged: Rows, pareto: Pareto) -> tuple[dict[str, MeasurementShare], tuple[str, ...]]:
    """What the measurement explains of the component that is asked about, or of those that recur most."""
    names = [question.component] if question.component else [r.item for r in pareto.rows[:_MOST_MEASURED]]
    rule: Any = "simple" if question.rule == "as-stored" else question.rule
    found, left = measurement_by(judged.take(judged.component.marked(names)), rule=rule, resamples=_RESAMPLES)
    return {name: found[name] for name in names if name in found}, left


def _named(question: Question, mine: Defects, watched: Vehicles) -> Figure:
    return replace(fleet_rate(mine, watched), name=question.component or "all components")


def recompute(study: Mapping[str, Any], files: Mapping[str, bytes]) -> tuple[Fault, ...]:
    """Answer the question of a stored study again from its two tables; every number that differs is a fault.

    ``study`` is what :meth:`Study.to_plain` gave, ``files`` the contents by name. Numbers may differ by 1e-9 of their
    size, which is what another machine's arithmetic does. Raises nothing for the content: that is the finding.
    """
    try:
        if study["schema"] != SCHEMA:
            what = "is of an older edition" if study["schema"] in OLDER else "is of another kind or version"
            return (Fault("study.json", f"{what}: {study['schema']!r}", "use the version that made it"),)
        sources = {}
        for kind in ("results", "vehicles"):
            name, digest = study["sources"][kind]["name"], study["sources"][kind]["sha256"]
            source = Source(name, files[name])
            if source.sha256 != digest:
                return (Fault(name, "is not the table that the study was made from"),)
            sources[kind] = source
        again = answer(Question(**study["question"]), **sources)
    except InputFault as error:
        return error.faults
    except (KeyError, TypeError, ValueError) as error:
        return (Fault("study.json", f"can't be answered again: {type(error).__name__} {error}"),)
    return tuple(_differences(dict(study), again.to_plain(), "study"))


def _differences(stored: Any, found: Any, where: str, most: int = 50) -> list[Fault]:
    if isinstance(stored, dict) and isinstance(found, dict):
        faults = [Fault(f"{where}.{name}", "stands on one side only") for name in sorted(set(stored) ^ set(found))]
        for name in sorted(set(stored) & set(found)):
            faults += _differences(stored[name], found[name], f"{where}.{name}")
        return faults[:most]
    if isinstance(stored, list | tuple) and isinstance(found, list | tuple):
        if len(stored) != len(found):
            return [Fault(where, f"has {len(stored)} entries, recomputed {len(found)}")]
        return [
            f for k, (a, b) in enumerate(zip(stored, found, strict=True)) for f in _differences(a, b, f"{where}[{k}]")
        ][:most]
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (stored, found))
    if numbers and math.isclose(stored, found, rel_tol=1e-9, abs_tol=1e-12):
        return []
    return (
        []
        if type(stored) is type(found) and stored == found
        else [Fault(where, f"is {stored!r}, recomputed {found!r}")]
    )


__all__ = ["RULES", "SCHEMA", "Question", "Source", "Study", "answer", "recompute"]
