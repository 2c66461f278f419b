"""One open store: its transactions, its upgrades, what it refuses.

One code path for SQLite (WAL, synchronous=FULL, BEGIN IMMEDIATE) and PostgreSQL. Every table only grows: triggers
refuse UPDATE and DELETE, and on PostgreSQL the writing role has no right to either. Writers follow one another
(the immediate transaction of SQLite, an advisory lock on PostgreSQL), because each entry carries the hash of the
one before it. Texts are kept as texts: a store that parses JSON would no longer give back the bytes that were signed.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from diagnb.archive.chain import ROOT, Head
from diagnb.archive.fault import EXTRAS, ArchiveFault, archive_fault
from diagnb.archive.tables import ADDED_IN, MIGRATION, TABLES
from diagnb.errors import missing_package

try:
    import sqlalchemy as sa
    from sqlalchemy import event
    from sqlalchemy.engine import URL, Connection, Engine, make_url
    from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, SQLAlchemyError
except ImportError as missing:
    raise missing_package("sqlalchemy", EXTRAS) from missing

VERSION = 2
"""The version of the tables that this code writes."""
_LOCK = 0x6469_6167_6E62
_BUSY_SECONDS = 60
Fill = Callable[["Database", "Writer", int], None]


def address(url: str | Path) -> URL:
    """A store's address: a path of an SQLite file, or ``postgresql://…``. Raises :class:`ArchiveFault`."""
    text = str(url)
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        found = make_url(text)
    except (ArgumentError, ValueError) as error:
        raise archive_fault("archive", "is not an address of a store", "a file, or postgresql://host/name") from error
    if found.drivername in ("postgresql", "postgres"):
        found = found.set(drivername="postgresql+psycopg")
    if found.drivername not in ("sqlite", "postgresql+psycopg"):
        raise archive_fault("archive", f"{found.drivername} is no kind of store", "a file, or postgresql://host/name")
    return found


