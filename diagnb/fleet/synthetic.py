"""An invented fleet with known truth, so that every analysis can be judged against what is so.

Everything here is made up: vehicles, lots, people, instruments. Failures follow a stated process (power law in age,
factor by lot, season, change at a date, vehicles that differ), measured values drift with use, each reading carries
its instrument's and its own error, some defects are recorded several times, watches begin late and end early.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from diagnb.conformity import WORDS
from diagnb.errors import Fault, InputFault
from diagnb.fleet.labels import Labels
from diagnb.fleet.measurement_share import judge_history
from diagnb.fleet.vehicles import DAYS_PER_MONTH

Array = Any


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of the invented fleet. Ages in months, use in km, values in volts.

    ``rates``: expected defects per vehicle in its first 12 months, by component; ``shape``: power of age (1 constant,
    above 1 wear-out); ``lot_factors``: rate factor of a lot for one component, as {(component, lot): factor};
    ``season``: relative amplitude over the year; ``frailty``: variance of the vehicles' own factor (mean 1);
    ``change_month`` and ``change_factor``: from that month of the calendar on, rates of ``changed`` take the factor.
    ``drift_per_10_000_km``: rise of a good drop; ``spread``: standard deviation of good drops between vehicles;
    ``reading_u``: standard uncertainty of a reading; ``instrument_spread``: relative gain error between instruments.
    """

    rates: Mapping[str, float] = field(
        default_factory=lambda: {f"circuit {k + 1:02d}": 0.30 * 0.80**k for k in range(16)}
    )
    shape: float = 1.3
    lots: int = 12
    lot_factors: Mapping[tuple[str, str], float] = field(default_factory=lambda: {("circuit 03", "L05"): 4.0})
    season: float = 0.3
    frailty: float = 0.5
    change_month: int | None = 24
    change_factor: float = 0.4
    changed: str = "circuit 01"
    drift_per_10_000_km: float = 0.002
    good: float = 0.12
    spread: float = 0.02
    bad: float = 0.25
    limit: float = 0.29
    reading_u: float = 0.004
    instrument_spread: float = 0.003
    technicians: int = 14
    instruments: int = 9
    duplicate_share: float = 0.3
    monthly_km: float = 4000.0

    def __post_init__(self) -> None:
        faults = [Fault(f"rates.{k}", f"{v:g} is not a rate") for k, v in self.rates.items() if not v >= 0]
        for name in ("shape", "frailty", "spread", "reading_u", "monthly_km", "change_factor"):
            if not getattr(self, name) >= 0 or (name in ("shape", "monthly_km") and getattr(self, name) == 0):
                faults.append(Fault(name, f"{getattr(self, name):g} is out of range"))
        if not 0 <= self.season < 1 or not 0 <= self.duplicate_share <= 1:
            faults.append(Fault("season", "season and duplicate_share must lie between 0 and 1"))
        if min(self.lots, self.technicians, self.instruments) < 1 or not self.rates:
            faults.append(Fault("lots", "there must be a lot, a technician, an instrument and a component"))
        if faults:
            raise InputFault(faults)


@dataclass(frozen=True, slots=True)
class SyntheticFleet:
    """Columns for the two doors and what is true: ``rows`` for ``read_rows``, ``vehicles`` for ``read_vehicles``.

    ``event_asset``, ``event_component``, ``event_age``: every defect that came about while its vehicle was under watch
    (positions and months), seen or not. ``frailty`` (vehicles,) the vehicles' own factors, ``gain`` (instruments,) what an
    instrument shows over what is so, ``day0`` the first day of the calendar.
    """

    rows: Mapping[str, Any]
    vehicles: Mapping[str, Any]
    truth: Truth
    event_asset: Array
    event_component: Array
    event_age: Array
    frailty: Array
    gain: Array
    day0: Any

    @property
    def changed_from(self) -> str:
        """The first day with the changed rate, "" where nothing was changed."""
        month = self.truth.change_month
        if month is None or self.truth.changed not in self.truth.rates:
            return ""
        return str(self.day0 + math.ceil(month * DAYS_PER_MONTH))

    def hidden(self) -> tuple[str, ...]:
        """What is true of it, a sentence each: the answers that an analysis should find."""
        truth, said = self.truth, []
        for (component, lot), factor in truth.lot_factors.items():
            said.append(
                f"{component} in lot {lot} fails {factor:g} times as often as in other lots, from the first day on"
            )
        if self.changed_from:
            said.append(f"{truth.changed} was changed: from {self.changed_from} on its rate is {truth.change_factor:g} times what it was")  # fmt: skip
        said.append(f"every good drop rises by {1000 * truth.drift_per_10_000_km:g} mV in 10,000 km")
        worst = int(np.argmax(np.abs(self.gain - 1)))
        off = 100 * float(self.gain[worst] - 1)
        said.append(
            f"instrument M{worst + 1:02d} is furthest off, it shows {abs(off):.2f} % too {'much' if off > 0 else 'little'} throughout; "
            f"no instrument changes over time, so a rise is the circuit's"
        )
        said.append(f"rates grow with age to the power {truth.shape - 1:.2g}, swing by {100 * truth.season:g} % over the year, and vehicles differ")  # fmt: skip
        return tuple(said)

    @property
    def results(self) -> int:
        """Number of rows."""
        return int(self.rows["value"].size)


