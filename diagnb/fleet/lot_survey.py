"""Every component by every lot: whose lots are compared, with which exposure, and what can't be compared."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from diagnb.fleet.carried import Carried, carried_lots
from diagnb.fleet.defects import Defects
from diagnb.fleet.figure import Refusal
from diagnb.fleet.labels import listed
from diagnb.fleet.lots import CellSurvey, survey_cells, told_mainly_of_the_bad
from diagnb.fleet.rows import Rows
from diagnb.fleet.study import Placed, place
from diagnb.fleet.vehicles import DAYS_PER_MONTH, Vehicles
from diagnb.quantities.counting import counted

Array = Any
_MOST = 5
_LEAST = 0.5 / DAYS_PER_MONTH
"""Months of exposure that a defect has at least: it came about on some day."""


def lots_survey(
    rows: Rows, defects: Defects, vehicles: Vehicles, *, false_discovery_rate: float = 0.05,
    smallest_number_failing: int = 3, minimum_months: float = 60.0,
) -> CellSurvey:  # fmt: skip
    """Every component by every lot against the component's other lots, all cells at once (Benjamini-Hochberg).

    The lot is that of the part, as the results of the component state it (:func:`~diagnb.fleet.carried.carried_lots`), with
    the months for which vehicles carried it and it could become bad: not from half-way between its last good result and a
    fail until it is proved good again. Where they state it for less than half of the time that the table of vehicles does,
    or mainly for vehicles with a defect, the lot of the vehicle stands in; where the table has none, the component is refused ("lots-of-defects"). What no lot is stated for is in no comparison ("lot-not-stated"). Vehicles that differ are
    allowed for by the dispersion of their counts. ``cautions`` say what was done where.
    """
    placed = place(defects, vehicles)
    own = carried_lots(rows, vehicles)
    left = rows.phase.marked({"as left"})[defects.row[placed.which]]
    component = defects.component.codes[placed.which]
    lost = _months_bad(defects, placed, vehicles) / own.points_of(vehicle=placed.asset, component=component)
    lot_own = own.lot_of(
        vehicle=placed.asset, component=component, point=defects.point.codes[placed.which],
        date=defects.opened[placed.which], left=left,
    )  # fmt: skip
    index = {name: k for k, name in enumerate(own.names)}
    table = np.array([index[n] for n in vehicles.lot.names] or [0])[vehicles.lot.codes]
    whole, every = vehicles.months, np.arange(len(vehicles))
    parts, size = len(rows.component.names), len(own.names)
    events, exposure, failing = np.zeros((parts, size)), np.zeros((parts, size)), np.zeros((parts, size))
    dispersion, apart = np.ones(parts), []
    stand_in: list[str] = []
    cut = np.searchsorted(own.component, np.arange(parts + 1))
    order = np.argsort(component, kind="stable")
    cut_events = np.searchsorted(component[order], np.arange(parts + 1))
    for part in np.unique(rows.component.codes):
        name, spans = rows.component.names[part], slice(cut[part], cut[part + 1])
        mine = order[cut_events[part] : cut_events[part + 1]]
        vehicle, lot, months, lot_event = own.vehicle[spans], own.lot[spans], own.months[spans], lot_own[mine]
        known = float(months[lot > 0].sum())
        from_table = float(whole[table > 0].sum())
        follows = _told_of(vehicle[lot > 0], placed.asset[mine], len(vehicles)) if known else ""
        if from_table and (follows or 2 * known < from_table):
            vehicle, lot, months, lot_event = every, table, whole, table[placed.asset[mine]]
            stand_in.append(name)
        elif follows:
            apart.append((name, "any", Refusal("lots-of-defects", follows)))
            continue
        told = (lot > 0) & (months > 0)
        bare, without = float(whole.sum() - months[told].sum()), int(np.sum(lot_event == 0))
        if without or bare > 1e-6 * whole.sum():
            apart.append((name, "none stated", Refusal("lot-not-stated", f"{counted(without, 'defect')} in {bare:,.0f} of {whole.sum():,.0f} vehicle-months")))  # fmt: skip
        used = lot_event > 0
        # What could not become bad, because it was, is taken off where the defect is counted.
        vehicle = np.append(vehicle[told], placed.asset[mine][used])
        lot = np.append(lot[told], lot_event[used])
        months = np.append(months[told], -lost[mine][used])
        pair_event = placed.asset[mine][used] * size + lot_event[used]
        events[part] = np.bincount(lot_event[used], minlength=size)
        exposure[part] = np.bincount(lot, weights=months, minlength=size)
        exposure[part] = np.where(events[part] > 0, np.maximum(exposure[part], events[part] * _LEAST), exposure[part])
        failing[part] = np.bincount(np.unique(pair_event) % size, minlength=size)
        dispersion[part] = _dispersion(vehicle * size + lot, months, pair_event, events[part], exposure[part])
    found = survey_cells(
        dispersion=dispersion, rows=list(rows.component.names), columns=list(own.names), events=events, exposure=exposure,
        failing_assets=failing, minimum_exposure=minimum_months, false_discovery_rate=false_discovery_rate,
        smallest_number_failing=smallest_number_failing,
    )  # fmt: skip
    return replace(
        found, untested=(*apart, *found.untested), cautions=_cautions(own, stand_in, apart, parts=np.unique(rows.component.codes).size)
    )  # fmt: skip


def _dispersion(pair: Array, months: Array, pair_event: Array, events: Array, exposure: Array) -> float:
    """Variance of the counts of vehicles over their mean, at least 1, within lots: one that differs does not hide itself."""
    if not pair_event.size:
        return 1.0
    pairs, inverse = np.unique(pair, return_inverse=True)
    use = np.maximum(np.bincount(inverse.reshape(-1), weights=months), _LEAST)
    lot = pairs % events.size
    expected = use * (events / np.maximum(exposure, 1e-300))[lot]
    found = np.bincount(np.searchsorted(pairs, pair_event), minlength=pairs.size)
    freedom = max(pairs.size - int(np.sum(exposure > 0)), 1)
    scatter = float(np.sum((found - expected) ** 2)) * pairs.size / freedom
    return max(scatter / float(expected.sum()), 1.0)


def _months_bad(defects: Defects, placed: Placed, vehicles: Vehicles) -> Array:
    """Months (defects placed,) in which the point was bad already: onset half-way since the last good result."""
    start, stop = vehicles.watched_from[placed.asset], vehicles.watched_to[placed.asset]
    opened, before, after = (d[placed.which] for d in (defects.opened, defects.good_before, defects.good_after))
    before = np.where(np.isnat(before), start, np.maximum(before, start))
    after = np.where(np.isnat(after), stop, np.minimum(after, stop))
    days: Array = (after - opened).astype(float) + (opened - before).astype(float) / 2
    return np.maximum(days, 0.0) / DAYS_PER_MONTH


def _told_of(stated: Array, failed: Array, fleet: int) -> str:
    """Of which vehicles lots are known, in words, where that follows the defects; "" else."""
    bad, told = np.zeros(fleet, dtype=bool), np.zeros(fleet, dtype=bool)
    bad[failed], told[stated] = True, True
    if not told_mainly_of_the_bad(told=told, bad=bad):
        return ""
    both, all_bad = int(np.sum(bad & told)), int(bad.sum())
    good, all_good = int(np.sum(told & ~bad)), fleet - all_bad
    return f"of {both:,} of {counted(all_bad, 'vehicle')} with a defect, and of {good:,} of {all_good:,} without one"


def _cautions(own: Carried, stand_in: list[str], apart: list[tuple[str, str, Refusal]], *, parts: int) -> tuple[str, ...]:  # fmt: skip
    said = []
    if len(stand_in) < parts:
        said.append(
            "a lot is that of the part, as the results of its component state it, from the beginning of the watch or the change to "
            "it, to the next change or the end"
        )
    if stand_in:
        names = "all components" if len(stand_in) == parts else listed(stand_in, _MOST)
        said.append(
            f"{names}: a lot is that of the vehicle, from the table of vehicles, because results state too few or none"
        )
    if own.changed and len(stand_in) < parts:
        said.append(
            f"{counted(own.changed, 'point')} with more than one lot: the time is split where a result as left states the new lot "
            f"on that day, else half-way between the last result with the old lot and the first with the new one"
        )
    if own.contradicted and len(stand_in) < parts:
        said.append(f"{counted(own.contradicted, 'point')} with two lots on one day: taken as not stated")
    for code, words in (("lot-not-stated", "no lot stated for a part of the time"), ("lots-of-defects", "not compared, lots are stated mainly where there was a defect")):  # fmt: skip
        mine = [(name, why) for name, _, why in apart if why.code == code]
        if mine:
            said.append(f"{words}: {'; '.join(f'{name} ({why.detail})' for name, why in mine[:_MOST])}" + (f" and {len(mine) - _MOST} more components" if len(mine) > _MOST else ""))  # fmt: skip
    said.append(
        "months are those in which a point could become bad: from half-way between its last good result and a fail, until it is "
        "proved good again, it could not; where vehicles differ much, ratios of frequent defects still come out too near to 1"
    )
    return tuple(said)


__all__ = ["lots_survey"]