class Database:
    """One open store. Reads see one moment each; writes go through :meth:`writing`."""

    def __init__(self, url: str | Path, *, create: bool = False) -> None:
        self.address = address(url)
        self.sqlite = self.address.get_backend_name() == "sqlite"
        self.name = self.address.render_as_string(hide_password=True)
        if self.sqlite:
            path = Path(self.address.database or "")
            if not create and not path.is_file():
                raise archive_fault(str(path), "there is no such archive", "diagnb archive add makes one")
            path.parent.mkdir(parents=True, exist_ok=True)
        arguments: dict[str, Any] = {"timeout": _BUSY_SECONDS, "check_same_thread": False} if self.sqlite else {}
        try:
            self._engine: Engine = sa.create_engine(self.address, connect_args=arguments, pool_pre_ping=not self.sqlite)
        except (NoSuchModuleError, ImportError) as error:
            raise missing_package("psycopg", EXTRAS) from error
        self._known: dict[str, set[Any]] = {"layout": set(), "sheet": set()}
        if self.sqlite:
            event.listen(self._engine, "connect", _configure_sqlite)
            event.listen(self._engine, "begin", _begin_sqlite)

    def close(self) -> None:
        """Give back all connections."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One read transaction: all its statements see the same moment."""
        with self._said(), self._engine.connect() as connection:
            if not self.sqlite:
                connection = connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """One write transaction, alone in the store; acknowledged when the block is left without an error."""
        with self._said(), self._engine.connect() as found, (connection := found.execution_options(alone=True)).begin():
            if not self.sqlite:
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
            writer = Writer(connection, self._known)
            with _uncollected():
                try:
                    yield writer
                finally:
                    writer.close()

    @contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, self._engine.dialect.loaded_dbapi.Error) as error:
            raise _fault(self.name, error) from error

    def migrate(self, *, made: str, fill: Fill, to: int = VERSION) -> int:
        """Bring the tables up to ``to``, each step in one transaction; returns the version found.

        ``fill`` gives new tables of an upgraded store what they would have held from the start. Raises
        :class:`ArchiveFault` for a store that a newer version has written.
        """
        found = self.version()
        if found > VERSION:
            raise archive_fault(self.name, f"was written by a newer version (tables {found})", "install that one")
        for version in range(found + 1, to + 1):
            with self.writing() as writer:
                # Another process may have been quicker while this one waited.
                if _version(writer.connection) >= version:
                    continue
                for table in ADDED_IN[version]:
                    table.create(writer.connection)
                    _only_grows(writer.connection, table.name, sqlite=self.sqlite)
                fill(self, writer, version)
                writer.insert("migration", [(version, made)])
        return found

    def version(self) -> int:
        """The version of the tables there are; 0 when there are none."""
        with self.reading() as connection:
            return _version(connection)

    def damage(self) -> tuple[str, ...]:
        """What the store itself finds wrong with its file; nothing to ask on PostgreSQL."""
        if not self.sqlite:
            return ()
        try:
            with self.reading() as connection:
                said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(20)")]
        except ArchiveFault as error:
            return tuple(f.what for f in error.faults)
        return tuple(line for line in said if line != "ok")

    def grant_writer(self, role: str) -> None:
        """Let ``role`` read and add, and nothing else (PostgreSQL). Run by the owner of the tables."""
        if self.sqlite:
            raise archive_fault(self.name, "an SQLite file has no roles", "its protection is that of the file")
        with self.writing() as writer:
            quoted = self._engine.dialect.identifier_preparer.quote_identifier(role)
            names = ", ".join(TABLES)
            for statement in (
                f"REVOKE ALL ON {names} FROM {quoted}",
                f"REVOKE ALL ON {names} FROM PUBLIC",
                f"GRANT USAGE ON SCHEMA public TO {quoted}",
                f"GRANT SELECT, INSERT ON {names} TO {quoted}",
            ):
                writer.connection.exec_driver_sql(statement)

    def execute(self, statement: Any, connection: Connection | None = None) -> Sequence[Any]:
        """All rows of one statement, in ``connection`` or in a moment of its own."""
        if connection is not None:
            return connection.execute(statement).fetchall()
        with self.reading() as own:
            return own.execute(statement).fetchall()

    def columns(self, statement: Any) -> list[tuple[Any, ...]]:
        """All rows of one statement as bare tuples: for a million of them, five times as fast as :meth:`execute`."""
        text = str(statement.compile(self._engine, compile_kwargs={"literal_binds": True}))
        with _uncollected(), self.reading() as connection:
            cursor = connection.connection.cursor()
            try:
                cursor.execute(text)
                return list(cursor.fetchall())
            finally:
                cursor.close()

    def stream(self, statement: Any, *, size: int = 5000) -> Generator[Any, None, None]:
        """The rows of one statement without holding them all."""
        with self.reading() as connection:
            options = {"yield_per": size} if self.sqlite else {"yield_per": size, "stream_results": True}
            # Closed even where the reader stops early: PostgreSQL's cursor lives on its server.
            with connection.execution_options(**options).execute(statement) as result:
                yield from result


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without the collector of circles, which would go through a million new rows again and again, and find none."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


