"""Which instruments can be compared at all? Those that are held together by vehicles which several of them measured.

In a layout of places by instruments only effects of one connected part have a common scale (Searle, Linear Models, 1971,
section 7.4). A part that hangs on few vehicles is taken apart too: one vehicle that changed between two visits would
otherwise speak for all instruments behind it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

Array = Any


def shared_places(place: Array, instrument: Array) -> Array:
    """Mask (n,) of the readings at a place that two instruments or more have measured; codes (n,) of both."""
    if not place.size:
        return np.zeros(0, dtype=bool)
    pairs = np.unique(np.stack([place, instrument]), axis=1)[0]
    several: Array = np.bincount(pairs, minlength=int(place.max()) + 1) > 1
    return several[place]


def common_sets(*, asset: Array, place: Array, instrument: Array, minimum_assets: int) -> tuple[Array, ...]:
    """Sets of instrument codes that have a common scale, the largest first; codes (n,) of vehicle, place and instrument.

    However such a set is parted in two, ``minimum_assets`` vehicles or more have a place that both parts measured.
    Instruments in no set stand alone. Sets are split along the cut that the fewest vehicles bridge (Stoer and Wagner
    1997, a vehicle being shared out over its places).
    """
    found = list(_sets(asset, place, instrument, minimum_assets))
    return tuple(sorted(found, key=lambda codes: (-codes.size, int(codes[0]))))


def _sets(asset: Array, place: Array, instrument: Array, least: int) -> Iterator[Array]:
    while True:
        kept = shared_places(place, instrument)
        asset, place, instrument = asset[kept], place[kept], instrument[kept]
        if not place.size:
            return
        vehicles = np.bincount(np.unique(np.stack([instrument, asset]), axis=1)[0])
        weak = vehicles[instrument] < least
        if not weak.any():
            break
        asset, place, instrument = asset[~weak], place[~weak], instrument[~weak]
    codes, mine = np.unique(instrument, return_inverse=True)
    _, where = np.unique(place, return_inverse=True)
    mine, where = mine.reshape(-1), where.reshape(-1)
    near = _nearness(asset, where, mine, codes.size)
    count, part = connected_components(near, directed=False)
    if count == 1:
        side = weakest_cut(near.toarray())
        bridged = np.unique(where[side[mine]])
        across = np.isin(where, bridged) & ~side[mine]
        if np.unique(asset[across]).size >= least:
            yield codes
            return
        part = side.astype(np.intp)
    for number in np.unique(part):
        inside = part[mine] == number
        yield from _sets(asset[inside], place[inside], instrument[inside], least)


def _nearness(asset: Array, place: Array, instrument: Array, size: int) -> Any:
    """How many vehicles hold two instruments together, (size, size); a vehicle is shared out over its places."""
    met = sparse.csr_matrix((np.ones(place.size), (place, instrument)), shape=(int(place.max()) + 1, size))
    met.data[:] = 1.0
    owner = np.zeros(met.shape[0], dtype=np.intp)
    owner[place] = asset
    several = np.asarray(met.sum(axis=1)).reshape(-1)
    share = 1.0 / (np.bincount(owner)[owner] * np.maximum(several - 1, 1))
    near = (met.T @ sparse.diags(share) @ met).tolil()
    near.setdiag(0)
    return near.tocsr()


def weakest_cut(weights: Array) -> Array:
    """Mask (n,) of one side of the cut with the least weight across it; ``weights`` (n, n), symmetric and connected."""
    w = np.array(weights, dtype=float)
    n = w.shape[0]
    member = np.eye(n, dtype=bool)
    alive = np.arange(n)
    best, side = np.inf, member[0]
    while alive.size > 1:
        inside = w[alive[0]].copy()
        rest = list(range(1, alive.size))
        before, last = 0, 0
        while rest:
            nearest = max(rest, key=lambda k: inside[alive[k]])
            rest.remove(nearest)
            before, last = last, nearest
            across = inside[alive[nearest]]
            inside = inside + w[alive[nearest]]
        s, t = alive[before], alive[last]
        if across < best:
            best, side = across, member[t].copy()
        w[s] += w[t]
        w[:, s] += w[:, t]
        w[s, s] = 0.0
        member[s] |= member[t]
        alive = np.delete(alive, last)
    return side


__all__ = ["common_sets", "shared_places", "weakest_cut"]
