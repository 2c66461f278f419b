"""Proportions of tests, rates per use, and which components recur most.

Every figure has its interval. Components are ranked by the lower limit of the rate: a component with one fail in
twenty tests has a high raw rate by chance far too often.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import betaincinv, chdtri, gammaincinv, ndtri, stdtrit

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.cells import per as per_text
from diagnb.fleet.figure import Figure, check_level, refused

Array = Any
ProportionMethod = Literal["wilson", "clopper-pearson"]


def wilson_limits(*, successes: Array, trials: Array, coverage: float = 0.95) -> tuple[Array, Array]:
    """Score limits of proportions (Wilson 1927; Newcombe 1998, method 3), arrays (n,) or numbers in, same out."""
    x, n = np.asarray(successes, dtype=float), np.asarray(trials, dtype=float)
    z = float(ndtri((1 + coverage) / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = (2 * x + z * z) / (2 * (n + z * z))
        half = z * np.sqrt(z * z + 4 * x * (1 - x / n)) / (2 * (n + z * z))
    return np.where(x <= 0, 0.0, centre - half), np.where(x >= n, 1.0, centre + half)


def clopper_pearson_limits(*, successes: Array, trials: Array, coverage: float = 0.95) -> tuple[Array, Array]:
    """Exact limits of proportions from the beta distribution (Clopper and Pearson 1934), arrays or numbers."""
    x, n = np.asarray(successes, dtype=float), np.asarray(trials, dtype=float)
    tail = (1 - coverage) / 2
    low = np.where(x <= 0, 0.0, betaincinv(np.maximum(x, 1), n - x + 1, tail))
    high = np.where(x >= n, 1.0, betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail))
    return low, high


def poisson_limits(*, events: Array, exposure: Array, coverage: float = 0.95) -> tuple[Array, Array]:
    """Exact two-sided limits of rates from counts (Garwood 1936): gamma quantiles over the exposure.

    ``events`` (n,) counts, ``exposure`` (n,) in any unit; returns rates per that unit. Zero events have a lower
    limit of 0. Right where events come one by one and vehicles do not differ; see :func:`rate_of_assets`.
    """
    x, t = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    tail = (1 - coverage) / 2
    low = np.where(x <= 0, 0.0, gammaincinv(np.maximum(x, 1), tail))
    return low / t, gammaincinv(x + 1, 1 - tail) / t


def proportion(
    *, successes: float, trials: float, coverage: float = 0.95, method: ProportionMethod = "wilson",
    name: str = "share", minimum_trials: int = 1,
) -> Figure:  # fmt: skip
    """A share of tests with its interval; refused below ``minimum_trials``.

    Raises :class:`~diagnb.errors.InputFault` for counts that are none, or more successes than trials.
    """
    check_level(coverage, "coverage")
    if not (0 <= successes <= trials and math.isfinite(trials)):
        raise fault(name, f"{successes:g} of {trials:g} is not a share of tests")
    counted = {"numerator": successes, "exposure": trials, "exposure_unit": "tests", "n": int(trials)}
    if trials < max(minimum_trials, 1):
        code = "no-tests" if not trials else "exposure-too-small"
        return refused(name, code, f"{trials:g} tests", unit="1", coverage=coverage, **counted)  # type: ignore[arg-type]
    limits = {"wilson": wilson_limits, "clopper-pearson": clopper_pearson_limits}
    if method not in limits:
        raise fault("method", f"{method!r} is unknown", f"one of {', '.join(limits)}")
    low, high = limits[method](successes=successes, trials=trials, coverage=coverage)
    said = {"wilson": "Wilson score interval", "clopper-pearson": "Clopper-Pearson exact interval"}[method]
    return Figure(
        name, successes / trials, float(low), float(high), "1", successes, trials, "tests", int(trials), coverage, said
    )


def rate(
    *, events: float, exposure: float | None, exposure_unit: str, coverage: float = 0.95, name: str = "rate",
    minimum_exposure: float = 0.0, per: float = 1.0,
) -> Figure:  # fmt: skip
    """Events per ``per`` units of use, exact Poisson limits; zero events give 0 with an upper limit.

    ``exposure`` None or not a number is refused as missing, below ``minimum_exposure`` as too small.
    Raises :class:`~diagnb.errors.InputFault` for a negative count or exposure.
    """
    check_level(coverage, "coverage")
    if events < 0 or (exposure is not None and exposure < 0):
        raise fault(name, "events and exposure can't be negative")
    unit = per_text(per, exposure_unit)
    given = 0.0 if exposure is None or math.isnan(exposure) else exposure
    counted = {"numerator": events, "exposure": given, "exposure_unit": exposure_unit, "n": int(events)}
    if exposure is None or math.isnan(exposure):
        return refused(name, "exposure-missing", unit=unit, coverage=coverage, **counted)  # type: ignore[arg-type]
    if given == 0 or given < minimum_exposure:
        detail = f"{given:g} of at least {max(minimum_exposure, 0):g} {exposure_unit}"
        return refused(name, "exposure-too-small", detail, unit=unit, coverage=coverage, **counted)  # type: ignore[arg-type]
    low, high = poisson_limits(events=events, exposure=given, coverage=coverage)
    return Figure(
        name, per * events / given, per * float(low), per * float(high), unit, events, given, exposure_unit,
        int(events), coverage, "exact Poisson limits (Garwood)",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class MeanTime:
    """Mean use between events with two-sided limits; ``upper`` is infinite where there was no event.

    With no event ``value`` is ``None`` and ``lower`` is the one-sided limit T/(-ln(1 - coverage)).
    """

    value: float | None
    lower: float
    upper: float
    events: int
    exposure: float
    exposure_unit: str
    coverage: float
    method: str


def mean_time_between(*, events: int, exposure: float, exposure_unit: str = "h", coverage: float = 0.95) -> MeanTime:
    """Mean use between events at a constant rate, watched for a given use (NIST/SEMATECH e-Handbook 8.4.5.1).

    Limits 2T/χ² with 2r+2 and 2r degrees of freedom; without an event the one-sided lower limit.
    Raises :class:`~diagnb.errors.InputFault` for a negative count or no exposure.
    """
    check_level(coverage, "coverage")
    if events < 0 or not (math.isfinite(exposure) and exposure > 0):
        raise fault("exposure", f"{events} events in {exposure:g} {exposure_unit} is not an observation")
    if events == 0:
        return MeanTime(
            None, exposure / -math.log(1 - coverage), math.inf, 0, exposure, exposure_unit, coverage,
            "one-sided lower limit without an event",
        )  # fmt: skip
    tail = (1 - coverage) / 2
    return MeanTime(
        exposure / events, 2 * exposure / float(chdtri(2 * events + 2, tail)),
        2 * exposure / float(chdtri(2 * events, 1 - tail)), events, exposure, exposure_unit, coverage,
        "chi-square limits, time-terminated",
    )  # fmt: skip


def rate_of_assets(
    *, events: Array, exposure: Array, exposure_unit: str, coverage: float = 0.95, name: str = "rate",
    per: float = 1.0, minimum_assets: int = 5, minimum_exposure: float = 0.0,
) -> Figure:  # fmt: skip
    """Rate over vehicles that may differ: the wider of exact Poisson limits and limits clustered by vehicle.

    ``events`` (assets,) counts and ``exposure`` (assets,) in ``exposure_unit``. Vehicles of one fleet differ, and
    Poisson limits then promise too much; the clustered limits take the scatter of events less rate times exposure
    over vehicles (ratio estimator on the logarithm, Student's t). Vehicles without exposure must not be here.
    Raises :class:`~diagnb.errors.InputFault` for arrays that don't fit or exposures that are none.
    """
    c, e = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    if c.shape != e.shape or c.ndim != 1:
        raise fault(name, "events and exposure must be lists of one length, a value for each vehicle")
    if np.any(~np.isfinite(e)) or np.any(e <= 0) or np.any(c < 0):
        raise fault(name, "every vehicle needs an exposure above zero", "set aside those without")
    total, use, assets = float(c.sum()), float(e.sum()), int(c.size)
    unit = per_text(per, exposure_unit)
    counted = {"numerator": total, "exposure": use, "exposure_unit": exposure_unit, "n": assets}
    if assets < minimum_assets:
        return refused(name, "too-few-assets", f"{assets}", unit=unit, coverage=coverage, **counted)  # type: ignore[arg-type]
    if use < minimum_exposure:
        return refused(name, "exposure-too-small", f"{use:g}", unit=unit, coverage=coverage, **counted)  # type: ignore[arg-type]
    low, high = (float(v) for v in poisson_limits(events=total, exposure=use, coverage=coverage))
    method = "exact Poisson limits (Garwood)"
    level = total / use
    if total > 0:
        spread = math.sqrt(float(np.sum((c - level * e) ** 2)) * assets / (assets - 1)) / total
        reach = math.exp(float(stdtrit(assets - 1, (1 + coverage) / 2)) * spread)
        if reach > max(high / level, level / low):
            low, high = level / reach, level * reach
            method = "limits clustered by vehicle (ratio estimator, Student's t)"
    return Figure(
        name, per * level, per * low, per * high, unit, total, use, exposure_unit, assets, coverage, method
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class ParetoRow:
    """One component: its count, share and cumulative share of all events, and its rate."""

    item: str
    events: float
    share: float
    cumulative: float
    rate: Figure


@dataclass(frozen=True, slots=True)
class Pareto:
    """Components in the order of ``ranked_by``; ``total`` is the number of events."""

    rows: tuple[ParetoRow, ...]
    total: float
    ranked_by: str
    method: str


def pareto(
    *, counts: Mapping[str, float], exposures: Mapping[str, float] | None = None, exposure_unit: str = "tests",
    per: float = 1.0, coverage: float = 0.95, rates: Sequence[Figure] | None = None,
) -> Pareto:  # fmt: skip
    """Which components recur most: ranked by the lower limit of the rate, or by count where no exposure is known.

    ``rates`` may hold one figure per component (of that name) made elsewhere, for example by
    :func:`rate_of_assets`. A component whose rate is refused comes last, by its count, and stays in the table.
    Raises :class:`~diagnb.errors.InputFault` for negative counts, or exposures that miss a component.
    """
    faults = [Fault(f"counts.{k}", f"{v:g} is not a count") for k, v in counts.items() if not v >= 0]
    made = {f.name: f for f in rates or ()}
    if exposures is not None or rates is not None:
        known = {**(exposures or {}), **made}
        faults += [Fault(f"exposures.{k}", "is missing", "give its exposure") for k in counts if k not in known]
    if faults:
        raise InputFault(faults)
    figures = {
        item: made[item] if item in made
        else rate(
            events=n, exposure=None if exposures is None else exposures[item], exposure_unit=exposure_unit,
            coverage=coverage, name=item, per=per,
        )
        for item, n in counts.items()
    }  # fmt: skip
    by_rate = any(f.lower is not None for f in figures.values())

    def key(item: str) -> tuple[float, float]:
        low = figures[item].lower
        return (-1.0 if low is None else low, counts[item]) if by_rate else (0.0, counts[item])

    total, running, rows = float(sum(counts.values())), 0.0, []
    for item in sorted(counts, key=key, reverse=True):
        running += counts[item]
        share = (counts[item] / total, running / total) if total else (0.0, 0.0)
        rows.append(ParetoRow(item, counts[item], *share, figures[item]))
    ranked = "lower limit of the rate" if by_rate else "count"
    return Pareto(tuple(rows), total, ranked, f"counts, cumulative shares; ranked by {ranked}")
