"""How a file of a recorder is laid out, as TOML: schema ``diagnb-trace/1``. What it leaves out is guessed and said.

This is the one door for descriptions: it checks everything and reports all faults with their path.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities import parse_indication, unit

SCHEMA = "diagnb-trace/1"
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "blank": " "}
ENCODINGS = ("utf-8", "latin-1", "utf-16")
CLOCKS = ("timestamp", "clock")
"""Time columns that hold a date with time (ISO 8601), or a time of day."""
MOST_BYTES = 100_000


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Where time comes from: a column and its unit, or the interval between two samples (seconds)."""

    column: str | int | None = None
    unit: str = "s"
    interval: float | None = None


@dataclass(frozen=True, slots=True)
class ColumnSpec:
    """One column: the place in the file, its unit there, and what a clamp or probe makes of it.

    ``value = sign · scale · number`` in ``unit``; ``adapter`` ("100 mV/A") then turns it into ``gives``.
    ``function`` and ``range`` name the accuracy statement of the recorder's sheet.
    """

    column: str | int
    name: str
    unit: str
    scale: float = 1.0
    adapter: str = ""
    gives: str = ""
    invert: bool = False
    function: str = ""
    range: str = ""

    @property
    def shown_in(self) -> str:
        """The unit of the quantity itself, behind any adapter."""
        return self.gives or self.unit

    @property
    def factor(self) -> float:
        """From a number of the file to coherent SI; an offset unit (°C) adds its own."""
        factor = self.scale * unit(self.unit).factor * (-1.0 if self.invert else 1.0)
        return factor / adapter_si(self.adapter) if self.adapter else factor


@dataclass(frozen=True, slots=True)
class Description:
    """The layout of one file. ``guessed`` says in words what nobody stated."""

    delimiter: str
    decimal: str
    encoding: str
    header_lines: int
    time: TimeAxis
    columns: tuple[ColumnSpec, ...]
    guessed: tuple[str, ...] = ()

    def to_toml(self) -> str:
        """The description as the TOML that would be read the same way, to be shown, kept and corrected."""
        words = {mark: word for word, mark in DELIMITERS.items()}
        lines = [f"# guessed: {said}" for said in self.guessed]
        lines += [
            f'schema = "{SCHEMA}"',
            f"delimiter = {_quoted(words[self.delimiter])}",
            f"decimal = {_quoted(self.decimal)}",
            f"encoding = {_quoted(self.encoding)}",
            f"header_lines = {self.header_lines}",
            "",
            "[time]",
        ]
        if self.time.interval is not None:
            lines.append(f'interval = "{_positional(self.time.interval)} s"')
        else:
            lines += [f"column = {_quoted(self.time.column)}", f"unit = {_quoted(self.time.unit)}"]
        for spec in self.columns:
            lines += ["", "[[columns]]", f"column = {_quoted(spec.column)}"]
            lines += [f"{key} = {_quoted(getattr(spec, key))}" for key in ("name", "unit")]
            keys = ("adapter", "gives", "function", "range")
            lines += [f"{key} = {_quoted(getattr(spec, key))}" for key in keys if getattr(spec, key)]
            if spec.scale != 1.0:
                lines.append(f"scale = {spec.scale!r}")
            if spec.invert:
                lines.append("invert = true")
        return "\n".join(lines) + "\n"


def _quoted(value: str | int | None) -> str:
    """A TOML basic string, or a plain integer."""
    if isinstance(value, int):
        return str(value)
    shown = "".join(f"\\u{ord(c):04x}" if ord(c) < 32 or c in '"\\\x7f' else c for c in value or "")
    return f'"{shown}"'


def _positional(value: float) -> str:
    return f"{value:.12f}".rstrip("0").rstrip(".")


def adapter_si(text: str) -> float:
    """Coherent SI of an adapter's ratio such as "100 mV/A". Raises :class:`InputFault` on anything else."""
    number, _, symbol = text.strip().partition(" ")
    return float(parse_indication(number, unit="1").value) * unit(symbol.strip()).factor


