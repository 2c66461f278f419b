"""Reference tables as TOML, schema ``diagnb-trade/1``: rows with their source, edition and provenance.

This is the one door for them: it checks everything and reports all faults with their path.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import numpy as np

from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities import convert, unit
from diagnb.shipped import templates_directory
from diagnb.trade.arguments import Floats, Given, Number, read
from diagnb.trade.provenance import Provenance

SCHEMA = "diagnb-trade/1"
_FILE_KEYS = {"schema", "tables"}
_TABLE_KEYS = {"id", "title", "key", "columns", "rows", "reach", "source", "edition", "provenance", "condition", "note"}
_TEXTS = ("id", "title", "source", "edition")


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name and the unit its numbers are printed in; ``text`` for words."""

    name: str
    unit: str


@dataclass(frozen=True, slots=True)
class ReferenceTable:
    """A table as printed, with where it comes from. ``key`` is the column that names its rows, if one does.

    Without a key the first column rises, and the others can be interpolated over it, within ``reach``.
    """

    id: str
    title: str
    key: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[float | str, ...], ...]
    reach: tuple[float, float]
    source: str
    edition: str
    provenance: Provenance
    condition: str = ""
    note: str = ""

    def values(self, name: str, symbol: str = "") -> Floats:
        """The numbers (n,) of a column, in ``symbol`` or as printed."""
        place, column = self._column(name)
        if column.unit == "text":
            raise fault(f"{self.id}.{name}", "holds words, not numbers")
        found = np.array([row[place] for row in self.rows], dtype=float)
        return convert(found, column.unit, symbol) if symbol and symbol != column.unit else found

    def words(self, name: str) -> tuple[str, ...]:
        """The words of a column."""
        place, _ = self._column(name)
        return tuple(str(row[place]) for row in self.rows)

    def pick(self, name: str, keys: Any, symbol: str = "") -> Any:
        """The numbers of column ``name`` in the rows that ``keys`` (one or an array) name, shaped as ``keys``.

        Raises :class:`~diagnb.errors.InputFault` listing the keys there are.
        """
        values, place = self.values(name, symbol), self._places(keys)
        return values[place]

    def row(self, key: str | float) -> dict[str, float | str]:
        """One row as printed, by its key."""
        return dict(zip((c.name for c in self.columns), self.rows[int(self._places(key))], strict=True))

    def interpolate(self, name: str, x: Number, *, symbol: str, x_symbol: str, argument: str, over: str = "") -> Floats:
        """Column ``name`` in ``symbol`` at ``x`` (any shape, in ``x_symbol``), straight between the rows.

        ``over`` is the column that ``x`` belongs to, the first unless told; between the ends of the table and its
        reach the last value holds, beyond the reach there is none.
        """
        first = over or self.columns[0].name
        xs = self.values(first, x_symbol)
        low, high = xs[0], xs[-1]
        if first == self.columns[0].name:
            low, high = (float(convert(end, self.columns[0].unit, x_symbol)) for end in self.reach)
        (found,) = read(
            Given(argument, x, x_symbol, float(low), float(high), repair=f"the table {self.id} says no more")
        )
        return np.asarray(np.interp(found, xs, self.values(name, symbol)))

    def _column(self, name: str) -> tuple[int, Column]:
        for place, column in enumerate(self.columns):
            if column.name == name:
                return place, column
        raise fault(f"{self.id}.{name}", "is no column", f"it has {', '.join(c.name for c in self.columns)}")

    def _places(self, keys: Any) -> Any:
        if not self.key:
            raise fault(self.id, "has no named rows")
        place, column = self._column(self.key)
        found = {row[place]: number for number, row in enumerate(self.rows)}
        asked = (
            np.asarray(keys) if isinstance(keys, str | int | float | list | tuple | np.ndarray | np.number) else None
        )
        if asked is None or asked.dtype.kind not in "iufU":
            raise fault(self.key, f"{keys!r} names no row of the table {self.id}")
        unknown = [key for key in asked.ravel().tolist() if key not in found]
        if unknown:
            listed = ", ".join(_printed(k) for k in found)
            tail = "" if column.unit in ("text", "1") else f" {column.unit}"
            raise fault(self.key, f"{_printed(unknown[0])} is not in the table {self.id}", f"it has {listed}{tail}")
        return np.array([found[key] for key in asked.ravel().tolist()], dtype=int).reshape(asked.shape)


def read_tables(plain: Mapping[str, Any], where: str = "tables") -> tuple[ReferenceTable, ...]:
    """Check a plain (TOML) file of tables. Raises :class:`InputFault` with every fault found."""
    door = _Door(where)
    for key in plain:
        if key not in _FILE_KEYS:
            door.add(str(key), "is an unknown key", f"known are {', '.join(sorted(_FILE_KEYS))}")
    schema = plain.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("diagnb-trade/")
        door.add("schema", f"{schema!r} is not {SCHEMA}", "it was made by a newer version" if newer else "start the file with it")  # fmt: skip
    listed = plain.get("tables")
    if not isinstance(listed, list) or not listed:
        door.add("tables", "must list one table or more")
        listed = []
    found = [door.table(entry, f"tables[{number}]") for number, entry in enumerate(listed)]
    names = [t.id for t in found if t]
    for name in sorted({n for n in names if names.count(n) > 1}):
        door.add("tables", f"{name!r} stands twice")
    if door.faults:
        raise InputFault(door.faults)
    return tuple(t for t in found if t)


