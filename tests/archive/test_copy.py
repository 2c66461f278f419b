"""The Parquet copy: brought up to date by adding, never wrong, thrown away without loss; the fleet room reads it."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from stores import NOW

from diagnb.archive import Archive, ArchiveFault, open_archive, prepare
from diagnb.archive.copy import points_of_tests, query, update_copy
from diagnb.archive.rows import RESULT_COLUMNS
from diagnb.errors import InputFault
from diagnb.record import Record, digest, load_record, plain

Make = Callable[..., Record]


def test_the_copy_says_what_the_archive_says(archive: Archive, examples: list[Record], tmp_path: Path) -> None:
    archive.add_many([prepare(r) for r in examples[:8]], moment=NOW)
    total = update_copy(archive, tmp_path / "copy")
    rows = list(archive.results())
    assert total == len(rows)
    names = ", ".join(f'"{name}"' for name in RESULT_COLUMNS)
    assert query(tmp_path / "copy", f"SELECT seq, {names} FROM results ORDER BY seq, test, name") == sorted(
        rows, key=lambda r: (r[0], r[1], r[2])
    )
    at = list(RESULT_COLUMNS).index("verdict") + 1
    counted = dict(query(tmp_path / "copy", "SELECT verdict, count(*) FROM results GROUP BY verdict"))
    assert counted == Counter(row[at] for row in rows)


def test_only_what_is_new_is_added(archive: Archive, examples: list[Record], tmp_path: Path) -> None:
    archive.add(examples[0], moment=NOW)
    first = update_copy(archive, tmp_path / "copy")
    assert update_copy(archive, tmp_path / "copy") == 0
    before = {p.name: p.read_bytes() for p in (tmp_path / "copy").glob("*.parquet")}
    archive.add(examples[1], moment=NOW)
    assert update_copy(archive, tmp_path / "copy") > 0
    after = {p.name: p.read_bytes() for p in (tmp_path / "copy").glob("*.parquet")}
    assert before.items() <= after.items() and len(after) == 2
    total = sum(1 for _ in archive.results())
    assert query(tmp_path / "copy", "SELECT count(*) FROM results") == [(total,)] and total > first


def test_a_superseded_revision_is_in_results_and_not_in_current(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    one = drop_record()
    two = load_record(
        {**plain(one), "revision": 2, "replaces": {"revision": 1, "digest": digest(one), "reason": "unit"}}
    )
    archive.add_many([prepare(one), prepare(two)], moment=NOW)
    update_copy(archive, tmp_path / "copy")
    assert query(tmp_path / "copy", "SELECT DISTINCT revision FROM results ORDER BY 1") == [(1,), (2,)]
    assert query(tmp_path / "copy", "SELECT DISTINCT revision FROM current") == [(2,)]


def test_an_interrupted_update_leaves_no_half_file(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    archive.add(drop_record(), moment=NOW)
    copy = tmp_path / "copy"
    copy.mkdir()
    (copy / "results-000000000001-000000000001.parquet.part").write_bytes(b"half")
    assert update_copy(archive, copy) == 2
    assert [p.suffix for p in sorted(copy.iterdir())] == [".txt", ".parquet"]


def test_the_copy_of_another_archive_is_refused(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    archive.add(drop_record("D-1"), moment=NOW)
    update_copy(archive, tmp_path / "copy")
    with open_archive(tmp_path / "other.sqlite", moment=NOW, create=True) as other:
        other.add(drop_record("D-2"), moment=NOW)
        with pytest.raises(ArchiveFault, match="another archive"):
            update_copy(other, tmp_path / "copy")
    shutil.rmtree(tmp_path / "copy")
    assert update_copy(archive, tmp_path / "copy") == 2


def test_a_query_reads_nothing_but_the_copy(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    archive.add(drop_record(), moment=NOW)
    update_copy(archive, tmp_path / "copy")
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n", encoding="utf-8")
    with pytest.raises(Exception, match=r"[Pp]ermission"):
        query(tmp_path / "copy", f"SELECT * FROM read_csv('{secret}')")
    with pytest.raises(ArchiveFault, match="holds no copy"):
        query(tmp_path / "nowhere", "SELECT 1")


def test_the_fleet_room_reads_the_copy(archive: Archive, examples: list[Record], tmp_path: Path) -> None:
    from pyarrow import parquet

    from diagnb.fleet import read_rows

    archive.add_many([prepare(r) for r in examples[:6]], moment=NOW)
    update_copy(archive, tmp_path / "copy")
    (path,) = (tmp_path / "copy").glob("*.parquet")
    columns = {
        name: column.to_pylist()
        for name, column in zip(*(lambda t: (t.column_names, t.columns))(parquet.read_table(path)), strict=True)
    }
    rows = read_rows(columns)
    assert len(rows.value) > 10


def test_different_circuits_and_measuring_points_are_different_points(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    """One vehicle, one day, one display: two circuits, and two studs of one of them, are four results and three points."""
    from diagnb.fleet import distinct_defects, read_rows, read_table

    def at(circuit: str, stud: str, number: str, drop: str = "412.0 mV") -> Record:
        ends = {"from_point": stud, "to_point": "battery minus"} if stud else {}
        readings = [
            {"name": "drop", "texts": [drop], "instrument": "M1", "load_state": "load on", **ends},
            {"name": "load_current", "texts": ["20.0 A"], "instrument": "C1", "load_state": "load on"},
        ]
        return drop_record(
            number, changes={"readings": readings}, circuit={"name": circuit, "class": "ordinary"},
            parts=[{"action": "removed", "number": "P-1", "description": "ground strap", "lot": "K-77", "causal": True}],
        )  # fmt: skip

    made = [
        at("wiper ground", "", "D-1"),
        at("mirror ground", "stud  G1", "D-2"),
        at("mirror ground", "stud G2", "D-3"),
    ]
    good = [at("wiper ground", "", "D-4", drop="41.0 mV")]
    archive.add_many([prepare(r) for r in (*made, *good)], moment=NOW)
    update_copy(archive, tmp_path / "copy")
    rows = read_rows(read_table(tmp_path / "copy")).under_one_rule("simple")
    rows = rows.take(np.array([n.endswith("ground_drop") or "ground_drop (" in n for n in rows.point.names])[rows.point.codes])  # fmt: skip
    assert {rows.point.names[c] for c in rows.point.codes} == {
        "wiper ground: ground-side-drop/ground_drop",
        "mirror ground: ground-side-drop/ground_drop (stud G1 to battery minus)",
        "mirror ground: ground-side-drop/ground_drop (stud G2 to battery minus)",
    }
    assert "duplicate visit" not in rows.set_aside
    # Whatever part was to blame, the circuit is what a fail and a pass are counted under.
    assert {rows.component.names[c] for c in rows.component.codes} == {"wiper ground", "mirror ground"}
    defects = distinct_defects(rows)
    assert len(defects) == 3
    # The good reading of the wiper closes no defect of the mirror; as found on one day it closes none at all.
    assert not defects.closed.any()


def test_a_test_as_left_has_the_points_of_the_one_that_it_repeats() -> None:
    found = {"id": "1", "readings": [{"from_point": "stud G1", "to_point": "battery minus"}, {}]}
    left = {"id": "2", "readings": [{}], "repeats_test": "1"}
    assert points_of_tests([found, left, {"id": "3"}]) == {"1": "stud G1 to battery minus", "2": "stud G1 to battery minus", "3": ""}  # fmt: skip


def test_a_repaired_vehicle_carries_the_old_lot_as_found_and_the_new_one_as_left(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    one = plain(drop_record("D-1", drop="412.0 mV"))
    again = {**one["tests"][0], "id": "2", "phase": "as left", "time": "2026-03-04T09:12:00+01:00"}
    strap = {"number": "P-1", "description": "ground strap", "causal": True}
    one |= {
        "tests": [*one["tests"], again],
        "parts": [{**strap, "action": "removed", "lot": "K-77"}, {**strap, "action": "installed", "lot": "K-90", "causal": False}],
    }  # fmt: skip
    archive.add(load_record(one), moment=NOW)
    update_copy(archive, tmp_path / "copy")
    assert query(tmp_path / "copy", "SELECT DISTINCT phase, lot FROM results ORDER BY 1") == [
        ("as found", "K-77"), ("as left", "K-90"),
    ]  # fmt: skip


def test_a_copy_of_an_older_form_is_made_again_and_not_read_as_it_is(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    from pyarrow import parquet

    from diagnb.fleet import read_rows, read_table

    archive.add(drop_record(), moment=NOW)
    copy = tmp_path / "copy"
    total = update_copy(archive, copy)
    (path,) = copy.glob("*.parquet")
    parquet.write_table(parquet.read_table(path).drop_columns(["measuring_points"]), path)
    own = (copy / "archive.txt").read_text(encoding="utf-8").splitlines()
    (copy / "archive.txt").write_text(own[0] + "\n", encoding="utf-8")
    with pytest.raises(ArchiveFault, match="older form"):
        query(copy, "SELECT 1")
    with pytest.raises(InputFault, match="older form"):
        read_rows(read_table(path))
    assert update_copy(archive, copy) == total
    assert query(copy, "SELECT count(*) FROM results WHERE point LIKE 'ramp motor: %'") == [(total,)]
    assert update_copy(archive, copy) == 0
    (copy / "archive.txt").write_text(own[0] + "\nform 9\n", encoding="utf-8")
    with pytest.raises(ArchiveFault, match="another form"):
        update_copy(archive, copy)


def test_a_copy_that_was_changed_is_refused_and_made_again(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    """Every fail set to pass by hand: nobody gets a fleet without defects from it."""
    import pyarrow as arrow
    from pyarrow import parquet

    from diagnb.fleet import read_table

    archive.add(drop_record(drop="412.0 mV"), moment=NOW)
    copy = tmp_path / "copy"
    total = update_copy(archive, copy)
    (path,) = copy.glob("*.parquet")
    table = parquet.read_table(path)
    at = table.column_names.index("verdict")
    parquet.write_table(table.set_column(at, "verdict", arrow.array(["pass"] * total)), path)
    with pytest.raises(ArchiveFault, match="changed since"):
        query(copy, "SELECT 1")
    with pytest.raises(InputFault, match=f"not as the archive made it: {path.name}"):
        read_table(copy)
    assert update_copy(archive, copy) == total
    assert query(copy, "SELECT count(*) FROM results WHERE verdict = 'fail'") == [(1,)]
    assert len(read_table(copy)["record"].codes) == total
    # One file too many is one that the archive did not write.
    (copy / "results-000000000009-000000000009.parquet").write_bytes(path.read_bytes())
    with pytest.raises(InputFault, match="000000000009"):
        read_table(copy)
    assert update_copy(archive, copy) == total
