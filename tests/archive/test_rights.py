"""Nobody changes a row: triggers refuse it to everybody, and on PostgreSQL the writing role has no right to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from stores import NOW, new_database

from diagnb.archive import Archive, ArchiveFault, open_archive
from diagnb.archive.audit import audit
from diagnb.archive.tables import TABLES
from diagnb.record import Record

Make = Callable[..., Record]


@pytest.fixture(scope="module")
def writer(server: Any) -> str:
    """The address of a store as a role sees it that may read and add."""
    import psycopg

    url = new_database(server)
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CREATE ROLE bay LOGIN")
    with open_archive(url, moment=NOW, create=True) as archive:
        archive.database.grant_writer("bay")
    return url.replace("postgres:@", "bay@").replace("postgres@", "bay@")


def test_the_writing_role_adds_and_reads(writer: str, drop_record: Make) -> None:
    with open_archive(writer, moment=NOW) as archive:
        assert archive.add(drop_record(), moment=NOW, by="bay").new
        assert archive.attach("D-1", 1, name="report.pdf", content=b"%PDF-", moment=NOW)
        assert archive.get("D-1") == drop_record()
        assert audit(archive).sound


@pytest.mark.parametrize("table", sorted(TABLES))
@pytest.mark.parametrize("verb", ["UPDATE {t} SET {c} = {c}", "DELETE FROM {t}", "TRUNCATE {t}", "DROP TABLE {t}", "ALTER TABLE {t} DISABLE TRIGGER ALL"])  # fmt: skip
def test_the_writing_role_can_neither_change_nor_remove(writer: str, drop_record: Make, table: str, verb: str) -> None:
    import psycopg

    with open_archive(writer, moment=NOW) as archive:
        archive.add(drop_record(), moment=NOW)
    column = next(iter(TABLES[table].c)).name
    with psycopg.connect(writer) as connection, pytest.raises(psycopg.errors.InsufficientPrivilege):
        connection.execute(verb.format(t=table, c=column))


def test_the_owner_is_refused_too_until_he_drops_the_triggers(archive: Archive, drop_record: Make) -> None:
    archive.add(drop_record(), moment=NOW)
    for statement in ("UPDATE revision SET claim = 'x'", "DELETE FROM result", "DELETE FROM entry"):
        with pytest.raises(ArchiveFault, match="only grows"), archive.database.writing() as found:
            found.connection.exec_driver_sql(statement)
    assert audit(archive).sound


def test_a_file_has_no_roles(tmp_path: Path) -> None:
    with (
        open_archive(tmp_path / "a.sqlite", moment=NOW, create=True) as archive,
        pytest.raises(ArchiveFault, match="no roles"),
    ):
        archive.database.grant_writer("bay")
