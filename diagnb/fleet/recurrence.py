"""Events that come back: the mean cumulative function, with limits that allow for vehicles that differ.

Poisson limits cover far less than they promise when some vehicles are worse than others; the limits here take the
scatter from vehicle to vehicle (Lawless and Nadeau 1995).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import ndtr, ndtri

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.figure import Figure, Refusal, Trial, check_level, no_trial, refused

Array = Any
Variance = Literal["by asset", "poisson"]
Limits = Literal["log", "plain"]
SMALLEST_AT_RISK = 5
"""Below so many vehicles under watch at an age, limits are those of a handful and a caution says so."""


@dataclass(frozen=True, slots=True)
class Histories:
    """Vehicles under watch and their events, all ages in one unit of use.

    ``entry`` and ``exit`` (assets,): ages between which each vehicle was watched; ``asset`` (events,): position of
    the vehicle of each event; ``age`` (events,): its age then. An event counts in the watch (entry, exit].
    Raises :class:`~diagnb.errors.InputFault` with every fault there is.
    """

    entry: Array
    exit: Array
    asset: Array
    age: Array
    unit: str = ""

    def __post_init__(self) -> None:
        entry, exit_ = np.asarray(self.entry, dtype=float), np.asarray(self.exit, dtype=float)
        asset, age = np.asarray(self.asset, dtype=np.intp), np.asarray(self.age, dtype=float)
        faults = []
        if entry.ndim != 1 or entry.shape != exit_.shape:
            faults.append(Fault("histories", "entry and exit must be lists of one length"))
        elif np.any(~np.isfinite(entry)) or np.any(~np.isfinite(exit_)) or np.any(exit_ <= entry):
            faults.append(Fault("histories", f"{int(np.sum(~(exit_ > entry)))} vehicles leave before they enter"))
        if asset.ndim != 1 or asset.shape != age.shape:
            faults.append(Fault("histories", "asset and age of the events must be lists of one length"))
        elif not faults and asset.size:
            if asset.min() < 0 or asset.max() >= entry.size:
                faults.append(Fault("histories.asset", "an event of a vehicle that is not here"))
            else:
                outside = int(np.sum((age <= entry[asset]) | (age > exit_[asset]) | ~np.isfinite(age)))
                if outside:
                    faults.append(Fault("histories.age", f"{outside} events outside their vehicle's watch"))
        if faults:
            raise InputFault(faults)
        order = np.argsort(age, kind="stable")
        for name, column in (("entry", entry), ("exit", exit_), ("asset", asset[order]), ("age", age[order])):
            column = np.array(column)
            column.flags.writeable = False
            object.__setattr__(self, name, column)

    @property
    def assets(self) -> int:
        """Number of vehicles."""
        return int(self.entry.size)

    def at_risk(self, ages: Array) -> Array:
        """Vehicles under watch at each age: entered before, not yet left."""
        entered = np.searchsorted(np.sort(self.entry), ages, side="left")
        return entered - np.searchsorted(np.sort(self.exit), ages, side="left")


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """Expected events per vehicle up to each age; arrays (points,), steps at event ages.

    ``standard_error``, ``lower``, ``upper`` are NaN where limits are refused (``refusal``).
    """

    age: Array
    mean: Array
    standard_error: Array
    lower: Array
    upper: Array
    at_risk: Array
    events: int
    assets: int
    exposure: float
    unit: str
    last_age: float
    coverage: float
    method: str
    refusal: Refusal | None = None
    cautions: tuple[str, ...] = ()

    def at(self, age: float) -> Figure:
        """The figure at one age. Refused beyond the ages observed, and where limits are refused."""
        name, method = f"events per vehicle by {age:g} {self.unit}".rstrip(), self.method
        counted = (float(self.events), self.exposure, self.unit, self.assets, self.coverage, method)
        if self.refusal:
            return Figure(name, None, None, None, "events", *counted, self.refusal)
        if age > self.last_age:
            why = Refusal("beyond-observed-age", f"the last vehicle was seen at {self.last_age:g}")
            return Figure(name, None, None, None, "events", *counted, why)
        k = int(np.searchsorted(self.age, age, side="right")) - 1
        if k < 0:
            why = Refusal("too-few-failures", "no event up to this age")
            return Figure(name, None, None, None, "events", *counted, why)
        cautions = self.cautions
        if self.at_risk[k] < SMALLEST_AT_RISK:
            cautions += (f"only {self.at_risk[k]:g} vehicles were under watch at this age",)
        return Figure(
            name, float(self.mean[k]), float(self.lower[k]), float(self.upper[k]), "events", *counted,
            cautions=cautions,
        )  # fmt: skip


def mean_cumulative_function(
    histories: Histories, *, coverage: float = 0.95, variance: Variance = "by asset", limits: Limits = "log",
    minimum_assets: int = 10, points: int = 400,
) -> MeanCumulative:  # fmt: skip
    """Nelson's mean cumulative function Σ d/Y with limits clustered by vehicle (or Poisson, on request).

    ``limits`` "log": M·exp(±z·SE/M), never below zero; "plain": M ± z·SE, clipped at 0. Refused for less than
    ``minimum_assets`` vehicles with "by asset". Where there are more than ``points`` different event ages, the
    curve is given at that many of them, evenly over the events; its values there are exact.
    """
    check_level(coverage, "coverage")
    h = histories
    ages, counts = np.unique(h.age, return_counts=True)
    y = h.at_risk(ages).astype(float)
    mean = np.cumsum(counts / y) if ages.size else np.zeros(0)
    exposure = float(np.sum(h.exit - h.entry))
    keep = np.arange(ages.size)
    if ages.size > points:
        keep = np.unique(np.linspace(0, ages.size - 1, points).round().astype(int))
    if variance == "poisson":
        error = np.sqrt(np.cumsum(counts / y**2))[keep] if ages.size else np.zeros(0)
        method = "mean cumulative function, Poisson variance"
    else:
        error = _clustered(h, ages, counts, y, keep)
        method = "mean cumulative function, variance by vehicle (Lawless-Nadeau)"
    refusal = None
    if variance == "by asset" and h.assets < minimum_assets:
        refusal = Refusal("too-few-assets", f"{h.assets} of at least {minimum_assets} vehicles")
        error = np.full(keep.size, math.nan)
    m, z = mean[keep], float(ndtri((1 + coverage) / 2))
    with np.errstate(over="ignore"):
        if limits == "log":
            reach = np.exp(z * error / m)
            low, high = m / reach, m * reach
        else:
            low, high = np.maximum(m - z * error, 0.0), m + z * error
    cautions = []
    if variance == "poisson" and h.assets > 1:
        cautions.append("Poisson limits promise too much where vehicles differ")
    return MeanCumulative(
        ages[keep], m, error, low, high, y[keep], int(h.age.size), h.assets, exposure, h.unit, float(h.exit.max()), coverage,
        f"{method}, {limits} limits", refusal, tuple(cautions),
    )  # fmt: skip


def _clustered(h: Histories, ages: Array, counts: Array, y: Array, keep: Array) -> Array:
    """Standard errors (kept,): root of the sum over vehicles of their squared influences."""
    compensator = np.concatenate([[0.0], np.cumsum(counts / y**2)])
    position = np.searchsorted(ages, h.age)
    until_entry = compensator[np.searchsorted(ages, h.entry, side="right")]
    until_exit_position = np.searchsorted(ages, h.exit, side="right")
    weight = 1 / y[position] if ages.size else np.zeros(0)
    own = np.zeros(h.assets)
    errors = np.empty(keep.size)
    done = 0
    for slot, k in enumerate(keep):
        upto = int(np.searchsorted(position, k, side="right"))
        np.add.at(own, h.asset[done:upto], weight[done:upto])
        done = upto
        reached = compensator[np.minimum(until_exit_position, k + 1)]
        errors[slot] = math.sqrt(float(np.sum((own - np.maximum(reached - until_entry, 0.0)) ** 2)))
    return errors


def compare_recurrence(first: MeanCumulative, second: MeanCumulative, *, age: float, level: float = 0.05) -> Trial:
    """Test that two groups of different vehicles expect equally many events by ``age``; variance by vehicle.

    Refused where either curve is refused there. The age must be chosen before the curves are seen.
    """
    name = f"difference of events per vehicle by {age:g}"
    hypothesis = "both groups expect equally many events"
    a, b = first.at(age), second.at(age)
    for figure in (a, b):
        if figure.refusal:
            return no_trial(name, hypothesis, figure.refusal.code, figure.refusal.detail, level=level)
    spread = math.hypot(*(_error_at(m, age) for m in (first, second)))
    n = first.assets + second.assets
    if spread == 0:
        return no_trial(name, hypothesis, "too-few-failures", "no event in either group", level=level, n=n)
    z = (float(a.value or 0) - float(b.value or 0)) / spread
    p = 2 * float(ndtr(-abs(z)))
    return Trial(
        name, hypothesis, z, "standard normal", p, float(ndtri(1 - level / 2)), level,
        "first is higher" if z > 0 else "second is higher", n, "difference of mean cumulative functions, by vehicle",
    )  # fmt: skip


def _error_at(curve: MeanCumulative, age: float) -> float:
    k = int(np.searchsorted(curve.age, age, side="right")) - 1
    return 0.0 if k < 0 else float(curve.standard_error[k])


def expected_events(
    histories: Histories, *, age_now: Array, further_use: Array | float, coverage: float = 0.95,
    minimum_events: int = 5, minimum_assets: int = 10,
) -> Figure:  # fmt: skip
    """How many events to expect while vehicles of ``age_now`` (vehicles,) are used ``further_use`` more each.

    Sum of the increments of the mean cumulative function, with a prediction interval: uncertainty of the curve by
    vehicle plus the scatter of the counts to come (Poisson, widened by the observed ratio of variance to mean over
    vehicles; negative binomial quantiles). Never without its interval. Refused where an age is reached at which
    fewer than :data:`SMALLEST_AT_RISK` vehicles were watched.
    """
    check_level(coverage, "coverage")
    name, h = "events to come", histories
    start = np.asarray(age_now, dtype=float)
    step = np.broadcast_to(np.asarray(further_use, dtype=float), start.shape)
    if start.ndim != 1 or not start.size or np.any(~np.isfinite(start)) or np.any(step <= 0):
        raise fault("age_now", "must be the ages of one vehicle or more, with further use above zero")
    exposure = float(step.sum())
    counted: dict[str, Any] = {
        "numerator": float(h.age.size), "exposure": exposure, "exposure_unit": h.unit, "n": int(start.size),
        "unit": "events", "coverage": coverage,
    }  # fmt: skip
    if h.age.size < minimum_events:
        return refused(name, "too-few-failures", f"{h.age.size} events", **counted)
    if h.assets < minimum_assets:
        return refused(name, "too-few-assets", f"{h.assets} vehicles", **counted)
    reach = float(np.max(start + step))
    watched = np.concatenate([h.exit, h.entry + 1e-9 * (h.exit - h.entry), start + step])
    inside = watched[(watched > start.min()) & (watched <= reach)]
    if h.at_risk(inside).min() < SMALLEST_AT_RISK:
        return refused(name, "beyond-observed-age", f"up to {reach:g} {h.unit}", **counted)
    ages, counts = np.unique(h.age, return_counts=True)
    y = h.at_risk(ages).astype(float)
    users = np.searchsorted(np.sort(start), ages, side="left") - np.searchsorted(
        np.sort(start + step), ages, side="left"
    )
    mean = float(np.sum(users * counts / y))
    compensator = np.concatenate([[0.0], np.cumsum(users * counts / y**2)])
    own = np.bincount(h.asset, weights=(users / y)[np.searchsorted(ages, h.age)], minlength=h.assets)
    spent = (
        compensator[np.searchsorted(ages, h.exit, side="right")]
        - compensator[np.searchsorted(ages, h.entry, side="right")]
    )
    of_curve = float(np.sum((own - spent) ** 2))
    total = mean * max(_dispersion(h), 1.0) + of_curve
    if mean == 0:
        return refused(name, "too-few-failures", "no event was seen at these ages", **counted)
    # scipy.stats takes most of a second to import, so only here.
    from scipy.stats import nbinom, poisson

    tail = (1 - coverage) / 2
    if total > mean * (1 + 1e-9):
        size = mean * mean / (total - mean)
        law = nbinom(size, size / (size + mean))
    else:
        law = poisson(mean)
    return Figure(
        name, mean, float(law.ppf(tail)), float(law.ppf(1 - tail)), "events", float(h.age.size), exposure, h.unit,
        int(start.size), coverage, "mean cumulative function, prediction interval (negative binomial)",
    )  # fmt: skip


def _dispersion(h: Histories) -> float:
    """Variance over mean of the vehicles' counts, each against what its own watch expects."""
    ages, counts = np.unique(h.age, return_counts=True)
    mean = np.concatenate([[0.0], np.cumsum(counts / h.at_risk(ages))])
    expected = mean[np.searchsorted(ages, h.exit, side="right")] - mean[np.searchsorted(ages, h.entry, side="right")]
    found = np.bincount(h.asset, minlength=h.assets)
    some = expected > 0
    return float(np.sum((found - expected)[some] ** 2) / max(np.sum(expected[some]), 1e-300))