def synthesise(
    *, seed: int, vehicles: int = 400, months: int = 48, truth: Truth | None = None, start: str = "2022-01-01",
    late_entry: float = 0.5, visit_every: float = 3.0,
) -> SyntheticFleet:  # fmt: skip
    """An invented fleet: ``vehicles`` watched over ``months`` of the calendar from ``start``.

    ``late_entry`` is the share of vehicles that were in service (up to five years) before the archive began;
    ``visit_every`` the mean months between visits, at which every component is measured. Same seed, same fleet.
    """
    truth = truth or Truth()
    rng = np.random.default_rng(seed)
    names, n = tuple(truth.rates), vehicles
    day0 = np.datetime64(start, "D")
    days = round(months * DAYS_PER_MONTH)
    lot = rng.integers(truth.lots, size=n)
    old = rng.random(n) < late_entry
    # Days relative to the start of the archive: in service, watched from, watched to.
    service = np.where(old, -rng.integers(30, 5 * 365, n), rng.integers(0, max(days // 2, 1), n))
    begin = np.maximum(service, 0)
    leave = np.where(rng.random(n) < 0.25, rng.integers(days // 3, days, n), days)
    end = np.maximum(leave, begin + 100)
    frailty = rng.gamma(1 / truth.frailty, truth.frailty, n) if truth.frailty > 0 else np.ones(n)
    pace = truth.monthly_km * rng.lognormal(0, 0.25, n)
    asset_e, part_e, day_e = _events(rng, truth, names, lot, service, begin, end, frailty)

    # Visits: every vehicle about every visit_every months.
    each = np.maximum(((end - begin) / (visit_every * DAYS_PER_MONTH)).astype(int), 1)
    visit_asset = np.repeat(np.arange(n), each)
    within = np.arange(visit_asset.size) - np.repeat(np.cumsum(each) - each, each)
    gap = (end - begin) / each
    # Every vehicle has its own phase, or the whole fleet would come in the same weeks.
    phase = rng.uniform(0.1, 0.85, n)[visit_asset] + rng.uniform(-0.1, 0.1, visit_asset.size)
    visit_day = begin[visit_asset] + ((within + phase) * gap[visit_asset]).astype(int)
    visit_day = np.minimum(visit_day, end[visit_asset] - 1)
    parts, visits = len(names), visit_asset.size
    key = visit_asset.astype(np.int64) * 1_000_000 + (visit_day + 500_000)
    found_at = np.searchsorted(key, asset_e.astype(np.int64) * 1_000_000 + (day_e + 500_000), side="left")
    seen = (found_at < visits) & (visit_asset[np.minimum(found_at, visits - 1)] == asset_e)
    found_at, found_part = found_at[seen], part_e[seen]
    lasting = 1 + (rng.random(found_at.size) < truth.duplicate_share) * rng.integers(1, 3, found_at.size)
    bad = np.zeros((visits, parts), dtype=bool)
    repaired = np.zeros((visits, parts), dtype=bool)
    for extra in range(3):
        at = found_at + extra
        inside = (extra < lasting) & (at < visits)
        inside &= visit_asset[np.minimum(at, visits - 1)] == visit_asset[found_at]
        bad[at[inside], found_part[inside]] = True
        done = inside & (extra == lasting - 1)
        repaired[at[done], found_part[done]] = True
    repaired &= bad

    # One row a visit and component as found, and one as left for every repair.
    repair_visit, repair_part = np.nonzero(repaired)
    row_visit = np.concatenate([np.repeat(np.arange(visits), parts), repair_visit])
    row_part = np.concatenate([np.tile(np.arange(parts), visits), repair_part])
    is_left = np.arange(row_visit.size) >= visits * parts
    asset = visit_asset[row_visit]
    technician, instrument = rng.integers(truth.technicians, size=visits), rng.integers(truth.instruments, size=visits)
    km = pace[asset] * (visit_day[row_visit] - service[asset]) / DAYS_PER_MONTH
    level = truth.good + truth.spread * rng.standard_normal((n, parts))
    true = level[asset, row_part] + truth.drift_per_10_000_km * km / 10_000
    failing = bad[row_visit, row_part] & ~is_left
    true = true + failing * truth.bad * rng.uniform(0.8, 1.8, true.size)
    gain = 1 + truth.instrument_spread * rng.standard_normal(truth.instruments)
    used = instrument[row_visit]
    value = true * gain[used] + truth.reading_u * rng.standard_normal(true.size)
    u = np.hypot(truth.reading_u, truth.instrument_spread * np.abs(true))
    nothing = np.full(value.size, math.nan)
    verdict = judge_history(
        value=value, standard_uncertainty=u, lower=nothing, upper=np.full(value.size, truth.limit), rule="guarded-95"
    )
    order = np.lexsort((is_left, row_part, row_visit))
    asset_names = tuple(f"V{k + 1:05d}" for k in range(n))
    rows: dict[str, Any] = {
        "record": Labels(row_visit[order], tuple(f"R{k + 1:07d}" for k in range(visits))),
        "asset": Labels(asset[order], asset_names),
        "point": Labels(row_part[order], names),
        "component": Labels(row_part[order], names),
        "lot": Labels(lot[asset][order], tuple(f"L{k + 1:02d}" for k in range(truth.lots))),
        "technician": Labels(technician[row_visit][order], tuple(f"T{k + 1:02d}" for k in range(truth.technicians))),
        "instrument": Labels(used[order], tuple(f"M{k + 1:02d}" for k in range(truth.instruments))),
        "phase": Labels(is_left[order].astype(int), ("as found", "as left")),
        "date": day0 + visit_day[row_visit][order],
        "distance_km": np.round(km[order], 1),
        "value": value[order],
        "standard_uncertainty": u[order],
        "upper": np.full(value.size, truth.limit),
        "unit": Labels(np.zeros(value.size, dtype=int), ("V",)),
        "rule": Labels(np.zeros(value.size, dtype=int), ("guarded-95",)),
        "verdict": Labels(verdict[order], WORDS),
    }
    table: dict[str, Any] = {
        "asset": Labels(np.arange(n), asset_names), "lot": Labels(lot, rows["lot"].names),
        "in_service": day0 + service, "watched_from": day0 + begin, "watched_to": day0 + end,
        "distance_km": np.round(pace * (end - begin) / DAYS_PER_MONTH, 1),
    }  # fmt: skip
    age = (day_e - service[asset_e]) / DAYS_PER_MONTH
    return SyntheticFleet(rows, table, truth, asset_e, part_e, age, frailty, gain, day0)


def _events(
    rng: np.random.Generator, truth: Truth, names: tuple[str, ...], lot: Array, service: Array, begin: Array, end: Array,
    frailty: Array,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Vehicle, component and day of every defect: a power law in age by inversion, season and change by thinning."""
    n, parts, shape = frailty.size, len(names), truth.shape
    first, last = (begin - service) / DAYS_PER_MONTH, (end - service) / DAYS_PER_MONTH
    scale = np.array([truth.rates[name] for name in names]) / 12**shape
    factor = np.ones((n, parts))
    for (component, name), value in truth.lot_factors.items():
        if component in names:
            factor[lot == int(name[1:]) - 1, names.index(component)] = value
    most = (1 + truth.season) * max(truth.change_factor, 1.0)
    expected = scale * factor * frailty[:, None] * (last**shape - first**shape)[:, None] * most
    count = rng.poisson(expected)
    asset, part = np.repeat(np.arange(n), count.sum(axis=1)), np.repeat(np.tile(np.arange(parts), n), count.ravel())
    share = rng.random(asset.size)
    age = (first[asset] ** shape + share * (last[asset] ** shape - first[asset] ** shape)) ** (1 / shape)
    day = service[asset] + np.floor(age * DAYS_PER_MONTH).astype(int)
    day = np.clip(day, begin[asset], end[asset] - 1)
    weight = 1 + truth.season * np.cos(2 * math.pi * day / 365.25)
    if truth.change_month is not None and truth.changed in names:
        later = (day >= truth.change_month * DAYS_PER_MONTH) & (part == names.index(truth.changed))
        weight = np.where(later, weight * truth.change_factor, weight)
    kept = rng.random(asset.size) < weight / most
    order = np.lexsort((day[kept], part[kept], asset[kept]))
    return asset[kept][order], part[kept][order], day[kept][order]
