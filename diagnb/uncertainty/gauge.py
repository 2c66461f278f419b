"""Gauge studies: how much of a spread is the measuring, how much the operators, how much the parts.

Analysis of variance with random effects, balanced data only: one factor (JCGM 100, H.5) and two crossed factors
(parts by operators, each measured again; ISO 22514-7, ISO/TR 12888). Sums are taken about the first reading and
the means, so that many leading digits in common do no harm (the lesson of the NIST StRD data sets).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import fdtrc, fdtri

from diagnb.errors import Fault, InputFault, fault
from diagnb.uncertainty.estimate import Estimate

Array = Any
POOLING_LEVEL = 0.25
"""The interaction is pooled with the repeatability when its p-value is above this. A high level is the careful
side: an interaction that is there and gets pooled would hide part of the reproducibility."""


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of an analysis of variance; sums and mean squares in the square of the readings' unit.

    ``f`` and ``p_value`` are ``None`` for the line that the others are tested against. Where nothing at all
    varies in both mean squares, f is 0 and the p-value 1.
    """

    source: str
    sum_of_squares: float
    degrees_of_freedom: int
    mean_square: float
    f: float | None = None
    p_value: float | None = None


@dataclass(frozen=True, slots=True)
class OneWay:
    """Groups of repeats (days, instruments, operators): spread within groups and between them.

    ``within`` and ``between`` are standard deviations in the unit of the readings; ``of_group_means`` is the
    experimental standard deviation of the group means. ``between_set_to_zero`` says that the variance between
    groups came out negative and was set to zero.
    """

    mean: float
    groups: int
    repeats: int
    between_row: AnovaRow
    within_row: AnovaRow
    within: float
    between: float
    between_set_to_zero: bool
    of_group_means: float

    @property
    def f(self) -> float:
        """F of the groups against the repeats."""
        return float(self.between_row.f or 0.0)

    @property
    def share_between(self) -> float:
        """Share of the total sum of squares that lies between groups (R²), 0 to 1."""
        total = self.between_row.sum_of_squares + self.within_row.sum_of_squares
        return self.between_row.sum_of_squares / total if total else 0.0

    def critical_value(self, probability: float = 0.95) -> float:
        """The F that groups without any effect of their own stay below with ``probability`` (JCGM 100, H.5.2)."""
        if not 0 < probability < 1:
            raise fault("probability", f"{probability} must lie between 0 and 1", "0.95 means 95 %")
        return float(fdtri(self.between_row.degrees_of_freedom, self.within_row.degrees_of_freedom, probability))

    def estimate(self, *, between_effect: bool, source: str = "repeats") -> Estimate:
        """The grand mean with its type A uncertainty (JCGM 100, H.5.2.5 and H.5.3).

        With an effect between groups u is the standard deviation of the group means over √J, ν = J-1; without
        one all readings count alike: u from the pooled spread over √(J·K), ν = J·K-1.
        """
        if between_effect:
            return Estimate(self.mean, self.of_group_means / math.sqrt(self.groups), self.groups - 1, source, "t")
        count = self.groups * self.repeats
        total = self.between_row.sum_of_squares + self.within_row.sum_of_squares
        return Estimate(self.mean, math.sqrt(total / (count - 1) / count), count - 1, source, "t")


def one_way(groups: Mapping[str, Sequence[float]] | Sequence[Sequence[float]] | Array) -> OneWay:
    """One-way analysis of variance with random effects (JCGM 100, H.5).

    ``groups``: J >= 2 groups of K >= 2 readings each, all of one length and unit. Raises
    :class:`~diagnb.errors.InputFault` for fewer, unequal lengths, or values that are not numbers.
    """
    named = dict(groups) if isinstance(groups, Mapping) else {f"group {i + 1}": g for i, g in enumerate(groups)}
    data = _table(named, "groups")
    centred = data - data[0, 0]
    means = centred.mean(axis=1)
    means += (centred - means[:, None]).mean(axis=1)
    within = float(np.sum((centred - means[:, None]) ** 2))
    return _one_way(float(data[0, 0]), means, within, data.shape[1])


def one_way_of_summaries(*, means: Sequence[float], standard_deviations: Sequence[float], repeats: int) -> OneWay:
    """As :func:`one_way`, from the mean and standard deviation (n-1) of each group of ``repeats`` readings.

    Raises :class:`~diagnb.errors.InputFault` as it does, and for negative standard deviations.
    """
    faults = []
    centres, spreads = np.asarray(means, dtype=float), np.asarray(standard_deviations, dtype=float)
    if centres.ndim != 1 or centres.size < 2:
        faults.append(Fault("means", "an analysis of variance needs two groups or more"))
    if spreads.shape != centres.shape:
        faults.append(Fault("standard deviations", f"there are {spreads.size} for {centres.size} means"))
    if not np.all(np.isfinite(centres)) or not np.all(np.isfinite(spreads)) or np.any(spreads < 0):
        faults.append(Fault("groups", "means must be numbers, and standard deviations numbers not below zero"))
    if repeats < 2:
        faults.append(Fault("repeats", f"{repeats} can't show a spread", "two or more in each group"))
    if faults:
        raise InputFault(faults)
    return _one_way(float(centres[0]), centres - centres[0], float(np.sum(spreads**2)) * (repeats - 1), repeats)


