"""Which meter is off? Meters are compared at the same points of the same vehicles, all of them at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtr, stdtrit

from diagnb.errors import fault
from diagnb.fleet.figure import Figure, check_level, refused

Array = Any
_ROUNDS = 30


@dataclass(frozen=True, slots=True)
class InstrumentOffset:
    """One meter against the others: ``ratio`` of its values to what the others show at the same points (1: the same).

    ``adjusted`` is the p-value for "as the others", times the number of meters; ``stated`` the relative standard
    uncertainty of its readings (median); ``differs``: the interval leaves out 1; ``flagged``: it lies wholly beyond 1 ± 2
    times ``stated``, or, where no uncertainty is stated, it differs.
    """

    instrument: str
    ratio: Figure
    adjusted: float | None
    stated: float | None
    differs: bool
    flagged: bool


def instrument_offsets(
    *, value: Array, asset: Array, point: Array, instrument: Array, names: tuple[str, ...],
    standard_uncertainty: Array | None = None, coverage: float = 0.95, minimum_assets: int = 8,
) -> tuple[InstrumentOffset, ...]:  # fmt: skip
    """Ratio of each meter's values to the others', compared at the same points of the same vehicles.

    All arrays (n,): values above zero in one unit for each point, codes of vehicle, point and instrument, ``names`` the
    instruments'. Logarithms are cleared of each vehicle's point by its median and of each instrument by the median over its
    vehicles, in turn (Tukey's median polish, 1977, which single defects can't pull); the mean over vehicles of what
    remains has limits by Student's t over vehicles, at ``coverage`` for all instruments together (Bonferroni). The middle
    instrument counts as right: an error that most meters share is not seen. Values at or below zero are not used.
    Refused for an instrument with fewer than ``minimum_assets`` vehicles that another one measured too.
    Raises :class:`~diagnb.errors.InputFault` for arrays that don't fit.
    """
    check_level(coverage, "coverage")
    y, a, p, m = (np.asarray(v) for v in (value, asset, point, instrument))
    if y.ndim != 1 or any(v.shape != y.shape for v in (a, p, m)):
        raise fault("instruments", "value, asset, point and instrument must be lists of one length")
    u = np.full(y.shape, np.nan) if standard_uncertainty is None else np.broadcast_to(standard_uncertainty, y.shape)
    kept = np.isfinite(y) & (y > 0)
    y, a, p, m, u = np.log(y[kept].astype(float)), a[kept], p[kept], m[kept].astype(np.intp), u[kept] / y[kept]
    _, place = np.unique(np.stack([a, p]), axis=1, return_inverse=True)
    place = place.reshape(-1)
    # A point that one instrument alone has measured says nothing about it.
    pairs = np.unique(np.stack([place, m]), axis=1)[0]
    shared = np.bincount(pairs, minlength=int(place.max(initial=-1)) + 1) > 1
    used = shared[place]
    y, a, m, place, u = y[used], a[used], m[used], place[used], u[used]
    present = [int(k) for k in np.unique(np.asarray(instrument, dtype=np.intp))]
    effect = np.zeros(len(names))
    rest = y
    for _ in range(_ROUNDS):
        level = _medians(y - effect[m], place)
        rest = y - level[place]
        owner, mine = _by_vehicle(rest, a, m)
        new = np.zeros(len(names))
        for k in np.unique(m):
            new[k] = float(np.median(mine[owner == k]))
        new -= float(np.median(new[np.unique(m)])) if m.size else 0.0
        if np.max(np.abs(new - effect), initial=0.0) < 1e-7:
            break
        effect = new
    owner, mine = _by_vehicle(rest, a, m)
    # What is left is symmetric about the meter's own effect; the middle meter is the reference.
    raw = {k: mine[owner == k] for k in present}
    able = {k: v for k, v in raw.items() if v.size >= minimum_assets}
    centre = float(np.median([v.mean() for v in able.values()])) if able else 0.0
    tests = max(len(able), 1)
    method = "ratio at the same points of the same vehicles (median polish), limits by vehicle for all meters together"
    found = []
    for k in present:
        v, count = raw[k], int(np.sum(m == k))
        basis: dict[str, Any] = {
            "numerator": float(count),
            "exposure": float(count),
            "exposure_unit": "readings",
            "n": int(v.size),
        }
        if k not in able or tests < 2:
            code = "too-few-assets" if k not in able else "confounded"
            detail = f"{v.size} that another instrument measured too" if k not in able else "one instrument only"
            ratio = refused(names[k], code, detail, unit="1", coverage=coverage, method=method, **basis)
            found.append(InstrumentOffset(names[k], ratio, None, None, False, False))
            continue
        shift, error = float(v.mean()) - centre, float(np.std(v, ddof=1)) / math.sqrt(v.size)
        reach = float(stdtrit(v.size - 1, 1 - (1 - coverage) / (2 * tests))) * error
        p_value = 2 * float(stdtr(v.size - 1, -abs(shift) / error)) if error > 0 else float(shift == 0)
        low, high = shift - reach, shift + reach
        own = u[m == k]
        stated = float(np.median(own[np.isfinite(own)])) if np.isfinite(own).any() else None
        differs = low > 0 or high < 0
        beyond = math.log1p(2 * stated) if stated is not None else 0.0
        ratio = Figure(
            names[k], math.exp(shift), math.exp(low), math.exp(high), "1", float(count), float(count), "readings", int(v.size),
            coverage, method,
        )  # fmt: skip
        adjusted = min(1.0, tests * p_value)
        found.append(InstrumentOffset(names[k], ratio, adjusted, stated, differs, low > beyond or high < -beyond))
    return tuple(sorted(found, key=lambda o: -abs(math.log(o.ratio.value)) if o.ratio.value else 0.0))


def _medians(values: Array, group: Array) -> Array:
    """Median (groups,) of each group."""
    order = np.lexsort((values, group))
    count = np.bincount(group)
    end = np.cumsum(count)
    start = end - count
    ordered = values[order]
    low, high = start + (count - 1) // 2, start + count // 2
    return (ordered[low] + ordered[high]) / 2 if values.size else np.zeros(0)


def _by_vehicle(rest: Array, asset: Array, instrument: Array) -> tuple[Array, Array]:
    """The instrument and the median of what remains, for each pair of vehicle and instrument."""
    pairs, group = np.unique(np.stack([instrument, asset]), axis=1, return_inverse=True)
    return pairs[0], _medians(rest, group.reshape(-1))


__all__ = ["InstrumentOffset", "instrument_offsets"]
