"""Accuracy sheets: what an instrument's maker states, as TOML. Schema ``diagnb-meter/1``.

This is the one door for sheets: it checks everything and reports all faults with their path.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities import Indication, parse_indication, unit
from diagnb.shipped import templates_directory

SCHEMA = "diagnb-meter/1"
REFERENCE_DEGC = (18.0, 28.0)


@dataclass(frozen=True, slots=True)
class Range:
    """One range: full scale and step in coherent SI, accuracy limit ±(percent of reading + counts · step)."""

    name: str
    full_scale: float
    step: float
    percent: float
    counts: float
    above: float = 0.0

    def limit(self, value: float) -> float:
        """Half-width of the accuracy limit at ``value`` (coherent SI)."""
        return self.percent / 100 * abs(value) + self.counts * self.step


@dataclass(frozen=True, slots=True)
class Function:
    """One function of a meter with its ranges, smallest first."""

    name: str
    unit: str
    ranges: tuple[Range, ...]
    zeroed: str = ""
    common_fraction: float | None = None
    input_resistance: float | None = None
    burden: float | None = None
    temperature_coefficient: float = 0.0
    """Widening of the limit per kelvin outside the reference temperatures, as a fraction of the limit."""


@dataclass(frozen=True, slots=True)
class AccuracySheet:
    """The accuracy specification of one type of instrument."""

    id: str
    title: str
    functions: tuple[Function, ...]
    reference_degc: tuple[float, float]
    operating_degc: tuple[float, float]
    calibration_months: int
    source: str
    plain: Mapping[str, Any] = field(compare=False, repr=False)

    def function(self, name: str) -> Function:
        """The function called ``name``. Raises :class:`~diagnb.errors.InputFault` listing those there are."""
        for candidate in self.functions:
            if candidate.name == name:
                return candidate
        listed = ", ".join(f.name for f in self.functions)
        raise fault(f"{self.id}", f"has no function {name!r}", f"it has {listed}")


def read_sheet(plain: Mapping[str, Any], where: str = "sheet") -> AccuracySheet:
    """Check a plain (TOML or JSON) accuracy sheet. Raises :class:`InputFault` with every fault found."""
    door = _Door(where)
    door.known(plain, "", {"schema", "id", "title", "version", "source", "invented", "reference_degc", "operating_degc", "calibration_months", "functions", "note"})  # fmt: skip
    schema = plain.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("diagnb-meter/")
        door.add(
            "schema",
            f"{schema!r} is not {SCHEMA}",
            "it was made by a newer version" if newer else "start the file with it",
        )
    identity = door.text(plain, "id", pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
    title = door.text(plain, "title")
    source = door.text(plain, "source")
    months = door.number(plain, "calibration_months", low=1, high=120)
    reference = door.span(plain, "reference_degc", REFERENCE_DEGC)
    operating = door.span(plain, "operating_degc", None)
    functions = []
    listed = plain.get("functions")
    if not isinstance(listed, list) or not listed:
        door.add("functions", "must list one function or more")
        listed = []
    for number, entry in enumerate(listed):
        if isinstance(entry, Mapping):
            functions.append(_function(entry, f"functions[{number}]", door))
        else:
            door.add(f"functions[{number}]", "must be a table")
    names = [f.name for f in functions]
    door.faults += [
        Fault(f"{where}.functions", f"{n!r} stands twice") for n in sorted({n for n in names if names.count(n) > 1})
    ]
    if door.faults:
        raise InputFault(door.faults)
    return AccuracySheet(identity, title, tuple(functions), reference, operating, int(months), source, dict(plain))


def _function(entry: Mapping[str, Any], path: str, door: _Door) -> Function:
    door.known(entry, path, {"name", "unit", "ranges", "zeroed", "common_fraction", "input_resistance", "burden", "temperature_coefficient_percent_per_kelvin"})  # fmt: skip
    name = door.text(entry, "name", path=path)
    symbol = door.text(entry, "unit", path=path)
    if not symbol or not door.is_unit(symbol, f"{path}.unit"):
        return Function(name, "1", ())
    zeroed = entry.get("zeroed", "")
    if zeroed not in ("", "each reading", "once"):
        door.add(f"{path}.zeroed", f"{zeroed!r} is unknown", "'each reading' or 'once'")
    common = entry.get("common_fraction")
    if common is not None and not (isinstance(common, int | float) and 0 <= common <= 1):
        door.add(f"{path}.common_fraction", f"{common!r} must lie between 0 and 1")
        common = None
    coefficient = door.number(
        entry, "temperature_coefficient_percent_per_kelvin", path=path, low=0, high=100, default=0
    )
    ranges = []
    listed = entry.get("ranges")
    if not isinstance(listed, list) or not listed:
        door.add(f"{path}.ranges", "must list one range or more")
        listed = []
    for number, item in enumerate(listed):
        place = f"{path}.ranges[{number}]"
        if not isinstance(item, Mapping):
            door.add(place, "must be a table")
            continue
        door.known(item, place, {"full_scale", "percent", "counts", "above"})
        full = door.indication(item, "full_scale", symbol, place)
        percent = door.number(item, "percent", path=place, low=0, high=100)
        counts = door.number(item, "counts", path=place, low=0, high=10_000)
        above = door.indication(item, "above", symbol, place) if "above" in item else None
        if full is not None:
            if percent == 0 and counts == 0:
                door.add(place, "states no accuracy at all", "give percent, counts or both")
            ranges.append(Range(full.text, full.value, full.step_si, percent, counts, above.value if above else 0.0))
    ranges.sort(key=lambda r: r.full_scale)
    return Function(
        name, symbol, tuple(ranges), zeroed, common,
        door.optional(entry, "input_resistance", "Ω", path), door.optional(entry, "burden", "Ω", path), coefficient / 100,
    )  # fmt: skip


class _Door:
    """Collects faults while a sheet is read."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.faults: list[Fault] = []

    def add(self, path: str, what: str, repair: str = "") -> None:
        self.faults.append(Fault(f"{self.where}.{path}" if path else self.where, what, repair))

    def known(self, entry: Mapping[str, Any], path: str, keys: set[str]) -> None:
        for key in entry:
            if key not in keys:
                self.add(f"{path}.{key}".lstrip("."), "is an unknown key", f"known are {', '.join(sorted(keys))}")

    def text(self, entry: Mapping[str, Any], key: str, *, path: str = "", pattern: str = "") -> str:
        value = entry.get(key)
        place = f"{path}.{key}".lstrip(".")
        if not isinstance(value, str) or not value.strip():
            self.add(place, "is missing" if value is None else "must be a text")
            return ""
        if pattern and not re.fullmatch(pattern, value):
            self.add(place, f"{value!r} is not a plain name", "letters, digits, dot, dash")
        return value

    def number(
        self,
        entry: Mapping[str, Any],
        key: str,
        *,
        path: str = "",
        low: float,
        high: float,
        default: float | None = None,
    ) -> float:
        value = entry.get(key, default)
        place = f"{path}.{key}".lstrip(".")
        if value is None:
            self.add(place, "is missing")
            return low
        try:
            number = float(Decimal(value)) if isinstance(value, str) else float(value)
        except (ArithmeticError, TypeError, ValueError):
            self.add(place, f"{value!r} is not a number")
            return low
        if isinstance(value, bool) or not low <= number <= high:
            self.add(place, f"{value} must lie between {low:g} and {high:g}")
            return low
        return number

    def span(self, entry: Mapping[str, Any], key: str, default: tuple[float, float] | None) -> tuple[float, float]:
        value = entry.get(key, default)
        if (
            not isinstance(value, list | tuple)
            or len(value) != 2
            or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
            or value[0] >= value[1]
        ):
            self.add(key, "must be two rising temperatures in °C", "for example [18, 28]")
            return (0.0, 1.0)
        return (float(value[0]), float(value[1]))

    def is_unit(self, symbol: str, place: str) -> bool:
        try:
            unit(symbol)
        except InputFault as error:
            self.add(place, error.faults[0].where + " " + error.faults[0].what)
            return False
        return True

    def indication(self, entry: Mapping[str, Any], key: str, symbol: str, path: str) -> Indication | None:
        value = entry.get(key)
        if not isinstance(value, str):
            self.add(f"{path}.{key}", "must be a text as displayed", "for example '60.00 V'")
            return None
        try:
            found = parse_indication(value, unit=symbol)
        except InputFault as error:
            self.add(f"{path}.{key}", f"{error.faults[0].where} {error.faults[0].what}")
            return None
        if found.number is None:
            self.add(f"{path}.{key}", f"{value!r} is not a number")
            return None
        return found

    def optional(self, entry: Mapping[str, Any], key: str, symbol: str, path: str) -> float | None:
        found = self.indication(entry, key, symbol, path) if key in entry else None
        return found.value if found else None


def load_sheet(source: str | Path) -> AccuracySheet:
    """Read an accuracy sheet from a TOML file. Raises :class:`InputFault` with every fault found."""
    path = Path(source)
    try:
        return _from_text(path.read_text(encoding="utf-8"), path.name)
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise fault(str(path), f"is not TOML: {error}") from error


@lru_cache(maxsize=256)
def _from_text(text: str, name: str) -> AccuracySheet:
    """The same text is checked once in a process: a batch of records names the same few sheets."""
    return read_sheet(tomllib.loads(text), name)


def sheet_files(folder: Path | None = None) -> dict[str, Path]:
    """Accuracy sheets by id: the shipped ones, and those of a shop's ``folder``, which win."""
    found = {path.stem: path for path in sorted((templates_directory() / "meters").glob("*.toml"))}
    if folder is not None and folder.is_dir():
        found |= {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return found
