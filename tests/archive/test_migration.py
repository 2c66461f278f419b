"""An archive of version 1 is opened for ever: upgraded in one step, nothing in it changed."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from stores import NOW

from diagnb.archive import ArchiveFault, database, open_archive
from diagnb.archive.audit import audit

REFERENCE = Path(__file__).parents[1] / "data" / "archive" / "archive-version-1.sqlite"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copyfile(REFERENCE, tmp_path / "old.sqlite"))


def rows(path: Path, table: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(path) as store:
        return store.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()


def test_version_1_is_upgraded_and_everything_is_still_there(old: Path) -> None:
    before = {table: rows(old, table) for table in ("revision", "result", "entry")}
    with open_archive(old, moment=NOW) as archive:
        assert archive.database.version() == database.VERSION
        assert [(r.record, r.revision) for r in archive.list(latest=False)] == [("DEMO-2026-0117", 1), ("EXAMPLE-P08", 1), ("EXAMPLE-P08", 2)]  # fmt: skip
        assert archive.get("EXAMPLE-P08").correction == "Replaced (invented)."
        found = audit(archive)
        assert found.sound and not found.findings
    assert rows(old, "revision") == before["revision"]
    assert rows(old, "result") == before["result"]
    assert rows(old, "entry")[:-1] == before["entry"], "the upgrade is an entry of its own"
    assert len(rows(old, "test")) == 7 + 2 + 2
    with open_archive(old, moment=NOW) as archive:
        assert archive.head().seq == 4, "opened again, nothing more is added"


def test_a_tampered_test_row_is_found_after_an_upgrade_too(old: Path) -> None:
    open_archive(old, moment=NOW).close()
    with sqlite3.connect(old) as store:
        store.execute("DROP TRIGGER test_no_update")
        store.execute("UPDATE test SET serials = '[\"X\"]' WHERE seq = 2 AND place = 0")
    with open_archive(old, moment=NOW) as archive:
        assert [f.code for f in audit(archive).findings] == ["tests-changed"]


def test_a_step_that_fails_leaves_the_old_version_whole(old: Path) -> None:
    """The documents of version 1 are evaluated during the upgrade; a broken one stops it."""
    with sqlite3.connect(old) as store:
        store.execute("DROP TRIGGER revision_no_update")
        store.execute("UPDATE revision SET document = 'no record' WHERE seq = 2")
    before = old.read_bytes()
    with pytest.raises(Exception, match="not JSON"):
        open_archive(old, moment=NOW)
    with sqlite3.connect(old) as store:
        assert store.execute("SELECT max(version) FROM migration").fetchone() == (1,)
        assert store.execute(
            "SELECT count(*) FROM sqlite_master WHERE name IN ('test', 'sheet', 'layout')"
        ).fetchone() == (0,)
    assert len(before)


def test_a_newer_version_is_refused_clearly(old: Path) -> None:
    with sqlite3.connect(old) as store:
        store.execute("INSERT INTO migration VALUES (99, 'later')")
    with pytest.raises(ArchiveFault, match="newer version"):
        open_archive(old, moment=NOW)
