"""Is it the measurement? How many of the fails the measurement alone explains.

True values scatter over the fleet, measured ones scatter more. Where limits lie in the tail of the fleet, most values
near a limit belong to good vehicles, and a share of the fails is false. A better meter or another rule then looks
like a better fleet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from diagnb.conformity import RULES, WORDS, Limit, Rule, judge_many
from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.figure import Figure, Refusal, check_level
from diagnb.uncertainty import Estimate

Array = Any
_GRID = 240
_BINS = 400
_LEVELS = 6


def judge_history(
    *, value: Array, standard_uncertainty: Array, lower: Array, upper: Array, rule: Rule = "guarded-95"
) -> Array:
    """All history under one rule: verdicts (n,) as positions in :data:`~diagnb.conformity.WORDS`.

    All arrays (n,) in one unit for each row; NaN in ``lower`` or ``upper`` is an open side; a row without a limit or
    without a number is "not judged". Do this before any trend: a changed rule or limit looks like a changed fleet.
    Raises :class:`~diagnb.errors.InputFault` for an unknown rule or arrays of different lengths.
    """
    if rule not in RULES:
        raise fault("rule", f"{rule!r} is unknown", f"one of {', '.join(RULES)}")
    y, u, low, high = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (value, standard_uncertainty, lower, upper))
    try:
        y, u, low, high = np.broadcast_arrays(y, u, low, high)
    except ValueError as error:
        raise fault("history", "value, uncertainty and limits must be of one length") from error
    verdict = np.full(y.shape, WORDS.index("not judged"), dtype=np.uint8)
    usable = np.isfinite(y) & np.isfinite(u) & (u >= 0) & (np.isfinite(low) | np.isfinite(high))
    pairs, which = _distinct_limits(low, high, usable)
    for k, (a, b) in enumerate(pairs):
        rows = usable & (which == k)
        limit = Limit(lower=None if math.isnan(a) else a, upper=None if math.isnan(b) else b)
        verdict[rows] = judge_many(Estimate(y[rows], u[rows]), limit, rule).verdict
    return verdict


def _distinct_limits(low: Array, high: Array, usable: Array) -> tuple[list[tuple[float, float]], Array]:
    which = np.full(low.shape, -1)
    if not usable.any():
        return [], which
    stacked = np.ascontiguousarray(np.stack([low[usable], high[usable]], axis=1) + 0.0)
    # NaN differs from itself, so the bytes are compared.
    coded = stacked.view([("", stacked.dtype)] * 2).reshape(-1)
    stacked[np.isnan(stacked)] = np.nan
    _, first, code = np.unique(coded.view("V16"), return_index=True, return_inverse=True)
    which[usable] = code.reshape(-1)
    return [(float(stacked[k, 0]), float(stacked[k, 1])) for k in first], which


@dataclass(frozen=True, slots=True)
class MeasurementShare:
    """What measurement does to the fail rate.

    ``shown``: share of tests that fail as judged. ``true``: share whose true value is beyond the limit, from the
    values with their uncertainty taken out. ``false_fails``: share of the fails whose true value meets the limit.
    ``missed``: share of the truly bad that were not failed. ``flagged``: ``false_fails`` lies above the threshold.
    """

    shown: Figure
    true: Figure
    false_fails: Figure
    missed: Figure
    flagged: bool
    threshold: float
    rule: str
    cautions: tuple[str, ...] = ()


def explained_by_measurement(
    *, value: Array, standard_uncertainty: Array | None, limit: Limit, rule: Rule = "simple", counted: tuple[str, ...] = ("fail",),
    asset: Array | None = None, coverage: float = 0.95, resamples: int = 100, seed: int = 0, threshold: float = 0.10,
    minimum_tests: int = 200,
) -> MeasurementShare:  # fmt: skip
    """Share of the fails that the measurement alone explains, from n tests against one ``limit``.

    ``value`` and ``standard_uncertainty`` (n,) in the unit of the limit. The distribution of true values over the
    fleet is estimated from the data (a free distribution on a grid, maximum likelihood by expectation-maximisation,
    started from a smooth one); each fail then has its own probability of being false. ``counted`` names the verdicts that
    count as fails. Limits by resampling vehicles (``asset``) or tests, ``resamples`` times from ``seed``; 0 leaves
    them out. Errors are taken as normal and independent between tests: an error that all tests share (one meter) is
    not seen here. Refused without uncertainties and below ``minimum_tests``.
    """
    check_level(coverage, "coverage")
    unknown = [w for w in counted if w not in WORDS]
    if unknown:
        raise InputFault([Fault("counted", f"{w!r} is not a verdict", f"one of {', '.join(WORDS)}") for w in unknown])
    y = np.asarray(value, dtype=float)
    n = int(y.size)
    method = "free distribution of true values (maximum likelihood), resampled by " + (
        "vehicle" if asset is not None else "test"
    )

    def figure(name: str, number: float, numerator: float, exposure: float, ends: tuple[float, float] | None) -> Figure:
        low, high = ends if ends else (None, None)
        if low is not None and high is not None:
            low, high = min(low, number), max(high, number)
        return Figure(name, number, low, high, "1", numerator, exposure, "tests", n, coverage, method)

    def no(code: str, detail: str = "") -> MeasurementShare:
        why = Refusal(code, detail)
        said = [
            Figure(name, None, None, None, "1", 0.0, float(n), "tests", n, coverage, method, why)
            for name in (
                "share failed",
                "share truly beyond the limit",
                "share of fails that are false",
                "share missed",
            )
        ]
        return MeasurementShare(said[0], said[1], said[2], said[3], False, threshold, rule)

    if standard_uncertainty is None:
        return no("uncertainty-missing")
    u = np.array(np.broadcast_to(np.asarray(standard_uncertainty, dtype=float), y.shape))
    if np.any(~np.isfinite(u)) or np.any(u < 0) or np.any(~np.isfinite(y)):
        return no("uncertainty-missing", f"{int(np.sum(~(u >= 0) | ~np.isfinite(y)))} of {n} values")
    if n < minimum_tests:
        return no("exposure-too-small", f"{n} of at least {minimum_tests} tests")
    verdict = judge_many(Estimate(y, u), limit, rule).verdict
    failed = np.isin(verdict, [WORDS.index(w) for w in counted])
    fails = float(failed.sum())
    if fails == 0:
        return no("too-few-failures", "nothing failed")
    cells = _Cells.of(y, u, failed, limit)
    found = cells.shares(np.bincount(cells.cell, minlength=cells.size), np.bincount(cells.cell, failed, cells.size))
    ends: list[tuple[float, float]] | None = None
    if resamples:
        rng = np.random.default_rng(seed)
        _, cluster = np.unique(np.arange(n) if asset is None else np.asarray(asset), return_inverse=True)
        groups = int(cluster.max()) + 1
        draws = np.empty((resamples, 4))
        for k in range(resamples):
            weight = np.bincount(rng.integers(groups, size=groups), minlength=groups)[cluster].astype(float)
            draws[k] = cells.shares(
                np.bincount(cells.cell, weight, cells.size), np.bincount(cells.cell, weight * failed, cells.size), 60
            )
        tails = np.nanquantile(draws, [(1 - coverage) / 2, (1 + coverage) / 2], axis=0)
        ends = [(float(a), float(b)) for a, b in tails.T]

    def side(k: int) -> tuple[float, float] | None:
        return ends[k] if ends and all(map(math.isfinite, ends[k])) else None

    bad = found[1] * n
    false_fails = figure("share of fails that are false", found[2], found[2] * fails, fails, side(2))
    cautions = []
    if float(np.median(u)) > float(np.std(y)):
        cautions.append("most of the scatter is measurement: the true distribution is hardly known")
    return MeasurementShare(
        figure("share failed", found[0], fails, float(n), side(0)),
        figure("share truly beyond the limit", found[1], bad, float(n), side(1)), false_fails,
        figure("share missed", found[3], found[3] * bad, max(bad, 1e-12), side(3)),
        found[2] > threshold, threshold, rule, tuple(cautions),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Cells:
    """Tests sorted into cells of like value and like uncertainty, with the likelihood of each true value."""

    cell: Array
    size: int
    likelihood: Array
    good: Array
    start: Array

    @classmethod
    def of(cls, y: Array, u: Array, failed: Array, limit: Limit) -> _Cells:
        levels = np.unique(np.quantile(u, np.linspace(0, 1, _LEVELS + 1)))
        level = np.clip(np.searchsorted(levels, u, side="right") - 1, 0, max(levels.size - 2, 0))
        edges = np.unique(np.quantile(y, np.linspace(0, 1, _BINS + 1)))
        # Extra edges round the limit, where everything is decided.
        width = float(np.median(u))
        sides = [s for s in (limit.lower, limit.upper) if s is not None]
        if width > 0:
            edges = np.unique(np.concatenate([edges, *(s + width * np.linspace(-6, 6, 97) for s in sides)]))
        slot = np.clip(np.searchsorted(edges, y, side="right") - 1, 0, edges.size - 1)
        _, cell = np.unique((slot * (_LEVELS + 1) + level) * 2 + failed, return_inverse=True)
        count = np.bincount(cell)
        centre, spread = np.bincount(cell, y) / count, np.sqrt(np.bincount(cell, u * u) / count)
        low, high = float(y.min()), float(y.max())
        grid = np.linspace(low - 2 * width, high + 2 * width, _GRID)
        if width > 0:
            near = [s + width * np.linspace(-4, 4, 33) for s in sides if low - width < s < high + width]
            grid = np.unique(np.concatenate([grid, *near]))
        steps = np.gradient(grid)
        spread = np.maximum(spread, np.min(steps) * 0.5)
        z = (centre[:, None] - grid[None, :]) / spread[:, None]
        likelihood = np.exp(-0.5 * z * z) / spread[:, None]
        good = np.ones(grid.size)
        for side, sign in ((limit.lower, 1.0), (limit.upper, -1.0)):
            if side is not None:
                good = good * np.where(grid == side, 0.5, (sign * (grid - side) > 0).astype(float))
        # A smooth start: a normal law as wide as the data, with heavy tails, on an uneven grid.
        deviation = max(float(np.std(y)), 1e-300)
        t = (grid - float(np.mean(y))) / deviation
        start = steps * (np.exp(-0.5 * t * t) + 0.02 / (1 + t * t))
        return cls(cell, int(count.size), likelihood, good, start / start.sum())

    def shares(self, weight: Array, failed: Array, steps: int = 150) -> tuple[float, float, float, float]:
        """Shown, true, false among fails, missed among bad; ``weight``, ``failed`` (cells,) counts."""
        density = self.start.copy()
        used = weight > 0
        likelihood, w, f = self.likelihood[used], weight[used], failed[used]
        total = float(w.sum())
        for _ in range(steps):
            mixed = np.maximum(likelihood @ density, 1e-300)
            density = density * ((w / mixed) @ likelihood) / total
            density /= density.sum()
        mixed = np.maximum(likelihood @ density, 1e-300)
        conforming = (likelihood @ (density * self.good)) / mixed
        bad = float(np.sum(w * (1 - conforming)))
        fails = float(f.sum())
        false = float(np.sum(f * conforming))
        missed = float(np.sum((w - f) * (1 - conforming)))
        return (fails / total, bad / total, false / fails if fails else math.nan, missed / bad if bad > 0 else math.nan)


def expected_shares(
    *, mean: float, deviation: float, standard_uncertainty: float, limit: float, guard: float = 0.0
) -> tuple[float, float, float]:
    """Closed form for a normal fleet and one upper limit: share shown failed, share truly bad, share of fails false.

    ``guard`` is taken off the limit before acceptance. Shown and true are normal tails; the false share is integrated
    (JCGM 106, 9.5). All in the unit of the limit. Raises :class:`~diagnb.errors.InputFault` without a spread.
    """
    if not deviation > 0 or standard_uncertainty < 0:
        raise fault("deviation", "must be above zero, and the uncertainty not below it")
    true = float(ndtr(-(limit - mean) / deviation))
    shown = float(ndtr(-(limit - guard - mean) / math.hypot(deviation, standard_uncertainty)))
    if standard_uncertainty == 0:
        return shown, true, max(shown - true, 0.0) / shown if shown else 0.0
    # Over the conforming true values, equal steps of their probability.
    good = ndtri((np.arange(20_000) + 0.5) / 20_000 * (1 - true)) * deviation + mean
    false = float(np.mean(ndtr((good - (limit - guard)) / standard_uncertainty))) * (1 - true)
    return shown, true, false / shown
