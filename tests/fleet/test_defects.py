"""Defects, not records."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import Defects, distinct_defects, poisson_limits, read_rows, synthesise
from diagnb.fleet.synthetic import Truth


def defects(*results: tuple[str, str, str, str]) -> Defects:
    """From (vehicle, day in January, phase, verdict)."""
    asset, day, phase, verdict = zip(*results, strict=True)
    rows = read_rows({
        "record": [f"R{k}" for k in range(len(results))], "asset": asset, "point": ["p"] * len(results),
        "date": [f"2026-01-{d}" for d in day], "phase": phase, "verdict": verdict, "rule": ["simple"] * len(results),
    })  # fmt: skip
    return distinct_defects(rows)


F, L = "as found", "as left"


def test_one_defect_recorded_three_times_is_one() -> None:
    found = defects(("V", "01", F, "fail"), ("V", "09", F, "fail"), ("V", "05", F, "fail"))
    assert len(found) == 1
    assert found.records.tolist() == [3]
    assert (str(found.opened[0]), str(found.last[0])) == ("2026-01-01", "2026-01-09")
    assert not found.closed[0]
    assert found.failing_results == 3


def test_a_proved_repair_closes_and_the_next_failure_is_a_repeat() -> None:
    found = defects(("V", "01", F, "fail"), ("V", "01", L, "pass"), ("V", "20", F, "fail"), ("W", "20", F, "fail"))
    assert len(found) == 3
    assert found.closed.tolist() == [True, False, False]
    assert found.repeat.tolist() == [False, True, False]
    assert found.days_since_good[1] == 19


def test_what_proves_nothing_neither_opens_nor_closes() -> None:
    found = defects(
        ("V", "01", F, "conditional fail"), ("V", "02", F, "fail"), ("V", "03", L, "conditional pass"),
        ("V", "04", L, "not judged"), ("V", "05", F, "fail"),
    )  # fmt: skip
    assert len(found) == 1
    assert found.records.tolist() == [2]
    assert found.undecided == 3


def test_no_defect_at_all_is_an_empty_list() -> None:
    found = defects(("V", "01", F, "pass"))
    assert len(found) == 0
    assert len(found.of_component("p")) == 0


def test_verdicts_on_both_sides_are_a_fault() -> None:
    rows = read_rows({"record": ["a"], "asset": ["V"], "point": ["p"], "date": ["2026-01-01"]})
    with pytest.raises(InputFault):
        distinct_defects(rows, failing=("pass",))
    with pytest.raises(InputFault):
        distinct_defects(rows, failing=("bad",))


def test_counting_records_misses_the_truth_and_counting_defects_does_not() -> None:
    truth = Truth(
        rates={"c": 0.5}, shape=1.0, season=0.0, frailty=0.0, lot_factors={}, change_month=None, duplicate_share=0.9
    )
    records = distinct = 0
    for seed in range(40):
        made = synthesise(seed=seed, vehicles=60, months=24, truth=truth, visit_every=1.0)
        found = distinct_defects(read_rows(made.rows).under_one_rule())
        months = np.sum((made.vehicles["watched_to"] - made.vehicles["watched_from"]).astype(float)) / 30.4375
        for count in (found.failing_results, len(found)):
            low, high = poisson_limits(events=count, exposure=months)
            inside = low <= 0.5 / 12 <= high
            records += inside and count == found.failing_results
            distinct += inside and count == len(found)
    assert records / 40 < 0.3
    assert distinct / 40 > 0.8
