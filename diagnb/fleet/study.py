"""From rows and vehicles to the engineer's questions: which component, which lot, since when, did the change help.

Exposure comes from the table of vehicles. Without it nobody knows what a count happened in, and rates are refused.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.conformity import Limit, Rule
from diagnb.errors import fault
from diagnb.fleet.clocks import Clock, ClockTrend, trend_by_clock
from diagnb.fleet.defects import Defects
from diagnb.fleet.effect import Effect, effect_of_change
from diagnb.fleet.figure import Figure, Refusal, no_trial, refused
from diagnb.fleet.instruments import InstrumentOffset, instrument_offsets
from diagnb.fleet.life import Lives
from diagnb.fleet.lots import told_mainly_of_the_bad
from diagnb.fleet.measurement_share import MeasurementShare, explained_by_measurement
from diagnb.fleet.rates import Pareto, pareto, proportion, rate_of_assets
from diagnb.fleet.recurrence import Histories
from diagnb.fleet.rows import Rows
from diagnb.fleet.same_age import bands_of, exposure_table, held_age
from diagnb.fleet.trend import Watch
from diagnb.fleet.vehicles import DAYS_PER_MONTH, Vehicles
from diagnb.quantities.counting import counted

Array = Any
MONTHS = "vehicle-months"


@dataclass(frozen=True, slots=True)
class Placed:
    """Defects of vehicles that are under watch: position of the vehicle, age in months, which defect.

    ``unknown`` counts defects of vehicles that are not in the table, ``outside`` those outside their watch; neither is
    used with an exposure.
    """

    asset: Array
    age: Array
    which: Array
    unknown: int
    outside: int

    @property
    def cautions(self) -> tuple[str, ...]:
        """What had to be left out, in words."""
        said = []
        if self.unknown:
            said.append(f"{counted(self.unknown, 'defect')} of vehicles without a watch left out")
        if self.outside:
            said.append(f"{counted(self.outside, 'defect')} outside the vehicle's watch left out")
        return tuple(said)


def place(defects: Defects, vehicles: Vehicles) -> Placed:
    """Match defects to the watches of their vehicles. Ages count from service, or from the watch where that is unknown."""
    position = vehicles.position(defects.asset)
    known = position >= 0
    at = np.maximum(position, 0)
    inside = known & (defects.opened >= vehicles.watched_from[at]) & (defects.opened < vehicles.watched_to[at])
    origin = _origin(vehicles)
    # Half a day keeps an event of the first day inside the watch.
    age = ((defects.opened - origin[at]).astype(float) + 0.5) / DAYS_PER_MONTH
    return Placed(at[inside], age[inside], np.nonzero(inside)[0], int(np.sum(~known)), int(np.sum(known & ~inside)))


def _origin(vehicles: Vehicles) -> Array:
    unknown = np.isnat(vehicles.in_service)
    return np.where(unknown, vehicles.watched_from, vehicles.in_service)


def _ages(vehicles: Vehicles) -> tuple[Array, Array]:
    origin = _origin(vehicles)
    days = [(end - origin).astype(float) for end in (vehicles.watched_from, vehicles.watched_to)]
    return days[0] / DAYS_PER_MONTH, days[1] / DAYS_PER_MONTH


def components_by_rate(
    rows: Rows, defects: Defects, vehicles: Vehicles | None, *, per: float = 1000.0, coverage: float = 0.95
) -> Pareto:
    """Which components recur most: distinct defects per ``per`` vehicle-months, ranked by lower limit.

    Without vehicles the rates are refused ("exposure-missing") and the order is by count.
    """
    names = [defects.component.names[c] for c in np.unique(rows.component.codes)]
    count = np.bincount(defects.component.codes, minlength=len(defects.component.names))
    counts = {name: float(count[defects.component.code(name)]) for name in names}
    if vehicles is None:
        return pareto(counts=counts, exposure_unit=MONTHS, coverage=coverage)
    placed, months = place(defects, vehicles), vehicles.months
    code = defects.component.codes[placed.which]
    figures, used = [], {}
    for name in names:
        mine = placed.asset[code == defects.component.code(name)]
        used[name] = float(mine.size)
        figures.append(
            rate_of_assets(
                events=np.bincount(mine, minlength=len(vehicles)), exposure=months, exposure_unit=MONTHS, per=per,
                name=name, coverage=coverage,
            )
        )  # fmt: skip
    return pareto(counts=used, rates=figures, exposure_unit=MONTHS, coverage=coverage)


def fail_shares(rows: Rows, *, by: str = "component", coverage: float = 0.95) -> tuple[Figure, ...]:
    """Share of judged tests that failed, by a text column of the rows, with Wilson limits; the largest lower limit first.

    Refused as a whole ("stated-with-fails") where ``by`` is stated mainly with fails, as lots are that a repair writes down.
    """
    labels = getattr(rows, by, None)
    if labels is None or not hasattr(labels, "codes"):
        raise fault("by", f"{by!r} is not a text column", "component, point, lot, site, technician or instrument")
    if labels.size and labels.marked({""}).all():
        raise fault("by", f"no result says its {by}", "component, or point, is always there")
    found = rows.phase.marked({"as found", ""}) & (rows.verdict != 4)
    size = len(labels.names)
    tests = np.bincount(labels.codes[found], minlength=size)
    fails = np.bincount(labels.codes[found & (rows.verdict == 3)], minlength=size)
    told, bad = ~labels.marked({""})[found], rows.verdict[found] == 3
    if told_mainly_of_the_bad(told=told, bad=bad):
        detail = f"{by} with {np.sum(told & bad):,} of {np.sum(bad):,} fails and {np.sum(told & ~bad):,} of {np.sum(~bad):,} others"
        return (refused(f"share of fails by {by}", "stated-with-fails", detail, unit="1", coverage=coverage),)
    figures = [
        proportion(
            successes=float(fails[k]),
            trials=float(tests[k]),
            name=labels.names[k] or f"no {by} said",
            coverage=coverage,
        )
        for k in np.nonzero(tests)[0]
    ]
    return tuple(sorted(figures, key=lambda f: -(f.lower or 0.0)))


def histories(defects: Defects, vehicles: Vehicles) -> tuple[Histories, tuple[str, ...]]:
    """Ages of defects and of the watches, in months, for the mean cumulative function; and cautions."""
    placed = place(defects, vehicles)
    entry, leaving = _ages(vehicles)
    return Histories(entry, leaving, placed.asset, placed.age, "months"), placed.cautions


def first_lives(defects: Defects, vehicles: Vehicles) -> Lives:
    """Age at the first defect seen in each vehicle's watch, survivors as suspensions, entry ages from the watch.

    Entry ages are unknown (and life figures refuse) where a vehicle's date of service is not given. What failed and was
    replaced before the watch can't be known: a later failure is then taken for the first.
    """
    placed = place(defects, vehicles)
    entry, age = _ages(vehicles)
    failed = np.zeros(len(vehicles), dtype=bool)
    age = age.copy()
    np.minimum.at(age, placed.asset, placed.age)
    failed[placed.asset] = True
    known = not bool(np.isnat(vehicles.in_service).any())
    return Lives(age, failed, entry if known else None, "months")


def watches(defects: Defects, vehicles: Vehicles, *, clock: str = "age") -> tuple[Watch, ...]:
    """Each vehicle's defects within its watch, for the trend tests; ``clock`` "age" or "calendar", both in months.

    The clock moves a vehicle's whole watch; what :func:`laplace` and :func:`mil_hdbk_189` say within the watches is the same
    by both, because in one vehicle age and calendar run together. :func:`clock_trend` tells the two apart.
    """
    placed = place(defects, vehicles)
    entry, leaving = _ages(vehicles)
    age = placed.age
    if clock == "calendar":
        zero = vehicles.watched_from.min() if len(vehicles) else np.datetime64("2000-01-01")
        shift = (_origin(vehicles) - zero).astype(float) / DAYS_PER_MONTH
        entry, leaving, age = entry + shift, leaving + shift, age + shift[placed.asset]
    elif clock != "age":
        raise fault("clock", f"{clock!r} is unknown", "age or calendar")
    order = np.lexsort((age, placed.asset))
    asset, age = placed.asset[order], age[order]
    cut = np.searchsorted(asset, np.arange(len(vehicles) + 1))
    return tuple(
        Watch(tuple(age[cut[k] : cut[k + 1]].tolist()), float(leaving[k]), float(entry[k]))
        for k in np.nonzero(np.diff(cut))[0]
    )


def clock_trend(
    defects: Defects, vehicles: Vehicles, *, clock: Clock = "age", settling_months: float = 3.0, level: float = 0.05
) -> ClockTrend:
    """Does it get worse as vehicles grow old ("age"), or as time goes on at the same age ("calendar")? See :func:`trend_by_clock`.

    The first ``settling_months`` of every watch are left out: a defect is dated by the visit that found it, so a watch
    begins with too few of them (choose the longest usual time between visits). Refused ("entry-age-missing") where a
    vehicle's date of service is not given.
    """
    if not settling_months >= 0:
        raise fault("settling_months", f"{settling_months:g} is no number of months")
    placed = place(defects, vehicles)
    entry, leaving = _ages(vehicles)
    entry = entry + settling_months
    kept = np.nonzero(leaving > entry)[0]
    position = np.full(len(vehicles), -1)
    position[kept] = np.arange(kept.size)
    mine = (position[placed.asset] >= 0) & (placed.age >= entry[placed.asset])
    origin = _origin(vehicles)
    zero = vehicles.watched_from.min() if len(vehicles) else np.datetime64("2000-01-01")
    born = (origin - zero).astype(float) / DAYS_PER_MONTH
    found = trend_by_clock(
        entry=entry[kept], leaving=leaving[kept], born=born[kept], asset=position[placed.asset[mine]], age=placed.age[mine],
        clock=clock, level=level,
    )  # fmt: skip
    unknown = int(np.isnat(vehicles.in_service).sum())
    if not unknown:
        return found
    said = {"code": "entry-age-missing", "detail": counted(unknown, "vehicle")}
    trial = no_trial(found.trial.name, found.trial.hypothesis, level=level, n=found.trial.n, **said)
    return ClockTrend(clock, trial, refused(found.growth.name, unit=found.growth.unit, coverage=1 - level, **said))  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Monthly:
    """Counts and exposure per month of the calendar; arrays (months,). ``refusal`` where the course can't be judged.

    ``held`` says that ages are held, in a sentence: then the exposure is weighted by age. "" where it is as it is.
    """

    labels: tuple[str, ...]
    counts: Array
    exposure: Array
    exposure_unit: str
    refusal: Refusal | None = None
    held: str = ""


def by_month(defects: Defects, vehicles: Vehicles) -> Monthly:
    """Distinct defects opened per month and the vehicle-months under watch in it; partial months count in part.

    Refused ("mixed-rules") when results were judged under several rules: see :meth:`Rows.under_one_rule`.
    """
    if len(vehicles) == 0:
        raise fault("vehicles", "there are none")
    first = vehicles.watched_from.min().astype("datetime64[M]")
    last = (vehicles.watched_to.max() - 1).astype("datetime64[M]")
    month = np.arange(first, last + 1)
    edges = np.append(month, last + 1).astype("datetime64[D]")
    until = np.array(
        [
            np.clip((np.minimum(edge, vehicles.watched_to) - vehicles.watched_from).astype(float), 0, None).sum()
            for edge in edges
        ]
    )
    exposure = np.diff(until) / DAYS_PER_MONTH
    placed = place(defects, vehicles)
    slot = (defects.opened[placed.which].astype("datetime64[M]") - first).astype(int)
    counts = np.bincount(slot, minlength=month.size).astype(float)
    refusal = Refusal("mixed-rules", ", ".join(defects.rules)) if len(defects.rules) > 1 else None
    used = exposure > 0
    return Monthly(tuple(str(m) for m in month[used]), counts[used], exposure[used], MONTHS, refusal)


def by_month_at_same_age(defects: Defects, vehicles: Vehicles) -> Monthly:
    """As :func:`by_month`, with each month's exposure weighted by how often vehicles of its ages fail in the same month.

    So a fleet that grows older, with a rate that grows with age, shows no rise by that alone. As :func:`by_month`, ``held``
    being "", where dates of service are missing, defects are few, or ages and months never part ("confounded").
    """
    found = by_month(defects, vehicles)
    trend = clock_trend(defects, vehicles, clock="age")
    if trend.trial.refusal is not None:
        return found
    placed = place(defects, vehicles)
    edges = bands_of(placed.age)
    first = np.datetime64(found.labels[0], "M")
    last = np.datetime64(found.labels[-1], "M")
    month = np.arange(first, last + 2).astype("datetime64[D]").astype(float) / DAYS_PER_MONTH
    start, stop, born = (
        d.astype("datetime64[D]").astype(float) / DAYS_PER_MONTH
        for d in (vehicles.watched_from, vehicles.watched_to, _origin(vehicles))
    )
    table = exposure_table(start=start, stop=stop, born=born, months=month, edges=edges)
    slot = (defects.opened[placed.which].astype("datetime64[M]") - first).astype(int)
    held = held_age(
        exposure=table, edges=edges, of_month=np.bincount(slot, minlength=month.size - 1),
        of_band=np.bincount(np.searchsorted(edges, placed.age, side="right"), minlength=edges.size + 1),
    )  # fmt: skip
    if held is None:
        return found
    used = table.sum(axis=0) > 0
    return replace(found, exposure=(held.weights @ table)[used], held=held.said)


def effect_at(
    defects: Defects, vehicles: Vehicles, *, date: str, band_months: float = 12.0, settling_months: float = 3.0,
    coverage: float = 0.95, tested: Array | None = None,
) -> Effect:  # fmt: skip
    """Defect rate after ``date`` over before, compared within age bands of ``band_months``, limits by vehicle.

    A defect is dated by the test that found it, so what came about before the change is found after it for as long as
    vehicles stay away: ``settling_months`` after the change are left out on both counts (choose the longest usual time
    between visits). What stays pulls the ratio towards 1: a point that is already bad can't become bad again. Season is not removed: choose spans of whole years. Refused for results judged under several rules, and where
    ``tested``, the dates of the results asked about, has none before the change or none after the settling: what is not
    tested any more, because another part was fitted, shows no defect either.
    """
    if not band_months > 0 or settling_months < 0:
        raise fault("band_months", f"{band_months:g} must be above zero, and settling_months not below it")
    change = np.datetime64(date, "D")
    origin = _origin(vehicles)
    entry, leaving = _ages(vehicles)
    at = (change - origin).astype(float) / DAYS_PER_MONTH
    placed = place(defects, vehicles)
    bands = int(np.ceil(leaving.max() / band_months))
    settling = round(settling_months * DAYS_PER_MONTH) / DAYS_PER_MONTH
    opened = defects.opened[placed.which]
    resumed = change + np.timedelta64(round(settling_months * DAYS_PER_MONTH), "D")
    counted = (opened < change) | (opened >= resumed)
    after_event = opened >= resumed
    band_event = np.minimum((placed.age / band_months).astype(int), bands - 1)
    columns: list[tuple[Array, ...]] = []
    for band in range(bands):
        low, high = band * band_months, (band + 1) * band_months
        for after in (False, True):
            a = np.maximum(np.maximum(entry, low), at + settling if after else -np.inf)
            b = np.minimum(np.minimum(leaving, high), np.inf if after else at)
            use = np.clip(b - a, 0, None)
            mine = counted & (band_event == band) & (after_event == after)
            count = np.bincount(placed.asset[mine], minlength=len(vehicles)).astype(float)
            kept = np.nonzero((use > 0) | (count > 0))[0]
            # An event on the very edge of a band belongs to some use there.
            columns.append(
                (
                    kept,
                    np.full(kept.size, after),
                    count[kept],
                    np.maximum(use[kept], 1 / DAYS_PER_MONTH),
                    np.full(kept.size, band),
                )
            )
    asset, after_, events, exposure, stratum = (np.concatenate(c) for c in zip(*columns, strict=True))
    found = effect_of_change(
        asset=asset, after=after_, events=events, exposure=exposure, stratum=stratum, exposure_unit=MONTHS,
        coverage=coverage,
    )  # fmt: skip
    why: tuple[str, str] | None = None
    if len(defects.rules) > 1:
        why = ("mixed-rules", ", ".join(defects.rules))
    elif tested is not None:
        sides = {f"before {date}": (tested < change).any(), f"from {resumed} on": (tested >= resumed).any()}
        none = [name for name, any_there in sides.items() if not any_there]
        if none:
            why = ("no-tests", f"no result {' and none '.join(none)}: was another part fitted?")
    if why is not None:
        trial = no_trial(found.trial.name, found.trial.hypothesis, *why, level=found.trial.level, n=found.trial.n)
        found = replace(found, ratio=refused("rate ratio", *why, method=found.ratio.method), trial=trial, finding="not tested")  # fmt: skip
    return replace(found, strata_of=f"age bands of {band_months:g} months", settling_months=settling_months)


def measurement_by(
    rows: Rows, *, by: str = "component", rule: Rule = "guarded-95", resamples: int = 100
) -> tuple[dict[str, MeasurementShare], tuple[str, ...]]:
    """What the measurement alone explains of the fails as found, by a text column of the rows; and what had to be left out.

    See :func:`explained_by_measurement`. A group with several limits is left out, and results without a value are.
    """
    rows = rows.take(rows.phase.marked({"as found", ""}))
    over = int(rows.over_range.sum())
    left = [f"without the {counted(over, 'result')} of an over-range display, which has no value"] if over else []
    rows = rows.take(np.isfinite(rows.value))
    labels, found = getattr(rows, by), {}
    for code in np.unique(labels.codes):
        mine = rows.take(labels.codes == code)
        pairs = np.stack([np.nan_to_num(mine.lower, nan=-np.inf), np.nan_to_num(mine.upper, nan=np.inf)])
        limits = np.unique(pairs, axis=1)
        name = labels.names[code] or f"no {by} said"
        if limits.shape[1] != 1 or not np.isfinite(limits).any():
            count = limits.shape[1] if np.isfinite(limits).any() else 0
            left.append(f"{name}: has {count} limits; one is needed")
            continue
        low, high = (float(v) if np.isfinite(v) else None for v in limits[:, 0])
        found[name] = explained_by_measurement(
            value=mine.value, standard_uncertainty=mine.standard_uncertainty, limit=Limit(lower=low, upper=high), rule=rule,
            asset=mine.asset.codes, resamples=resamples,
        )  # fmt: skip
    return found, tuple(left)


def meters_compared(rows: Rows) -> tuple[InstrumentOffset, ...]:
    """Every instrument against the others, from the results as found; see :func:`instrument_offsets`."""
    rows = rows.take(rows.phase.marked({"as found", ""}) & np.isfinite(rows.value) & ~rows.instrument.marked({""}))
    return instrument_offsets(
        value=rows.value, asset=rows.asset.codes, point=rows.point.codes, instrument=rows.instrument.codes,
        names=rows.instrument.names, standard_uncertainty=rows.standard_uncertainty,
    )  # fmt: skip


def fleet_rate(defects: Defects, vehicles: Vehicles, *, per: float = 1000.0, coverage: float = 0.95) -> Figure:
    """Distinct defects of all components per ``per`` vehicle-months, limits clustered by vehicle."""
    placed = place(defects, vehicles)
    return rate_of_assets(
        events=np.bincount(placed.asset, minlength=len(vehicles)), exposure=vehicles.months, exposure_unit=MONTHS,
        per=per, name="all components", coverage=coverage,
    )  # fmt: skip
