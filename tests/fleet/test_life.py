"""Life: surpyval and closed forms as oracles; survivors and late entry, judged against a known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import Lives, hazard_ratios, kaplan_meier, log_rank, mean_time_between, weibull, weibull_by_ranks


def drawn(seed: int, n: int = 600, *, shape: float = 2.0, scale: float = 60.0, late: bool = False) -> Lives:
    """Vehicles of known life; watched from new to a random age, or from a random age on."""
    rng = np.random.default_rng(seed)
    life = scale * rng.weibull(shape, 5 * n)
    entry = rng.uniform(10, 60, 5 * n) if late else np.zeros(5 * n)
    seen = life > entry
    life, entry = life[seen][:n], entry[seen][:n]
    end = entry + rng.uniform(5, 40, n)
    return Lives(np.minimum(life, end), life <= end, entry, "months")


def test_weibull_agrees_with_surpyval_with_suspensions_and_entry_ages() -> None:
    import surpyval

    for late in (False, True):
        lives = drawn(1, late=late)
        found = weibull(lives)
        entry = np.asarray(lives.entry)
        oracle = surpyval.Weibull.fit(lives.age, c=(~lives.failed).astype(int), tl=entry if late else None)
        assert found.scale.value == pytest.approx(oracle.params[0], rel=2e-4)
        assert found.shape.value == pytest.approx(oracle.params[1], rel=2e-4)
        assert found.log_likelihood == pytest.approx(-oracle.neg_ll(), abs=2e-3)


def test_kaplan_meier_is_the_product_of_what_was_at_risk() -> None:
    lives = drawn(2, 200, late=True)
    curve = kaplan_meier(lives)
    assert curve.refusal is None
    entry, product = np.asarray(lives.entry), 1.0
    for k, age in enumerate(curve.age):
        risk = np.sum((entry < age) & (lives.age >= age))
        died = np.sum(lives.failed & (lives.age == age))
        product *= 1 - died / risk
        assert curve.at_risk[k] == risk
        assert curve.survival[k] == pytest.approx(product)


def test_survivors_count() -> None:
    rng = np.random.default_rng(5)
    life = 60 * rng.weibull(2.0, 4000)
    end = rng.uniform(5, 40, 4000)
    failed = life <= end
    only_failed = weibull(Lives(life[failed], np.ones(failed.sum()), unit="months"))
    everyone = weibull(Lives(np.minimum(life, end), failed, unit="months"))
    assert only_failed.scale.value < 35
    assert everyone.scale.lower < 60 < everyone.scale.upper
    assert everyone.reading == "wear-out"
    assert f"{failed.sum():,} failures, {4000 - failed.sum():,} suspensions" in everyone.method


def test_an_archive_that_begins_late_needs_the_entry_ages() -> None:
    lives = drawn(6, 4000, late=True)
    ignored = weibull(Lives(lives.age, lives.failed, 0.0, "months"))
    used = weibull(lives)
    assert used.scale.lower < 60 < used.scale.upper
    assert ignored.scale.lower > 60
    assert "entry ages used" in used.method
    unknown = Lives(lives.age, lives.failed, None)
    for refused in (
        kaplan_meier(unknown).refusal,
        weibull(unknown).refusal,
        log_rank({"a": unknown, "b": lives}).refusal,
    ):
        assert refused is not None
        assert refused.code == "entry-age-missing"


def test_weibull_limits_cover_what_they_say() -> None:
    inside = np.zeros(3)
    for seed in range(200):
        found = weibull(drawn(1000 + seed, 80, late=True), coverage=0.9)
        b10 = found.age_at(0.1)
        for k, (figure, truth) in enumerate(
            ((found.shape, 2.0), (found.scale, 60.0), (b10, 60 * (-math.log(0.9)) ** 0.5))
        ):
            inside[k] += figure.lower <= truth <= figure.upper
    assert np.all(inside / 200 > 0.85)


def test_too_little_to_go_on_is_refused() -> None:
    few = weibull(Lives([5, 6, 7], [1, 1, 0]))
    assert few.refusal is not None
    assert few.refusal.code == "too-few-failures"
    assert few.age_at(0.1).value is None
    alike = weibull(Lives([5] * 8, [1] * 8))
    assert alike.refusal is not None
    assert alike.refusal.code == "not-converged"
    assert kaplan_meier(Lives([5, 6], [0, 0])).at(3).value is None
    # The first vehicles are gone before the others enter.
    emptied = kaplan_meier(Lives([5, 20, 21], [1, 1, 0], [0, 10, 10]))
    assert emptied.refusal is not None
    assert emptied.refusal.code == "nobody-at-risk"
    curve = kaplan_meier(Lives([5, 6, 9, 9, 9], [1, 0, 0, 0, 0]))
    assert curve.at(5).value == pytest.approx(0.8)
    assert curve.at(3).value == 1
    assert curve.at(10).refusal is not None
    assert curve.age_at(0.5).refusal is not None


def test_an_age_beyond_those_observed_is_called_an_extrapolation() -> None:
    found = weibull(drawn(8, 300))
    assert found.age_at(0.01).cautions == ()
    assert "extrapolation" in found.age_at(0.9).cautions[0]


def test_log_rank_agrees_with_lifelines_and_holds_its_level_under_late_entry() -> None:
    from lifelines.statistics import multivariate_logrank_test

    groups = {str(k): drawn(20 + k, 60, scale=60 + 10 * k) for k in range(3)}
    found = log_rank(groups)
    age = np.concatenate([g.age for g in groups.values()])
    failed = np.concatenate([g.failed for g in groups.values()])
    oracle = multivariate_logrank_test(age, np.repeat([0, 1, 2], 60), failed)
    assert found.statistic == pytest.approx(oracle.test_statistic)
    assert found.p_value == pytest.approx(oracle.p_value)
    called = sum(
        log_rank({"a": drawn(2 * s, 60, late=True), "b": drawn(2 * s + 1, 60, late=True)}).rejects for s in range(200)
    )
    assert called / 200 < 0.09


def test_hazard_ratio_of_a_known_effect() -> None:
    rng = np.random.default_rng(9)
    heavy = rng.integers(0, 2, 1500)
    life = 60 * rng.weibull(1.5, 1500) * np.where(heavy, 2.0 ** (-1 / 1.5), 1.0)
    end = rng.uniform(10, 60, 1500)
    lives = Lives(np.minimum(life, end), life <= end, unit="months")
    found = hazard_ratios(lives, influences={"heavy duty": heavy})
    assert found.of("heavy duty").lower < 2 < found.of("heavy duty").upper
    few = hazard_ratios(Lives([1, 2, 3], [1, 1, 0]), influences={"x": [0, 1, 0]})
    assert few.of("x").refusal is not None
    with pytest.raises(InputFault, match=r"influences\.x"):
        hazard_ratios(lives, influences={"x": np.ones(1500)})


def test_faults_of_lives_are_all_listed() -> None:
    with pytest.raises(InputFault) as caught:
        Lives([5, -1, 3], [1, 0, 1], [6, 0, 0])
    assert len(caught.value.faults) == 2
    with pytest.raises(InputFault, match="entry ages"):
        weibull_by_ranks(Lives([5, 6, 7, 8], [1, 1, 1, 1], [1, 0, 0, 0]))


def test_mean_time_limits_cover() -> None:
    rng = np.random.default_rng(2)
    counts = rng.poisson(4, 2000)
    found = [mean_time_between(events=int(c), exposure=400, coverage=0.9) for c in counts]
    assert np.mean([f.lower <= 100 <= f.upper for f in found]) > 0.9
