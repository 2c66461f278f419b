"""A copy of the results for analysis: Parquet files, read by DuckDB. A cache: it may be deleted at any time.

Each file holds the results of a span of entries and is never rewritten; bringing the copy up to date adds one file.
The only file that knows DuckDB.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from diagnb.archive import tables as db
from diagnb.archive.fault import EXTRAS, archive_fault
from diagnb.archive.rows import RESULT_COLUMNS
from diagnb.archive.store import Archive
from diagnb.errors import missing_package

_NAME = re.compile(r"results-(\d{12})-(\d{12})\.parquet")
_FACTS = (
    "record", "revision", "claim", "site", "vin", "unit", "model_year", "system_voltage", "circuit", "circuit_class",
    "in_service", "odometer_km", "engine_hours", "part", "part_serial", "lot", "demonstration", "status", "added",
)  # fmt: skip
_PART = 200_000
_COLUMNS = ("seq", "schema", "asset", "vehicle", *(c for c in _FACTS if c != "unit"), "point", "component", *RESULT_COLUMNS)  # fmt: skip


def update_copy(archive: Archive, folder: Path, *, progress: Callable[[int], None] | None = None) -> int:
    """Bring the copy in ``folder`` up to date with the archive; returns how many results were added.

    Columns: entry number ``seq``, facts of the revision (``asset`` is its unit, else its VIN; ``point`` is procedure/result;
    ``component`` the causal part, else the circuit), then the columns of a result. Raises :class:`ArchiveFault` where the
    copy belongs to another archive, :class:`~diagnb.errors.MissingPackage` without the extra ``fleet``.
    """
    pyarrow, parquet = _pyarrow()
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob("*.part"):
        left.unlink()
    _belongs(archive, folder)
    start = max((int(last) for _, last in _spans(folder)), default=0)
    end = archive.head().seq
    if end <= start:
        return 0
    total = 0
    schema = _schema(pyarrow)
    target = folder / f"results-{start + 1:012d}-{end:012d}.parquet"
    partial = target.with_name(target.name + ".part")
    with parquet.ParquetWriter(partial, schema, compression="zstd") as writer:
        for rows in _rows(archive, start, end):
            columns = list(zip(*rows, strict=True))
            writer.write_table(pyarrow.table([pyarrow.array(c, f.type) for c, f in zip(columns, schema, strict=True)], schema=schema))  # fmt: skip
            total += len(rows)
            if progress:
                progress(total)
    partial.replace(target)
    return total


def query(folder: Path, statement: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """Rows of one SQL statement over the copy; its one table is ``results``, latest revisions only: ``current``.

    Write the column ``at`` in double quotes: the word means something in SQL. The connection reads nothing but the copy's own files. Raises :class:`ArchiveFault` for a copy that is missing.
    """
    try:
        import duckdb
    except ImportError as missing:
        raise missing_package("duckdb", EXTRAS) from missing
    files = sorted(str(p) for p in folder.glob("results-*.parquet"))
    if not files:
        raise archive_fault(str(folder), "holds no copy of an archive", "diagnb archive export --parquet makes one")
    with duckdb.connect() as connection:
        listed = ", ".join("'" + name.replace("'", "''") + "'" for name in files)
        connection.execute(f"CREATE VIEW results AS SELECT * FROM read_parquet([{listed}])")  # noqa: S608
        connection.execute(
            "CREATE VIEW current AS SELECT * FROM results SEMI JOIN "
            "(SELECT record, max(revision) AS revision FROM results GROUP BY record) USING (record, revision)"
        )
        connection.execute(f"SET allowed_directories = ['{str(folder).replace(chr(39), chr(39) * 2)}']")
        connection.execute("SET enable_external_access = false")
        return connection.execute(statement, list(parameters)).fetchall()


def _pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as missing:
        raise missing_package("pyarrow", EXTRAS) from missing
    return pyarrow, parquet


def _spans(folder: Path) -> list[tuple[str, str]]:
    return [(m[1], m[2]) for p in sorted(folder.iterdir()) if (m := _NAME.fullmatch(p.name))]


def _belongs(archive: Archive, folder: Path) -> None:
    """The first entry's hash names an archive."""
    rows = archive.database.execute(db.chosen("entry", "seq", [1], "hash"))
    mark = folder / "archive.txt"
    own = rows[0][0] if rows else ""
    if mark.is_file():
        if mark.read_text(encoding="utf-8").strip() != own:
            raise archive_fault(str(folder), "is the copy of another archive", "use another folder, or delete it")
    elif _spans(folder):
        raise archive_fault(str(folder), "does not say which archive it is a copy of", "delete it and make it again")
    elif own:
        mark.write_text(own + "\n", encoding="utf-8")


def _schema(pyarrow: Any) -> Any:
    kinds = {
        "text": pyarrow.dictionary(pyarrow.int32(), pyarrow.string()),
        "real": pyarrow.float64(),
        "whole": pyarrow.int64(),
    }
    from diagnb.archive.rows import REVISION_FACTS

    known = {"seq": "whole", "revision": "whole", "record": "text", "added": "text", **REVISION_FACTS, **RESULT_COLUMNS}
    return pyarrow.schema([(name, kinds[known.get(name, "text")]) for name in _COLUMNS])


def _rows(archive: Archive, after: int, until: int) -> Iterator[list[tuple[Any, ...]]]:
    database = archive.database
    facts: dict[int, tuple[Any, ...]] = {}
    for row in database.stream(db.table_rows("revision", "seq", *_FACTS, after=after, until=until)):
        about = dict(zip(_FACTS, row[1:], strict=True))
        head = tuple(about[c] for c in _FACTS if c != "unit")
        facts[row[0]] = ("diagnb-record/1", about["unit"] or about["vin"], about["unit"], *head)
    part: list[tuple[Any, ...]] = []
    at = 3 + [c for c in _FACTS if c != "unit"].index("part")
    circuit = 3 + [c for c in _FACTS if c != "unit"].index("circuit")
    for row in archive.results(after=after, until=until):
        own = facts[row[0]]
        part.append((row[0], *own, f"{row[3]}/{row[2]}", own[at] or own[circuit], *row[1:]))
        if len(part) >= _PART:
            yield part
            part = []
    if part:
        yield part
