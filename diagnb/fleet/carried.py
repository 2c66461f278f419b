"""Which lot of which component a vehicle carried, from when to when: the exposure behind lots.

A lot belongs to the part, so to the vehicle's point whose result states it, and from the day it was fitted to the day the
next one was. Nobody says the time of parts whose lot is not stated: it stands apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.conformity import WORDS
from diagnb.fleet.rows import Rows
from diagnb.fleet.vehicles import DAYS_PER_MONTH, Vehicles

Array = Any
_HALF_DAY = 2 * DAYS_PER_MONTH


@dataclass(frozen=True, slots=True)
class Carried:
    """Spans in which a point of a component of a vehicle has one lot; arrays (spans,), sorted by place and begin.

    ``vehicle`` positions in the table of vehicles, ``component`` and ``lot`` codes, ``lot`` 0 for one that is not stated;
    ``months`` under watch within the span, over the number of the component's points in that vehicle, so that the spans of a
    vehicle's component add up to its watch. ``names`` holds the lots of results and table. ``changed`` counts points that changed lots, ``contradicted`` those whose
    results state two lots on one day and phase, taken as not stated. Made by :func:`carried_lots` only.
    """

    vehicle: Array
    component: Array
    lot: Array
    months: Array
    names: tuple[str, ...]
    changed: int
    contradicted: int
    _key: Array
    _begin: Array
    _sizes: tuple[int, int]

    def points_of(self, *, vehicle: Array, component: Array) -> Array:
        """Number (n,) of the points of a component in a vehicle, 1 or more."""
        fleet, points = self._sizes
        owners, count = np.unique(np.unique(self._key) // points, return_counts=True)
        wanted = component.astype(np.int64) * fleet + vehicle
        at = np.minimum(np.searchsorted(owners, wanted), max(owners.size - 1, 0))
        return np.where(owners[at] == wanted, count[at], 1) if owners.size else np.ones(wanted.size, dtype=np.intp)

    def lot_of(self, *, vehicle: Array, component: Array, point: Array, date: Array, left: Array) -> Array:
        """Code of the lot (n,) that a point carried on a day, as found in the morning, as left (mask) in the evening."""
        fleet, points = self._sizes
        half = date.astype("datetime64[D]").astype(np.int64) * 2 + left
        key = (component.astype(np.int64) * fleet + vehicle) * points + point
        first = np.searchsorted(self._key, key, side="left")
        count = np.searchsorted(self._key, key, side="right") - first
        found = np.zeros(key.size, dtype=np.intp)
        for step in range(int(count.max(initial=0))):
            at = np.minimum(first + step, max(self.lot.size - 1, 0))
            inside = (step < count) & (self._begin[at] <= half)
            found = np.where(inside, self.lot[at], found)
        return found


def carried_lots(rows: Rows, vehicles: Vehicles) -> Carried:
    """Spans of lots from the lots that results state, each point of each vehicle for itself.

    The first lot that is stated counts from the begin of the watch, the last one to its end. Between two lots the change
    is on the day on which a result as left states the new one; where it is first stated as found, half-way between that
    day and the last result with the old one. A point that states none has that of its component's other points in the
    vehicle, if those state one only. Results without a verdict are left out.
    """
    names = ("", *sorted({*rows.lot.names, *vehicles.lot.names} - {""}))
    index = {name: k for k, name in enumerate(names)}
    judged = rows.verdict != WORDS.index("not judged")
    # A result that never has a verdict is no point that could become bad.
    rows = rows if judged.all() else rows.take(judged)
    code = np.array([index[n] for n in rows.lot.names] or [0], dtype=np.int64)
    position = vehicles.position(rows.asset)
    kept = np.nonzero((position >= 0) & _ends_of_runs(rows))[0]
    vehicle, component, point = position[kept], rows.component.codes[kept], rows.point.codes[kept]
    points, fleet = max(len(rows.point.names), 1), int(position.max(initial=0)) + 1
    key = (component.astype(np.int64) * fleet + vehicle) * points + point
    half = rows.date[kept].astype(np.int64) * 2 + rows.phase.take(kept).marked({"as left"})
    lot = code[rows.lot.codes[kept]]

    places = np.unique(key)
    told = lot > 0
    states = np.unique(np.stack([key[told], half[told], lot[told]]), axis=1)
    same = np.zeros(states.shape[1], dtype=bool)
    same[1:] = np.all(states[:2, 1:] == states[:2, :-1], axis=0)
    contradicted = np.unique(states[0][same])
    states = states[:, ~np.isin(states[0], contradicted)]
    spans = _spans(states)
    changed = np.unique(spans[0][1:][spans[0][1:] == spans[0][:-1]]).size if spans.size else 0
    silent = np.setdiff1d(places, spans[0])
    filled = _from_the_other_points(np.setdiff1d(silent, contradicted), spans, points)
    bare = np.setdiff1d(silent, filled[0])
    none = np.stack([bare, np.full(bare.size, _EVER), np.zeros(bare.size, dtype=np.int64)])
    spans = np.concatenate([spans, filled, none], axis=1)
    spans = spans[:, np.lexsort((spans[1], spans[0]))]

    owner = spans[0] // points
    of_span, part = owner % fleet, owner // fleet
    end = np.full(owner.size, -_EVER)
    next_same = spans[0][1:] == spans[0][:-1] if owner.size else np.zeros(0, dtype=bool)
    end[:-1][next_same] = spans[1][1:][next_same]
    start, stop = (d[of_span].astype(np.int64) * 2 for d in (vehicles.watched_from, vehicles.watched_to))
    use = np.clip(np.minimum(end, stop) - np.maximum(spans[1], start), 0, None) / _HALF_DAY
    owners, inverse = np.unique(places // points, return_inverse=True)
    share = 1.0 / np.bincount(inverse.reshape(-1))[np.searchsorted(owners, owner)] if owner.size else use
    return Carried(
        of_span, part, spans[2].astype(np.intp), use * share, names, int(changed), int(contradicted.size), spans[0],
        spans[1], (fleet, points),
    )  # fmt: skip


_EVER = -(2**62)


def _ends_of_runs(rows: Rows) -> Array:
    """Mask (rows,): the first and the last of those that follow each other and state the same lot of the same place.

    Rows are in the order of vehicle, point, day and phase, so what lies between two of them says nothing new.
    """
    new = np.ones(len(rows) + 1, dtype=bool)
    inner = np.zeros(max(len(rows) - 1, 0), dtype=bool)
    for labels in (rows.asset, rows.point, rows.component, rows.lot):
        inner |= labels.codes[1:] != labels.codes[:-1]
    new[1:-1] = inner
    return new[:-1] | new[1:]


def _spans(states: Array) -> Array:
    """(place, begin, lot) by (3, spans) from statements (place, half-day, lot), sorted; a begin is in half-days."""
    if not states.shape[1]:
        return states.astype(np.int64)
    place, half, lot = states
    new = np.ones(place.size, dtype=bool)
    new[1:] = (place[1:] != place[:-1]) | (lot[1:] != lot[:-1])
    at = np.nonzero(new)[0]
    before = np.maximum(at - 1, 0)
    follows = (at > 0) & (place[before] == place[at])
    day, last = half[at] // 2, half[before] // 2
    begin = np.where(half[at] % 2 == 1, half[at], 2 * (last + (day - last + 1) // 2))
    return np.stack([place[at], np.where(follows, begin, _EVER), lot[at]])


def _from_the_other_points(silent: Array, spans: Array, points: int) -> Array:
    """Spans for the points of ``silent`` whose component states one lot only in this vehicle."""
    pairs = np.unique(np.stack([spans[0] // points, spans[2]]), axis=1)
    owner, first, count = np.unique(pairs[0], return_index=True, return_counts=True)
    only = owner[count == 1]
    lot = pairs[1][first[count == 1]]
    mine = silent // points
    at = np.minimum(np.searchsorted(only, mine), max(only.size - 1, 0))
    found = only[at] == mine if only.size else np.zeros(mine.size, dtype=bool)
    return np.stack([silent[found], np.full(int(found.sum()), _EVER), lot[at[found]] if only.size else mine[:0]])


__all__ = ["Carried", "carried_lots"]
