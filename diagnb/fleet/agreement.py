"""Is it the people or the instruments? Agreement on verdicts, gauge studies from rows, and process capability."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from diagnb.errors import fault
from diagnb.fleet.figure import Figure, Refusal, check_level
from diagnb.uncertainty import GaugeStudy, gauge_study

Array = Any


def fleiss_kappa(*, ratings: Array, coverage: float = 0.95) -> Figure:
    """Agreement beyond chance of technicians on verdicts (Fleiss 1971).

    ``ratings`` (items, verdicts): how many technicians gave each verdict to each item, the same number for every
    item. Limits by leaving out one item at a time (jackknife), normal. Refused where all gave one verdict throughout.
    Raises :class:`~diagnb.errors.InputFault` for unequal numbers or fewer than two technicians.
    """
    check_level(coverage, "coverage")
    table = np.asarray(ratings, dtype=float)
    if table.ndim != 2 or table.shape[0] < 3 or np.any(table < 0):
        raise fault("ratings", "must be a table of counts with three items or more")
    raters = table.sum(axis=1)
    if np.ptp(raters) or raters[0] < 2:
        raise fault("ratings", "every item needs the verdicts of the same two technicians or more")
    items, m = table.shape[0], float(raters[0])
    method = "Fleiss' kappa, jackknife over items"
    counted = (float(table.sum()), float(items), "items", items, coverage, method)

    def kappa(t: Array) -> float:
        agreed = float(np.mean((np.sum(t * t, axis=1) - m) / (m * (m - 1))))
        chance = float(np.sum((t.sum(axis=0) / t.sum()) ** 2))
        return math.nan if chance >= 1 else (agreed - chance) / (1 - chance)

    value = kappa(table)
    without = np.array([kappa(np.delete(table, k, axis=0)) for k in range(items)])
    if math.isnan(value) or np.any(np.isnan(without)):
        return Figure("kappa", None, None, None, "1", *counted, Refusal("nothing-varies", "one verdict throughout"))
    error = math.sqrt((items - 1) / items * float(np.sum((without - without.mean()) ** 2)))
    half = float(ndtri((1 + coverage) / 2)) * error
    return Figure("kappa", value, max(value - half, -1.0), min(value + half, 1.0), "1", *counted)


_K1 = {2: 0.8862, 3: 0.5908}
_K2 = {2: 0.7071, 3: 0.5231}
_K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """Gauge study by average and range; all in the unit of the readings but ``share``, gauge over total in 0 to 1."""

    mean_range: float
    operator_difference: float
    part_range: float
    repeatability: float
    reproducibility: float
    gauge: float
    part_to_part: float
    total: float
    share: float


def gauge_by_ranges(readings: Array, *, digits: int | None = None, part_digits: int | None = None) -> RangeStudy:
    """Average-and-range method for ``readings`` (parts, operators, repeats), as the trade's data sheets have it.

    Two or three operators, two or three repeats, two to ten parts. ``digits`` rounds the mean range and the
    operators' means, ``part_digits`` the part range, as a data sheet does before it goes on. The analysis of variance
    (:func:`~diagnb.uncertainty.gauge_study`) is better where it can be had: this one has no interaction.
    Raises :class:`~diagnb.errors.InputFault` for other sizes or values that are no numbers.
    """
    data = np.asarray(readings, dtype=float)
    if data.ndim != 3 or data.shape[0] not in _K3 or data.shape[1] not in _K2 or data.shape[2] not in _K1:
        raise fault("readings", "must be 2 to 10 parts by 2 or 3 operators by 2 or 3 repeats")
    if not np.all(np.isfinite(data)):
        raise fault("readings", "hold something that is not a number")
    parts, operators, repeats = data.shape

    def cut(x: Array, places: int | None) -> Array:
        return x if places is None else np.round(x, places)

    mean_range = float(cut(np.mean(np.ptp(data, axis=2)), digits))
    difference = float(np.ptp(cut(data.mean(axis=(0, 2)), digits)))
    part_range = float(cut(np.ptp(data.mean(axis=(1, 2))), part_digits))
    ev = mean_range * _K1[repeats]
    av = math.sqrt(max((difference * _K2[operators]) ** 2 - ev * ev / (parts * repeats), 0.0))
    gauge, pv = math.hypot(ev, av), part_range * _K3[parts]
    total = math.hypot(gauge, pv)
    return RangeStudy(
        mean_range, difference, part_range, ev, av, gauge, pv, total, gauge / total if total else math.nan
    )


@dataclass(frozen=True, slots=True)
class GaugeFromRows:
    """A gauge study made from rows, or why there is none. ``set_aside`` counts rows of a part not read by everyone."""

    study: GaugeStudy | None
    parts: tuple[Any, ...]
    operators: tuple[Any, ...]
    repeats: int
    set_aside: int
    refusal: Refusal | None = None


def gauge_from_rows(*, value: Array, part: Array, operator: Array) -> GaugeFromRows:
    """Repeatability and reproducibility of technicians (or instruments) from rows; all arrays (n,).

    Keeps the parts that every operator read at least twice, and as many of their first readings as all have. Refused
    with fewer than two such parts, or where operators never read the same part (technician and depot are then
    one thing, and can't be told apart).
    """
    y = np.asarray(value, dtype=float)
    parts, p = np.unique(np.asarray(part), return_inverse=True)
    people, o = np.unique(np.asarray(operator), return_inverse=True)
    if y.ndim != 1 or p.shape != y.shape or o.shape != y.shape or not np.all(np.isfinite(y)):
        raise fault("rows", "value, part and operator must be lists of one length, the values numbers")
    count = np.zeros((parts.size, people.size), dtype=int)
    np.add.at(count, (p, o), 1)
    shared = (count >= 2).all(axis=1)

    def no(code: str, detail: str) -> GaugeFromRows:
        return GaugeFromRows(None, (), tuple(people.tolist()), 0, int(y.size), Refusal(code, detail))

    if people.size < 2:
        return no("too-few-points", "one operator only")
    if ((count > 0).sum(axis=1) < 2).all():
        return no("confounded", "no part was read by two operators")
    if shared.sum() < 2:
        return no("unbalanced", f"{int(shared.sum())} parts were read twice by every operator")
    repeats = int(count[shared].min())
    kept = np.nonzero(shared)[0]
    cube = np.array([[y[(p == a) & (o == b)][:repeats] for b in range(people.size)] for a in kept])
    return GaugeFromRows(
        gauge_study(cube), tuple(parts[kept].tolist()), tuple(people.tolist()), repeats, int(y.size - cube.size)
    )


@dataclass(frozen=True, slots=True)
class Capability:
    """Process capability: Cp, Cpk and the share expected outside the limits if the spread is normal."""

    cp: float | None
    cpk: float
    share_outside: float
    n: int | None
    lower: float | None
    upper: float | None
    coverage: float
    method: str


def process_capability(
    *, mean: float, standard_deviation: float, lower: float | None = None, upper: float | None = None,
    n: int | None = None, coverage: float = 0.95,
) -> Capability:  # fmt: skip
    """Cp = span/6s and Cpk = nearer side/3s (NIST/SEMATECH e-Handbook 6.1.6); limits of Cpk where ``n`` is given.

    Bissell's approximate limits: Cpk ± z √(1/(9n) + Cpk²/(2(n-1))). All in one unit. ``cp`` is None with one limit.
    Raises :class:`~diagnb.errors.InputFault` without a limit or a spread.
    """
    check_level(coverage, "coverage")
    if (lower is None and upper is None) or not standard_deviation > 0 or (n is not None and n < 2):
        raise fault("capability", "needs a limit, a standard deviation above zero and two values or more")
    if lower is not None and upper is not None and lower >= upper:
        raise fault("capability", "the limits are crossed")
    s = standard_deviation
    sides = [(upper - mean) / s] if upper is not None else []
    sides += [(mean - lower) / s] if lower is not None else []
    cp = (upper - lower) / (6 * s) if upper is not None and lower is not None else None
    cpk = min(sides) / 3
    half = None
    if n is not None:
        half = float(ndtri((1 + coverage) / 2)) * math.sqrt(1 / (9 * n) + cpk * cpk / (2 * (n - 1)))
    return Capability(
        cp, cpk, float(sum(ndtr(-side) for side in sides)), n, None if half is None else cpk - half,
        None if half is None else cpk + half, coverage, "normal spread; Bissell's limits of Cpk",
    )  # fmt: skip


__all__ = [
    "Capability", "GaugeFromRows", "RangeStudy", "fleiss_kappa", "gauge_by_ranges", "gauge_from_rows",
    "process_capability",
]  # fmt: skip
