"""Events that come back: published data, surpyval, a bootstrap, and coverage where vehicles differ."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import Histories, compare_recurrence, expected_events, mean_cumulative_function

VALVES = {
    251: ((), 761), 252: ((), 759), 327: ((98,), 667), 328: ((326, 653, 653), 667), 329: ((), 665), 330: ((84,), 667),
    331: ((87,), 663), 389: ((646,), 653), 390: ((92,), 653), 391: ((), 651), 392: ((258, 328, 377, 621), 650),
    393: ((61, 539), 648), 394: ((254, 276, 298, 640), 644), 395: ((76, 538), 642), 396: ((635,), 641),
    397: ((349, 404, 561), 649), 398: ((), 631), 399: ((), 596), 400: ((120, 479), 614), 401: ((323, 449), 582),
    402: ((139, 139), 589), 403: ((), 593), 404: ((573,), 589), 405: ((165, 408, 604), 606), 406: ((249,), 594),
    407: ((344, 497), 613), 408: ((265, 586), 595), 409: ((166, 206, 348), 389), 410: ((), 601), 411: ((410, 581), 601),
    412: ((), 611), 413: ((), 608), 414: ((), 587), 415: ((367,), 603), 416: ((202, 563, 570), 585), 417: ((), 587),
    418: ((), 578), 419: ((), 578), 420: ((), 586), 421: ((), 585), 422: ((), 582),
}  # fmt: skip
"""Valve-seat replacements of 41 diesel engines, days of events and of the end of the watch (Nelson and Doganaksoy 1989)."""


def valves() -> Histories:
    asset = [k for k, (times, _) in enumerate(VALVES.values()) for _ in times]
    age = [t for times, _ in VALVES.values() for t in times]
    return Histories(np.zeros(len(VALVES)), [end for _, end in VALVES.values()], asset, age, "days")


def test_valve_seats_against_surpyval_and_a_bootstrap() -> None:
    watched = valves()
    curve = mean_cumulative_function(watched)
    assert (curve.events, curve.assets) == (48, 41)
    k = int(np.searchsorted(curve.age, 653))
    assert curve.mean[k] == pytest.approx(1.5427, abs=5e-5)
    # Lawless and Nadeau as surpyval 0.25 gives it for these data.
    assert curve.standard_error[k] == pytest.approx(0.3117, abs=5e-5)
    poisson = mean_cumulative_function(watched, variance="poisson")
    assert poisson.standard_error[k] == pytest.approx(0.2628, abs=5e-5)
    assert any("promise too much" in c for c in poisson.at(653).cautions)
    rng, drawn = np.random.default_rng(1), []
    for _ in range(400):
        pick = rng.integers(41, size=41)
        rows = [np.nonzero(watched.asset == p)[0] for p in pick]
        asset = np.concatenate([np.full(r.size, i) for i, r in enumerate(rows)])
        again = Histories(np.zeros(41), watched.exit[pick], asset, watched.age[np.concatenate(rows)])
        curve_again = mean_cumulative_function(again)
        drawn.append(curve_again.mean[np.searchsorted(curve_again.age, 653, side="right") - 1])
    assert np.std(drawn) == pytest.approx(0.32, abs=0.03)


def fleet_of(seed: int, frailty: float, *, assets: int = 60, late: bool = False) -> Histories:
    """Vehicles at 0.05 events a month and a power 1.2 of age, each with its own factor of variance ``frailty``."""
    rng = np.random.default_rng(seed)
    entry = rng.uniform(0, 20, assets) if late else np.zeros(assets)
    leaving = entry + rng.uniform(24, 48, assets)
    own = rng.gamma(1 / frailty, frailty, assets) if frailty else np.ones(assets)
    low, high = entry**1.2, leaving**1.2
    count = rng.poisson(0.03 * own * (high - low))
    asset = np.repeat(np.arange(assets), count)
    age = (low[asset] + rng.random(asset.size) * (high - low)[asset]) ** (1 / 1.2)
    return Histories(entry, leaving, asset, np.clip(age, entry[asset] + 1e-9, leaving[asset]), "months")


@pytest.mark.parametrize("frailty", [0.0, 1.0, 2.0, 4.0])
def test_limits_by_vehicle_cover_where_poisson_limits_do_not(frailty: float) -> None:
    truth, hits, poisson, runs = 0.03 * 24**1.2, 0, 0, 300
    for seed in range(runs):
        watched = fleet_of(seed, frailty)
        for variance in ("by asset", "poisson"):
            figure = mean_cumulative_function(watched, variance=variance).at(24)  # type: ignore[arg-type]
            assert figure.lower is not None
            assert figure.upper is not None
            inside = figure.lower <= truth <= figure.upper
            hits += inside and variance == "by asset"
            poisson += inside and variance == "poisson"
    assert hits / runs > 0.89
    if frailty >= 1:
        assert poisson / runs < 0.85


def test_late_entry_leaves_the_curve_true() -> None:
    found = [mean_cumulative_function(fleet_of(s, 1.0, assets=200, late=True)) for s in range(40)]
    grown = [m.at(40).value - m.at(21).value for m in found]
    assert np.mean(grown) == pytest.approx(0.03 * (40**1.2 - 21**1.2), rel=0.05)


def test_a_thinned_curve_has_the_same_values() -> None:
    watched = fleet_of(3, 1.0, assets=400)
    whole, thin = mean_cumulative_function(watched, points=10**6), mean_cumulative_function(watched, points=50)
    at = np.searchsorted(whole.age, thin.age)
    assert thin.age.size <= 50
    assert thin.mean == pytest.approx(whole.mean[at])
    assert thin.standard_error == pytest.approx(whole.standard_error[at])


def test_events_to_come_are_covered_by_the_prediction() -> None:
    hits, runs = 0, 150
    for seed in range(runs):
        rng = np.random.default_rng(10_000 + seed)
        watched = fleet_of(seed, 1.0, assets=150)
        now = rng.uniform(2, 12, 100)
        figure = expected_events(watched, age_now=now, further_use=3.0)
        own = rng.gamma(1.0, 1.0, 100)
        came = rng.poisson(0.03 * own * ((now + 3) ** 1.2 - now**1.2)).sum()
        assert figure.lower is not None
        assert figure.upper is not None
        hits += figure.lower <= came <= figure.upper
    assert hits / runs > 0.91


def test_questions_beyond_the_data_are_refused() -> None:
    watched = fleet_of(1, 1.0)
    beyond = expected_events(watched, age_now=[46.0], further_use=20.0)
    assert beyond.refusal is not None
    assert beyond.refusal.code == "beyond-observed-age"
    curve = mean_cumulative_function(watched)
    assert curve.at(200).refusal is not None
    assert curve.at(curve.age[0] / 2).refusal is not None
    small = mean_cumulative_function(fleet_of(1, 1.0, assets=4)).at(24)
    assert small.refusal is not None
    assert small.refusal.code == "too-few-assets"
    thinned_out = Histories(np.zeros(12), [10.0] * 10 + [50.0] * 2, [0, 3, 11], [4.0, 5.0, 40.0], "months")
    thin = mean_cumulative_function(thinned_out)
    assert thin.at(8).cautions == ()
    assert thin.at(45).cautions == ("only 2 vehicles were under watch at this age",)


def test_two_groups_are_told_apart_at_the_stated_level() -> None:
    alike = [
        compare_recurrence(
            mean_cumulative_function(fleet_of(2 * s, 2.0)), mean_cumulative_function(fleet_of(2 * s + 1, 2.0)), age=24
        )
        for s in range(200)
    ]
    assert sum(t.rejects for t in alike) / 200 < 0.1
    watched = fleet_of(1, 0.0, assets=300)
    fewer = Histories(watched.entry, watched.exit, watched.asset[::3], watched.age[::3], "months")
    found = compare_recurrence(mean_cumulative_function(watched), mean_cumulative_function(fewer), age=24)
    assert found.rejects
    assert found.direction == "first is higher"


def test_events_outside_their_watch_are_faults() -> None:
    with pytest.raises(InputFault, match="outside"):
        Histories([0, 5], [10, 20], [1], [4.0])
    with pytest.raises(InputFault, match="before they enter"):
        Histories([0, 25], [10, 20], [], [])
    with pytest.raises(InputFault, match="not here"):
        Histories([0], [10], [3], [4.0])