def _one_way(origin: float, means: Array, within_sum: float, repeats: int) -> OneWay:
    """``means``: array (J,), group means less ``origin``."""
    groups = means.size
    grand = float(means.mean())
    grand += float((means - grand).mean())
    between_sum = repeats * float(np.sum((means - grand) ** 2))
    low, high = groups - 1, groups * (repeats - 1)
    error, effect = within_sum / high, between_sum / low
    variance = (effect - error) / repeats
    return OneWay(
        origin + grand, groups, repeats, _tested("between groups", between_sum, low, error, high),
        AnovaRow("within groups", within_sum, high, error), math.sqrt(error), math.sqrt(max(variance, 0.0)),
        variance < 0, math.sqrt(effect / repeats),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What a gauge study showed. Standard deviations in the unit of the readings, shares of the variance 0 to 1.

    ``reproducibility`` holds the operators and, where kept, their interaction with the parts; ``gauge`` is
    repeatability and reproducibility together. ``pooled`` says that the interaction was pooled with the
    repeatability; ``set_to_zero`` names variance components that came out negative and were set to zero.
    ``distinct_categories`` is √2 · part-to-part / gauge, rounded down (at least 1): how many classes of parts the
    gauge can tell apart; ``None`` where the gauge showed no spread.
    """

    parts: int
    operators: int
    repeats: int
    mean: float
    table: tuple[AnovaRow, ...]
    pooled: bool
    set_to_zero: tuple[str, ...]
    repeatability: float
    operator: float
    interaction: float
    reproducibility: float
    gauge: float
    part_to_part: float
    total: float
    degrees_of_freedom: Mapping[str, float]
    distinct_categories: int | None

    @property
    def shares(self) -> Mapping[str, float]:
        """Shares of the total variance; repeatability, reproducibility and part-to-part add up to 1."""
        whole = self.total**2
        names = ("repeatability", "operator", "interaction", "reproducibility", "gauge", "part_to_part")
        return {name: getattr(self, name) ** 2 / whole if whole else 0.0 for name in names}

    def row(self, source: str) -> AnovaRow:
        """The line of the table that is called ``source``. Raises :class:`~diagnb.errors.InputFault`."""
        for row in self.table:
            if row.source == source:
                return row
        raise fault("source", f"{source!r} is not in the table", f"it has {', '.join(r.source for r in self.table)}")

    def precision_to_tolerance(self, span: float, *, multiple: float = 6.0) -> float:
        """``multiple`` gauge standard deviations as a fraction of a tolerance ``span`` in the readings' unit."""
        if not (math.isfinite(span) and span > 0 and multiple > 0):
            raise fault("span", f"{span} is not the width of a tolerance", "upper limit less lower limit")
        return multiple * self.gauge / span

    def reading_error(self, *, source: str = "gauge") -> Estimate:
        """Zero with the uncertainty of one reading by any one of such operators, to be added in a formula."""
        return Estimate(0.0, self.gauge, self.degrees_of_freedom["gauge"], source, "t")


def gauge_study(readings: Array, *, pooling_level: float = POOLING_LEVEL) -> GaugeStudy:
    """Gauge repeatability and reproducibility by two-way analysis of variance with random effects.

    ``readings``: array (parts, operators, repeats), two or more each, every operator measuring every part equally
    often. The interaction is pooled with the repeatability when its p-value is above ``pooling_level`` (1 never
    pools, 0 always does). Degrees of freedom of composed variances follow Satterthwaite over the mean squares;
    those of a component that was set to zero are infinite. They are rough where a component is a small difference.

    Raises :class:`~diagnb.errors.InputFault` for data that are too small, unbalanced or not numbers.
    """
    if not 0 <= pooling_level <= 1:
        raise fault("pooling level", f"{pooling_level} must lie between 0 and 1", "0.25 is usual")
    data = _cube(readings)
    p, o, r = data.shape
    x = data - data[0, 0, 0]
    x = x - x.mean()
    cells, by_part, by_operator = x.mean(axis=2), x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    rest = cells - by_part[:, None] - by_operator[None, :] + x.mean()
    sums = {
        "parts": o * r * float(np.sum((by_part - x.mean()) ** 2)),
        "operators": p * r * float(np.sum((by_operator - x.mean()) ** 2)),
        "interaction": r * float(np.sum(rest**2)),
        "repeatability": float(np.sum((x - cells[:, :, None]) ** 2)),
    }
    freedom = {"parts": p - 1, "operators": o - 1, "interaction": (p - 1) * (o - 1), "repeatability": p * o * (r - 1)}
    crossed = _tested(
        "interaction", sums["interaction"], freedom["interaction"],
        sums["repeatability"] / freedom["repeatability"], freedom["repeatability"],
    )  # fmt: skip
    pooled = crossed.p_value is not None and crossed.p_value > pooling_level
    if pooled:
        against = "repeatability"
        sums[against] += sums.pop("interaction")
        freedom[against] += freedom.pop("interaction")
    else:
        against = "interaction"
    square = {name: sums[name] / freedom[name] for name in sums}
    table = [_tested(n, sums[n], freedom[n], square[against], freedom[against]) for n in ("parts", "operators")]
    rest_row = AnovaRow("repeatability", sums["repeatability"], freedom["repeatability"], square["repeatability"])
    weights = {
        "repeatability": {"repeatability": 1.0},
        "operator": {"operators": 1 / (p * r), against: -1 / (p * r)},
        "interaction": {} if pooled else {"interaction": 1 / r, "repeatability": -1 / r},
        "part_to_part": {"parts": 1 / (o * r), against: -1 / (o * r)},
    }
    variance = {name: sum(c * square[m] for m, c in rule.items()) for name, rule in weights.items()}
    zeroed = tuple(name for name, v in variance.items() if v < 0)
    for name in zeroed:
        variance[name], weights[name] = 0.0, {}
    composed = {
        "reproducibility": ("operator", "interaction"),
        "gauge": ("repeatability", "operator", "interaction"),
        "total": ("repeatability", "operator", "interaction", "part_to_part"),
    }
    spread = {name: math.sqrt(v) for name, v in variance.items()}
    spread |= {name: math.sqrt(sum(variance[m] for m in members)) for name, members in composed.items()}
    groups = {name: (name,) for name in weights} | composed
    nu = {n: _satterthwaite([weights[m] for m in members], square, freedom) for n, members in groups.items()}
    gauge, part = spread["gauge"], spread["part_to_part"]
    return GaugeStudy(
        parts=p, operators=o, repeats=r, mean=float(data[0, 0, 0] + (data - data[0, 0, 0]).mean()),
        table=(*table, *(() if pooled else (crossed,)), rest_row), pooled=pooled, set_to_zero=zeroed,
        distinct_categories=max(math.floor(math.sqrt(2) * part / gauge + 1e-9), 1) if gauge else None,
        degrees_of_freedom=nu, **spread,
    )  # fmt: skip


def _tested(name: str, total: float, freedom: int, error: float, error_freedom: int) -> AnovaRow:
    square = total / freedom
    f = square / error if error > 0 else (math.inf if square > 0 else 0.0)
    p = 0.0 if math.isinf(f) else float(fdtrc(freedom, error_freedom, f))
    return AnovaRow(name, total, freedom, square, f, p)


def _satterthwaite(
    rules: Sequence[Mapping[str, float]], square: Mapping[str, float], freedom: Mapping[str, int]
) -> float:
    """Degrees of freedom of a sum of multiples of mean squares (JCGM 100, G.4.1)."""
    total: dict[str, float] = {}
    for rule in rules:
        for name, c in rule.items():
            total[name] = total.get(name, 0.0) + c * square[name]
    below = sum(v * v / freedom[name] for name, v in total.items())
    return sum(total.values()) ** 2 / below if below and sum(total.values()) > 0 else math.inf


def _table(named: Mapping[str, Sequence[float]], where: str) -> Array:
    """Array (groups, repeats) of balanced finite numbers, or every fault there is."""
    faults, rows = [], {}
    for name, values in named.items():
        try:
            rows[name] = np.asarray(values, dtype=float)
        except (TypeError, ValueError):
            faults.append(Fault(f"{where}.{name}", "holds something that is not a number"))
            continue
        if rows[name].ndim != 1 or not np.all(np.isfinite(rows[name])):
            faults.append(Fault(f"{where}.{name}", "must be a list of numbers"))
        elif rows[name].size < 2:
            faults.append(Fault(f"{where}.{name}", "needs two readings or more", "repeat the reading"))
    if len(named) < 2:
        faults.append(Fault(where, "an analysis of variance needs two groups or more"))
    lengths = {name: row.size for name, row in rows.items()}
    if not faults and len(set(lengths.values())) > 1:
        listed = ", ".join(f"{name} has {size}" for name, size in lengths.items())
        faults.append(Fault(where, f"are not of one length: {listed}", "read every group equally often"))
    if faults:
        raise InputFault(faults)
    return np.array(list(rows.values()))


def _cube(readings: Array) -> Array:
    try:
        data = np.asarray(readings, dtype=float)
    except (TypeError, ValueError) as error:
        raise fault(
            "readings", "are unbalanced, or hold something that is not a number",
            "every operator reads every part equally often",
        ) from error  # fmt: skip
    if data.ndim != 3:
        raise fault("readings", f"have {data.ndim} dimensions", "arrange them as parts by operators by repeats")
    faults = [
        Fault(f"readings.{name}", f"{size} is too few", "two or more")
        for name, size in zip(("parts", "operators", "repeats"), data.shape, strict=True)
        if size < 2
    ]
    if not np.all(np.isfinite(data)):
        faults.append(Fault("readings", "hold something that is not a number", "no reading may be missing"))
    if faults:
        raise InputFault(faults)
    return data