class _Door:
    """Collects faults while a file is read."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.faults: list[Fault] = []

    def add(self, path: str, what: str, repair: str = "") -> None:
        self.faults.append(Fault(f"{self.where}.{path}", what, repair))

    def table(self, entry: Any, path: str) -> ReferenceTable | None:
        if not isinstance(entry, Mapping):
            self.add(path, "must be a table")
            return None
        before = len(self.faults)
        for key in entry:
            if key not in _TABLE_KEYS:
                self.add(f"{path}.{key}", "is an unknown key", f"known are {', '.join(sorted(_TABLE_KEYS))}")
        texts = {name: self.text(entry, name, path) for name in _TEXTS}
        optional = {name: self.text(entry, name, path) for name in ("condition", "note", "key") if name in entry}
        provenance = entry.get("provenance")
        if provenance not in get_args(Provenance):
            self.add(f"{path}.provenance", f"{provenance!r} is unknown", f"one of {', '.join(get_args(Provenance))}")
        columns = self.columns(entry.get("columns"), f"{path}.columns")
        if len(self.faults) > before:
            return None
        key = optional.pop("key", "")
        if key and key not in [c.name for c in columns]:
            self.add(f"{path}.key", f"{key!r} is no column", f"one of {', '.join(c.name for c in columns)}")
            return None
        rows = self.rows(entry.get("rows"), columns, f"{path}.rows")
        if len(self.faults) > before:
            return None
        first = [row[[c.name for c in columns].index(key) if key else 0] for row in rows]
        if key and len(set(first)) < len(first):
            self.add(f"{path}.rows", f"two rows have the same {key}")
        reach = self.reach(entry, columns[0], first, path) if not key else (math.nan, math.nan)
        return ReferenceTable(key=key, columns=columns, rows=rows, reach=reach, provenance=provenance, **texts, **optional)  # type: ignore[arg-type]  # fmt: skip

    def text(self, entry: Mapping[str, Any], key: str, path: str) -> str:
        value = entry.get(key)
        if not isinstance(value, str) or not value.strip():
            self.add(f"{path}.{key}", "is missing" if value is None else "must be a text")
            return ""
        return value

    def columns(self, listed: Any, path: str) -> tuple[Column, ...]:
        if not isinstance(listed, list) or len(listed) < 2:
            self.add(path, "must list two columns or more")
            return ()
        found = []
        for number, entry in enumerate(listed):
            place = f"{path}[{number}]"
            if not isinstance(entry, Mapping) or set(entry) != {"name", "unit"}:
                self.add(place, "must have a name and a unit, nothing else")
                continue
            name, symbol = self.text(entry, "name", place), self.text(entry, "unit", place)
            if symbol and symbol != "text":
                try:
                    unit(symbol)
                except InputFault as error:
                    self.add(f"{place}.unit", f"{error.faults[0].where} {error.faults[0].what}", "or 'text' for words")
            found.append(Column(name, symbol))
        names = [c.name for c in found]
        for name in sorted({n for n in names if names.count(n) > 1}):
            self.add(path, f"{name!r} stands twice")
        return tuple(found)

    def rows(self, listed: Any, columns: tuple[Column, ...], path: str) -> tuple[tuple[float | str, ...], ...]:
        if not isinstance(listed, list) or not listed:
            self.add(path, "must list one row or more")
            return ()
        found = []
        for number, entry in enumerate(listed):
            if not isinstance(entry, list) or len(entry) != len(columns):
                self.add(f"{path}[{number}]", f"must have {len(columns)} values")
                continue
            row: list[float | str] = []
            for value, column in zip(entry, columns, strict=True):
                words = column.unit == "text"
                right = isinstance(value, str) and value.strip() if words else _is_number(value)
                if not right:
                    self.add(f"{path}[{number}].{column.name}", f"{value!r} is not {'a text' if words else 'a number'}")
                row.append(value if words or not right else float(value))
            found.append(tuple(row))
        return tuple(found)

    def reach(
        self, entry: Mapping[str, Any], column: Column, first: list[float | str], path: str
    ) -> tuple[float, float]:
        if column.unit == "text":
            if "reach" in entry:
                self.add(f"{path}.reach", "is for a first column of numbers")
            return (math.nan, math.nan)
        xs = [float(x) for x in first]
        if any(b <= a for a, b in pairwise(xs)):
            self.add(f"{path}.rows", f"{column.name} must rise from row to row", "or name the key column")
        ends = entry.get("reach", [xs[0], xs[-1]])
        if not isinstance(ends, list) or len(ends) != 2 or not all(_is_number(e) for e in ends):
            self.add(f"{path}.reach", "must be two numbers")
            return (math.nan, math.nan)
        if ends[0] > xs[0] or ends[1] < xs[-1]:
            self.add(f"{path}.reach", f"must hold all of {column.name}")
        return (float(ends[0]), float(ends[1]))


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return not math.isnan(value)
    except OverflowError:
        return False


def _printed(key: str | float) -> str:
    return repr(key) if isinstance(key, str) else f"{key:g}"


def load_tables(source: str | Path) -> tuple[ReferenceTable, ...]:
    """Read the tables of a TOML file. Raises :class:`InputFault` with every fault found."""
    path = Path(source)
    try:
        plain = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise fault(str(path), f"is not TOML: {error}") from error
    return read_tables(plain, path.name)


@cache
def shipped_tables() -> Mapping[str, ReferenceTable]:
    """All tables that ship, by id."""
    files = sorted((templates_directory() / "trade").glob("*.toml"))
    return {table.id: table for path in files for table in load_tables(path)}


def find_table(table: str | ReferenceTable) -> ReferenceTable:
    """A table itself, or the shipped one with this id."""
    if isinstance(table, ReferenceTable):
        return table
    shipped = shipped_tables()
    if table not in shipped:
        raise fault("table", f"there is no {table!r}", f"shipped are {', '.join(shipped)}")
    return shipped[table]
