"""The Parquet copy: brought up to date by adding, never wrong, thrown away without loss; the fleet room reads it."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from stores import NOW

from diagnb.archive import Archive, ArchiveFault, open_archive, prepare
from diagnb.archive.copy import query, update_copy
from diagnb.archive.rows import RESULT_COLUMNS
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
