"""The door: every fault listed, the rest loaded, each row that is not used accounted for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnb.conformity import WORDS
from diagnb.errors import InputFault
from diagnb.fleet import Labels, Rows, read_rows, read_table, read_vehicles, write_csv
from diagnb.fleet.columns import columns_of_csv

ROW = {
    "record": "R1", "revision": "1", "asset": "V1", "vin": "", "point": "feed side", "date": "2026-03-31T08:00:00Z",
    "value": "0.31", "standard_uncertainty": "0.002", "upper": "0.29", "unit": "V", "rule": "guarded-95",
    "verdict": "fail", "phase": "as found", "technician": "T1", "schema": "diagnb-record/1", "distance_km": "",
}  # fmt: skip


def table(*changes: dict[str, Any]) -> dict[str, list[Any]]:
    """A row for each change, each in a record and of a vehicle of its own unless it says otherwise."""
    rows = [ROW | {"record": f"R{k}", "asset": f"V{k}"} | change for k, change in enumerate(changes)]
    return {name: [row[name] for row in rows] for name in ROW}


@pytest.mark.parametrize(("change", "code", "said"), [
    ({"schema": "diagnb-record/9"}, "schema", "another version"),
    ({"technician": '=HYPERLINK("x")'}, "formula", "spreadsheet formula"),
    ({"technician": "+cmd(1)"}, "formula", "spreadsheet formula"),
    ({"asset": ""}, "missing", "lacks"),
    ({"date": ""}, "missing", "lacks"),
    ({"date": "31.03.2026"}, "date", "not one"),
    ({"value": "=1+1"}, "number", "can't be read"),
    ({"value": "0,31"}, "number", "can't be read"),
    ({"value": "inf"}, "number", "can't be read"),
    ({"standard_uncertainty": "-0.002"}, "uncertainty", "negative"),
    ({"revision": "1.5"}, "revision", "whole number"),
    ({"revision": ""}, "revision", "whole number"),
    ({"phase": "later"}, "phase", "unknown"),
    ({"verdict": "bad"}, "verdict", "unknown"),
    ({"unit": "furlongs per volt!"}, "unit", "nobody knows"),
    ({"unit": "A"}, "dimension", "something else"),
])  # fmt: skip
def test_a_faulty_row_is_listed_and_the_rest_is_loaded(change: dict[str, str], code: str, said: str) -> None:
    rows = read_rows(table({}, change, {}))
    assert len(rows) == 2
    assert {name: found.tolist() for name, found in rows.set_aside.items()} == {code: [2]}
    (fault,) = rows.faults
    assert fault.where.startswith("row 2,")
    assert said in fault.what
    assert rows.row.tolist() == [1, 3]


def test_a_procedures_name_is_no_point_where_two_circuits_share_it() -> None:
    """Same vehicle, day, display and procedure: two circuits. A part that is replaced leaves the point what it is."""
    shared = {"asset": "V1", "point": "ground drop"}
    columns = table(*[shared] * 4, {**shared, "date": "2026-05-01"})
    both = read_rows(columns | {"component": ["lamp", "fan", "lamp", "fan", "lamp"]})
    assert sorted({both.point.names[c] for c in both.point.codes}) == ["fan: ground drop", "lamp: ground drop"]
    assert (len(both), both.set_aside_count) == (3, 2)
    replaced = read_rows(columns | {"component": ["P-A"] * 4 + ["P-B"]})
    assert {replaced.point.names[c] for c in replaced.point.codes} == {"ground drop"}


def test_all_faults_are_listed_at_once() -> None:
    rows = read_rows(table({}, {"date": "x"}, {"verdict": "?"}, {"date": "y"}, {"unit": "zorks"}))
    assert rows.set_aside_count == 4
    assert len(rows) == 1
    assert [f.where for f in rows.faults] == ["rows 2, 4, date", "row 3, verdict", "row 5, unit"]


def test_one_vehicle_with_two_vins_is_set_aside_whole() -> None:
    a, b = "1D7HA18N93S000001", "1D7HA18N93S000002"
    rows = read_rows(table({"asset": "V", "vin": a}, {"asset": "V", "vin": b}, {"asset": "W", "vin": ""}, {"asset": "V", "vin": a}))  # fmt: skip
    assert rows.set_aside["two VINs"].tolist() == [1, 2, 4]
    assert rows.asset.texts() == ["W"]
    shared = read_rows(table({"asset": "V", "vin": a}, {"asset": "W", "vin": a}, {"asset": "X", "vin": b}))
    assert shared.set_aside["two vehicles"].tolist() == [1, 2]


def test_the_latest_revision_counts_and_a_duplicate_counts_once() -> None:
    rows = read_rows(
        table(
            {"record": "R", "asset": "V", "revision": "1", "value": "0.5"},
            {"record": "R", "asset": "V", "revision": "2", "value": "0.4"},
            {"record": "S", "asset": "V", "value": "0.4"},  # the same visit entered again
            {"record": "R", "asset": "V", "revision": "2", "value": "0.4"},
            {"record": "T", "asset": "V", "value": "0.4", "date": "2026-04-01"},
        )
    )
    assert {k: v.tolist() for k, v in rows.set_aside.items()} == {"superseded": [1], "duplicate row": [4], "duplicate visit": [3]}  # fmt: skip
    assert rows.value.tolist() == [0.4, 0.4]
    assert len(rows) + rows.set_aside_count == 5


def test_units_are_brought_together() -> None:
    rows = read_rows(table({"value": "310", "standard_uncertainty": "2", "upper": "290", "unit": "mV"}, {}))
    assert rows.value == pytest.approx([0.31, 0.31])
    assert rows.standard_uncertainty == pytest.approx([0.002, 0.002])
    assert rows.upper == pytest.approx([0.29, 0.29])
    with_offset = read_rows(table({"value": "20", "standard_uncertainty": "1", "upper": "", "unit": "°C"}))
    assert with_offset.value == pytest.approx([293.15])
    assert with_offset.standard_uncertainty == pytest.approx([1.0])


def test_void_records_and_demonstrations_among_real_ones_count_nowhere() -> None:
    columns: dict[str, Any] = table({}, {}, {})
    columns |= {"status": ["", "void", ""], "demonstration": [0, 0, 1]}
    rows = read_rows(columns)
    assert {k: v.tolist() for k, v in rows.set_aside.items()} == {"void": [2], "demonstration": [3]}
    assert rows.row.tolist() == [1]
    assert len(read_rows(columns | {"demonstration": [1, 1, 1]})) == 2


def test_columns_of_the_archive_are_understood() -> None:
    rows = read_rows(
        {"record": ["a"], "revision": [1], "vin": ["V"], "circuit": ["pump"], "name": ["drop"], "at": ["2026-01-02"],
         "taken_by": ["T"], "instruments": ["M"], "odometer_km": [12.5], "claim": ["C"], "colour": ["red"]}
    )  # fmt: skip
    assert rows.point.texts() == ["pump: drop"]
    assert rows.asset.texts() == ["V"]
    assert (rows.technician.texts(), rows.instrument.texts(), rows.distance_km[0]) == (["T"], ["M"], 12.5)
    assert [f.where for f in rows.faults] == ["column colour"]
    assert np.isnan(rows.value[0])


def test_a_table_that_is_none_is_refused_whole() -> None:
    with pytest.raises(InputFault) as caught:
        read_rows({"record": ["a"], "value": [1.0, 2.0]})
    assert {f.where for f in caught.value.faults} == {"column asset", "column point", "column date", "columns"}


def test_rows_cannot_be_changed() -> None:
    rows = read_rows(table({}))
    with pytest.raises(ValueError, match="read-only"):
        rows.value[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        rows.asset.codes[0] = 0
    with pytest.raises(InputFault):
        Labels([0, 3], ("a",))


def test_all_history_under_one_rule() -> None:
    rows = read_rows(
        table(
            {"value": "0.296", "standard_uncertainty": "0.005", "rule": "simple", "verdict": "fail"},
            {"value": "0.28", "upper": "0.20", "verdict": "pass", "rule": "guarded-95", "date": "2020-01-01"},
        )
    )
    assert set(rows.rules) == {"simple", "guarded-95"}
    assert rows.points_with_several_limits() == ("feed side",)
    again = rows.under_one_rule("guarded-95")
    assert again.rules == ("guarded-95",)
    assert [("pass", "conditional pass", "conditional fail", "fail")[k] for k in again.verdict] == ["conditional fail", "fail"]  # fmt: skip
    newest = rows.under_one_rule("guarded-95", limits="latest")
    assert newest.upper.tolist() == [0.29, 0.29]
    assert newest.verdict[1] == 0
    with pytest.raises(InputFault):
        rows.under_one_rule(limits="some")


def test_vehicles_without_exposure_are_listed() -> None:
    found = read_vehicles({
        "asset": ["A", "B", "C", "D", "D", "E", "F"], "watched_from": ["2024-01-01", "", *["2024-01-01"] * 5],
        "watched_to": ["2025-01-01", "2025-01-01", "2023-01-01", *["2025-01-01"] * 4], "vin": ["x", "", "", "", "", "x", ""],
        "in_service": ["2023-01-01", "", "", "", "", "", "2024-06-01"], "colour": [""] * 7,
    })  # fmt: skip
    assert found.asset.texts() == []
    where = " ".join(str(f) for f in found.faults)
    for said in ("vehicle B (row 2): watched_from", "vehicle C", "stands twice", "VIN of another", "before the vehicle was", "column colour"):  # fmt: skip
        assert said in where
    good = read_vehicles({"asset": ["A"], "watched_from": ["2024-01-01"], "watched_to": ["2025-01-01"]})
    assert good.months == pytest.approx([366 / 30.4375])
    with pytest.raises(InputFault, match="column watched_to"):
        read_vehicles({"asset": ["A"], "watched_from": ["2024-01-01"]})


def test_files_are_read_back_as_written(tmp_path: Path) -> None:
    import pyarrow
    import pyarrow.parquet as parquet

    columns = table({}, {"technician": "Käthe, T."}, {"value": ""})
    folder = tmp_path / "Prüf stand"
    folder.mkdir()
    write_csv(folder / "rows.csv", columns)
    parquet.write_table(pyarrow.table(columns), folder / "rows.parquet")
    arrow = {
        "record": ["a", "b"],
        "asset": ["x", None],
        "value": [1.5, None],
        "date": np.array(["2024-01-01"] * 2, "M8[D]"),
    }
    parquet.write_table(pyarrow.table(arrow), folder / "typed.parquet")
    expected = read_rows(columns)
    for name in ("rows.csv", "rows.parquet"):
        found = read_rows(read_table(folder / name))
        assert found.technician.texts() == expected.technician.texts()
        np.testing.assert_array_equal(found.value, expected.value)
        np.testing.assert_array_equal(found.date, expected.date)
    typed = read_rows(read_table(folder / "typed.parquet") | {"point": ["p", "p"]})
    assert typed.set_aside["missing"].tolist() == [2]
    assert typed.date[0] == np.datetime64("2024-01-01")


@pytest.mark.parametrize(("data", "said"), [
    (b"\xff\xfe\x00", "not UTF-8"), (b"a,b\n", "no rows"), (b"a,a\n1,2\n", "same"), (b"a,b\n1,2,3\n", "line 2"),
    (b'a,b\n"x,1\n', "not 2 cells"), (b"", "no rows"), (b"a;b\n1;2;3\n", "line 2"),
])  # fmt: skip
def test_a_file_that_is_no_table_is_a_named_fault(data: bytes, said: str) -> None:
    with pytest.raises(InputFault, match=said):
        columns_of_csv(data, "file.csv")


def test_damaged_parquet_and_other_files_are_named_faults(tmp_path: Path) -> None:
    (tmp_path / "x.parquet").write_bytes(b"PAR1 nothing")
    with pytest.raises(InputFault, match="not a Parquet file"):
        read_table(tmp_path / "x.parquet")
    with pytest.raises(InputFault, match="neither"):
        read_table(tmp_path / "x.txt")


def test_random_columns_never_break_the_door() -> None:
    rng = np.random.default_rng(1)
    odd = ["", "=1", "x", "1", "-3", "nan", "2024-01-01", "0001-01-01", "pass", "V", "\0", "é", None, "1e999", "as found", "@a", "9" * 40]  # fmt: skip
    for _ in range(200):
        columns = {name: [odd[k] for k in rng.integers(len(odd), size=8)] for name in ROW}
        rows = read_rows(columns)
        assert len(rows) + rows.set_aside_count == 8
        rows.under_one_rule()


OPEN = {"value": "", "standard_uncertainty": "", "reason": "over-range-beyond-limit", "verdict": "fail"}


def over_range(*changes: dict[str, Any]) -> dict[str, list[Any]]:
    rows = [ROW | {"reason": "", "lower": "", "record": f"R{k}", "asset": f"V{k}"} | c for k, c in enumerate(changes)]
    return {name: [row[name] for row in rows] for name in rows[0]}


def words(rows: Rows) -> list[str]:
    return [WORDS[v] for v in rows.verdict]


def test_a_verdict_that_an_over_range_display_proves_outlives_a_change_of_rule() -> None:
    insulated = OPEN | {"reason": "over-range-meets-limit", "verdict": "pass", "upper": "", "lower": "0.2"}
    rows = read_rows(over_range({}, OPEN, insulated, OPEN | {"reason": "over-range", "verdict": "not judged"}))
    assert rows.faults == ()
    assert rows.over_range.tolist() == [False, True, True, False]
    assert words(rows.under_one_rule("guarded-U")) == ["fail", "fail", "pass", "not judged"]


def test_a_display_over_range_proves_a_latest_limit_only_where_that_asks_no_more() -> None:
    later = {"date": "2026-06-01", "value": "0.1", "verdict": "pass"}
    for upper, said in (("0.25", "fail"), ("0.40", "not judged")):
        rows = read_rows(over_range(OPEN, later | {"upper": upper}))
        assert words(rows.under_one_rule("guarded-95", limits="latest")) == [said, "pass"]


def test_an_over_range_reason_beside_a_value_or_another_verdict_is_listed() -> None:
    rows = read_rows(over_range({}, OPEN | {"value": "3"}, OPEN | {"verdict": "pass"}))
    assert {code: found.tolist() for code, found in rows.set_aside.items()} == {"over range": [2, 3]}
    assert "does not prove" in rows.faults[0].what


def test_the_same_open_circuit_in_two_records_of_one_day_counts_once() -> None:
    rows = read_rows(over_range(OPEN, OPEN | {"asset": "V0"}))
    assert {code: found.tolist() for code, found in rows.set_aside.items()} == {"duplicate visit": [2]}
