"""The layout of a recorder's file where nobody stated it: guessed from its first lines, and said."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Any

from diagnb.errors import InputFault, fault
from diagnb.quantities import parse_indication, unit
from diagnb.traces.description import ColumnSpec, Description, TimeAxis

HEAD_LINES = 400
OVERFLOW = frozenset(
    {"OL", "O.L", "+OL", "-OL", "OVER", "OVERFLOW", "OVERLOAD", "INF", "+INF", "-INF", "∞", "+∞", "-∞"}
)
MISSING = frozenset({"", "NAN", "-NAN", "+NAN", "NULL", "NONE", "N/A", "#N/A", "-", "--", "---"})
_NUMBER = {mark: re.compile(rf"[+-]?(?:\d+(?:[{mark}]\d*)?|[{mark}]\d+)(?:[eE][+-]?\d{{1,4}})?") for mark in (".", ",")}
TIMESTAMP = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?Z?")
CLOCK = re.compile(r"(\d{1,3}):(\d\d):(\d\d)(?:[.,](\d{1,9}))?")
_TIME_NAME = re.compile(r"(?:time|zeit|temps|tiempo|tempo|t|x|elapsed|timestamp|date|datum|seconds?)\b", re.IGNORECASE)
_IN_BRACKETS = re.compile(r"[(\[]\s*([^()\[\]]{1,12}?)\s*[)\]]\s*$")
_BEHIND_MARK = re.compile(r"(?:,|/| in)\s*(\S{1,8})\s*$")
_INTERVAL = re.compile(
    r"^\W*(?:sampl(?:e|ing) (?:interval|period)|interval|increment|delta ?t|dt)\b[^\d+-]{0,20}"
    r"(\d+(?:\.\d*)?(?:e[+-]?\d+)?)\W*([µu]s|ms|ns|s)?\W*$",
    re.IGNORECASE,
)
_KINDS = (
    (re.compile(r"volt|spannung|tension|^u\d?$|^v\d?$", re.IGNORECASE), "V"),
    (re.compile(r"current|strom|courant|corriente|amp|^i\d?$", re.IGNORECASE), "A"),
)
_BARE_UNITS = frozenset(
    [
        "s",
        "ms",
        "us",
        "µs",
        "ns",
        "min",
        "h",
        "V",
        "mV",
        "kV",
        "A",
        "mA",
        "µA",
        "uA",
        "kA",
        "Ω",
        "mΩ",
        "kΩ",
        "Ohm",
        "ohm",
        "Hz",
        "kHz",
        "W",
        "kW",
        "°C",
        "K",
        "%",
        "bar",
        "kPa",
        "rpm",
    ]
)
FUNCTIONS = {"V": "dc voltage", "A": "dc current"}


def fields(line: str, delimiter: str) -> list[str]:
    """The fields of one line, blanks and quotes taken off."""
    if '"' in line:
        try:
            found = next(csv.reader([line], delimiter=delimiter), [])
        except csv.Error:
            found = line.split(delimiter)
    else:
        found = line.split() if delimiter == " " else line.split(delimiter)
    return [f.strip() for f in found]


def is_value(field: str, decimal: str) -> bool:
    """Whether a field holds a number, a mark of overflow, or nothing."""
    return bool(_NUMBER[decimal].fullmatch(field)) or field.upper() in OVERFLOW or field.upper() in MISSING


def number(field: str, decimal: str) -> bool:
    return bool(_NUMBER[decimal].fullmatch(field))


def decode(data: bytes, stated: str = "") -> tuple[str, str]:
    """Text and encoding: as stated, by its byte order mark, UTF-8 where it is that, else Latin-1.

    Raises :class:`~diagnb.errors.InputFault` when the bytes are no text.
    """
    if not data:
        raise fault("trace", "is empty")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or stated == "utf-16":
        try:
            return data.decode("utf-16"), "utf-16"
        except UnicodeDecodeError as error:
            raise fault("trace", f"is not UTF-16 (byte {error.start})", "export it again as UTF-8") from error
    if b"\x00" in data:
        raise fault("trace", f"holds a zero byte (byte {data.index(0)})", "this is no text file; export it as CSV")
    if stated == "latin-1":
        return data.decode("latin-1"), "latin-1"
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        if stated == "utf-8":
            line = data[: error.start].count(b"\n") + 1
            raise fault(f"line {line}", "is not UTF-8", 'state encoding = "latin-1"') from error
    return data.decode("latin-1"), "latin-1"


def complete(text: str, encoding: str, stated: Mapping[str, Any]) -> Description:
    """The description of ``text``: what is stated, and a guess at the rest with what was guessed in words.

    Raises :class:`~diagnb.errors.InputFault` where no layout fits.
    """
    head = text[: 2**20].split("\n", HEAD_LINES)[:HEAD_LINES]
    guessed: list[str] = []
    delimiter, decimal = _marks(head, stated, guessed)
    columns_wide, first = _first_row(head, delimiter, decimal, stated, guessed)
    names, units = _headings(head[:first], delimiter, decimal, columns_wide)
    rows = [fields(line, delimiter) for line in head[first : first + 100] if line.strip()]
    axis = stated.get("time") or _time(head[:first], names, units, rows, decimal, guessed)
    columns = stated.get("columns") or _columns(names, units, rows, axis, decimal, guessed)
    if not columns:
        raise fault("trace", "has no column beside time", "say which column is time, or give the sample interval")
    return Description(delimiter, decimal, encoding, first, axis, columns, tuple(guessed))


def headings(text: str, description: Description) -> list[str]:
    """The headings of all columns of the file, as the description splits it."""
    lines = text[: 2**20].split("\n", description.header_lines + 2)
    head = lines[: description.header_lines]
    row = next((line for line in lines[description.header_lines :] if line.strip()), "")
    return _headings(head, description.delimiter, description.decimal, len(fields(row, description.delimiter)))[0]


def _marks(head: list[str], stated: Mapping[str, Any], guessed: list[str]) -> tuple[str, str]:
    """Delimiter and decimal mark under which most lines are rows of values, and the most columns."""
    best: tuple[int, int, int] = (0, 0, 0)
    chosen = (",", ".")
    order = ("\t", ";", ",", "|", " ")
    for delimiter in [stated["delimiter"]] if "delimiter" in stated else order:
        for decimal in [stated["decimal"]] if "decimal" in stated else ([".", ","] if delimiter != "," else ["."]):
            widths = Counter[int]()
            numbers = 0
            for line in head:
                if not line.strip():
                    continue
                split = fields(line, delimiter)
                if _is_row(split, decimal):
                    widths[len(split)] += 1
                    numbers += sum(number(f, decimal) for f in split)
            wide, count = widths.most_common(1)[0] if widths else (0, 0)
            score = (count, numbers, wide)
            if score > best:
                best, chosen = score, (delimiter, decimal)
    if not best[0]:
        raise fault("trace", "has no row of numbers", "is it a CSV file? state its delimiter and decimal mark")
    words = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blank"}
    if "delimiter" not in stated:
        guessed.append(f"delimiter: {words[chosen[0]]}")
    if "decimal" not in stated:
        guessed.append(f"decimal mark: {words.get(chosen[1], 'point')}")
    return chosen


def _is_row(split: list[str], decimal: str) -> bool:
    clocks = sum(bool(TIMESTAMP.fullmatch(f) or CLOCK.fullmatch(f)) for f in split)
    numbers = sum(number(f, decimal) for f in split)
    others = len(split) - clocks
    return numbers > 0 and clocks <= 1 and sum(is_value(f, decimal) for f in split) == others


def _first_row(
    head: list[str], delimiter: str, decimal: str, stated: Mapping[str, Any], guessed: list[str]
) -> tuple[int, int]:
    """Number of columns, and how many lines stand above the first row of values."""
    rows = [
        (i, len(fields(line, delimiter))) for i, line in enumerate(head) if _is_row(fields(line, delimiter), decimal)
    ]
    if "header_lines" in stated:
        first = int(stated["header_lines"])
        if first >= len(head):
            raise fault("header_lines", f"{first} lines leave no row", "count the lines above the first number")
        row = next((line for line in head[first:] if line.strip()), "")
        return len(fields(row, delimiter)), first
    wide = Counter(w for _, w in rows).most_common(1)[0][0]
    first = next(i for i, w in rows if w == wide)
    guessed.append(f"lines above the first row: {first}")
    return wide, first


def _headings(head: list[str], delimiter: str, decimal: str, wide: int) -> tuple[list[str], list[str]]:
    """Name and unit of each column; a second line of headings that holds only units counts as such."""
    names = [f"column {i + 1}" for i in range(wide)]
    units = [""] * wide
    lines = [fields(line, delimiter) for line in head if line.strip()]
    fitting = [f for f in lines if len(f) == wide and any(x and not is_value(x, decimal) for x in f)]
    if not fitting:
        return names, units
    last = fitting[-1]
    bare = [x.strip("()[] ") for x in last]
    if len(fitting) > 1 and any(bare) and all(not x or x in _BARE_UNITS for x in bare):
        units = [_known(x) for x in bare]
        last = fitting[-2]
    for i, text in enumerate(last):
        name, symbol = _name_and_unit(text)
        names[i] = name or names[i]
        units[i] = units[i] or symbol
    twice = {n for n in names if names.count(n) > 1}
    return [f"{n} {i + 1}" if n in twice else n for i, n in enumerate(names)], units


def _name_and_unit(text: str) -> tuple[str, str]:
    for pattern in (_IN_BRACKETS, _BEHIND_MARK):
        match = pattern.search(text)
        if match and _known(match[1]):
            return text[: match.start()].strip(" _,/") or text, _known(match[1])
    return text[:100], ""


def _known(symbol: str) -> str:
    """The symbol as the package writes it, or nothing where it is no unit."""
    spelt = {"sec": "s", "seconds": "s", "volt": "V", "volts": "V", "amp": "A", "amps": "A", "us": "µs"}
    try:
        return unit(spelt.get(symbol.lower(), symbol)).symbol
    except InputFault:
        return ""


def _time(
    head: list[str], names: list[str], units: list[str], rows: list[list[str]], decimal: str, guessed: list[str]
) -> TimeAxis:
    second = unit("s").dimension
    for i, name in enumerate(names):
        shown = [row[i] for row in rows if len(row) > i]
        if shown and all(TIMESTAMP.fullmatch(f) for f in shown):
            guessed.append(f"time: column {name!r}, dates with time")
            return TimeAxis(i + 1, "timestamp")
        if shown and all(CLOCK.fullmatch(f) for f in shown):
            guessed.append(f"time: column {name!r}, time of day")
            return TimeAxis(i + 1, "clock")
    timely = [i for i, u in enumerate(units) if u and unit(u).dimension == second]
    timely += [i for i, n in enumerate(names) if not units[i] and _TIME_NAME.match(n)]
    if not timely and len(names) > 1 and _rises([row[0] for row in rows if row], decimal):
        timely = [0]
    if timely:
        place = timely[0]
        said = units[place] or "s (not stated)"
        guessed.append(f"time: column {names[place]!r} in {said}")
        return TimeAxis(place + 1, units[place] or "s")
    for line in head:
        match = _INTERVAL.match(line.replace(decimal, ".") if decimal == "," else line)
        if match:
            try:
                seconds = float(match[1]) * unit(match[2] or "s").factor
            except (ValueError, InputFault):
                continue
            if 1e-12 <= seconds <= 1e7:
                guessed.append(f"time: from the sample interval {seconds:g} s in the heading")
                return TimeAxis(interval=seconds)
    raise fault("trace", "has no time column", 'state the sample interval, for example interval = "10 µs"')


def _rises(column: list[str], decimal: str) -> bool:
    if len(column) < 2 or not all(number(f, decimal) for f in column):
        return False
    values = [float(f.replace(decimal, ".")) for f in column]
    return all(b > a for a, b in pairwise(values))


def _columns(
    names: list[str], units: list[str], rows: list[list[str]], axis: TimeAxis, decimal: str, guessed: list[str]
) -> tuple[ColumnSpec, ...]:
    found = []
    for i, name in enumerate(names):
        if axis.column in (i + 1, name) or not any(number(row[i], decimal) for row in rows if len(row) > i):
            continue
        symbol = units[i]
        if not symbol:
            symbol = next((u for pattern, u in _KINDS if pattern.search(name)), "1")
            known = "taken from its name" if symbol != "1" else "unknown, so no unit; state it"
            guessed.append(f"unit of {name!r}: {symbol if symbol != '1' else 'none'} ({known})")
        base = next((u for u in FUNCTIONS if unit(u).dimension == unit(symbol).dimension), "")
        found.append(ColumnSpec(i + 1, name, symbol, function=FUNCTIONS.get(base, "")))
    return tuple(found)


def with_function(spec: ColumnSpec) -> ColumnSpec:
    """A column with the function of the recorder's sheet that its unit suggests, where none is stated."""
    if spec.function:
        return spec
    for base, function in FUNCTIONS.items():
        if unit(base).dimension == unit(spec.shown_in).dimension:
            return replace(spec, function=function)
    return spec


def seconds_of(text: str) -> float:
    """Seconds of a typed interval or time such as "20 ms"; a lone number is seconds."""
    return parse_indication(text, unit="s").value
