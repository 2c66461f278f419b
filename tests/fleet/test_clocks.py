"""Age or calendar: each clock is tested with the other one held, and an ageing fleet is not a calendar that gets worse."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

from diagnb.errors import InputFault
from diagnb.fleet import (
    ClockTrend,
    Truth,
    clock_trend,
    distinct_defects,
    read_rows,
    read_vehicles,
    synthesise,
    trend_by_clock,
)

PLAIN = Truth(rates={"a": 0.3}, season=0.3, frailty=0.5, lot_factors={}, change_month=None)


def by_both(seed: int, truth: Truth) -> tuple[ClockTrend, ClockTrend]:
    made = synthesise(seed=seed, vehicles=200, truth=truth)
    vehicles, defects = read_vehicles(made.vehicles), distinct_defects(read_rows(made.rows))
    return clock_trend(defects, vehicles, clock="age"), clock_trend(defects, vehicles, clock="calendar")


def rejected(truth: Truth, seeds: int = 12) -> tuple[int, int]:
    pairs = [by_both(seed, truth) for seed in range(seeds)]
    return sum(a.trial.rejects for a, _ in pairs), sum(c.trial.rejects for _, c in pairs)


def test_an_ageing_fleet_is_no_calendar_that_gets_worse() -> None:
    age, calendar = rejected(replace(PLAIN, shape=1.8))
    assert age == 12
    assert calendar <= 3
    found, other = by_both(1, replace(PLAIN, shape=1.8))
    assert found.trial.direction == "getting worse"
    assert found.growth.lower > 1
    assert other.growth.lower < 1 < other.growth.upper
    assert "year of building" in other.trial.cautions[0]


def test_a_change_on_a_day_is_calendar_and_not_age() -> None:
    age, calendar = rejected(replace(PLAIN, shape=1.0, change_month=24, change_factor=2.5, changed="a"))
    assert age <= 3
    assert calendar == 12


def test_without_a_trend_neither_clock_finds_one() -> None:
    age, calendar = rejected(replace(PLAIN, shape=1.0), seeds=24)
    assert age <= 5
    assert calendar <= 5


def test_one_stratum_is_the_trend_test_of_poisson_counts_on_the_score() -> None:
    rng = np.random.default_rng(3)
    born = rng.uniform(-40, 0, 30)
    events = rng.poisson(2.0, 30)
    who = np.repeat(np.arange(30), events)
    found = trend_by_clock(
        entry=np.zeros(30), leaving=np.ones(30), born=born, asset=who, age=rng.uniform(0.01, 0.99, who.size), clock="calendar"
    )  # fmt: skip
    score = born - born.mean()
    u = float(np.sum(events * score))
    poisson = events.sum() * np.mean(score**2)
    by_vehicle = float(np.sum(((events - events.mean()) * score) ** 2)) * 30 / 29
    assert found.trial.statistic == pytest.approx(u / np.sqrt(max(poisson, by_vehicle)))
    assert found.trial.p_value == pytest.approx(2 * stats.norm.sf(abs(found.trial.statistic)))

    def loss(beta: float) -> float:
        weight = np.exp(beta * score)
        return -float(np.sum(events * beta * score) - events.sum() * np.log(weight.sum()))

    best = optimize.minimize_scalar(loss, bracket=(-0.05, 0.05))
    assert found.growth.value == pytest.approx(np.exp(12 * best.x), rel=1e-5)


def test_what_can_not_be_told_is_refused() -> None:
    same: dict[str, Any] = {
        "entry": np.zeros(30), "leaving": np.full(30, 24.0), "asset": np.arange(30), "age": np.linspace(0.5, 23, 30)
    }  # fmt: skip
    for clock in ("age", "calendar"):
        found = trend_by_clock(**same, born=np.zeros(30), clock=clock)  # type: ignore[arg-type]
        assert found.trial.refusal is not None
        assert found.trial.refusal.code == "confounded"
    few = trend_by_clock(**{**same, "asset": np.arange(3), "age": np.full(3, 2.0)}, born=np.arange(30.0), clock="age")
    assert few.growth.refusal is not None
    assert few.growth.refusal.code == "too-few-failures"
    with pytest.raises(InputFault, match="age or calendar"):
        trend_by_clock(**same, born=np.zeros(30), clock="moon")  # type: ignore[arg-type]
    made = synthesise(seed=1, vehicles=60, truth=PLAIN)
    blind = replace(read_vehicles(made.vehicles), in_service=np.full(60, np.datetime64("NaT"), "M8[D]"))
    found = clock_trend(distinct_defects(read_rows(made.rows)), blind)
    assert found.trial.refusal is not None
    assert found.trial.refusal.code == "entry-age-missing"
