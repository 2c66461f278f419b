"""A copy of the results for analysis: Parquet files, read by DuckDB. A cache: it may be deleted at any time.

Each file holds the results of a span of entries and is never rewritten; bringing the copy up to date adds one file.
A copy of an older form, or one that was changed, is made again as a whole. The only file that knows DuckDB.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
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
_COLUMNS = (
    "seq", "schema", "asset", "vehicle", *(c for c in _FACTS if c != "unit"), "point", "measuring_points", "component",
    *RESULT_COLUMNS,
)  # fmt: skip
FORM = 2
"""Form of the copy: 1 named a point without its circuit, 2 names circuit and measuring points too."""


def update_copy(archive: Archive, folder: Path, *, progress: Callable[[int], None] | None = None) -> int:
    """Bring the copy in ``folder`` up to date with the archive; returns how many results were added.

    Columns: entry number ``seq``, facts of the revision (``asset`` is its unit, else its VIN; ``point`` is "circuit:
    procedure/result", and behind it in brackets the ``measuring_points``, the points that the test's readings state, its
    own or those of the test that it repeats; ``component`` is the circuit, whatever part was to blame; ``lot`` that of the part removed, as left that of
    the one installed), then the columns of a result. A copy of an older form, or one that was changed
    since, is made again. Raises :class:`ArchiveFault` where the copy belongs to another archive
    or is of a newer form, :class:`~diagnb.errors.MissingPackage` without the extra ``fleet``.
    """
    pyarrow, parquet = _pyarrow()
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob("*.part"):
        left.unlink()
    own = _belongs(archive, folder)
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
    _write_mark(folder, own)
    return total


def query(folder: Path, statement: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """Rows of one SQL statement over the copy; its one table is ``results``, latest revisions only: ``current``.

    Write the column ``at`` in double quotes: the word means something in SQL. The connection reads nothing but the copy's own files. Raises :class:`ArchiveFault` for a copy that is missing, of
    another form or changed since.
    """
    try:
        import duckdb
    except ImportError as missing:
        raise missing_package("duckdb", EXTRAS) from missing
    files = sorted(str(p) for p in folder.glob("results-*.parquet"))
    if not files:
        raise archive_fault(str(folder), "holds no copy of an archive", "diagnb archive export --parquet makes one")
    _, form, digests = _mark(folder)
    if form < FORM:
        raise archive_fault(str(folder), "is a copy of an older form, whose points lack their circuit", "diagnb archive export --parquet makes it again")  # fmt: skip
    if digests != _digests(folder):
        raise archive_fault(str(folder), "was changed since the archive made it", "diagnb archive export --parquet makes it again")  # fmt: skip
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


def _mark(folder: Path) -> tuple[str, int, dict[str, str]]:
    """Which archive (the hash of its first entry, "" for none), which form, and the digest of each file, by ``archive.txt``."""
    mark = folder / "archive.txt"
    own, form, *lines = [*mark.read_text(encoding="utf-8").splitlines(), "", ""] if mark.is_file() else ("", "")
    number = form.removeprefix("form ")
    if form and not (number.isdecimal() and 1 < int(number) <= FORM):
        raise archive_fault(str(folder), f"is a copy of another form: {form[:20]!r}", "use the version that made it, or delete the copy")  # fmt: skip
    digests = {name: digest for digest, _, name in (line.partition("  ") for line in lines if line)}
    return own.strip(), int(number or 1), digests


def _write_mark(folder: Path, own: str) -> None:
    # Whoever wrote the older form takes this for the copy of another archive, and adds nothing to it.
    lines = [own, f"form {FORM}", *(f"{digest}  {name}" for name, digest in _digests(folder).items())]
    partial = folder / "archive.txt.part"
    partial.write_text("\n".join(lines) + "\n", encoding="utf-8")
    partial.replace(folder / "archive.txt")


def _digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.glob("results-*.parquet"))}


def _belongs(archive: Archive, folder: Path) -> str:
    """The first entry's hash names an archive. What is of an older form, or was changed since, goes, to be made again."""
    rows = archive.database.execute(db.chosen("entry", "seq", [1], "hash"))
    own = rows[0][0] if rows else ""
    marked, form, digests = _mark(folder)
    if marked and marked != own:
        raise archive_fault(str(folder), "is the copy of another archive", "use another folder, or delete it")
    if not marked and _spans(folder):
        raise archive_fault(str(folder), "does not say which archive it is a copy of", "delete it and make it again")
    if own and (form < FORM or digests != _digests(folder)):
        for old in folder.glob("results-*.parquet"):
            old.unlink()
        _write_mark(folder, own)
    return own


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
    stated: dict[int, dict[str, str]] = {}
    lots: dict[int, dict[str, str]] = {}
    for row in database.stream(db.table_rows("revision", "seq", "document", *_FACTS, after=after, until=until)):
        about = dict(zip(_FACTS, row[2:], strict=True))
        head = tuple(about[c] for c in _FACTS if c != "unit")
        facts[row[0]] = ("diagnb-record/1", about["unit"] or about["vin"], about["unit"], *head)
        plain = json.loads(row[1])
        stated[row[0]] = points_of_tests(plain["tests"])
        lots[row[0]] = _lots(plain.get("parts", ()))
    part: list[tuple[Any, ...]] = []
    circuit, lot = (3 + [c for c in _FACTS if c != "unit"].index(name) for name in ("circuit", "lot"))
    phase = 1 + list(RESULT_COLUMNS).index("phase")
    for row in archive.results(after=after, until=until):
        own, points = facts[row[0]], stated[row[0]].get(row[1], "")
        point = f"{own[circuit]}: {row[3]}/{row[2]}" + (f" ({points})" if points else "")
        own = (*own[:lot], lots[row[0]].get(row[phase], ""), *own[lot + 1 :])
        part.append((row[0], *own, point, points, own[circuit], *row[1:]))
        if len(part) >= _PART:
            yield part
            part = []
    if part:
        yield part


def points_of_tests(tests: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """By test of a record's plain form, the measuring points that it states: "stud G1 to battery minus; …", "" for none.

    A test that states none has those of the test that it repeats: as left is measured where as found was.
    """
    own = {test["id"]: _points(test) for test in tests}
    repeated = {test["id"]: test.get("repeats_test") or "" for test in tests}
    return {name: points or own.get(repeated[name], "") for name, points in own.items()}


def _lots(parts: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """The lot of the part in the vehicle, by phase: the one removed, the one installed; left out where it is not told."""
    found = {}
    for phase, action in (("as found", "removed"), ("as left", "installed")):
        mine = [part for part in parts if part["action"] == action]
        mine = [part for part in mine if part.get("causal")] or mine
        # Of two parts nobody knows which one the results speak of.
        if len({part.get("lot", "") for part in mine}) == 1:
            found[phase] = str(mine[0].get("lot", ""))
    return found


def _points(test: Mapping[str, Any]) -> str:
    said = []
    for reading in test.get("readings", ()):
        ends = [" ".join(reading.get(end, "").split()) for end in ("from_point", "to_point")]
        said.append(" to ".join(filter(None, ends)))
    path = test.get("path")
    if path:
        said.append(" – ".join(" ".join(node["name"].split()) for node in path["nodes"]))
    return "; ".join(dict.fromkeys(filter(None, said)))