def read_description(plain: Mapping[str, Any], where: str = "trace") -> dict[str, Any]:
    """Check a plain description and return the parts it states, ready to complete a guess.

    Keys of the result are fields of :class:`Description`; those left out are absent. Raises
    :class:`~diagnb.errors.InputFault` with every fault.
    """
    door = _Door(where)
    door.known(plain, "", {"schema", "delimiter", "decimal", "encoding", "header_lines", "time", "columns", "note"})
    schema = plain.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("diagnb-trace/")
        remedy = "it was made by a newer version" if newer else "start the file with it"
        door.add("schema", f"{schema!r} is not {SCHEMA}", remedy)
    found: dict[str, Any] = {}
    delimiter = door.choice(plain, "delimiter", (*DELIMITERS, *DELIMITERS.values()))
    if delimiter is not None:
        found["delimiter"] = DELIMITERS.get(delimiter, delimiter)
    for key, options in (("decimal", (".", ",")), ("encoding", ENCODINGS)):
        chosen = door.choice(plain, key, options)
        if chosen is not None:
            found[key] = chosen
    if found.get("delimiter") == "," and found.get("decimal") == ",":
        door.add("decimal", "can't be the delimiter as well", "one of the two is another character")
    if "header_lines" in plain:
        count = plain["header_lines"]
        if isinstance(count, bool) or not isinstance(count, int) or not 0 <= count <= 10_000:
            door.add("header_lines", f"{count!r} is not a number of lines")
        else:
            found["header_lines"] = count
    if "time" in plain:
        axis = _time(plain["time"], door)
        if axis is not None:
            found["time"] = axis
    if "columns" in plain:
        listed = plain["columns"]
        if not isinstance(listed, list) or not listed:
            door.add("columns", "must list one column or more")
            listed = []
        columns = [_column(entry, f"columns[{i}]", door) for i, entry in enumerate(listed)]
        found["columns"] = tuple(c for c in columns if c is not None)
        names = [c.name for c in found["columns"]]
        for name in sorted({n for n in names if names.count(n) > 1}):
            door.add("columns", f"{name!r} stands twice", "give each its own name")
    if door.faults:
        raise InputFault(door.faults)
    return found


def _time(entry: Any, door: _Door) -> TimeAxis | None:
    if not isinstance(entry, Mapping):
        door.add("time", "must be a table")
        return None
    door.known(entry, "time", {"column", "unit", "interval"})
    if ("column" in entry) == ("interval" in entry):
        door.add("time", "needs either a column or the sample interval")
        return None
    if "interval" in entry:
        seconds = door.seconds(entry["interval"], "time.interval")
        return None if seconds is None else TimeAxis(interval=seconds)
    column = door.place(entry["column"], "time.column")
    symbol = entry.get("unit", "s")
    if symbol not in CLOCKS and not door.is_unit(symbol, "time.unit", "s"):
        return None
    return None if column is None else TimeAxis(column, symbol)


def _column(entry: Any, path: str, door: _Door) -> ColumnSpec | None:
    if not isinstance(entry, Mapping):
        door.add(path, "must be a table")
        return None
    keys = {"column", "name", "unit", "scale", "adapter", "gives", "invert", "function", "range"}
    door.known(entry, path, keys)
    before = len(door.faults)
    column = door.place(entry.get("column"), f"{path}.column")
    texts = {key: door.text(entry, key, path) for key in ("name", "unit", "adapter", "gives", "function", "range")}
    scale = entry.get("scale", 1.0)
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not 1e-12 <= abs(scale) <= 1e12:
        door.add(f"{path}.scale", f"{scale!r} is not a factor", "for example 10 for a probe that divides by ten")
        scale = 1.0
    invert = entry.get("invert", False)
    if not isinstance(invert, bool):
        door.add(f"{path}.invert", f"{invert!r} must be true or false")
    if not texts["unit"]:
        door.add(f"{path}.unit", "is missing", "say in which unit the file has it")
    else:
        door.is_unit(texts["unit"], f"{path}.unit")
    if texts["adapter"]:
        _adapter(texts, path, door)
    elif texts["gives"]:
        door.add(f"{path}.gives", "says what an adapter gives, but there is no adapter")
    if len(door.faults) > before or column is None:
        return None
    return ColumnSpec(column, texts["name"] or str(column), texts["unit"], float(scale), texts["adapter"],
                      texts["gives"], invert, texts["function"], texts["range"])  # fmt: skip


