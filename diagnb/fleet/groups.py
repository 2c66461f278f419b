"""Whether groups of vehicles live equally long: the log-rank test, and hazard ratios of several causes at once."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc, chdtri, ndtr, ndtri

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.cells import probability
from diagnb.fleet.figure import Figure, Refusal, Trial, check_level, no_trial
from diagnb.fleet.life import Lives, lifelines_package

Array = Any


def log_rank(groups: Mapping[str, Lives], *, level: float = 0.05) -> Trial:
    """Log-rank test that all groups have one life distribution; entry ages counted, hypergeometric variance.

    Refused where a group has no entry ages, or nothing failed while two groups were under watch.
    """
    name, hypothesis = "log-rank test", "all groups have one life distribution"
    check_level(level, "level")
    lives = list(groups.values())
    if len(lives) < 2:
        raise fault("groups", "a comparison needs two groups or more")
    total = int(sum(one.age.size for one in lives))
    if any(one.entry is None for one in lives):
        return no_trial(name, hypothesis, "entry-age-missing", level=level, n=total)
    ages = np.unique(np.concatenate([one.age[one.failed] for one in lives]))
    risk, deaths = np.zeros((len(lives), ages.size)), np.zeros((len(lives), ages.size))
    for g, one in enumerate(lives):
        entered = np.searchsorted(np.sort(np.asarray(one.entry)), ages, side="left")
        risk[g] = entered - np.searchsorted(np.sort(one.age), ages, side="left")
        deaths[g] = np.bincount(np.searchsorted(ages, one.age[one.failed]), minlength=ages.size)
    y, d = risk.sum(axis=0), deaths.sum(axis=0)
    share = risk / y
    excess = (deaths - d * share).sum(axis=1)[:-1]
    factor = d * (y - d) / np.maximum(y - 1, 1)
    variance = np.diag((factor * share).sum(axis=1)) - (factor * share) @ share.T
    variance = variance[:-1, :-1]
    if not ages.size or np.linalg.matrix_rank(variance) < len(lives) - 1:
        return no_trial(name, hypothesis, "too-few-failures", "no failure while groups could be compared", n=total)
    statistic = float(excess @ np.linalg.solve(variance, excess))
    freedom = len(lives) - 1
    p = float(chdtrc(freedom, statistic))
    return Trial(
        name, hypothesis, statistic, f"chi-square, {freedom} degrees of freedom", p, float(chdtri(freedom, level)), level,
        "groups differ" if p < level else "no difference shown", total, "log-rank, hypergeometric variance",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class HazardRatios:
    """Cox regression: the hazard ratio of one unit of each influence, and the partial log likelihood (None: refused)."""

    ratios: tuple[Figure, ...]
    log_likelihood: float | None

    def of(self, name: str) -> Figure:
        """The ratio of one influence. Raises :class:`~diagnb.errors.InputFault` for a name that is not here."""
        for figure in self.ratios:
            if figure.name == name:
                return figure
        raise fault("influence", f"{name!r} is not here")


def hazard_ratios(
    lives: Lives, *, influences: Mapping[str, Array], coverage: float = 0.95, failures_per_influence: int = 8
) -> HazardRatios:
    """Cox regression: the hazard ratio of one unit of each influence (n,), Efron ties, entry ages counted.

    Refused with fewer than ``failures_per_influence`` failures for each influence. Proportional hazards are assumed
    and not tested here. Raises :class:`~diagnb.errors.InputFault` for influences that don't fit or never vary.
    """
    check_level(coverage, "coverage")
    columns = {name: np.asarray(x, dtype=float) for name, x in influences.items()}
    faults = [
        Fault(f"influences.{name}", "must be as many numbers as vehicles, and vary")
        for name, x in columns.items()
        if x.shape != lives.age.shape or not np.all(np.isfinite(x)) or np.ptp(x) == 0
    ]
    if faults or not columns:
        raise InputFault(faults or [Fault("influences", "there are none")])
    method = lives.described("Cox regression, Efron ties")
    counted = (lives.failures, lives.use, lives.unit, int(lives.age.size), coverage, method)

    def no(code: str, detail: str = "") -> HazardRatios:
        why = Refusal(code, detail)
        return HazardRatios(tuple(Figure(n, None, None, None, "1", *counted, why) for n in columns), None)

    if lives.entry is None:
        return no("entry-age-missing")
    if lives.failures < failures_per_influence * len(columns):
        return no("too-few-failures", f"{lives.failures} for {len(columns)} influences")
    package = lifelines_package()
    import pandas

    table = pandas.DataFrame({f"x{k}": x for k, x in enumerate(columns.values())})
    table["age"], table["failed"], table["entry"] = lives.age, lives.failed, np.asarray(lives.entry)
    late = bool(np.any(np.asarray(lives.entry) > 0))
    if not late:
        table = table.drop(columns="entry")
    fitter = package.CoxPHFitter(alpha=1 - coverage)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fitter.fit(table, duration_col="age", event_col="failed", entry_col="entry" if late else None)
        except (package.exceptions.ConvergenceError, ValueError, np.linalg.LinAlgError) as error:
            return no("not-converged", type(error).__name__)
    z = float(ndtri((1 + coverage) / 2))
    found = []
    for k, name in enumerate(columns):
        b, s = float(fitter.params_[f"x{k}"]), float(fitter.standard_errors_[f"x{k}"])
        p = 2 * float(ndtr(-abs(b / s)))
        found.append(
            Figure(
                name,
                math.exp(b),
                math.exp(b - z * s),
                math.exp(b + z * s),
                "1",
                *counted,
                cautions=(f"p {probability(p, 3)}",),
            )
        )
    return HazardRatios(tuple(found), float(fitter.log_likelihood_))
