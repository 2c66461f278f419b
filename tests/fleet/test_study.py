"""Whole analyses on invented fleets, judged against what is true of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import (
    Defects,
    Rows,
    Truth,
    Vehicles,
    by_month,
    components_by_rate,
    cusum_chart,
    distinct_defects,
    drift_over_use,
    effect_at,
    fail_shares,
    first_lives,
    fleet_rate,
    histories,
    laplace,
    lots_survey,
    mean_cumulative_function,
    read_rows,
    read_vehicles,
    synthesise,
    watches,
    weibull,
)
from diagnb.fleet.labels import Labels

PLAIN = Truth(
    rates={"a": 0.10, "b": 0.05, "c": 0.02}, season=0.0, frailty=0.0, lot_factors={}, change_month=None, duplicate_share=0.0
)  # fmt: skip


def fleet(seed: int, truth: Truth, *, vehicles: int = 600, late: float = 0.5) -> tuple[Rows, Vehicles, Defects]:
    made = synthesise(seed=seed, vehicles=vehicles, truth=truth, late_entry=late, visit_every=1.0)
    rows = read_rows(made.rows)
    assert rows.faults == ()
    assert len(rows) == made.results
    rows = rows.under_one_rule()
    return rows, read_vehicles(made.vehicles), distinct_defects(rows)


def test_same_seed_same_fleet() -> None:
    one, two, other = (synthesise(seed=s, vehicles=30) for s in (5, 5, 6))
    for name, column in one.rows.items():
        again = two.rows[name]
        if isinstance(column, Labels):
            assert column.names == again.names
            column, again = column.codes, again.codes
        np.testing.assert_array_equal(column, again)
    assert other.results != one.results or not np.array_equal(other.rows["value"], one.rows["value"])
    with pytest.raises(InputFault, match=r"rates\.x"):
        Truth(rates={"x": -1.0})


def test_life_and_recurrence_recover_the_truth() -> None:
    rows, vehicles, defects = fleet(1, PLAIN, vehicles=1500)
    mine = defects.of_component("a")
    fit = weibull(first_lives(mine, vehicles))
    # Vehicles that had their first defect before the archive began bias "first" a little; the power stays.
    assert fit.shape.lower < 1.3 < fit.shape.upper
    watched, cautions = histories(mine, vehicles)
    assert cautions == ()
    at = mean_cumulative_function(watched).at(36)
    # Found at the visit after it came about: half a month late on average.
    truth = 0.10 * (35.5 / 12) ** 1.3
    assert at.lower < truth < at.upper
    pareto = components_by_rate(rows, defects, vehicles)
    assert [r.item for r in pareto.rows] == ["a", "b", "c"]
    assert pareto.total == len(defects)
    whole = fleet_rate(defects, vehicles)
    assert whole.numerator == len(defects)
    assert whole.exposure == pytest.approx(vehicles.months.sum())


def test_first_life_without_service_dates_is_refused() -> None:
    _, vehicles, defects = fleet(2, PLAIN, vehicles=100)
    blind = replace(vehicles, in_service=np.full(len(vehicles), np.datetime64("NaT"), "M8[D]"))
    fit = weibull(first_lives(defects, blind))
    assert fit.refusal is not None
    assert fit.refusal.code == "entry-age-missing"


def test_the_bad_lot_is_called_and_no_other() -> None:
    truth = replace(PLAIN, frailty=0.5, lot_factors={("b", "L05"): 5.0})
    called = [tuple((c.row, c.column) for c in lots_survey(*_of(fleet(s, truth))).alarms) for s in range(6)]
    assert all(("b", "L05") in found for found in called)
    assert sum(len(found) - 1 for found in called) <= 1
    quiet = [len(lots_survey(*_of(fleet(50 + s, replace(PLAIN, frailty=1.0)))).alarms) for s in range(10)]
    assert sum(quiet) <= 1


def _of(found: tuple[Rows, Vehicles, Defects]) -> tuple[Rows, Defects, Vehicles]:
    rows, vehicles, defects = found
    return rows, defects, vehicles


def test_the_lot_of_the_rows_stands_in_where_vehicles_have_none() -> None:
    truth = replace(PLAIN, lot_factors={("b", "L05"): 5.0})
    rows, vehicles, defects = fleet(1, truth)
    without = replace(vehicles, lot=Labels(np.zeros(len(vehicles), dtype=int), ("",)))
    found = lots_survey(rows, defects, without)
    assert {(c.row, c.column) for c in found.alarms} == {("b", "L05")}


def test_the_effect_of_a_change_is_recovered_with_its_interval() -> None:
    truth = replace(PLAIN, rates={"a": 0.3}, frailty=0.5, change_month=24, change_factor=0.4, changed="a")
    inside = 0
    for seed in range(12):
        _, vehicles, defects = fleet(seed, truth, vehicles=300)
        found = effect_at(defects, vehicles, date="2024-01-01", settling_months=2.0)
        assert found.finding == "fewer"
        inside += found.ratio.lower <= 0.4 <= found.ratio.upper
    assert inside >= 10
    nothing = replace(truth, change_month=None)
    assert sum(effect_at(fleet(s, nothing, vehicles=300)[2], fleet(s, nothing, vehicles=300)[1], date="2024-01-01").finding != "no change shown" for s in range(10)) <= 2  # fmt: skip


def test_a_rise_is_dated_by_month() -> None:
    truth = replace(PLAIN, rates={"a": 0.2}, shape=1.0, change_month=30, change_factor=3.0, changed="a")
    _, vehicles, defects = fleet(4, truth, late=1.0)
    month = by_month(defects, vehicles)
    assert month.counts.sum() == len(defects)
    assert month.exposure.sum() == pytest.approx(vehicles.months.sum())
    chart = cusum_chart(counts=month.counts, exposure=month.exposure, labels=month.labels, baseline=24)
    assert chart.first_signal is not None
    assert "2024-07" <= chart.labels[chart.first_signal] <= "2024-10"
    assert laplace(watches(defects, vehicles, clock="calendar")).direction == "getting worse"


def test_trend_by_age_keeps_its_level_for_a_constant_rate() -> None:
    constant = replace(PLAIN, rates={"a": 0.3}, shape=1.0, frailty=1.0)
    rejected = 0
    for seed in range(40):
        _, vehicles, defects = fleet(seed, constant, vehicles=80)
        # The first visit of a watch comes late, so its first month is left to the visits.
        rejected += laplace(watches(defects, vehicles)).rejects
    assert rejected <= 7


def test_drift_of_a_good_circuit_is_recovered() -> None:
    rows, _, _ = fleet(3, PLAIN, vehicles=200)
    mine = rows.of_component("a")
    good = mine.take(mine.phase.marked({"as found"}) & (mine.verdict == 0))
    found = drift_over_use(
        use=good.distance_km, value=good.value, standard_uncertainty=good.standard_uncertainty, asset=good.asset.codes,
        instrument=good.instrument.codes,
    )  # fmt: skip
    assert found.slope.lower < 2e-7 < found.slope.upper


def test_results_of_several_rules_are_not_followed_over_time() -> None:
    rows, vehicles, _ = fleet(5, PLAIN, vehicles=100)
    half = np.arange(len(rows)) % 2
    mixed = distinct_defects(replace(rows, rule=Labels(half, ("simple", "guarded-95"))))
    for refusal in (by_month(mixed, vehicles).refusal, effect_at(mixed, vehicles, date="2024-01-01").ratio.refusal):
        assert refusal is not None
        assert refusal.code == "mixed-rules"
    assert by_month(distinct_defects(rows.under_one_rule("simple")), vehicles).refusal is None


def test_what_has_no_exposure_is_refused_or_said() -> None:
    rows, vehicles, defects = fleet(6, PLAIN, vehicles=100)
    blind = components_by_rate(rows, defects, None)
    assert all(r.rate.refusal is not None and r.rate.refusal.code == "exposure-missing" for r in blind.rows)
    assert blind.ranked_by == "count"
    shares = fail_shares(rows, by="technician")
    assert sum(f.exposure for f in shares) == np.sum(rows.phase.marked({"as found"}) & (rows.verdict != 4))
    with pytest.raises(InputFault, match="not a text column"):
        fail_shares(rows, by="value")
    kept = np.arange(50)
    some = replace(
        vehicles, **{n: getattr(vehicles, n).take(kept) for n in ("asset", "vin", "lot", "model", "site")},
        **{n: getattr(vehicles, n)[kept] for n in ("in_service", "watched_from", "watched_to", "distance_km")},
    )  # fmt: skip
    watched, cautions = histories(defects, some)
    assert watched.age.size < len(defects)
    assert "without a watch" in cautions[0]
