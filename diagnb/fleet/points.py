"""Is a point's name one point? In many tables it names the procedure, and the component tells which circuit it was done on."""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnb.fleet.labels import Labels

Array = Any


def points_told_apart(*, point: Labels, component: Labels, asset: Labels, phase: Labels, day: Array) -> Labels:
    """Points by name; where one name stands for two components of a vehicle on one day and in one phase, "component: name".

    A component that changes from one day to another (another part number was fitted) leaves the point what it is.
    All columns (rows,), ``day`` whole numbers.
    """
    wide = max(len(component.names), 1)
    pair = point.codes.astype(np.int64) * wide + component.codes
    pairs = np.unique(pair)
    several = np.bincount(pairs // wide, minlength=len(point.names) or 1) > 1
    rows = np.nonzero(several[point.codes])[0]
    if not rows.size:
        return point
    visits = np.unique(np.stack([pair[rows], asset.codes[rows], day[rows], phase.codes[rows]]), axis=1)
    visits[0] //= wide
    _, first, count = np.unique(visits, axis=1, return_index=True, return_counts=True)
    many = np.zeros(several.size, dtype=bool)
    many[visits[0][first[count > 1]]] = True
    if not many.any():
        return point
    name = {
        int(p): f"{component.names[p % wide]}: {point.names[p // wide]}" if many[p // wide] else point.names[p // wide]
        for p in pairs
    }
    names = sorted(set(name.values()))
    index = {text: k for k, text in enumerate(names)}
    code = np.array([index[name[int(p)]] for p in pairs], dtype=np.int32)
    return Labels(code[np.searchsorted(pairs, pair)], tuple(names))


__all__ = ["points_told_apart"]
