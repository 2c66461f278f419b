"""Drift over use: the true slope is covered, vehicles and meters are not mistaken for it, doubts are refused."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import drift_over_use


def course(seed: int, *, slope: float = 2e-7, vehicles: int = 25, visits: int = 6) -> dict[str, np.ndarray]:
    """Vehicles of unlike level; the older ones happen to be the better ones."""
    rng = np.random.default_rng(seed)
    asset = np.repeat(np.arange(vehicles), visits)
    start = rng.uniform(0, 300_000, vehicles)
    use = start[asset] + np.tile(np.linspace(0, 60_000, visits), vehicles)
    u = rng.uniform(0.001, 0.006, asset.size)
    level = 0.2 - 3e-7 * start + 0.02 * rng.standard_normal(vehicles)
    value = (
        level[asset]
        + slope * (use - start[asset])
        + u * rng.standard_normal(asset.size)
        + 0.002 * rng.standard_normal(asset.size)
    )
    return {"use": use, "value": value, "standard_uncertainty": u, "asset": asset}


def test_the_true_slope_is_covered_although_vehicles_differ() -> None:
    inside, scatter = 0, []
    for seed in range(200):
        data = course(seed)
        found = drift_over_use(**data)
        inside += found.slope.lower <= 2e-7 <= found.slope.upper
        scatter.append(found.extra_scatter)
    assert inside / 200 > 0.92
    assert np.median(scatter) == pytest.approx(0.002, abs=0.0004)
    # One line through all points takes the vehicles for the drift: it even has the wrong sign.
    assert np.polyfit(data["use"], data["value"], 1)[0] < 0


def test_a_new_meter_is_not_taken_for_drift() -> None:
    data = course(1, slope=0.0)
    instrument = np.tile([0, 0, 0, 1, 1, 1], 25)
    data["value"] = data["value"] + 0.01 * instrument
    fooled = drift_over_use(**data)
    aware = drift_over_use(**data, instrument=instrument)
    assert fooled.slope.lower > 0
    assert aware.slope.lower < 0 < aware.slope.upper
    each = drift_over_use(**data, instrument=np.tile(np.arange(6), 25))
    assert each.refusal is not None
    assert each.refusal.code == "confounded"


def test_precise_points_count_more() -> None:
    data = course(4)
    loose = data["standard_uncertainty"] > 0.004
    data["value"] = data["value"] + np.where(loose, 0.05 * np.sin(np.arange(150.0)), 0)
    data["standard_uncertainty"] = np.where(loose, 0.05, 0.001)
    found = drift_over_use(**data)
    assert found.slope.upper - found.slope.lower < 1.2e-7
    assert found.slope.lower < 2e-7 < found.slope.upper


def test_the_use_at_the_limit_follows_the_line_or_is_refused() -> None:
    found = drift_over_use(**course(2, vehicles=100))
    ahead = found.use_at(0.29)
    assert ahead.value == pytest.approx(found.at_use + (0.29 - found.level) / found.slope.value)
    assert ahead.lower < ahead.value < ahead.upper
    assert "carried on" in ahead.cautions[0]
    for refused in (found.use_at(0.01), drift_over_use(**course(3, slope=0.0)).use_at(0.29)):
        assert refused.refusal is not None
        assert refused.refusal.code == "slope-not-proved"


def test_values_without_uncertainty_are_refused() -> None:
    data = course(1)
    data["standard_uncertainty"] = np.where(np.arange(150) == 7, np.nan, 0.002)
    found = drift_over_use(**data)
    assert found.refusal is not None
    assert found.refusal.code == "uncertainty-missing"
    assert "1 of 150" in found.refusal.detail
    assert found.use_at(0.3).refusal is not None
    few = drift_over_use(use=[1, 2], value=[1, 2], standard_uncertainty=[0.1, 0.1], asset=[0, 0])
    assert few.refusal is not None
    assert few.refusal.code == "too-few-assets"
    with pytest.raises(InputFault, match="as long as use"):
        drift_over_use(use=[1, 2], value=[1], standard_uncertainty=[0.1, 0.1], asset=[0, 0])


def test_perfect_values_give_the_exact_slope() -> None:
    asset, use = np.repeat(np.arange(6), 4), np.tile([0.0, 10, 20, 30], 6)
    found = drift_over_use(use=use, value=asset + 0.5 * use, standard_uncertainty=np.zeros(24), asset=asset)
    assert found.slope.value == pytest.approx(0.5)