class Writer:
    """What may be done inside a write transaction: look, and add.

    Saves go straight to the driver's cursor, in the transaction of ``connection``: a statement then costs a few
    microseconds instead of a hundred.
    """

    def __init__(self, connection: Connection, remembered: dict[str, set[Any]]) -> None:
        self.connection = connection
        self._remembered = remembered
        self._mark = "?" if connection.dialect.name == "sqlite" else "%s"
        self._cursor: Any = connection.connection.cursor()

    def close(self) -> None:
        """Give back the cursor; the transaction goes on."""
        self._cursor.close()

    def head(self) -> Head:
        """The last entry."""
        self._cursor.execute("SELECT seq, hash FROM entry ORDER BY seq DESC LIMIT 1")
        row = self._cursor.fetchone()
        return Head(row[0], row[1]) if row else Head(0, ROOT)

    def insert(self, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Add rows, their values in the order of the table's columns; one that is there already is an error."""
        if len(rows) == 1:
            self._cursor.execute(_insertion(table, self._mark), rows[0])
        elif rows:
            self._cursor.executemany(_insertion(table, self._mark), rows)

    def insert_new(self, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Add the rows whose first column is not there yet (contents, sheets and layouts go by their digest)."""
        remembered = self._remembered.get(table, set())
        wanted = {row[0]: row for row in rows if row[0] not in remembered}
        if wanted:
            known = self.known(table, TABLES[table].c.keys()[0], wanted)
            # What a committed transaction left there stays there; what this one adds may yet be undone.
            remembered |= known
            self.insert(table, [row for name, row in wanted.items() if name not in known])

    def known(self, table: str, key: str, values: Iterable[Any]) -> set[Any]:
        """Which of these values a column holds."""
        return {row[0] for row in self._chosen(f"SELECT {key} FROM {table} WHERE {key}", list(values))}  # noqa: S608

    def digests(self, records: Collection[str]) -> dict[tuple[str, int], tuple[int, str]]:
        """Entry number and digest of every stored revision of these records."""
        statement = "SELECT record, revision, seq, digest FROM revision WHERE record"
        return {(row[0], row[1]): (row[2], row[3]) for row in self._chosen(statement, sorted(records))}

    def _chosen(self, statement: str, values: list[Any]) -> Iterator[Any]:
        for some in _parts(values):
            self._cursor.execute(f"{statement} IN ({', '.join([self._mark] * len(some))})", some)
            yield from self._cursor.fetchall()


@cache
def _insertion(table: str, mark: str) -> str:
    names = TABLES[table].c.keys()
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join([mark] * len(names))})"  # noqa: S608


def _parts(values: list[Any], size: int = 900) -> Iterator[list[Any]]:
    for start in range(0, len(values), size):
        yield values[start : start + size]


def _version(connection: Connection) -> int:
    if not sa.inspect(connection).has_table("migration"):
        return 0
    return int(connection.execute(sa.select(sa.func.coalesce(sa.func.max(MIGRATION.c.version), 0))).scalar_one())


def _only_grows(connection: Connection, table: str, *, sqlite: bool) -> None:
    """Refuse UPDATE and DELETE, so that nobody changes a row by mistake; who means to is seen by the chain."""
    if sqlite:
        for verb in ("UPDATE", "DELETE"):
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} only grows'); END"
            )
        return
    connection.exec_driver_sql(
        "CREATE OR REPLACE FUNCTION diagnb_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '%% only grows', TG_TABLE_NAME; END $$"
    )
    connection.exec_driver_sql(
        f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION diagnb_only_grows()"
    )


def _configure_sqlite(connection: Any, _record: Any) -> None:
    # The driver's own BEGIN comes too late and is never immediate.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", f"busy_timeout={_BUSY_SECONDS * 1000}", "trusted_schema=OFF", "cell_size_check=ON",
                   # A batch stays in memory until it is whole; the log is moved into the file every 16 MB.
                   "cache_size=-65536", "wal_autocheckpoint=4000"):  # fmt: skip
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    alone = connection.get_execution_options().get("alone", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if alone else "BEGIN")


def _fault(name: str, error: Exception) -> ArchiveFault:
    cause = getattr(error, "orig", None) or error
    said = " ".join(str(cause).split())[:300]
    lower = said.lower()
    repair = "see diagnb archive audit"
    if "full" in lower or "no space" in lower or "could not extend" in lower or "too large" in lower:
        repair = "nothing of it was kept; make room on the disk and add it again"
    elif "disk i/o" in lower:
        repair = "nothing of it was kept; look at the disk, then add it again"
    elif "locked" in lower or "busy" in lower:
        repair = "another program holds the store; try again"
    elif "malformed" in lower or "not a database" in lower or "corrupt" in lower:
        repair = "the file is damaged: keep it, take the last copy, and audit both"
    elif "permission denied" in lower or "readonly" in lower:
        repair = "this role may only read and add; ask the owner of the store"
    elif "connect" in lower or "server closed" in lower or "terminating" in lower:
        repair = "what was not acknowledged may be added again without harm"
    kind = (
        "the store refused"
        if isinstance(error, DatabaseError) or not isinstance(error, SQLAlchemyError)
        else "the store can't be used"
    )
    return archive_fault(name, f"{kind}: {said}", repair)


__all__ = ["VERSION", "Database", "Writer"]
