"""Which lot: whether lots, build months or suppliers differ, which pairs, and which of many cells stand out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from scipy.special import bdtr, bdtrc, betainc, betaincinv, chdtrc, chdtri, gammaln

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.figure import Figure, Refusal, Trial, check_level, no_trial
from diagnb.fleet.rates import clopper_pearson_limits, wilson_limits

Array = Any
SMALLEST_EXPECTED = 5.0
"""Cochran's rule: the chi-square distribution is a poor stand-in where a cell expects fewer."""


def homogeneity(*, table: Array, level: float = 0.05, name: str = "homogeneity") -> Trial:
    """Chi-square test that all columns of a table of counts share one distribution over its rows.

    ``table`` (rows, columns) of counts, for example fails and passes by lot (NIST/SEMATECH e-Handbook 7.4.6, 7.4.5).
    Refused where a cell expects fewer than :data:`SMALLEST_EXPECTED`.
    Raises :class:`~diagnb.errors.InputFault` when ``table`` is not a table of counts.
    """
    check_level(level, "level")
    counts = np.asarray(table, dtype=float)
    hypothesis = "all columns share one distribution"
    if counts.ndim != 2 or min(counts.shape) < 2 or not np.all(np.isfinite(counts)) or np.any(counts < 0):
        raise fault(name, "is not a table of counts with two rows and two columns or more")
    total = float(counts.sum())
    if total == 0 or np.any(counts.sum(axis=0) == 0) or np.any(counts.sum(axis=1) == 0):
        return no_trial(name, hypothesis, "nothing-varies", "an empty row or column", level=level, n=int(total))
    expected = counts.sum(axis=1, keepdims=True) * counts.sum(axis=0, keepdims=True) / total
    if expected.min() < SMALLEST_EXPECTED:
        detail = f"the smallest cell expects {expected.min():.2g}, at least {SMALLEST_EXPECTED:g} are needed"
        return no_trial(name, hypothesis, "cell-too-small", detail, level=level, n=int(total))
    freedom = (counts.shape[0] - 1) * (counts.shape[1] - 1)
    statistic = float(np.sum((counts - expected) ** 2 / expected))
    p = float(chdtrc(freedom, statistic))
    return Trial(
        name, hypothesis, statistic, f"chi-square, {freedom} degrees of freedom", p, float(chdtri(freedom, level)),
        level, "columns differ" if p < level else "no difference shown", int(total), "Pearson chi-square",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class PairDifference:
    """Two lots compared: absolute difference of their shares and the range it must exceed."""

    first: str
    second: str
    difference: float
    critical_range: float

    @property
    def differs(self) -> bool:
        """Whether the pair differs at the level of the comparison."""
        return self.difference > self.critical_range


@dataclass(frozen=True, slots=True)
class LotComparison:
    """Shares by lot, the overall test, and every pair (Marascuilo). ``note`` says what the two together mean."""

    lots: tuple[Figure, ...]
    pooled: float
    overall: Trial
    pairs: tuple[PairDifference, ...]
    note: str

    @property
    def differing(self) -> tuple[PairDifference, ...]:
        """The pairs that differ."""
        return tuple(p for p in self.pairs if p.differs)


def compare_lots(
    *, names: Sequence[str], fails: Array, tests: Array, level: float = 0.05, coverage: float = 0.95
) -> LotComparison:
    """Shares of fails by lot, overall chi-square, then all pairs by Marascuilo's procedure.

    ``fails`` and ``tests`` (lots,) counts. The overall test may be significant with no pair that is
    (NIST/SEMATECH e-Handbook 7.4.7.4); ``note`` says so. Raises :class:`~diagnb.errors.InputFault` for counts that don't fit.
    """
    x, n = np.asarray(fails, dtype=float), np.asarray(tests, dtype=float)
    faults = []
    if x.shape != n.shape or x.ndim != 1 or x.size != len(names):
        raise fault("lots", "names, fails and tests must be of one length")
    if x.size < 2:
        faults.append(Fault("lots", "a comparison needs two lots or more"))
    faults += [
        Fault(f"lots.{name}", f"{a:g} fails in {b:g} tests", "a lot needs tests, and no more fails than tests")
        for name, a, b in zip(names, x, n, strict=True)
        if not (b > 0 and 0 <= a <= b)
    ]
    if faults:
        raise InputFault(faults)
    low, high = wilson_limits(successes=x, trials=n, coverage=coverage)
    lots = tuple(
        Figure(name, float(a / b), float(lo), float(hi), "1", float(a), float(b), "tests", int(b), coverage,
               "Wilson score interval")
        for name, a, b, lo, hi in zip(names, x, n, low, high, strict=True)
    )  # fmt: skip
    overall = homogeneity(table=np.array([x, n - x]), level=level, name="lots")
    share = x / n
    root = math.sqrt(float(chdtri(x.size - 1, level)))
    variance = share * (1 - share) / n
    # A lot with no fail has no scatter of its own by this formula; its pair would be called on nothing.
    pairs = () if overall.refusal else tuple(
        PairDifference(
            names[i], names[j], abs(float(share[i] - share[j])), root * math.sqrt(float(variance[i] + variance[j]))
        )
        for i, j in combinations(range(x.size), 2)
    )  # fmt: skip
    any_pair = any(p.differs for p in pairs)
    if overall.refusal:
        note = f"not compared: {overall.refusal}"
    elif overall.rejects and not any_pair:
        note = (
            "the lots differ as a whole, but no single pair differs at this level: more tests are needed to say which"
        )
    elif overall.rejects:
        note = "the lots differ"
    else:
        note = "no difference between lots is shown" + (
            "; a pair beyond its range is not called without the overall test" if any_pair else ""
        )
    return LotComparison(lots, float(x.sum() / n.sum()), overall, pairs, note)


def two_rates(
    *, events: tuple[int, int], exposure: tuple[float, float], coverage: float = 0.95, exposure_unit: str = "",
    name: str = "rate ratio",
) -> tuple[Figure, Trial]:  # fmt: skip
    """Ratio of two event rates (first over second) with exact limits, and the test that they are equal.

    Given the total, the first count is binomial (Przyborowski and Wilenski 1940); limits of the binomial share are
    Clopper-Pearson's. The p-value is twice the smaller tail, at most 1. Assumes that events come one by one; where
    vehicles repeat, use :func:`~diagnb.fleet.effect.effect_of_change`.
    Raises :class:`~diagnb.errors.InputFault` for negative counts or exposures not above zero.
    """
    (a, b), (s, t) = events, exposure
    if min(a, b) < 0 or not (s > 0 and t > 0):
        raise fault(name, "counts can't be negative and exposures must be above zero")
    total, share = a + b, s / (s + t)
    counted = (float(total), s + t, exposure_unit, total, coverage)
    if total == 0:
        said = Refusal("too-few-failures", "no event on either side")
        method = "exact conditional binomial limits"
        return (
            Figure(name, None, None, None, "1", *counted, method, said),
            no_trial(name, "the rates are equal", "too-few-failures", "no event on either side", level=1 - coverage),
        )
    low, high = (float(v) for v in clopper_pearson_limits(successes=a, trials=total, coverage=coverage))

    def ratio(p: float) -> float:
        return math.inf if p >= 1 else p / (1 - p) * t / s

    p_value = min(1.0, 2 * min(float(bdtr(a, total, share)), float(bdtrc(a - 1, total, share)) if a else 1.0))
    estimate = math.inf if b == 0 else (a / s) / (b / t)
    figure = Figure(name, estimate, ratio(low), ratio(high), "1", *counted, "exact conditional binomial limits")
    trial = Trial(
        name, "the rates are equal", float(a), f"binomial, {total} trials, {share:.4g}", p_value, None, 1 - coverage,
        "first is higher" if a / s > b / t else "second is higher" if a / s < b / t else "equal", total,
        "exact conditional binomial test, twice the smaller tail",
    )  # fmt: skip
    return figure, trial


def benjamini_hochberg(p_values: Array) -> Array:
    """Adjusted p-values (n,) in the given order: the smallest false discovery rate at which each is called.

    Benjamini and Hochberg 1995; holds for independent and positively dependent tests.
    Raises :class:`~diagnb.errors.InputFault` for values outside 0 to 1.
    """
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1 or np.any(~np.isfinite(p)) or np.any((p < 0) | (p > 1)):
        raise fault("p_values", "must be a list of numbers from 0 to 1")
    order = np.argsort(p, kind="stable")
    scaled = p[order] * p.size / np.arange(1, p.size + 1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table of many, against the rest of its row: ratio of shares or rates, adjusted p-value, alarm."""

    row: str
    column: str
    events: int
    exposure: float
    failing_assets: int
    ratio: float
    lower: float
    upper: float
    p_value: float
    adjusted: float
    alarm: bool


@dataclass(frozen=True, slots=True)
class CellSurvey:
    """All tested cells, the alarms first, and what was not tested with the reason; ``cautions`` go with every cell."""

    cells: tuple[Cell, ...]
    untested: tuple[tuple[str, str, Refusal], ...]
    false_discovery_rate: float
    smallest_number_failing: int
    method: str
    cautions: tuple[str, ...] = ()

    @property
    def alarms(self) -> tuple[Cell, ...]:
        """The cells to look into."""
        return tuple(c for c in self.cells if c.alarm)

    def of_row(self, name: str) -> CellSurvey:
        """The cells of one row (component); their p-values stay adjusted for all cells that were tested together."""
        tested = len(self.cells)
        return replace(
            self, cells=tuple(c for c in self.cells if c.row == name),
            untested=tuple(u for u in self.untested if u[0] == name),
            method=f"{self.method}; shown are those of {name}, tested together with {tested} in all",
        )  # fmt: skip


def survey_cells(
    *, rows: Sequence[str], columns: Sequence[str], events: Array, exposure: Array, failing_assets: Array | None = None,
    dispersion: Array | None = None,
    false_discovery_rate: float = 0.05, smallest_number_failing: int = 3, minimum_exposure: float = 0.0,
    coverage: float = 0.95,
) -> CellSurvey:  # fmt: skip
    """Each cell of a component-by-lot table against the rest of its component, over all cells at once.

    ``events``, ``exposure``, ``failing_assets``: arrays (rows, columns). Exact conditional two-rate test per cell,
    Benjamini-Hochberg over all of them. ``dispersion`` (rows,), at least 1, is the variance of the vehicles' counts over their
    mean: where vehicles differ, a few bad ones make a lot look bad, so counts are divided by it before the test. An alarm needs an adjusted p-value below ``false_discovery_rate``, a rate
    above the rest, and ``smallest_number_failing`` different failing vehicles (events where not given).
    Cells with less than ``minimum_exposure`` are listed as untested; what has neither events nor exposure is no cell. Raises :class:`~diagnb.errors.InputFault`.
    """
    x, t = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    assets = x if failing_assets is None else np.asarray(failing_assets, dtype=float)
    if x.shape != (len(rows), len(columns)) or t.shape != x.shape or assets.shape != x.shape:
        raise fault("cells", f"events, exposure and failing assets must be {len(rows)} by {len(columns)}")
    if np.any(x < 0) or np.any(~np.isfinite(t)) or np.any(t < 0) or np.any((x > 0) & (t == 0)):
        raise fault("cells", "events without exposure, or negative numbers", "count the exposure of every cell")
    rest_x, rest_t = x.sum(axis=1, keepdims=True) - x, t.sum(axis=1, keepdims=True) - t
    testable = (t > 0) & (t >= minimum_exposure) & (rest_t > 0) & (x + rest_x > 0)
    i, j = np.nonzero(testable)
    a, b, s, r = x[i, j], rest_x[i, j], t[i, j], rest_t[i, j]
    share = s / (s + r)
    phi = np.ones(len(rows)) if dispersion is None else np.asarray(dispersion, dtype=float)
    if phi.shape != (len(rows),) or np.any(~(phi >= 1)):
        raise fault("dispersion", "must be a number from 1 for each row")
    # Binomial tails as beta integrals, which hold for counts that were divided too.
    mine, others = a / phi[i], b / phi[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        upper_tail = np.where(a > 0, betainc(np.where(a > 0, mine, 1.0), others + 1, share), 1.0)
        lower_tail = np.where(b > 0, 1 - betainc(mine + 1, np.where(b > 0, others, 1.0), share), 1.0)
        p = np.minimum(1.0, 2 * np.minimum(lower_tail, upper_tail))
        tail = (1 - coverage) / 2
        low = np.where(a > 0, betaincinv(np.where(a > 0, mine, 1.0), others + 1, tail), 0.0)
        high = np.where(b > 0, betaincinv(mine + 1, np.where(b > 0, others, 1.0), 1 - tail), 1.0)
        ratio = np.where(b > 0, a * r / (np.maximum(b, 1) * s), np.inf)
        low, high = low / (1 - low) * r / s, np.where(high < 1, high / (1 - high) * r / s, np.inf)
    q = benjamini_hochberg(p)
    called = (q < false_discovery_rate) & (ratio > 1) & (assets[i, j] >= smallest_number_failing)
    cells = [
        Cell(rows[i[k]], columns[j[k]], int(a[k]), float(s[k]), int(assets[i[k], j[k]]), float(ratio[k]),
             float(low[k]), float(high[k]), float(p[k]), float(q[k]), bool(called[k]))
        for k in np.lexsort((p, ~called))
    ]  # fmt: skip
    untested = []
    for row, column in zip(*np.nonzero(~testable & (t > 0)), strict=True):
        code, detail = "exposure-too-small", f"{x[row, column]:g} in {t[row, column]:.4g}"
        if rest_t[row, column] == 0:
            code, detail = "nothing-varies", "there is no other one to compare it with"
        elif x[row].sum() == 0:
            code = "nothing-varies"
        untested.append((rows[row], columns[column], Refusal(code, detail)))
    return CellSurvey(
        tuple(cells), tuple(untested), false_discovery_rate, smallest_number_failing,
        "exact conditional two-rate test per cell"
        + ("" if dispersion is None else ", counts divided by the dispersion over vehicles")
        + ", Benjamini-Hochberg over all cells",
    )  # fmt: skip


def told_mainly_of_the_bad(*, told: Array, bad: Array, level: float = 0.01) -> bool:
    """Whether a property is known (``told``) mainly of what failed (``bad``): masks (n,).

    So where it is known of less than half of the good, and of the bad more often than chance brings about (Fisher's exact
    test, one side, at ``level``). Rates or shares by such a property speak of who wrote it down.
    """
    both, good = int(np.sum(told & bad)), int(np.sum(told & ~bad))
    all_bad = int(np.sum(bad))
    all_good = int(bad.size) - all_bad
    if not all_bad or 2 * good >= all_good or both * all_good <= good * all_bad:
        return False
    k = np.arange(both, min(all_bad, both + good) + 1)

    def choose(n: Any, of: Any) -> Any:
        return gammaln(n + 1) - gammaln(of + 1) - gammaln(n - of + 1)

    ways = choose(all_bad, k) + choose(all_good, both + good - k) - choose(all_good + all_bad, both + good)
    return float(np.sum(np.exp(ways))) < level
