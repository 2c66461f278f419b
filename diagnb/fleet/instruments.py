"""Which meter is off? Meters are compared at the same points of the same vehicles, all of them at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import sparse
from scipy.special import stdtr, stdtrit

from diagnb.errors import fault
from diagnb.fleet.cells import share, span
from diagnb.fleet.common_scale import common_sets, shared_places
from diagnb.fleet.figure import Figure, check_level, refused

Array = Any
_ROUNDS = 60
_HUBER = 1.345
_METHOD = "ratio at the same points of the same vehicles (Huber's estimate of places and instruments together), limits by vehicle for all instruments together"


@dataclass(frozen=True, slots=True)
class InstrumentOffset:
    """One meter against the others of its set: ``ratio`` of its values to what they show at the same points (1: the same).

    ``group`` numbers the set of instruments that have a common scale, 0 for none: nothing compares two sets.
    ``adjusted`` is the p-value for "as the others", times the number of meters; ``stated`` the relative standard
    uncertainty of its readings (median); ``differs``: the interval leaves out 1. Where it lies wholly beyond 1 ± 2 times
    ``stated`` (or, where no uncertainty is stated, it differs), the meter is ``flagged`` if more than half of its set
    agree with the middle, and ``undecided`` if they don't: then some are off, and nobody can say which.
    """

    instrument: str
    ratio: Figure
    adjusted: float | None
    stated: float | None
    differs: bool
    flagged: bool
    group: int = 0
    undecided: bool = False


def instrument_offsets(
    *, value: Array, asset: Array, point: Array, instrument: Array, names: tuple[str, ...],
    standard_uncertainty: Array | None = None, coverage: float = 0.95, minimum_assets: int = 8,
) -> tuple[InstrumentOffset, ...]:  # fmt: skip
    """Ratio of each meter's values to the others', compared at the same points of the same vehicles.

    All arrays (n,): values above zero in one unit for each point, codes of vehicle, point and instrument, ``names`` the
    instruments'. Only instruments of one set are compared (:func:`~diagnb.fleet.common_scale.common_sets`: whichever way
    it is parted, ``minimum_assets`` vehicles bridge it); an instrument in no set is refused ("no-common-scale").
    Logarithms are places (a vehicle's point) plus instruments, estimated together by Huber's proposal (1964), so that
    single defects pull little; limits by Student's t with the variance between vehicles (a sandwich clustered by
    vehicle), at ``coverage`` for all instruments together (Bonferroni). In a set of two the ratio is that to the other one,
    in a larger set to the middle one, which counts as right: an error that most meters of a set share is not seen.
    Values at or below zero are not used. Raises :class:`~diagnb.errors.InputFault` for arrays that don't fit.
    """
    check_level(coverage, "coverage")
    y, a, p, m = (np.asarray(v) for v in (value, asset, point, instrument))
    if y.ndim != 1 or any(v.shape != y.shape for v in (a, p, m)):
        raise fault("instruments", "value, asset, point and instrument must be lists of one length")
    u = np.full(y.shape, np.nan) if standard_uncertainty is None else np.broadcast_to(standard_uncertainty, y.shape)
    present = [int(k) for k in np.unique(m.astype(np.intp))]
    kept = np.isfinite(y) & (y > 0)
    y, a, p, m, u = np.log(y[kept].astype(float)), a[kept], p[kept], m[kept].astype(np.intp), u[kept] / y[kept]
    _, a = np.unique(a, return_inverse=True)
    _, place = np.unique(np.stack([a.reshape(-1), p]), axis=1, return_inverse=True)
    a, place = a.reshape(-1), place.reshape(-1)
    sets = common_sets(asset=a, place=place, instrument=m, minimum_assets=minimum_assets)
    tests = sum(codes.size for codes in sets)
    compared: dict[int, InstrumentOffset] = {}
    for number, codes in enumerate(sets, 1):
        inside = np.isin(m, codes)
        inside[inside] = shared_places(place[inside], m[inside])
        mine = _one_set(
            y=y[inside], asset=a[inside], place=place[inside], instrument=np.searchsorted(codes, m[inside]), u=u[inside],
            names=[names[k] for k in codes], tests=tests, coverage=coverage,
        )  # fmt: skip
        compared |= {int(k): replace(o, group=number) for k, o in zip(codes, mine, strict=True)}
    met = shared_places(place, m)
    found = []
    for k in present:
        if k in compared:
            found.append(compared[k])
            continue
        own = met & (m == k)
        vehicles = int(np.unique(a[own]).size)
        detail = f"{vehicles} that another instrument measured too; {minimum_assets} or more must tie it to a set"
        basis: dict[str, Any] = {"numerator": float(own.sum()), "exposure": float(own.sum()), "exposure_unit": "readings", "n": vehicles}  # fmt: skip
        ratio = refused(names[k], "no-common-scale", detail, unit="1", coverage=coverage, method=_METHOD, **basis)
        found.append(InstrumentOffset(names[k], ratio, None, None, False, False))
    return tuple(
        sorted(found, key=lambda o: (o.ratio.value is None, -abs(math.log(o.ratio.value or 1.0)), o.instrument))
    )


def _one_set(
    *, y: Array, asset: Array, place: Array, instrument: Array, u: Array, names: Sequence[str], tests: int, coverage: float
) -> list[InstrumentOffset]:  # fmt: skip
    """The instruments of one set, codes from 0, in their order."""
    effect, spread = _effects(y, asset, place, instrument, len(names))
    vehicles = np.bincount(np.unique(np.stack([instrument, asset]), axis=1)[0])
    stated = np.array([_median_stated(u[instrument == k]) for k in range(len(names))])
    centre = float(np.median(effect))
    found = []
    for k, name in enumerate(names):
        others = np.delete(np.arange(len(names)), k)
        middle = others[np.argsort(effect[others], kind="stable")]
        middle = middle[(middle.size - 1) // 2 : middle.size // 2 + 1]
        contrast = np.zeros(len(names))
        contrast[k] = 1.0
        contrast[middle] = -1.0 / middle.size
        pair = len(names) == 2
        shift = float(effect[k] - (effect[others[0]] if pair else centre))
        error = math.sqrt(max(float(contrast @ spread @ contrast), 0.0))
        n, count = int(vehicles[k]), float(np.sum(instrument == k))
        reach = float(stdtrit(n - 1, 1 - (1 - coverage) / (2 * tests))) * error
        p_value = 2 * float(stdtr(n - 1, -abs(shift) / error)) if error > 0 else float(shift == 0)
        low, high = shift - reach, shift + reach
        allowed = math.hypot(*stated) if pair else float(stated[k])
        beyond = math.log1p(2 * allowed) if math.isfinite(allowed) else 0.0
        ratio = Figure(name, math.exp(shift), math.exp(low), math.exp(high), "1", count, count, "readings", n, coverage, _METHOD)  # fmt: skip
        own = float(stated[k]) if math.isfinite(stated[k]) else None
        off = low > beyond or high < -beyond
        found.append(InstrumentOffset(name, ratio, min(1.0, tests * p_value), own, low > 0 or high < 0, off))
    if 2 * sum(not o.flagged for o in found) > len(found):
        return found
    return [replace(o, flagged=False, undecided=o.flagged) for o in found]


def _median_stated(u: Array) -> float:
    known = u[np.isfinite(u)]
    return float(np.median(known)) if known.size else math.nan


def _effects(y: Array, asset: Array, place: Array, instrument: Array, size: int) -> tuple[Array, Array]:
    """Effects (size,) of instruments, which sum to nothing, and their covariance (size, size), clustered by vehicle."""
    _, place = np.unique(place, return_inverse=True)
    place = place.reshape(-1)
    weight, effect, rest, scale = np.ones(y.size), np.zeros(size), y, 0.0
    for _ in range(_ROUNDS):
        total = np.bincount(place, weight)
        cleared = y - (np.bincount(place, weight * y) / total)[place]
        new = _inverse(weight, place, instrument, size) @ np.bincount(instrument, weight * cleared, size)
        rest = y - new[instrument]
        rest = rest - (np.bincount(place, weight * rest) / total)[place]
        scale = max(1.4826 * float(np.median(np.abs(rest))), 1e-12)
        weight = 1 / np.maximum(np.abs(rest) / (_HUBER * scale), 1.0)
        moved = float(np.max(np.abs(new - effect)))
        effect = new
        if moved < 1e-9:
            break
    reach = _HUBER * scale
    bread = _inverse((np.abs(rest) <= reach).astype(float), place, instrument, size)
    _, cluster = np.unique(asset, return_inverse=True)
    cluster = cluster.reshape(-1)
    score = sparse.csr_matrix((np.clip(rest, -reach, reach), (cluster, instrument)), shape=(cluster.max() + 1, size))
    n = score.shape[0]
    return effect, bread @ (score.T @ score).toarray() @ bread * n / max(n - 1, 1)


def _inverse(weight: Array, place: Array, instrument: Array, size: int) -> Array:
    """Generalised inverse (size, size) of the normal equations of instruments, places taken out."""
    total = np.bincount(place, weight)
    table = sparse.csr_matrix((weight, (place, instrument)), shape=(total.size, size))
    scaled = sparse.diags(1 / np.maximum(total, 1e-300)) @ table
    normal = np.diag(np.bincount(instrument, weight, size)) - (table.T @ scaled).toarray()
    return np.linalg.pinv(normal, rcond=1e-10, hermitian=True)


def sets_said(found: Sequence[InstrumentOffset], most: int = 8) -> tuple[str, ...]:
    """What the comparison can't say, in sentences: sets without a common scale, sets without a majority, who is in none."""
    numbers = sorted({o.group for o in found if o.group})
    sets = {k: sorted((o for o in found if o.group == k), key=lambda o: o.instrument) for k in numbers}
    said = []
    if len(numbers) > 1:
        named = "; ".join(f"set {k}: {_named(sets[k], most)}" for k in numbers)
        said.append(
            f"the instruments fall into {len(numbers)} sets without a common scale, because too few vehicles were measured by "
            f"instruments of two of them ({named}): a ratio compares within its set only, nothing compares one set with "
            f"another, and an error that a set shares is not seen"
        )
    for k, mine in sets.items():
        if not any(o.undecided for o in mine):
            continue
        names = _named(mine, most)
        if len(mine) == 2:
            one = max(mine, key=lambda o: o.ratio.value or 0.0)
            other = next(o for o in mine if o is not one)
            ends = span(one.ratio.lower, one.ratio.upper, "1", 3)
            said.append(
                f"{one.instrument} shows {share(one.ratio.value, 3)} times what {other.instrument} shows ({ends}), more than they "
                f"state: one of the two is off, or both, and which one can't be said: measure with a third one, or one of known error"
            )
        else:
            said.append(
                f"in set {k} ({names}) instruments differ by more than they state, and no majority agrees: some are off, and which "
                f"ones can't be said: measure with one of known error"
            )
    alone = [o for o in found if not o.group]
    if alone and numbers:
        said.append(f"compared with no other: {_named(alone, most)}")
    return tuple(said)


def _named(found: Sequence[InstrumentOffset], most: int) -> str:
    names = [o.instrument for o in found]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


__all__ = ["InstrumentOffset", "instrument_offsets", "sets_said"]
