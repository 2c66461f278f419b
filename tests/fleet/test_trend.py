"""Trend tests: level under no trend whatever the vehicles' rates, power under one, SciPy for ranks."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import Watch, gap_shape, laplace, mil_hdbk_189, power_law, reverse_arrangements


def systems(seed: int, *, shape: float = 1.0, number: int = 20, frailty: float = 1.0) -> list[Watch]:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(number):
        end = rng.uniform(20, 60)
        count = rng.poisson(rng.gamma(1 / frailty, frailty) * 3)
        found.append(Watch(tuple(np.sort(end * rng.random(count) ** (1 / shape))), end))
    return found


def test_the_level_holds_for_systems_of_unlike_rates() -> None:
    for trial in (laplace, mil_hdbk_189):
        called = [trial(systems(s)).rejects for s in range(500)]
        assert 0.02 < np.mean(called) < 0.085


def test_growing_and_shrinking_trouble_is_called_by_its_name() -> None:
    worse, better = systems(1, shape=2.0, number=60), systems(1, shape=0.5, number=60)
    for trial in (laplace, mil_hdbk_189):
        assert (trial(worse).rejects, trial(worse).direction) == (True, "getting worse")
        assert (trial(better).rejects, trial(better).direction) == (True, "getting better")


def test_statistics_by_their_formulas() -> None:
    t, end = np.array([10.0, 25, 60, 80, 95]), 100.0
    watch = Watch(tuple(t), end)
    u = (t.mean() - end / 2) / (end * math.sqrt(1 / (12 * t.size)))
    assert laplace([watch]).statistic == pytest.approx(u)
    assert laplace([watch]).p_value == pytest.approx(2 * stats.norm.sf(abs(u)))
    found = mil_hdbk_189([watch])
    assert found.statistic == pytest.approx(2 * np.sum(np.log(end / t)))
    assert found.p_value == pytest.approx(
        2 * min(stats.chi2.cdf(found.statistic, 10), stats.chi2.sf(found.statistic, 10))
    )
    at_event = Watch((10.0, 25, 60, 80, 95), 95.0, ends_at_event=True)
    assert laplace([at_event]).n == 4
    # Watched from an age on, only the place within the watch counts.
    moved = Watch(tuple(t + 1000), end + 1000, 1000.0)
    assert laplace([moved]).statistic == pytest.approx(u)
    assert mil_hdbk_189([moved]).statistic == pytest.approx(found.statistic)


def test_reverse_arrangements_count_every_order() -> None:
    values = (3.0, 1.0, 4.0, 1.5, 9.0, 2.6)
    counts = [sum(a < b for i, a in enumerate(p) for b in p[i + 1 :]) for p in permutations(values)]
    found = reverse_arrangements(values)
    assert found.statistic == 9
    below, above = np.mean(np.array(counts) <= 9), np.mean(np.array(counts) >= 9)
    assert found.p_value == pytest.approx(min(1.0, 2 * min(below, above)))
    x = np.random.default_rng(3).exponential(size=40)
    assert reverse_arrangements(x).p_value == pytest.approx(
        stats.kendalltau(np.arange(40), x, method="exact").pvalue, rel=1e-6
    )
    tied = np.round(np.random.default_rng(3).exponential(size=200), 1)
    ours, oracle = reverse_arrangements(tied), stats.kendalltau(np.arange(200), tied, method="asymptotic")
    assert ours.p_value == pytest.approx(oracle.pvalue, rel=0.05)
    assert reverse_arrangements(np.linspace(9, 1, 12)).direction == "getting worse"


def test_power_law_limits_cover_the_true_power() -> None:
    inside = 0
    for seed in range(300):
        found = power_law(systems(seed, shape=1.5), coverage=0.9)
        inside += found.shape_lower <= 1.5 <= found.shape_upper
    assert 0.86 < inside / 300 < 0.94


def test_too_few_events_are_refused() -> None:
    watch = Watch((3.0, 7.0), 10.0)
    for trial in (
        laplace([watch]),
        mil_hdbk_189([watch]),
        reverse_arrangements([1, 2, 3]),
        reverse_arrangements([2.0] * 9),
    ):
        assert trial.refusal is not None
        assert not trial.rejects
        assert "refused" in str(trial)
    assert power_law([watch]).refusal is not None
    assert power_law([watch]).growth_slope is None
    assert gap_shape([1.0, 2.0]).refusal is not None


def test_gamma_shape_agrees_with_scipy() -> None:
    x = stats.gamma.rvs(2.3, size=300, random_state=4)
    found = gap_shape(x)
    assert found.value == pytest.approx(stats.gamma.fit(x, floc=0)[0], rel=1e-4)
    assert found.lower < 2.3 < found.upper


def test_watches_that_cannot_be_are_faults() -> None:
    with pytest.raises(InputFault, match="outside"):
        Watch((3.0, 17.0), 10.0)
    with pytest.raises(InputFault, match="no span"):
        Watch((), 5.0, 5.0)
    with pytest.raises(InputFault, match="not in order"):
        Watch((5.0, 3.0), 10.0)
    with pytest.raises(InputFault, match="from the system's start"):
        power_law([Watch((5.0, 6.0, 7.0, 8.0), 10.0, 2.0)])
