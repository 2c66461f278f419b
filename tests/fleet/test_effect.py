"""Effect of a change: covered under heterogeneity, fair between young and old, silent where nothing can be said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import difference_of_shares, effect_of_change


def change(seed: int, *, ratio: float = 0.5, frailty: float = 1.0, vehicles: int = 80) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    own = rng.gamma(1 / frailty, frailty, vehicles)
    exposure = rng.uniform(6, 24, (2, vehicles))
    events = rng.poisson(0.06 * own * exposure * np.array([[1.0], [ratio]]))
    return {
        "asset": np.tile(np.arange(vehicles), 2), "after": np.repeat([False, True], vehicles), "events": events.ravel(),
        "exposure": exposure.ravel(),
    }  # fmt: skip


@pytest.mark.parametrize("ratio", [0.5, 1.0])
def test_the_true_ratio_is_covered_although_vehicles_differ(ratio: float) -> None:
    found = [effect_of_change(**change(s, ratio=ratio)) for s in range(250)]
    assert np.mean([f.ratio.lower <= ratio <= f.ratio.upper for f in found]) > 0.92
    if ratio == 1.0:
        assert np.mean([f.finding != "no change shown" for f in found]) < 0.08


def test_a_younger_fleet_is_not_taken_for_an_improvement() -> None:
    rng = np.random.default_rng(1)
    rows = []
    for vehicle in range(300):
        for after in (False, True):
            # Old vehicles fail four times as often; after the change most of the use is by young ones.
            for band, months in (("young", 20.0 if after else 4.0), ("old", 4.0 if after else 20.0)):
                rows.append((vehicle, after, rng.poisson((0.01 if band == "young" else 0.04) * months), months, band))
    asset, after, events, exposure, band = (np.array(c) for c in zip(*rows, strict=True))
    crude = effect_of_change(asset=asset, after=after, events=events, exposure=exposure)
    fair = effect_of_change(asset=asset, after=after, events=events, exposure=exposure, stratum=band)
    assert crude.finding == "fewer"
    assert fair.finding == "no change shown"
    assert fair.ratio.lower < 1 < fair.ratio.upper
    assert "Mantel-Haenszel" in fair.ratio.method


def test_without_scatter_the_limits_are_those_of_counts() -> None:
    n = 200
    data = {"asset": np.arange(2 * n), "after": np.repeat([False, True], n), "exposure": np.ones(2 * n)}
    events = np.concatenate([np.arange(n) < 60, np.arange(n) < 30]).astype(float)
    found = effect_of_change(**data, events=events)
    assert found.ratio.value == pytest.approx(0.5)
    assert math.log(found.ratio.upper / 0.5) == pytest.approx(
        stats.t.ppf(0.975, 398) * math.sqrt(1 / 60 + 1 / 30), rel=1e-6
    )


def test_no_event_after_the_change_has_a_bound() -> None:
    data = change(3, ratio=0.0)
    found = effect_of_change(**data)
    assert found.ratio.value == 0
    assert 0 < found.ratio.upper < 0.2
    assert found.finding == "fewer"


@pytest.mark.parametrize(("alter", "code"), [
    (lambda d: {k: v[:3] for k, v in d.items()}, "too-few-assets"),
    (lambda d: d | {"events": np.zeros(160)}, "too-few-failures"),
    (lambda d: d | {"stratum": d["after"]}, "confounded"),
])  # fmt: skip
def test_where_nothing_can_be_said_it_is_refused(alter: object, code: str) -> None:
    found = effect_of_change(**alter(change(1)))  # type: ignore[operator]
    assert found.ratio.refusal is not None
    assert found.ratio.refusal.code == code
    assert found.finding == "not tested"
    assert not found.trial.rejects


def test_difference_of_shares_is_newcombes() -> None:
    # 56/70 against 48/80, Newcombe 1998, Table II, method 10 (from memory).
    found = difference_of_shares(before=(48, 80), after=(56, 70))
    assert found.value == pytest.approx(0.2)
    assert found.lower == pytest.approx(0.0524, abs=5e-5)
    assert found.upper == pytest.approx(0.3339, abs=5e-5)
    with pytest.raises(InputFault):
        difference_of_shares(before=(9, 8), after=(1, 2))
    with pytest.raises(InputFault, match="above zero"):
        effect_of_change(asset=[1], after=[True], events=[1], exposure=[0])
