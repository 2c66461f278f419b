"""What in the results does not fit the table of vehicles is said with its count."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import (
    ages_over_time,
    distinct_defects,
    effect_at,
    mismatches,
    not_judged,
    read_rows,
    read_vehicles,
    watch_cautions,
)

VEHICLES = {
    "asset": ["A", "B", "C"], "lot": ["L1", "L2", ""], "in_service": ["2023-01-01", "2024-01-01", "2024-01-01"],
    "watched_from": ["2024-01-01"] * 3, "watched_to": ["2025-01-01"] * 3,
}  # fmt: skip


def test_each_kind_of_mismatch_has_its_count() -> None:
    rows = read_rows({
        "record": [f"r{k}" for k in range(7)], "asset": ["A", "B", "B", "X", "Y", "A", "A"], "point": ["p"] * 7,
        "date": ["2024-02-01", "2024-02-02", "2024-02-03", "2024-02-04", "2024-02-05", "2032-01-01", "2023-06-01"],
        "lot": ["L1", "L9", "L9", "L1", "", "", ""], "value": range(7),
    })  # fmt: skip
    said = mismatches(rows, read_vehicles(VEHICLES))
    assert said == (
        "2 results of 2 vehicles that the table of vehicles does not have (X, Y): in no rate",
        "1 result dated before the vehicle's watch (the first on 2023-06-01): in no rate",
        "1 result dated after the vehicle's watch (the last on 2032-01-01): in no rate",
        "1 vehicle under watch without any result: their time counts as without a defect",
    )


def test_a_part_that_was_replaced_by_another_is_no_effect_of_a_change() -> None:
    """P-A until June, P-B from then on, failing alike: nothing changed, and P-A can't have become better."""
    days = [f"2024-{month:02d}-15" for month in range(1, 13)]
    rows = read_rows({
        "record": [f"{v}-{d}" for v in "ABC" for d in days], "asset": [v for v in "ABC" for _ in days], "point": ["pump"] * 36,
        "component": (["P-A"] * 6 + ["P-B"] * 6) * 3, "date": days * 3, "verdict": ["fail", "pass"] * 18, "rule": ["simple"] * 36,
    })  # fmt: skip
    vehicles = read_vehicles(VEHICLES)
    assert [line for line in mismatches(rows, vehicles) if "P-A, P-B: 3 vehicles state one after the other" in line]
    defects = distinct_defects(rows).of_component("P-A")
    tested = rows.of_component("P-A").date
    found = effect_at(defects, vehicles, date="2024-07-01", settling_months=0.0, tested=tested)
    assert found.finding == "not tested"
    assert "no result from 2024-07-01 on: was another part fitted?" in str(found.ratio.refusal)
    whole = effect_at(distinct_defects(rows), vehicles, date="2024-07-01", settling_months=0.0, tested=rows.date)
    assert whole.ratio.refusal is None or whole.ratio.refusal.code != "no-tests"


def test_what_fits_says_nothing_and_the_watch_says_what_it_can_not_know() -> None:
    rows = read_rows(
        {"record": ["a", "b", "c"], "asset": ["A", "B", "C"], "point": ["p"] * 3, "date": ["2024-02-01"] * 3}
    )
    vehicles = read_vehicles(VEHICLES)
    assert mismatches(rows, vehicles) == ()
    with pytest.raises(InputFault, match="none of 3 results can be judged"):
        not_judged(rows)
    said = watch_cautions(distinct_defects(rows), vehicles)
    assert said == (
        "1 of 3 vehicles in service before the watch began: what failed earlier is not known, so a first defect is the first one seen",
    )
    assert "were 5.0 months old on average at the beginning and 15.0 at the end" in ages_over_time(vehicles)
    blind = {**VEHICLES, "in_service": np.array(["NaT"] * 3, dtype="M8[D]")}
    assert ages_over_time(read_vehicles(blind)) == ""
