"""Proportions, rates and their order against closed forms, SciPy and simulated fleets of known rates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import (
    mean_time_between,
    pareto,
    poisson_limits,
    proportion,
    rate,
    rate_of_assets,
)


@pytest.mark.parametrize(("x", "n"), [(0, 20), (1, 29), (15, 148), (20, 20)])
def test_proportions_agree_with_scipy(x: int, n: int) -> None:
    oracle = stats.binomtest(x, n)
    for ours, theirs in (("wilson", "wilson"), ("clopper-pearson", "exact")):
        figure = proportion(successes=x, trials=n, method=ours)  # type: ignore[arg-type]
        limits = oracle.proportion_ci(0.95, method=theirs)
        assert figure.lower == pytest.approx(limits.low, abs=1e-12)
        assert figure.upper == pytest.approx(limits.high, abs=1e-12)
        assert (figure.numerator, figure.exposure, figure.n, figure.coverage) == (x, n, n, 0.95)


def test_wilson_covers_what_it_says() -> None:
    for p, n in ((0.012, 500), (0.1, 50), (0.5, 20)):
        x = np.arange(n + 1)
        chance = stats.binom.pmf(x, n, p)
        figures = [proportion(successes=k, trials=n) for k in x]
        covered = sum(c for c, f in zip(chance, figures, strict=True) if f.lower <= p <= f.upper)
        assert covered > 0.93


def test_poisson_limits_are_exact_with_zero_events_too() -> None:
    low, high = poisson_limits(events=np.array([0, 3]), exposure=100.0)
    assert low[0] == 0
    assert high[0] == pytest.approx(-math.log(0.025) / 100)
    assert low[1] == pytest.approx(stats.chi2.ppf(0.025, 6) / 200)
    assert high[1] == pytest.approx(stats.chi2.ppf(0.975, 8) / 200)
    zero = rate(events=0, exposure=100, exposure_unit="vehicle-months", per=1000)
    assert (zero.value, zero.lower) == (0, 0)
    assert zero.upper == pytest.approx(36.889, abs=0.001)


def test_a_rate_without_enough_exposure_is_refused_with_what_was_counted() -> None:
    missing = rate(events=3, exposure=None, exposure_unit="vehicle-months")
    assert missing.value is None
    assert missing.refusal is not None
    assert missing.refusal.code == "exposure-missing"
    assert missing.numerator == 3
    small = rate(events=1, exposure=20, exposure_unit="vehicle-months", minimum_exposure=60)
    assert small.refusal is not None
    assert small.refusal.code == "exposure-too-small"
    assert "20 of at least 60" in str(small.refusal)
    nothing = proportion(successes=0, trials=0)
    assert nothing.refusal is not None
    assert nothing.refusal.code == "no-tests"
    few = rate_of_assets(events=[1, 0], exposure=[10, 10], exposure_unit="vehicle-months")
    assert few.refusal is not None
    assert few.refusal.code == "too-few-assets"


@pytest.mark.parametrize(("call", "said"), [
    (lambda: proportion(successes=5, trials=3), "not a share"),
    (lambda: rate(events=-1, exposure=2, exposure_unit="km"), "negative"),
    (lambda: rate_of_assets(events=[1, 2], exposure=[1, 0], exposure_unit="km"), "above zero"),
    (lambda: rate_of_assets(events=[1], exposure=[1, 0], exposure_unit="km"), "one length"),
    (lambda: pareto(counts={"a": 1, "b": 2}, exposures={"a": 5}), "exposures.b"),
    (lambda: proportion(successes=1, trials=3, coverage=95), "between 0 and 1"),
    (lambda: mean_time_between(events=1, exposure=0), "not an observation"),
])  # fmt: skip
def test_impossible_numbers_are_faults(call: object, said: str) -> None:
    with pytest.raises(InputFault, match=said):
        call()  # type: ignore[operator]


def test_vehicles_that_differ_widen_the_limits_as_far_as_needed() -> None:
    rng = np.random.default_rng(7)
    covered = {"poisson": 0, "assets": 0}
    for _ in range(400):
        months = rng.uniform(12, 48, 80)
        counts = rng.poisson(0.05 * months * rng.gamma(0.5, 2.0, 80))
        figure = rate_of_assets(events=counts, exposure=months, exposure_unit="vehicle-months")
        assert figure.lower is not None
        assert figure.upper is not None
        covered["assets"] += figure.lower <= 0.05 <= figure.upper
        low, high = poisson_limits(events=counts.sum(), exposure=months.sum())
        covered["poisson"] += low <= 0.05 <= high
    assert covered["assets"] / 400 > 0.91
    assert covered["poisson"] / 400 < 0.75


def test_one_fail_in_few_tests_does_not_lead_the_list() -> None:
    found = pareto(counts={"rare cell": 1, "true trouble": 60}, exposures={"rare cell": 20, "true trouble": 2000})
    assert [row.item for row in found.rows] == ["true trouble", "rare cell"]
    raw = {row.item: row.rate.value for row in found.rows}
    assert raw["rare cell"] > raw["true trouble"]
    # How often a small cell at the same rate shows twice the rate or more, by chance alone.
    assert stats.binom.sf(0, 20, 0.012) == pytest.approx(0.215, abs=0.001)


def test_a_component_whose_rate_is_refused_stays_in_the_table() -> None:
    found = pareto(counts={"a": 5, "b": 9}, exposures={"a": 100, "b": 0})
    assert [row.item for row in found.rows] == ["a", "b"]
    assert found.rows[1].rate.refusal is not None
    assert found.rows[1].events == 9
