"""The lot is that of the part: fleets in which one lot of one component is bad, found whatever the order of the rows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from diagnb.fleet import CellSurvey, distinct_defects, fail_shares, lots_survey, read_rows, read_vehicles
from diagnb.fleet.carried import carried_lots

START, END = np.datetime64("2024-01-01"), np.datetime64("2026-01-01")


def fleet(seed: int = 1, *, vehicles: int = 150, stated: str = "always") -> dict[str, list[Any]]:
    """Two components by eight visits: lift ground of lot K-77 fails five times as often; every vehicle's mirror has another lot.

    ``stated`` "always", or "fails": a lot is written down only where the visit found a defect.
    """
    rng = np.random.default_rng(seed)
    table: dict[str, list[Any]] = {name: [] for name in ("record", "asset", "point", "component", "lot", "date", "phase", "verdict", "rule")}  # fmt: skip
    for k in range(vehicles):
        lots = {"lift ground": ["K-77", "K-10", "K-11", "K-12"][k % 4], "mirror ground": f"M-{rng.integers(4)}"}
        for visit in range(8):
            day = START + 30 + 85 * visit + int(rng.integers(60))
            for part, lot in lots.items():
                fails = rng.random() < (0.20 if lot == "K-77" else 0.04)
                for phase in ("as found", "as left")[: 1 + fails]:
                    row = (f"R{k}-{visit}", f"V{k:03d}", part, part, lot if stated == "always" or fails else "", str(day), phase,
                           "fail" if fails and phase == "as found" else "pass", "simple")  # fmt: skip
                    for column, cell in zip(table.values(), row, strict=True):
                        column.append(cell)
    return table


def watched(vehicles: int = 150, lot: str = "") -> Any:
    columns = {"asset": [f"V{k:03d}" for k in range(vehicles)], "watched_from": [str(START)] * vehicles, "watched_to": [str(END)] * vehicles}  # fmt: skip
    return read_vehicles(columns | ({"lot": [f"{lot}{k % 3}" for k in range(vehicles)]} if lot else {}))


def surveyed(table: dict[str, list[Any]], vehicles: Any) -> CellSurvey:
    rows = read_rows(table)
    return lots_survey(rows, distinct_defects(rows), vehicles)


@pytest.mark.parametrize("own", ["", "BUILD-"])
def test_the_bad_lot_of_one_component_is_named_although_the_vehicle_carries_others(own: str) -> None:
    """A lot of the table of vehicles, known for all of them, does not hide the lots of the parts."""
    for seed in range(4):
        found = surveyed(fleet(seed), watched(lot=own))
        assert [(c.row, c.column) for c in found.alarms] == [("lift ground", "K-77")]
        (alarm,) = found.alarms
        # A fifth and a twenty-fifth of the visits: rates of what becomes bad between two of them.
        assert alarm.lower < math.log(0.80) / math.log(0.96) < alarm.upper
        # A quarter of the vehicles carried it, all the time but for that in which it was bad: nobody else's time counts.
        assert 0.85 * 38 * 731 / 30.4375 < alarm.exposure < 38 * 731 / 30.4375
        cells = {(c.row, c.column) for c in found.cells}
        assert ("mirror ground", "K-77") not in cells and ("lift ground", "M-1") not in cells


def test_the_order_of_the_rows_changes_no_answer() -> None:
    table, vehicles = fleet(2), watched()
    first = surveyed(table, vehicles)
    rng = np.random.default_rng(0)
    for _ in range(4):
        order = rng.permutation(len(table["record"]))
        again = surveyed({name: [column[k] for k in order] for name, column in table.items()}, vehicles)
        assert again == first


def test_lots_that_are_written_down_only_where_something_failed_are_refused() -> None:
    """Nobody knows how many good parts of a lot there are; with the lots of the vehicles, these are compared instead."""
    found = surveyed(fleet(stated="fails"), watched())
    assert found.cells == ()
    assert {(row, why.code) for row, _, why in found.untested} == {
        ("lift ground", "lots-of-defects"), ("mirror ground", "lots-of-defects"),
    }  # fmt: skip
    assert any("lots are stated mainly where there was a defect" in line for line in found.cautions)
    table = surveyed(fleet(stated="fails"), watched(lot="BUILD-"))
    assert {c.column for c in table.cells} == {"BUILD-0", "BUILD-1", "BUILD-2"}
    assert table.alarms == ()
    assert any("a lot is that of the vehicle, from the table of vehicles" in line for line in table.cautions)


def test_parts_without_a_lot_are_in_no_cell_and_in_no_comparison() -> None:
    table, whole = fleet(), surveyed(fleet(), watched())
    silent = {f"V{k:03d}" for k in range(120, 150)}
    table["lot"] = [("" if a in silent else lot) for a, lot in zip(table["asset"], table["lot"], strict=True)]
    found = surveyed(table, watched())
    assert [(c.row, c.column) for c in found.alarms] == [("lift ground", "K-77")]
    lift = sum(c.exposure for c in found.cells if c.row == "lift ground")
    assert 0.9 * 120 * 731 / 30.4375 < lift < 120 * 731 / 30.4375
    assert sum(c.exposure for c in whole.cells if c.row == "lift ground") > lift + 0.9 * 30 * 731 / 30.4375
    said = {row: str(why) for row, lot, why in found.untested if lot == "none stated"}
    assert "720 of 3,602 vehicle-months" in said["lift ground"]


def one_vehicle(*states: tuple[str, str, str, str]) -> Any:
    """Results of one vehicle (date, phase, lot, verdict) at one point, watched for the 100 days from 2024-01-01."""
    columns = {
        "record": [f"R{k}" for k in range(len(states))], "asset": ["V1"] * len(states), "point": ["p"] * len(states),
        "component": ["c"] * len(states), "date": [s[0] for s in states], "phase": [s[1] for s in states],
        "lot": [s[2] for s in states], "verdict": [s[3] for s in states], "rule": ["simple"] * len(states),
    }  # fmt: skip
    rows = read_rows(columns)
    vehicles = read_vehicles({"asset": ["V1"], "watched_from": ["2024-01-01"], "watched_to": ["2024-04-10"]})
    carried = carried_lots(rows, vehicles)
    days: dict[str, float] = {}
    for lot, months in zip(carried.lot, carried.months, strict=True):
        days[carried.names[lot]] = days.get(carried.names[lot], 0.0) + months * 30.4375
    defects = distinct_defects(rows)
    lots = carried.lot_of(
        vehicle=np.zeros(len(defects), dtype=int), component=defects.component.codes, point=defects.point.codes,
        date=defects.opened, left=np.zeros(len(defects), dtype=bool),
    )  # fmt: skip
    return days, [carried.names[k] for k in lots], carried


def test_time_is_split_where_a_part_was_replaced() -> None:
    # Repaired on day 40: the old lot failed that day, the new one counts from then on.
    days, lots, carried = one_vehicle(
        ("2024-01-11", "as found", "A", "pass"), ("2024-02-10", "as found", "A", "fail"), ("2024-02-10", "as left", "B", "pass"),
        ("2024-03-01", "as found", "B", "fail"),
    )  # fmt: skip
    assert days == pytest.approx({"A": 40.5, "B": 59.5})
    assert (lots, carried.changed) == (["A", "B"], 1)
    # Replaced by nobody knows whom between day 20 and day 60: half-way.
    days, lots, _ = one_vehicle(("2024-01-21", "as found", "A", "fail"), ("2024-03-01", "as found", "B", "pass"))
    assert days == pytest.approx({"A": 40, "B": 60})
    assert lots == ["A"]
    # The lot that is stated later was there from the begin of the watch; a result without one says nothing.
    days, lots, _ = one_vehicle(("2024-01-11", "as found", "", "fail"), ("2024-03-01", "as found", "A", "pass"))
    assert (days, lots) == (pytest.approx({"A": 100}), ["A"])
    # Two lots at one point on one day can't both be so.
    days, lots, carried = one_vehicle(("2024-01-21", "as found", "A", "fail"), ("2024-01-21", "as found", "B", "fail"))
    assert (days, lots, carried.contradicted) == (pytest.approx({"": 100}), [""], 1)


def test_points_of_one_component_share_its_time() -> None:
    def place(point: str, lot: str) -> dict[str, str]:
        return {
            "record": "R",
            "asset": "V1",
            "point": point,
            "component": "lamps",
            "date": "2024-02-01",
            "lot": lot,
            "verdict": "pass",
        }

    vehicles = read_vehicles({"asset": ["V1"], "watched_from": ["2024-01-01"], "watched_to": ["2024-04-10"]})
    cases = {("A", "B"): {"A": 50, "B": 50}, ("A", "A"): {"A": 100}, ("A", ""): {"A": 100}, ("", ""): {"": 100}}
    for lots, expected in cases.items():
        places = [place(point, lot) for point, lot in zip(("left", "right"), lots, strict=True)]
        carried = carried_lots(read_rows({k: [p[k] for p in places] for k in places[0]}), vehicles)
        days = dict.fromkeys(expected, 0.0)
        for lot, months in zip(carried.lot, carried.months, strict=True):
            days[carried.names[lot]] += months * 30.4375
        assert days == pytest.approx(expected)


def test_shares_by_a_lot_that_only_repairs_write_down_are_refused() -> None:
    """Of the lots written down with fails every test failed: that is no share of a lot."""
    assert {f.name for f in fail_shares(read_rows(fleet()), by="lot")} >= {"K-77", "M-1"}
    (found,) = fail_shares(read_rows(fleet(stated="fails")), by="lot")
    assert found.refusal is not None and found.refusal.code == "stated-with-fails"
    fails = distinct_defects(read_rows(fleet())).failing_results
    assert f"lot with {fails:,} of {fails:,} fails and 0 of" in str(found.refusal)


def test_while_a_point_is_bad_its_lot_is_not_at_risk() -> None:
    """Good on day 20, found bad on day 40, proved good on day 60 of 100: bad from day 30 on, so 70 days at risk."""
    days = {"as found": ["2024-01-21", "2024-02-10", "2024-03-01"], "verdict": ["pass", "fail", "pass"]}
    columns: dict[str, list[Any]] = {
        name: [] for name in ("record", "asset", "point", "lot", "date", "verdict", "rule")
    }
    for asset, lot in (("V1", "A"), ("V2", "B")):
        for day, verdict in zip(*days.values(), strict=True):
            row = (asset + day, asset, "p", lot, day, verdict if asset == "V1" else "pass", "simple")
            for column, cell in zip(columns.values(), row, strict=True):
                column.append(cell)
    rows = read_rows(columns)
    vehicles = read_vehicles({"asset": ["V1", "V2"], "watched_from": ["2024-01-01"] * 2, "watched_to": ["2024-04-10"] * 2})  # fmt: skip
    found = lots_survey(rows, distinct_defects(rows), vehicles, minimum_months=1.0)
    assert {c.column: c.exposure * 30.4375 for c in found.cells} == pytest.approx({"A": 70, "B": 100})
    # Never proved good: at risk until half-way to the fail only.
    columns["verdict"][2] = "fail"
    rows = read_rows(columns)
    found = lots_survey(rows, distinct_defects(rows), vehicles, minimum_months=0.5)
    assert {c.column: c.exposure * 30.4375 for c in found.cells} == pytest.approx({"A": 30, "B": 100})
