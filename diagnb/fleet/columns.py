"""Columns of a table, from lists of text or arrays to arrays of numbers, dates and groups; and the files they are in."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from diagnb.errors import fault, missing_package
from diagnb.fleet.labels import Labels

Array = Any
DECIMALS = ("value", "standard_uncertainty", "lower", "upper", "distance_km", "odometer_km")
"""Columns of numbers that a CSV file may hold with decimal commas, where a semicolon parts the cells."""
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+([eE][+-]?[0-9]+)?")


class CsvColumns(dict[str, list[str]]):
    """Columns of a CSV file, and ``lines``: the line of the file that each row begins in."""

    lines: tuple[int, ...] = ()


def numbers(column: Any) -> tuple[Array, Array]:
    """Floats (n,) and the mask of entries that are no numbers; empty text and ``None`` are NaN and no fault."""
    if isinstance(column, Labels):
        value, bad = numbers(list(column.names))
        return value[column.codes], bad[column.codes]
    if isinstance(column, np.ndarray) and column.dtype.kind in "fiub":
        value = column.astype(float)
        return value, np.isinf(value)
    found, bad = np.empty(len(column)), np.zeros(len(column), dtype=bool)
    for k, entry in enumerate(column):
        if entry is None or entry == "":
            found[k] = np.nan
            continue
        try:
            found[k] = float(entry)
            bad[k] = not np.isfinite(found[k]) and isinstance(entry, str)
        except (TypeError, ValueError):
            found[k], bad[k] = np.nan, True
    return found, bad | np.isinf(found)


def dates(column: Any) -> tuple[Array, Array, Array]:
    """Days (n,) datetime64[D], the mask of entries that are no dates, and the mask of empty ones.

    Text is ISO 8601; a time of day after the date is left off.
    """
    if isinstance(column, np.ndarray) and column.dtype.kind == "M":
        day = column.astype("datetime64[D]")
        return day, np.zeros(day.size, dtype=bool), np.isnat(day)
    labels = Labels.of(column)
    day = np.full(len(labels.names) or 1, np.datetime64("NaT"), dtype="datetime64[D]")
    bad = np.zeros(len(labels.names) or 1, dtype=bool)
    for code, text in enumerate(labels.names):
        try:
            if text:
                day[code] = np.datetime64(_day(text), "D")
        except ValueError:
            bad[code] = True
    days = day[labels.codes]
    return days, bad[labels.codes], labels.marked({""})


def _day(text: str) -> str:
    import datetime

    return datetime.date.fromisoformat(text.strip()[:10]).isoformat()


def formulas(labels: Labels) -> Array:
    """Mask of texts that a spreadsheet would run: they begin with = or @, or with + or - before a call."""
    return labels.marked(
        name for name in labels.names if (name[:1] in "=@\t\r" and name) or (name[:1] in "+-" and "(" in name)
    )


def sort_groups(keys: Sequence[Array], free: Array) -> tuple[Array, Array]:
    """Positions of the free rows sorted by ``keys`` (the input's order within a group), and where groups begin.

    NaN equals NaN here.
    """
    where = np.nonzero(free)[0]
    columns = [np.asarray(k)[where] for k in keys]
    order = np.lexsort(tuple(reversed(columns)))
    first = np.zeros(where.size, dtype=bool)
    if where.size:
        first[0] = True
    for column in columns:
        c = column[order]
        differs = c[1:] != c[:-1]
        if c.dtype.kind == "f":
            differs &= ~(np.isnan(c[1:]) & np.isnan(c[:-1]))
        first[1:] |= differs
    return where[order], first


def read_table(path: Path) -> dict[str, Any]:
    """Columns of a CSV file (UTF-8, comma or semicolon, names in the first line) or a Parquet file.

    Raises :class:`~diagnb.errors.InputFault` for other files or rows of unequal length, and
    :class:`~diagnb.errors.MissingPackage` where Parquet can't be read.
    """
    if path.suffix.lower() == ".parquet" or path.is_dir():
        return _parquet(path, str(path))
    if path.suffix.lower() != ".csv":
        raise fault(str(path), "is neither .csv nor .parquet", "of an archive, give the folder that diagnb archive export --parquet makes")  # fmt: skip
    return columns_of_csv(path.read_bytes(), str(path))


def read_table_bytes(data: bytes, name: str) -> dict[str, Any]:
    """As :func:`read_table`, from the bytes of a file of that name."""
    if name.lower().endswith(".parquet"):
        return _parquet(io.BytesIO(data), name)
    if not name.lower().endswith(".csv"):
        raise fault(name, "is neither .csv nor .parquet")
    return columns_of_csv(data, name)


def table_file(path: Path) -> tuple[str, bytes]:
    """Name and bytes of one table, to be carried along; a folder of Parquet files becomes one file."""
    if not path.is_dir():
        return path.name, path.read_bytes()
    try:
        from pyarrow import parquet
    except ImportError as error:
        raise missing_package("pyarrow", "archive,fleet", "is needed to read Parquet, and not installed") from error
    stream = io.BytesIO()
    parquet.write_table(_whole(path), stream, compression="zstd")
    return f"{path.resolve().name}.parquet", stream.getvalue()


def columns_of_csv(data: bytes, where: str) -> CsvColumns:
    """Columns of a CSV file's bytes, every cell as text; decimal commas become points where a semicolon parts the cells.

    Only in the columns of :data:`DECIMALS`, and only cells like ``0,12``: ``1.234,5`` stays what it is, and a fault.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise fault(where, f"is not UTF-8 text (byte {error.start})", "save it as CSV UTF-8") from error
    head = text.partition("\n")[0]
    delimiter = ";" if head.count(";") > head.count(",") else ","
    lines, begins, before = [], [], 0
    try:
        reader = csv.reader(io.StringIO(text), delimiter=delimiter)
        for line in reader:
            if line:
                lines.append(line)
                begins.append(before + 1)
            before = reader.line_num
    except csv.Error as error:
        raise fault(where, f"is not CSV: {error}") from error
    if len(lines) < 2:
        raise fault(where, "has no rows below its line of names")
    names = [name.strip() for name in lines[0]]
    if len(set(names)) != len(names) or "" in names:
        raise fault(f"{where}, line 1", "a column has no name, or two have the same")
    uneven = [begins[k] for k, line in enumerate(lines) if len(line) != len(names)]
    if uneven:
        raise fault(
            f"{where}, line {uneven[0]}", f"has not {len(names)} cells ({len(uneven)} such lines)",
            "quote text that holds the delimiter",
        )  # fmt: skip
    found = CsvColumns((name, list(cells)) for name, cells in zip(names, zip(*lines[1:], strict=True), strict=True))
    found.lines = tuple(begins[1:])
    for name in DECIMALS if delimiter == ";" else ():
        if name in found:
            found[name] = [c.replace(",", ".") if _COMMA.fullmatch(c.strip()) else c for c in found[name]]
    return found


def _parquet(source: Any, where: str) -> dict[str, Any]:
    try:
        import pyarrow as arrow
    except ImportError as error:
        raise missing_package("pyarrow", "archive,fleet", "is needed to read Parquet, and not installed") from error
    try:
        table = _whole(source)
    except (arrow.ArrowException, OSError) as error:
        raise fault(where, f"is not a Parquet file: {str(error).splitlines()[0]}") from error
    return {name: _from_arrow(arrow, table.column(name)) for name in table.column_names}


def _whole(source: Any) -> Any:
    """One table of a file, or of every Parquet file in a folder, in the order of their names."""
    import pyarrow as arrow
    from pyarrow import parquet

    if not (isinstance(source, Path) and source.is_dir()):
        return parquet.read_table(source)
    files = sorted(source.glob("*.parquet"))
    if not files:
        raise fault(str(source), "holds no Parquet file", "diagnb archive export --parquet makes some")
    _check_unchanged(source)
    return arrow.concat_tables([parquet.read_table(path) for path in files]).unify_dictionaries()


def _check_unchanged(folder: Path) -> None:
    """The copy of an archive lists the SHA-256 of its files in ``archive.txt``: another one was not written by the archive."""
    mark = folder / "archive.txt"
    if not mark.is_file():
        return
    # Two spaces part digest and name, as in the lists of checksums that every system can check.
    listed = dict(line.split("  ", 1)[::-1] for line in mark.read_text(encoding="utf-8").splitlines()[2:])
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.parquet")}
    if found != listed:
        names = ", ".join(sorted(n for n in {*found, *listed} if found.get(n) != listed.get(n)))
        raise fault(str(folder), f"is not as the archive made it: {names}", "diagnb archive export --parquet makes it again")  # fmt: skip


def _from_arrow(arrow: Any, column: Any) -> Any:
    kind = column.type
    if arrow.types.is_dictionary(kind) or arrow.types.is_string(kind) or arrow.types.is_large_string(kind):
        coded = column.combine_chunks()
        coded = coded if arrow.types.is_dictionary(kind) else coded.dictionary_encode()
        if isinstance(coded, arrow.ChunkedArray):
            coded = coded.chunk(0) if coded.num_chunks else arrow.array([], kind).dictionary_encode()
        names = [n or "" for n in coded.dictionary.to_pylist()]
        if coded.null_count or len(set(names)) != len(names):
            return Labels.of(column.to_pylist())
        return Labels(coded.indices.to_numpy(zero_copy_only=False), tuple(names))
    if arrow.types.is_floating(kind) or arrow.types.is_integer(kind) or arrow.types.is_boolean(kind):
        return column.to_numpy().astype(float)
    if arrow.types.is_date(kind) or arrow.types.is_timestamp(kind):
        return column.to_numpy().astype("datetime64[D]")
    return Labels.of(column.to_pylist())


def write_csv(path: Path, columns: Mapping[str, Any]) -> None:
    """Write columns as CSV, UTF-8; absent numbers are empty cells."""

    def cells(column: Any) -> list[Any]:
        if isinstance(column, Labels):
            return column.texts()
        if isinstance(column, np.ndarray) and column.dtype.kind == "M":
            return [str(day) for day in column]
        if isinstance(column, np.ndarray) and column.dtype.kind == "f":
            return ["" if x != x else repr(float(x)) for x in column]
        return [str(x) for x in column]

    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        writer.writerows(zip(*(cells(c) for c in columns.values()), strict=True))
