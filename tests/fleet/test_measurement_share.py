"""What the measurement alone explains: known populations, and history under one rule."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.conformity import WORDS, Limit, judge
from diagnb.errors import InputFault
from diagnb.fleet import expected_shares, explained_by_measurement, judge_history
from diagnb.uncertainty import Estimate

MEAN = 0.29 - 2.257 * 0.04
"""1.2 % of true values lie above 0.29 with a deviation of 0.04."""


@pytest.mark.parametrize(("u", "shown", "false"), [(0.01, 0.0144, 0.32), (0.02, 0.022, 0.60)])
def test_the_measurement_shows_more_fails_than_there_are(u: float, shown: float, false: float) -> None:
    found = expected_shares(mean=MEAN, deviation=0.04, standard_uncertainty=u, limit=0.29)
    assert found[1] == pytest.approx(0.012, abs=2e-5)
    assert found[0] == pytest.approx(shown, abs=4e-4)
    assert found[2] == pytest.approx(false, abs=0.01)
    rng = np.random.default_rng(1)
    true = rng.normal(MEAN, 0.04, 2_000_000)
    fails = true + rng.normal(0, u, true.size) > 0.29
    assert found[2] == pytest.approx(np.mean(true[fails] <= 0.29), abs=0.01)


def test_a_guard_band_makes_most_fails_false() -> None:
    assert expected_shares(mean=MEAN, deviation=0.04, standard_uncertainty=0.01, limit=0.29, guard=0.02)[2] > 0.7
    assert expected_shares(mean=MEAN, deviation=0.04, standard_uncertainty=0.0, limit=0.29)[2] == 0


def population(seed: int, kind: str, n: int = 40_000) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    if kind == "normal":
        true, u = rng.normal(MEAN, 0.04, n), np.full(n, 0.01)
    else:
        bad = rng.random(n) < 0.02
        true, u = np.where(bad, rng.normal(0.5, 0.1, n), rng.normal(0.18, 0.03, n)), rng.choice([0.005, 0.02], n)
    return true, u, true + u * rng.standard_normal(n)


@pytest.mark.parametrize("kind", ["normal", "good and bad, two meters"])
def test_the_share_is_recovered_without_knowing_the_population(kind: str) -> None:
    errors, inside = [], 0
    for seed in range(8):
        true, u, value = population(seed, kind)
        fails = value > 0.29
        really = np.mean(true[fails] <= 0.29)
        found = explained_by_measurement(
            value=value, standard_uncertainty=u, limit=Limit(upper=0.29), resamples=40, seed=seed
        )
        assert found.shown.value == pytest.approx(fails.mean())
        assert found.true.value == pytest.approx(np.mean(true > 0.29), rel=0.2)
        assert found.false_fails.lower <= found.false_fails.value <= found.false_fails.upper
        errors.append(found.false_fails.value - really)
        inside += found.false_fails.lower - 0.005 <= really <= found.false_fails.upper + 0.005
    assert np.abs(np.mean(errors)) < 0.03
    assert inside >= 6
    assert found.flagged == (kind == "normal")


def test_a_lower_limit_mirrors_an_upper_one() -> None:
    _, u, value = population(1, "normal")
    above = explained_by_measurement(value=value, standard_uncertainty=u, limit=Limit(upper=0.29), resamples=0)
    below = explained_by_measurement(value=-value, standard_uncertainty=u, limit=Limit(lower=-0.29), resamples=0)
    assert below.false_fails.value == pytest.approx(above.false_fails.value, abs=0.01)
    assert above.false_fails.lower is None


def test_what_can_not_be_known_is_refused() -> None:
    _, u, value = population(1, "normal", 1000)
    limit = Limit(upper=0.29)
    for found, code in (
        (explained_by_measurement(value=value, standard_uncertainty=None, limit=limit), "uncertainty-missing"),
        (explained_by_measurement(value=value, standard_uncertainty=np.where(u > 0, np.nan, u), limit=limit), "uncertainty-missing"),
        (explained_by_measurement(value=value[:50], standard_uncertainty=u[:50], limit=limit), "exposure-too-small"),
        (explained_by_measurement(value=value, standard_uncertainty=u, limit=Limit(upper=9.0), resamples=5), "too-few-failures"),
    ):  # fmt: skip
        assert found.false_fails.refusal is not None
        assert found.false_fails.refusal.code == code
        assert not found.flagged
    with pytest.raises(InputFault, match="not a verdict"):
        explained_by_measurement(value=value, standard_uncertainty=u, limit=limit, counted=("bad",))


def test_history_is_judged_as_one_test_is_judged() -> None:
    rng = np.random.default_rng(2)
    n = 400
    value, u = rng.uniform(0.1, 0.5, n), rng.uniform(0.0, 0.05, n)
    lower = np.where(rng.random(n) < 0.3, 0.15, np.nan)
    upper = np.where(rng.random(n) < 0.8, rng.choice([0.29, 0.35], n), np.nan)
    value[5], u[6] = np.nan, np.nan
    for rule in ("simple", "guarded-95", "guarded-U"):
        found = judge_history(value=value, standard_uncertainty=u, lower=lower, upper=upper, rule=rule)  # type: ignore[arg-type]
        for k in range(n):
            low, high = (None if np.isnan(x) else float(x) for x in (lower[k], upper[k]))
            if not np.isfinite(value[k]) or not np.isfinite(u[k]) or (low is None and high is None):
                assert WORDS[found[k]] == "not judged"
            else:
                one = judge(Estimate(float(value[k]), float(u[k])), Limit(lower=low, upper=high), rule)  # type: ignore[arg-type]
                assert WORDS[found[k]] == one.verdict
    with pytest.raises(InputFault, match="one length"):
        judge_history(value=[1, 2], standard_uncertainty=[1, 2, 3], lower=[1], upper=[1])


def test_a_changed_rule_looks_like_a_changed_fleet_until_history_is_judged_again() -> None:
    _, u, value = population(3, "normal")
    old, new = slice(0, 20_000), slice(20_000, None)
    simple = judge_history(value=value, standard_uncertainty=u, lower=np.nan, upper=0.29, rule="simple")
    guarded = judge_history(value=value, standard_uncertainty=u, lower=np.nan, upper=0.29, rule="guarded-95")
    fail = WORDS.index("fail")
    mixed = [np.mean(simple[old] == fail), np.mean(guarded[new] == fail)]
    one_rule = [np.mean(guarded[old] == fail), np.mean(guarded[new] == fail)]
    assert mixed[1] < 0.6 * mixed[0]
    assert one_rule[1] == pytest.approx(one_rule[0], rel=0.25)
