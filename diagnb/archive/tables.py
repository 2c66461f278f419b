"""The tables of a store, and the statements that read them, by their columns' names."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from diagnb.archive.chain import ROOT, Entry, Head
from diagnb.archive.fault import EXTRAS
from diagnb.archive.rows import RESULT_COLUMNS, REVISION_FACTS, TEST_COLUMNS
from diagnb.errors import missing_package

try:
    import sqlalchemy as sa
    from sqlalchemy.engine import Connection
except ImportError as missing:
    raise missing_package("sqlalchemy", EXTRAS) from missing

_TEXT = sa.Text()
_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_META = sa.MetaData()
_KINDS: dict[str, Any] = {"text": _TEXT, "real": sa.Double(), "whole": _NUMBER, "bytes": sa.LargeBinary()}


def _columns(kinds: Mapping[str, str], required: Collection[str] = ()) -> list[Any]:
    return [sa.Column(name, _KINDS[kind], nullable=name not in required) for name, kind in kinds.items()]


MIGRATION = sa.Table("migration", _META, sa.Column("version", _NUMBER, primary_key=True), sa.Column("made", _TEXT, nullable=False))  # fmt: skip
ENTRY = sa.Table(
    "entry", _META, sa.Column("seq", _NUMBER, primary_key=True, autoincrement=False),
    *(sa.Column(name, _TEXT, nullable=False) for name in ("body", "previous", "hash")),
)  # fmt: skip
REVISION = sa.Table(
    "revision", _META, sa.Column("seq", _NUMBER, primary_key=True, autoincrement=False),
    sa.Column("record", _TEXT, nullable=False), sa.Column("revision", _NUMBER, nullable=False),
    sa.Column("digest", _TEXT, nullable=False), sa.Column("added", _TEXT, nullable=False),
    *_columns(REVISION_FACTS), sa.Column("document", _TEXT, nullable=False),
    sa.UniqueConstraint("record", "revision"),
    sa.Index("revision_vin", "vin"), sa.Index("revision_claim", "claim"),
)  # fmt: skip
RESULT = sa.Table(
    "result", _META, sa.Column("seq", _NUMBER, primary_key=True, autoincrement=False),
    sa.Column("place", _NUMBER, primary_key=True, autoincrement=False), *_columns(RESULT_COLUMNS),
    sqlite_with_rowid=False,
)  # fmt: skip
CONTENT = sa.Table(
    "content", _META, sa.Column("sha256", _TEXT, primary_key=True), sa.Column("size", _NUMBER, nullable=False),
    sa.Column("bytes", sa.LargeBinary(), nullable=False),
)  # fmt: skip
ATTACHED = sa.Table(
    "attached", _META, sa.Column("seq", _NUMBER, primary_key=True, autoincrement=False),
    sa.Column("record", _TEXT, nullable=False), sa.Column("revision", _NUMBER, nullable=False),
    sa.Column("kind", _TEXT, nullable=False), sa.Column("name", _TEXT, nullable=False),
    sa.Column("sha256", _TEXT, nullable=False), sa.Column("added", _TEXT, nullable=False),
    sa.UniqueConstraint("record", "revision", "kind", "sha256"),
)  # fmt: skip
SHEET = sa.Table("sheet", _META, sa.Column("digest", _TEXT, primary_key=True), sa.Column("kind", _TEXT, nullable=False), sa.Column("document", _TEXT, nullable=False))  # fmt: skip
LAYOUT = sa.Table("layout", _META, sa.Column("digest", _TEXT, primary_key=True), sa.Column("document", _TEXT, nullable=False))  # fmt: skip
TEST = sa.Table(
    "test", _META, sa.Column("seq", _NUMBER, primary_key=True, autoincrement=False),
    sa.Column("place", _NUMBER, primary_key=True, autoincrement=False), *_columns(TEST_COLUMNS),
    sa.Index("test_layout", "layout"), sqlite_with_rowid=False,
)  # fmt: skip
TABLES: dict[str, sa.Table] = {table.name: table for table in _META.sorted_tables}
ADDED_IN: dict[int, tuple[sa.Table, ...]] = {
    1: (MIGRATION, ENTRY, REVISION, RESULT, CONTENT, ATTACHED),
    2: (SHEET, LAYOUT, TEST),
}


def head(connection: Connection) -> Head:
    """The last entry of the store."""
    row = connection.execute(sa.select(ENTRY.c.seq, ENTRY.c.hash).order_by(ENTRY.c.seq.desc()).limit(1)).first()
    return Head(row[0], row[1]) if row else Head(0, ROOT)


def entries() -> Any:
    """Statement: every entry in its order."""
    return sa.select(ENTRY.c.seq, ENTRY.c.body, ENTRY.c.previous, ENTRY.c.hash).order_by(ENTRY.c.seq)


def bodies_with(member: str) -> Any:
    """Statement: bodies of the entries that have this member (and perhaps of some more), in their order."""
    return sa.select(ENTRY.c.body).where(ENTRY.c.body.contains(f'"{member}":', autoescape=True)).order_by(ENTRY.c.seq)


def as_entry(row: Any) -> Entry:
    """A row of :func:`entries`."""
    return Entry(row[0], row[1], row[2], row[3])


def table_rows(table: str, *columns: str, after: int = 0, until: int | None = None) -> Any:
    """Statement: columns of a table, its rows with entry numbers above ``after``, in their order."""
    chosen = TABLES[table]
    statement = sa.select(*(chosen.c[name] for name in columns)).where(chosen.c.seq > after)
    if until is not None:
        statement = statement.where(chosen.c.seq <= until)
    order = [chosen.c.seq, *([chosen.c.place] if "place" in chosen.c else [])]
    return statement.order_by(*order)


def whole_table(table: str, *columns: str) -> Any:
    """Statement: columns of a table, in no order."""
    return sa.select(*(TABLES[table].c[name] for name in columns))


def distinct(table: str, *columns: str) -> Any:
    """Statement: columns of a table, every combination once."""
    return whole_table(table, *columns).distinct()


def other_phases(phase: str, seqs: Collection[int] | None = None) -> Any:
    """Statement: entry, test and phase of the tests in another phase than this; of these entries only (at most some
    thousands), or of all."""
    statement = sa.select(RESULT.c.seq, RESULT.c.test, RESULT.c.phase).where(RESULT.c.phase != phase).distinct()
    return statement if seqs is None else statement.where(RESULT.c.seq.in_(list(seqs)))


def tests_of(layouts: Collection[str] | None, *columns: str, serial: str = "") -> Any:
    """Statement: columns of the tests with these layouts (None: any), at most some hundred of them; with ``serial``
    those whose list of serial numbers holds this text (and perhaps some more)."""
    statement = sa.select(*(TEST.c[name] for name in columns))
    if layouts is not None:
        statement = statement.where(TEST.c.layout.in_(list(layouts)))
    return statement.where(TEST.c.serials.contains(serial, autoescape=True)) if serial else statement


def chosen(table: str, key: str, values: Collection[Any], *columns: str) -> Any:
    """Statement: columns of the rows whose ``key`` is among ``values`` (at most some thousands)."""
    return sa.select(*(TABLES[table].c[name] for name in columns)).where(TABLES[table].c[key].in_(list(values)))


def revisions(
    *columns: str, record: str = "", claim: str = "", vin: str = "", unit: str = "", latest: bool = False
) -> Any:
    """Statement: columns of revisions, filtered, in the order of their entries."""
    statement = sa.select(*(REVISION.c[name] for name in columns))
    for name, value in (("record", record), ("claim", claim), ("vin", vin), ("unit", unit)):
        if value:
            statement = statement.where(REVISION.c[name] == value)
    if latest:
        later = sa.select(REVISION.c.record, sa.func.max(REVISION.c.revision).label("top")).group_by(REVISION.c.record)
        last = later.subquery()
        statement = statement.join(last, sa.and_(last.c.record == REVISION.c.record, last.c.top == REVISION.c.revision))
    return statement.order_by(REVISION.c.seq)


def own_days(seqs: Collection[int], *, sqlite: bool) -> Any:
    """Statement: entry number and day of making, as the record itself writes it, of some revisions (at most some
    thousands)."""
    # Canonical JSON: no other member of this name stands before it, and a quotation mark in a text is escaped.
    mark, text = '"created":"', REVISION.c.document
    at = sa.func.instr(text, mark) if sqlite else sa.func.strpos(text, mark)
    return sa.select(REVISION.c.seq, sa.func.substr(text, at + len(mark), 10)).where(REVISION.c.seq.in_(list(seqs)))


def one_revision(record: str, revision: int | None, *columns: str) -> Any:
    """Statement: columns of one revision, the latest when none is named."""
    statement = sa.select(*(REVISION.c[name] for name in columns)).where(REVISION.c.record == record)
    if revision is not None:
        return statement.where(REVISION.c.revision == revision)
    return statement.order_by(REVISION.c.revision.desc()).limit(1)


def attachments_of(record: str, revision: int | None = None) -> Any:
    """Statement: what is attached to a record: seq, revision, kind, name, sha256, added."""
    c = ATTACHED.c
    statement = sa.select(c.seq, c.revision, c.kind, c.name, c.sha256, c.added).where(c.record == record)
    return (statement if revision is None else statement.where(c.revision == revision)).order_by(c.seq)
