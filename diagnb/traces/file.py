"""The one door for recorded traces: bytes of a CSV file in, a checked :class:`Trace` or all its faults out."""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities import unit
from diagnb.traces import guess
from diagnb.traces.description import (
    CLOCKS,
    SCHEMA,
    ColumnSpec,
    Description,
    TimeAxis,
    load_description,
    read_description,
)

Array = npt.NDArray[np.float64]

MOST_BYTES = 512 * 2**20
MOST_ROWS = 20_000_000
MOST_COLUMNS = 64
MOST_FAULTS = 20
OVERFLOW_FROM = 9e37
"""Recorders write 9.9E37 for what is beyond their range and 9.91E37 for no number (SCPI-1999, from memory)."""
LARGEST = 1e12
"""No reading on a vehicle is larger in its SI unit; what is, counts as beyond the recorder's range."""
GAP = 1.9


@dataclass(frozen=True, slots=True)
class Lines:
    """From the number of a row to the line of the file."""

    first: int
    blank: tuple[int, ...] = ()

    def __getitem__(self, row: int) -> int:
        line = self.first + row
        while (moved := self.first + row + bisect_right(self.blank, line)) != line:
            line = moved
        return line


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One recorded quantity: ``values`` (n,) in coherent SI, not a number where the file has none,
    infinite where the recorder was beyond its range."""

    name: str
    spec: ColumnSpec
    values: Array

    @property
    def unit(self) -> str:
        """The unit in which it is shown."""
        return self.spec.shown_in

    @property
    def function(self) -> str:
        """The function of the recorder's accuracy sheet, where known."""
        return self.spec.function

    @property
    def largest(self) -> float:
        """Largest finite magnitude, coherent SI."""
        finite = self.values[np.isfinite(self.values)]
        return float(np.max(np.abs(finite))) if finite.size else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A recorded trace: ``time`` (n,) in seconds, rising; the columns; where the file has gaps or no number."""

    time: Array
    columns: tuple[Column, ...]
    description: Description
    sha256: str
    size: int
    name: str = ""
    lines: Lines = field(default_factory=lambda: Lines(1), repr=False)

    def column(self, name: str) -> Column:
        """The column called ``name``. Raises :class:`~diagnb.errors.InputFault` listing those there are."""
        for candidate in self.columns:
            if candidate.name == name:
                return candidate
        raise fault(
            self.name or "trace", f"has no column {name!r}", f"it has {', '.join(c.name for c in self.columns)}"
        )

    @property
    def interval(self) -> float:
        """Median interval between two samples, s."""
        return float(np.median(np.diff(self.time)))

    def line(self, index: int) -> int:
        """The line of the file, from 1, that holds sample ``index``."""
        return self.lines[index]

    def gaps(self) -> tuple[int, ...]:
        """Samples after which the next one comes late: by more than 1.9 median intervals."""
        steps = np.diff(self.time)
        return tuple(int(i) for i in np.flatnonzero(steps > GAP * np.median(steps)))

    def remarks(self) -> tuple[str, ...]:
        """What a reader should know, in words with line numbers: gaps, samples without a number, overflow."""
        said: list[str] = []
        gaps = self.gaps()
        if gaps:
            seconds = self.time[gaps[0] + 1] - self.time[gaps[0]]
            said.append(f"{len(gaps)} gaps in time; the first, {seconds:g} s, before line {self.line(gaps[0] + 1)}")
        for column in self.columns:
            for what, found in (("no number", np.isnan(column.values)), ("overflow", np.isinf(column.values))):
                count = int(np.count_nonzero(found))
                if count:
                    line = self.line(int(np.argmax(found)))
                    said.append(f"{column.name}: {count} samples with {what}; the first in line {line}")
        return tuple(said)


def read_trace(data: bytes, description: Mapping[str, Any] | None = None, *, name: str = "") -> Trace:
    """The trace in a CSV file. ``description`` is a plain ``diagnb-trace/1`` document; what it leaves out is guessed.

    ``trace.description.guessed`` says what was guessed. Raises :class:`~diagnb.errors.InputFault` with every fault
    (the first twenty) and its line; never anything else.
    """
    stated = read_description(description) if description is not None else {}
    return _read(data, stated, name)


def load_trace(path: str | Path, description: str | Path | Mapping[str, Any] | None = None) -> Trace:
    """As :func:`read_trace`, from a file, and with the description in a TOML file or as a plain document."""
    place = Path(path)
    if description is None or isinstance(description, Mapping):
        stated = read_description(description) if description is not None else {}
    else:
        stated = load_description(description)
    try:
        if place.stat().st_size > MOST_BYTES:
            raise fault(str(place), "is larger than 512 MiB", "export a shorter time or fewer samples")
        data = place.read_bytes()
    except OSError as error:
        raise fault(str(place), f"can't be read: {error.strerror or error}") from error
    return _read(data, stated, place.name)


def _read(data: bytes, stated: Mapping[str, Any], name: str) -> Trace:
    if len(data) > MOST_BYTES:
        raise fault(name or "trace", "is larger than 512 MiB", "export a shorter time or fewer samples")
    text, encoding = guess.decode(data, str(stated.get("encoding", "")))
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    description = guess.complete(text, encoding, stated)
    names = guess.headings(text, description)
    if len(names) > MOST_COLUMNS:
        raise fault(name or "trace", f"has more than {MOST_COLUMNS} columns", "export fewer channels")
    places = _places(description, names)
    table, blank = _table(text, description, len(names), places)
    lines = Lines(description.header_lines + 1, blank)
    time = _time(table, description.time, places, lines)
    columns = []
    for spec in map(guess.with_function, description.columns):
        values = _scaled(table[:, places[spec.column]], spec)
        if not np.isfinite(values).any():
            raise fault(f"column {spec.name!r}", "holds no number at all", "choose another column")
        columns.append(Column(spec.name, spec, values))
    time.flags.writeable = False
    digest = hashlib.sha256(data).hexdigest()
    return Trace(time, tuple(columns), description, digest, len(data), name, lines)


def _places(description: Description, names: list[str]) -> dict[str | int, int]:
    """Position of every column that the description names. Raises with every one that is not there."""
    found: dict[str | int, int] = {}
    faults = []
    wanted = [spec.column for spec in description.columns]
    if description.time.column is not None:
        wanted.insert(0, description.time.column)
    folded = [n.casefold() for n in names]
    for column in wanted:
        if isinstance(column, int) and column <= len(names):
            found[column] = column - 1
        elif isinstance(column, str) and column.casefold() in folded:
            found[column] = folded.index(column.casefold())
        else:
            shown = ", ".join(names[:12])
            faults.append(Fault(f"column {column!r}", "is not in the file", f"it has {shown}"))
    if faults:
        raise InputFault(faults)
    return found


def _table(
    text: str, description: Description, wide: int, places: Mapping[str | int, int]
) -> tuple[Array, tuple[int, ...]]:
    """All rows as numbers (n, columns), and the lines that are blank."""
    start = 0
    for _ in range(description.header_lines):
        start = text.index("\n", start) + 1
    body = text[start:].rstrip()
    lines = body.count("\n") + 1
    if lines > MOST_ROWS:
        raise fault("trace", f"has more than {MOST_ROWS} rows", "export a shorter time or fewer samples")
    plain = description.time.unit not in CLOCKS or description.time.interval is not None
    if plain and (description.decimal == "." or "." not in body):
        quick = body if description.decimal == "." else body.replace(",", ".")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                delimiter = None if description.delimiter == " " else description.delimiter
                table = np.loadtxt(io.StringIO(quick), delimiter=delimiter, comments=None, quotechar='"', ndmin=2)
        except (ValueError, OverflowError):
            table = None
        if table is not None and table.shape == (lines, wide):
            return table, ()
    return _by_line(body, description, wide, places)


def _by_line(
    body: str, description: Description, wide: int, places: Mapping[str | int, int]
) -> tuple[Array, tuple[int, ...]]:
    """The slow way, which names each fault: one line after the other."""
    axis = description.time
    clock = places[axis.column] if axis.column is not None and axis.unit in CLOCKS else -1
    wanted = set(places.values())
    rows: list[list[float]] = []
    blank: list[int] = []
    faults: list[Fault] = []
    for line, written in enumerate(body.split("\n"), description.header_lines + 1):
        if not written.strip():
            blank.append(line)
            continue
        split = guess.fields(written, description.delimiter)
        if len(split) != wide:
            faults.append(Fault(f"line {line}", f"has {len(split)} columns instead of {wide}", "is the file cut off?"))
        else:
            row = [math.nan] * wide
            for i in wanted:
                value = _clock(split[i], axis.unit) if i == clock else _number(split[i], description.decimal)
                if value is None:
                    hint = "use one decimal mark and no thousands marks"
                    faults.append(Fault(f"line {line}, column {i + 1}", f"{split[i][:40]!r} is not a number", hint))
                else:
                    row[i] = value
            rows.append(row)
        if len(faults) >= MOST_FAULTS:
            faults.append(Fault("trace", f"has more faults; only {MOST_FAULTS} are listed"))
            break
    if faults:
        raise InputFault(faults)
    return np.array(rows, float).reshape(-1, wide), tuple(blank)


def _number(text: str, decimal: str) -> float | None:
    if guess.number(text, decimal):
        return float(text.replace(decimal, "."))
    upper = text.upper()
    if upper in guess.MISSING:
        return math.nan
    if upper in guess.OVERFLOW:
        return -math.inf if upper.startswith("-") else math.inf
    return None


def _clock(text: str, kind: str) -> float | None:
    """Seconds of a date with time (from 1970, as if in UTC) or of a time of day."""
    pattern = guess.TIMESTAMP if kind == "timestamp" else guess.CLOCK
    match = pattern.fullmatch(text)
    if match is None:
        return None
    part = float(f"0.{match[match.lastindex]}") if match.lastindex == len(match.groups()) else 0.0
    if kind == "clock":
        return int(match[1]) * 3600 + int(match[2]) * 60 + int(match[3]) + part
    try:
        moment = datetime.fromisoformat(f"{match[1]}T{match[2]}+00:00")
    except ValueError:
        return None
    return moment.timestamp() + part


def _time(table: Array, axis: TimeAxis, places: Mapping[str | int, int], lines: Lines) -> Array:
    """Time in seconds, rising. Raises with the lines where it isn't."""
    count = len(table)
    if count < 3:
        raise fault("trace", f"has only {count} rows", "three are the least that show a course")
    if axis.interval is not None or axis.column is None:
        return np.asarray(np.arange(count) * float(axis.interval or 1.0), dtype=np.float64)
    column = table[:, places[axis.column]]
    bad = np.flatnonzero(~(np.abs(column) < 1e15))
    if bad.size:
        raise InputFault(
            [Fault(f"line {lines[int(i)]}", "has no time", "take the line out") for i in bad[:MOST_FAULTS]]
        )
    if axis.unit in CLOCKS:
        time = column - column[0]
        if axis.unit == "clock":
            # A record that runs past midnight starts again at zero.
            time = time + 86400.0 * np.concatenate([[0.0], np.cumsum(np.diff(time) < -43200)])
    else:
        time = column * unit(axis.unit).factor
    wrong = np.flatnonzero(np.diff(time) <= 0)
    if wrong.size:
        faults = []
        for i in wrong[:MOST_FAULTS]:
            still = time[i + 1] == time[i]
            what = "time stands still" if still else "time runs backwards"
            repair = "state the sample interval instead" if still else "put the rows in order, or export again"
            faults.append(Fault(f"line {lines[int(i) + 1]}", what, repair))
        if wrong.size > MOST_FAULTS:
            faults.append(Fault("trace", f"{wrong.size} rows in all have this fault"))
        raise InputFault(faults)
    return np.array(time, dtype=np.float64)


def _scaled(numbers: Array, spec: ColumnSpec) -> Array:
    """Numbers of the file in coherent SI; overflow becomes infinite."""
    beyond = np.abs(numbers) >= OVERFLOW_FROM
    offset = unit(spec.unit).offset if not spec.adapter else 0.0
    with np.errstate(over="ignore", invalid="ignore"):
        values = numbers * spec.factor + offset
        beyond |= np.abs(values) > LARGEST
    values[beyond] = np.copysign(np.inf, values[beyond])
    values.flags.writeable = False
    return values


__all__ = ["SCHEMA", "Column", "Trace", "load_trace", "read_trace"]
