"""Which clock makes it worse: the vehicles' age, or the calendar? Each is tested while the other one is held.

Within a vehicle age and calendar run together, so what tells them apart is the comparison of vehicles: older with younger
ones in the same month, and earlier with later months at the same age.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import ndtr, ndtri, stdtrit

from diagnb.errors import fault
from diagnb.fleet.figure import Figure, Trial, check_level, no_trial, refused

Array = Any
Clock = Literal["age", "calendar"]
_STEPS = 60
HELD = {"age": "month of the calendar", "calendar": "age"}
HYPOTHESIS = {
    "age": "in one month, vehicles of every age have the same rate",
    "calendar": "at one age, every month of the calendar has the same rate",
}


@dataclass(frozen=True, slots=True)
class ClockTrend:
    """The test of one clock and the rate a year later over the rate now (times), the other clock held."""

    clock: str
    trial: Trial
    growth: Figure


def trend_by_clock(
    *, entry: Array, leaving: Array, born: Array, asset: Array, age: Array, clock: Clock, level: float = 0.05,
    minimum_events: int = 10, minimum_assets: int = 10,
) -> ClockTrend:  # fmt: skip
    """Does the rate grow by ``clock`` while the other clock is held? Score test of a proportional rate, by vehicle.

    ``entry``, ``leaving`` (vehicles,) ages at which the watch begins and ends, ``born`` (vehicles,) the calendar time of
    age 0, all in months; ``asset`` (events,) positions of vehicles and ``age`` (events,) their ages. Every watch is cut at
    whole months of the held clock (the strata). A vehicle's tested clock is its held clock plus a shift z of its own (its
    date of service, with the sign of the clock), so inside a stratum vehicles are compared by z. Without a trend events
    lie on z where exposure lies: U = Σ (z - mean z of the exposure). Its variance is the larger of Poisson's,
    Σ events · var z, and that of the vehicles' own shares of U (vehicles differ). The growth exp(12 β) maximises the same
    stratified likelihood, with limits by vehicle at Student's t.
    Sources: Cox 1972 (partial likelihood); Lawless and Nadeau 1995; Lin, Wei, Yang and Ying 2000 (robust variance).
    Refused for too few events or vehicles, and where no stratum holds exposure at different z ("confounded").
    A later month at one age is also a later year of building: those two can't be told apart by anybody.
    """
    check_level(level, "level")
    if clock not in HELD:
        raise fault("clock", f"{clock!r} is unknown", "age or calendar")
    a, b, zero = (np.asarray(v, dtype=float) for v in (entry, leaving, born))
    who, t = np.asarray(asset, dtype=np.intp), np.asarray(age, dtype=float)
    name = f"score test by {clock}, {HELD[clock]} held"
    unit, vehicles, events = "times a year", int(a.size), int(t.size)
    exposure = float(np.sum(b - a))
    basis: dict[str, Any] = {
        "numerator": float(events),
        "exposure": exposure,
        "exposure_unit": "vehicle-months",
        "n": vehicles,
    }
    label = f"growth by {clock}"

    def no(code: str, detail: str) -> ClockTrend:
        trial = no_trial(name, HYPOTHESIS[clock], code, detail, level=level, n=events)
        return ClockTrend(clock, trial, refused(label, code, detail, unit=unit, coverage=1 - level, **basis))

    if events < minimum_events:
        return no("too-few-failures", f"{events} events")
    if vehicles < minimum_assets:
        return no("too-few-assets", f"{vehicles} vehicles")
    # The held clock cuts the watch. A rate exp(β · tested clock) is exp(β · held) · exp(β · shift): the first is the stratum's.
    shift = -zero if clock == "age" else zero
    start = a + zero if clock == "age" else a
    end = b + zero if clock == "age" else b
    at = t + zero[who] if clock == "age" else t
    first = np.floor(start).astype(int)
    pieces = np.maximum(np.ceil(end).astype(int) - first, 1)
    owner = np.repeat(np.arange(vehicles), pieces)
    month = np.arange(owner.size) - np.repeat(np.cumsum(pieces) - pieces, pieces) + first[owner]
    low, high = np.maximum(start[owner], month), np.minimum(end[owner], month + 1)
    use = np.clip(high - low, 0, None)
    base = int(month.min())
    stratum, layers = month - base, int(month.max()) - base + 1
    of_event = np.clip(np.floor(at).astype(int) - base, 0, layers - 1)
    shift = shift - float(np.average(shift, weights=b - a))
    z, z_event = shift[owner], shift[who]

    def moments(beta: float) -> tuple[Array, Array, Array, Array]:
        weight = use * np.exp(beta * z)
        total = np.maximum(np.bincount(stratum, weight, layers), 1e-300)
        mean = np.bincount(stratum, weight * z, layers) / total
        variance = np.bincount(stratum, weight * (z - mean[stratum]) ** 2, layers) / total
        return weight, total, mean, variance

    count = np.bincount(of_event, minlength=layers).astype(float)

    def score(beta: float) -> tuple[float, float, float]:
        """U, its information, and the variance of U by vehicle."""
        weight, total, mean, variance = moments(beta)
        own = np.bincount(who, z_event - mean[of_event], vehicles)
        own -= np.bincount(owner, (count / total)[stratum] * weight * (z - mean[stratum]), vehicles)
        scatter = float(np.sum(own * own)) * vehicles / (vehicles - 1)
        u = float(np.sum(z_event - mean[of_event]))
        return u, float(np.sum(count * variance)), scatter

    u, information, scatter = score(0.0)
    if information <= 1e-6 * events:
        return no(
            "confounded",
            f"at every {HELD[clock]} all vehicles are at the same {'age' if clock == 'age' else 'month of the calendar'}",
        )
    statistic = u / math.sqrt(max(information, scatter))
    p = 2 * float(ndtr(-abs(statistic)))
    course = "no trend shown" if p >= level else "getting worse" if statistic > 0 else "getting better"
    cautions: tuple[str, ...] = ()
    if clock == "calendar":
        cautions = ("a later month at the same age is also a later year of building: the two can't be told apart",)
    trial = Trial(
        name, HYPOTHESIS[clock], statistic, "standard normal", p, float(ndtri(1 - level / 2)), level, course, events,
        f"stratified score test, variance by vehicle, {HELD[clock]} held in steps of a month", cautions=cautions,
    )  # fmt: skip
    beta = 0.0
    for _ in range(_STEPS):
        u, information, scatter = score(beta)
        step = float(np.clip(u / max(information, 1e-300), -0.1, 0.1))
        beta += step
        if abs(step) < 1e-10:
            break
    else:
        return ClockTrend(clock, trial, refused(label, "not-converged", "", unit=unit, coverage=1 - level, **basis))
    u, information, scatter = score(beta)
    error = math.sqrt(max(information, scatter)) / information
    reach = float(stdtrit(vehicles - 1, 1 - level / 2)) * error
    growth, lower, upper = (math.exp(min(12 * v, 700.0)) for v in (beta, beta - reach, beta + reach))
    figure = Figure(
        label, growth, lower, upper, unit, float(events), exposure, "vehicle-months", vehicles, 1 - level,
        f"stratified proportional rate, limits by vehicle, {HELD[clock]} held", cautions=cautions,
    )  # fmt: skip
    return ClockTrend(clock, trial, figure)


__all__ = ["HELD", "Clock", "ClockTrend", "trend_by_clock"]
