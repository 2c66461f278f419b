"""Did the engineering change help? The ratio of event rates after and before, with an honest interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtr, stdtrit

from diagnb.errors import Fault, InputFault
from diagnb.fleet.figure import Figure, Refusal, Trial, check_level, no_trial
from diagnb.fleet.rates import rate_of_assets, wilson_limits
from diagnb.quantities.counting import counted

Array = Any


@dataclass(frozen=True, slots=True)
class Effect:
    """Rates before and after, their ratio (after over before), and the test that nothing changed.

    ``finding`` is one of "fewer", "more", "no change shown", "not tested". ``strata`` is the number of groups of like with
    like that were compared, ``strata_of`` what they are; ``settling_months`` what was left out after the change.
    """

    before: Figure
    after: Figure
    ratio: Figure
    trial: Trial
    finding: str
    strata: int
    strata_of: str = "strata"
    settling_months: float = 0.0

    @property
    def crude_ratio(self) -> float | None:
        """Rate after over rate before as the two stand, without comparing like with like; None where one is missing."""
        a, b = self.after.value, self.before.value
        return None if a is None or not b else a / b


def effect_of_change(
    *, asset: Array, after: Array, events: Array, exposure: Array, stratum: Array | None = None,
    exposure_unit: str = "vehicle-months", coverage: float = 0.95, minimum_events: int = 5, minimum_assets: int = 10,
) -> Effect:  # fmt: skip
    """Rate ratio of a change with limits clustered by vehicle; Mantel-Haenszel over strata where given.

    One row per vehicle, side and stratum, all arrays (n,): vehicle code, whether after the change, events, exposure.
    A vehicle may stand on both sides; its own scatter is then counted once. ``stratum`` (age band, model, calendar
    month) compares like with like: without it a younger fleet after the change looks like an improvement.
    Refused with fewer than ``minimum_events`` altogether or none on one side, fewer than ``minimum_assets`` vehicles
    on a side, or no stratum with exposure on both sides. Raises :class:`~diagnb.errors.InputFault`.
    """
    check_level(coverage, "coverage")
    side, x, e = np.asarray(after, dtype=bool), np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    _, vehicle = np.unique(np.asarray(asset), return_inverse=True)
    layer = np.zeros(x.shape, dtype=np.intp)
    if stratum is not None:
        _, layer = np.unique(np.asarray(stratum), return_inverse=True)
    faults = [
        Fault(name, "must be as long as events")
        for name, column in (("asset", vehicle), ("after", side), ("exposure", e), ("stratum", layer))
        if column.shape != x.shape or x.ndim != 1
    ]
    if not faults and (np.any(~(x >= 0)) or np.any(~(e > 0)) or np.any(~np.isfinite(e))):
        faults.append(Fault("exposure", "every row needs an exposure above zero and a count"))
    if faults:
        raise InputFault(faults)
    vehicles = int(vehicle.max()) + 1 if x.size else 0
    before = _side(vehicle, x, e, ~side, "before", exposure_unit, coverage)
    later = _side(vehicle, x, e, side, "after", exposure_unit, coverage)
    layers = int(layer.max()) + 1 if x.size else 0
    how = "rate ratio" if stratum is None else "Mantel-Haenszel rate ratio over strata"
    method = f"{how}, limits clustered by vehicle (Student's t)"
    a, b = (np.bincount(layer, weights=np.where(s, x, 0.0), minlength=layers) for s in (side, ~side))
    ea, eb = (np.bincount(layer, weights=np.where(s, e, 0.0), minlength=layers) for s in (side, ~side))
    whole = np.maximum(ea + eb, 1e-300)
    both = (ea > 0) & (eb > 0)
    basis = (float(x.sum()), float(e.sum()), exposure_unit, vehicles, coverage, method)
    fewest = min(before.n, later.n)
    why = None
    if fewest < minimum_assets:
        why = Refusal("too-few-assets", f"{fewest} on one side, at least {minimum_assets} are needed")
    elif not both.any():
        why = Refusal("confounded", "no stratum holds exposure from before and after")
    elif a[both].sum() + b[both].sum() < minimum_events or b[both].sum() == 0:
        why = Refusal("too-few-failures", f"{b[both].sum():g} before and {a[both].sum():g} after that can be compared")
    hypothesis = "the change left the rate as it was"
    if why:
        ratio = Figure("rate ratio", None, None, None, "1", *basis, why)
        trial = no_trial("effect", hypothesis, why.code, why.detail, level=1 - coverage, n=vehicles)
        return Effect(before, later, ratio, trial, "not tested", layers)
    cautions = (
        ()
        if both.all()
        else (f"{counted(int(np.sum(~both)), 'stratum', 'strata')} with exposure on one side only left out",)
    )
    r, s = float(np.sum((a * eb / whole)[both])), float(np.sum((b * ea / whole)[both]))
    if r == 0:
        # No event after: the exact bound of a count of zero, widened by the scatter among vehicles before.
        upper = -math.log((1 - coverage) / 2) / float(np.sum((ea * b / np.maximum(eb, 1e-300))[both]))
        wide = max(_dispersion(vehicle, x, e, ~side, vehicles), 1.0)
        figure = Figure(
            "rate ratio", 0.0, 0.0, upper * wide, "1", *basis[:-1], f"{how}, bound for no event", cautions=cautions
        )
        p = min(1.0, 2 * math.exp(-float(np.sum((ea * b / np.maximum(eb, 1e-300))[both])) / wide))
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            level = np.where(side, (a / ea)[layer], (b / eb)[layer])
        residual = x - level * e
        share = np.where(side, (eb / whole)[layer] / r, -(ea / whole)[layer] / s)
        influence = np.bincount(vehicle, weights=np.where(both[layer], share * residual, 0.0), minlength=vehicles)
        freedom = min(vehicles, 2 * fewest) - 2
        error = math.sqrt(float(np.sum(influence**2)) * vehicles / (vehicles - 1))
        # Small counts can show less scatter than chance alone gives.
        error = max(error, math.sqrt(_poisson_variance(a, b, ea, eb, whole, both, r, s)))
        estimate = r / s
        reach = math.exp(float(stdtrit(freedom, (1 + coverage) / 2)) * error)
        figure = Figure("rate ratio", estimate, estimate / reach, estimate * reach, "1", *basis, cautions=cautions)
        p = 2 * float(stdtr(freedom, -abs(math.log(estimate)) / error))
    low, high = float(figure.lower or 0), float(figure.upper or 0)
    finding = "fewer" if high < 1 else "more" if low > 1 else "no change shown"
    trial = Trial(
        "effect", hypothesis, float(figure.value or 0), "Student's t of the logarithm", p, None, 1 - coverage, finding,
        vehicles, method,
    )  # fmt: skip
    return Effect(before, later, figure, trial, finding, layers)


def _side(vehicle: Array, x: Array, e: Array, chosen: Array, name: str, exposure_unit: str, coverage: float) -> Figure:
    found = np.unique(vehicle[chosen])
    events = np.bincount(vehicle[chosen], weights=x[chosen], minlength=int(vehicle.max(initial=0)) + 1)[found]
    use = np.bincount(vehicle[chosen], weights=e[chosen], minlength=int(vehicle.max(initial=0)) + 1)[found]
    return rate_of_assets(
        events=events, exposure=use, exposure_unit=exposure_unit, coverage=coverage, name=name, minimum_assets=2
    )


def _dispersion(vehicle: Array, x: Array, e: Array, chosen: Array, vehicles: int) -> float:
    count = np.bincount(vehicle[chosen], weights=x[chosen], minlength=vehicles)
    use = np.bincount(vehicle[chosen], weights=e[chosen], minlength=vehicles)
    expected = use * (count.sum() / use.sum())
    some = expected > 0
    return float(np.sum((count - expected)[some] ** 2) / max(float(count.sum()), 1e-300))


def _poisson_variance(a: Array, b: Array, ea: Array, eb: Array, whole: Array, both: Array, r: float, s: float) -> float:
    """Greenland and Robins 1985: variance of the logarithm of the Mantel-Haenszel rate ratio."""
    return float(np.sum(((a + b) * ea * eb / whole**2)[both])) / (r * s)


def difference_of_shares(*, before: tuple[int, int], after: tuple[int, int], coverage: float = 0.95) -> Figure:
    """Share of fails after less before, from (fails, tests) of different tests; Newcombe's hybrid score interval.

    Newcombe 1998 (interval estimation for the difference between independent proportions), method 10.
    Raises :class:`~diagnb.errors.InputFault` for counts that are none.
    """
    (b, n), (a, m) = before, after
    if not (0 <= b <= n and 0 <= a <= m and n > 0 and m > 0):
        raise InputFault([Fault("difference", "each side needs tests, and no more fails than tests")])
    p, q = a / m, b / n
    (l1, u1), (l2, u2) = (
        tuple(float(v) for v in wilson_limits(successes=k, trials=t, coverage=coverage)) for k, t in ((a, m), (b, n))
    )
    d = p - q
    return Figure(
        "difference of shares", d, d - math.hypot(p - l1, u2 - q), d + math.hypot(u1 - p, q - l2), "1", float(a + b),
        float(n + m), "tests", n + m, coverage, "Newcombe hybrid score interval",
    )  # fmt: skip
