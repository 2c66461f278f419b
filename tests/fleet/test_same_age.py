"""Months compared at the same age: a fleet that grows older is no rise, and a change is still found."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.fleet import (
    Monthly,
    by_month,
    by_month_at_same_age,
    course_of,
    cusum_pair,
    distinct_defects,
    read_rows,
    read_vehicles,
    synthesise,
    usual_months,
)
from diagnb.fleet.same_age import exposure_table, held_age


def test_the_weights_are_the_rates_of_the_ages_where_rates_are_a_product() -> None:
    rng = np.random.default_rng(1)
    use = rng.uniform(50, 500, (3, 20))
    true = np.outer([1.0, 2.0, 5.0], rng.uniform(0.01, 0.1, 20))
    events = use * true
    found = held_age(
        exposure=use, of_band=events.sum(axis=1), of_month=events.sum(axis=0), edges=np.array([12.0, 36.0])
    )
    assert found is not None
    assert found.weights / found.weights[0] == pytest.approx([1, 2, 5])
    assert (found.weights @ use).sum() == pytest.approx(use.sum())
    # What is left of each month is its own factor, to one constant.
    assert events.sum(axis=0) / (found.weights @ use) == pytest.approx(true[0] / found.weights[0])
    assert "above 36 months of age weighs 5 times" in found.said


def test_ages_that_never_meet_in_a_month_are_not_held() -> None:
    """One cohort: young in the first months, old in the last; whether age or time made the difference nobody knows."""
    apart = np.array([[9.0, 9.0, 0.0, 0.0], [0.0, 0.0, 9.0, 9.0]])
    assert (
        held_age(exposure=apart, of_band=np.array([4, 9]), of_month=np.array([2, 2, 4, 5]), edges=np.array([12.0]))
        is None
    )
    # One month in which both are under watch joins them.
    apart[0, 2] = 9.0
    assert held_age(exposure=apart, of_band=np.array([4, 9]), of_month=np.array([2, 2, 4, 5]), edges=np.array([12.0])) is not None  # fmt: skip


def test_exposure_by_age_and_month_adds_up_to_the_watches() -> None:
    rng = np.random.default_rng(2)
    born = rng.uniform(-40, 10, 60)
    start = np.maximum(born, 0) + rng.uniform(0, 5, 60)
    stop = np.minimum(start + rng.uniform(1, 20, 60), 24)
    table = exposure_table(start=start, stop=stop, born=born, months=np.arange(25.0), edges=np.array([12.0, 30.0]))
    assert table.sum() == pytest.approx((stop - start).sum())
    # Times of three vehicles at the fifth month by hand.
    table = exposure_table(
        start=np.array([0.0, 4.5, 0.0]), stop=np.array([9.0, 9.0, 4.25]), born=np.array([-7.5, 4.5, -60.0]),
        months=np.array([4.0, 5.0]), edges=np.array([12.0]),
    )  # fmt: skip
    assert table[:, 0] == pytest.approx([0.5 + 0.5, 0.5 + 0.25])


def shifts(month: Monthly) -> list[str]:
    rise, fall = cusum_pair(
        counts=month.counts, exposure=month.exposure, labels=month.labels, baseline=usual_months(month.labels)
    )
    found = course_of(rise=rise, fall=fall)
    return [s.word for s in found.shifts] if found else []


def test_ageing_alone_is_seldom_a_rise_and_a_change_is_found_more_often() -> None:
    """Twenty invented fleets: circuit 02 only ages, circuit 01 fails 0.4 times as often from January 2024 on."""
    plain, held, seen = 0, 0, 0
    for seed in range(20):
        made = synthesise(seed=seed, vehicles=200)
        vehicles = read_vehicles(made.vehicles)
        defects = distinct_defects(read_rows(made.rows).under_one_rule())
        aged = defects.of_component("circuit 02")
        plain += "rises" in shifts(by_month(aged, vehicles))
        month = by_month_at_same_age(aged, vehicles)
        assert month.held and month.exposure.sum() == pytest.approx(by_month(aged, vehicles).exposure.sum())
        held += "rises" in shifts(month)
        seen += shifts(by_month_at_same_age(defects.of_component("circuit 01"), vehicles)) == ["falls"]
    assert held <= 3 < plain
    assert seen >= 17


def test_without_dates_of_service_months_stay_as_they_are() -> None:
    made = synthesise(seed=1, vehicles=60)
    columns = {name: column for name, column in made.vehicles.items() if name != "in_service"}
    vehicles = read_vehicles(columns)
    defects = distinct_defects(read_rows(made.rows).under_one_rule())
    found = by_month_at_same_age(defects, vehicles)
    assert found.held == ""
    np.testing.assert_array_equal(found.exposure, by_month(defects, vehicles).exposure)