def _adapter(texts: Mapping[str, str], path: str, door: _Door) -> None:
    try:
        ratio = adapter_si(texts["adapter"])
        _, _, symbol = texts["adapter"].strip().partition(" ")
        if not ratio > 0:
            door.add(f"{path}.adapter", "must be above zero", "turn the sign with invert = true")
        elif not texts["gives"]:
            door.add(f"{path}.gives", "is missing", "say what the adapter measures, for example A")
        elif unit(f"{texts['unit']}/{texts['gives']}").dimension != unit(symbol.strip()).dimension:
            door.add(
                f"{path}.adapter", f"does not turn {texts['unit']} into {texts['gives']}", 'for example "100 mV/A"'
            )
    except InputFault as error:
        what = f"{error.faults[0].where} {error.faults[0].what}"
        door.add(f"{path}.adapter", what, 'write it with a blank, for example "100 mV/A"')


class _Door:
    """Collects faults while a description is read."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.faults: list[Fault] = []

    def add(self, path: str, what: str, repair: str = "") -> None:
        self.faults.append(Fault(f"{self.where}.{path}" if path else self.where, what, repair))

    def known(self, entry: Mapping[str, Any], path: str, keys: set[str]) -> None:
        for key in entry:
            if key not in keys:
                self.add(f"{path}.{key}".lstrip("."), "is an unknown key", f"known are {', '.join(sorted(keys))}")

    def choice(self, entry: Mapping[str, Any], key: str, options: tuple[str, ...]) -> str | None:
        value = entry.get(key)
        if value is None:
            return None
        if value not in options:
            shown = ", ".join(o for o in options if o.strip())
            self.add(key, f"{value!r} is unknown", f"one of {shown}")
            return None
        return str(value)

    def text(self, entry: Mapping[str, Any], key: str, path: str) -> str:
        value = entry.get(key, "")
        if not isinstance(value, str) or len(value) > 200:
            self.add(f"{path}.{key}", "must be a short text")
            return ""
        return value.strip()

    def place(self, value: Any, path: str) -> str | int | None:
        """A column by the text of its heading, or by its position counted from 1."""
        if isinstance(value, str) and value.strip() and len(value) <= 200:
            return value.strip()
        if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 10_000:
            return value
        self.add(path, "is missing" if value is None else f"{value!r} is no column", "its heading, or 1 for the first")
        return None

    def is_unit(self, symbol: Any, path: str, like: str = "") -> bool:
        try:
            known = unit(symbol if isinstance(symbol, str) else "?")
        except InputFault as error:
            self.add(path, f"{symbol!r} {error.faults[0].what}")
            return False
        if like and known.dimension != unit(like).dimension:
            self.add(path, f"{symbol} is the wrong kind of unit", f"this is given in {like}")
            return False
        return True

    def seconds(self, value: Any, path: str) -> float | None:
        try:
            found = parse_indication(value if isinstance(value, str) else "", unit="s").value
        except InputFault as error:
            self.add(path, f"{error.faults[0].where} {error.faults[0].what}", 'for example "10 µs"')
            return None
        if not 1e-12 <= found <= 1e7:
            self.add(path, f"{value} is no sample interval", 'for example "10 µs"')
            return None
        return found


def load_description(path: str | Path) -> dict[str, Any]:
    """Read a description from a TOML file. Raises :class:`InputFault` with every fault."""
    place = Path(path)
    try:
        data = place.read_bytes()
    except OSError as error:
        raise fault(str(place), f"can't be read: {error.strerror or error}") from error
    return parse_description(data, place.name)


def parse_description(data: bytes, where: str = "trace") -> dict[str, Any]:
    """As :func:`load_description`, from the bytes of the file."""
    if len(data) > MOST_BYTES:
        raise fault(where, "is larger than a description can be")
    try:
        plain = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise fault(where, f"is not TOML: {error}") from error
    return read_description(plain, where)
