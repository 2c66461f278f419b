"""The door for procedures: a plain (TOML or JSON) procedure in, a checked one or all its faults out."""

from __future__ import annotations

import tomllib
from collections.abc import Container, Iterable, Mapping
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from diagnb.conformity import RULES
from diagnb.errors import Fault, InputFault, fault
from diagnb.procedures.procedure import (
    PATH_DERIVED,
    PATH_GIVEN,
    PATH_READINGS,
    SCHEMA,
    SYSTEM_VOLTAGE,
    DerivedSpec,
    Energise,
    GivenSpec,
    Kind,
    LimitSpec,
    Procedure,
    ReadingSpec,
    Scaling,
    SystemLimit,
    Tag,
)
from diagnb.quantities import Dimension, unit
from diagnb.shipped import templates_directory
from diagnb.uncertainty import Formula, Table, parse_formula

_Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,48}$")]
_Id = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
_CatalogueNumber = Annotated[str, StringConstraints(pattern=r"^([A-Z]{1,3}[0-9]{2,4}[a-z]?)?$")]
_Text = Annotated[str, StringConstraints(min_length=1, max_length=4000)]
_HalfWidth = Annotated[str, StringConstraints(pattern=r"^\+?\d{1,12}(\.\d{1,9})?$")]
_Number = Annotated[str, StringConstraints(pattern=r"^[+-]?\d{1,12}(\.\d{1,9})?$")]


class _Plain(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class _Reading(_Plain):
    name: _Name
    title: _Text
    unit: _Text
    function: _Text
    required: bool = True
    proves_load: bool = False
    load_state: str = ""
    points: str = ""
    expected: Annotated[list[float | int], Field(min_length=2, max_length=2)] | None = None
    pooled_standard_deviation: _HalfWidth | None = None
    pooled_degrees_of_freedom: Annotated[int, Field(ge=1)] | None = None


class _Given(_Plain):
    name: _Name
    title: _Text
    unit: _Text
    required: bool = True
    default: _Number | None = None
    half_width: _HalfWidth | None = None
    source: str = ""


class _Constant(_Plain):
    name: _Name
    value: _Number
    unit: _Text
    source: _Text


class _Table(_Plain):
    name: _Name
    x: Annotated[list[_Number], Field(min_length=2)]
    x_unit: _Text
    y: Annotated[list[_Number], Field(min_length=2)]
    y_unit: _Text
    outside: Literal["refuse", "hold"] = "refuse"
    half_width: _HalfWidth | None = None
    source: _Text


class _Derived(_Plain):
    name: _Name
    title: _Text
    unit: _Text
    formula: _Text | list[_Text]
    physical_lower: _Number | None = None
    physical_upper: _Number | None = None


class _SystemLimit(_Plain):
    lower: _Number | None = None
    upper: _Number | None = None
    source: str = ""
    edition: str = ""
    condition: str = ""
    tag: Tag | None = None


class _Limit(_Plain):
    result: _Name
    unit: _Text
    lower: _Number | None = None
    upper: _Number | None = None
    scaling: Scaling = "none"
    source: _Text
    edition: str = ""
    method: str = ""
    condition: str = ""
    tag: Tag
    rule: str = "guarded-95"
    required: bool = False
    by_system: dict[Literal["12", "24", "48"], _SystemLimit] = {}


class _Procedure(_Plain):
    schema_: Annotated[str, Field(alias="schema")]
    id: _Id
    version: Annotated[int, Field(ge=1)]
    number: _CatalogueNumber = ""
    kind: Kind = "readings"
    title: _Text
    purpose: _Text
    energise: Energise
    conditions: list[_Text] = []
    cautions: list[_Text] = []
    fail_means: _Text
    next_step: _Text
    readings: Annotated[list[_Reading], Field(min_length=1)]
    given: list[_Given] = []
    constants: list[_Constant] = []
    tables: list[_Table] = []
    derived: Annotated[list[_Derived], Field(min_length=1)]
    limits: list[_Limit] = []


def path_of(location: Iterable[int | str]) -> str:
    """A pydantic location as people write it: ``tests[0].readings[1]``."""
    text = ""
    for step in location:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.lstrip(".")


def read_procedure(
    plain: Mapping[str, Any], where: str = "procedure", *, cautions: Container[str] | None = None
) -> Procedure:
    """Check a plain procedure: keys, names, units, formulas and their dimensions, limits and their source.

    ``cautions`` are the ids that exist; without them a caution's id is not looked up (a record may carry one that
    a later version added). Raises :class:`~diagnb.errors.InputFault` with every fault found and its path.
    """
    schema = plain.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("diagnb-procedure/")
        raise fault(
            f"{where}.schema",
            f"{schema!r} is not {SCHEMA}",
            "it was made by a newer version" if newer else "start the file with it",
        )
    try:
        parsed = _Procedure.model_validate(dict(plain))
    except ValidationError as error:
        raise InputFault(
            Fault(f"{where}.{path_of(e['loc'])}", _say(e)) for e in error.errors(include_url=False)
        ) from error
    return _Builder(parsed, where, plain).build(cautions)


def _say(error: Any) -> str:
    said = {"missing": "is missing", "extra_forbidden": "is an unknown key"}
    return said.get(error["type"], str(error["msg"]).lower())


class _Builder:
    def __init__(self, parsed: _Procedure, where: str, plain: Mapping[str, Any]) -> None:
        self.parsed, self.where, self.plain = parsed, where, plain
        self.faults: list[Fault] = []
        self.dimensions: dict[str, Dimension] = {SYSTEM_VOLTAGE: unit("V").dimension}

    def add(self, path: str, what: str, repair: str = "") -> None:
        self.faults.append(Fault(f"{self.where}.{path}", what, repair))

    def unit(self, symbol: str, path: str) -> Dimension | None:
        try:
            return unit(symbol).dimension
        except InputFault as error:
            self.add(path, f"{error.faults[0].where} is not a unit", error.faults[0].repair)
            return None

    def name(self, name: str, symbol: str, path: str) -> None:
        if name in (SYSTEM_VOLTAGE, "pi"):
            self.add(f"{path}.name", f"{name} has a meaning of its own in every formula", "choose another name")
        elif name in self.dimensions:
            self.add(f"{path}.name", f"{name} stands twice")
        dimension = self.unit(symbol, f"{path}.unit")
        self.dimensions[name] = dimension if dimension is not None else ()

    def build(self, cautions: Container[str] | None = None) -> Procedure:
        p = self.parsed
        for i, caution in enumerate(p.cautions):
            if cautions is not None and caution not in cautions:
                self.add(f"cautions[{i}]", f"there is no caution {caution!r}", "they are in cautions.toml")
        for i, reading in enumerate(p.readings):
            self.name(reading.name, reading.unit, f"readings[{i}]")
            if (reading.pooled_standard_deviation is None) != (reading.pooled_degrees_of_freedom is None):
                self.add(
                    f"readings[{i}]",
                    "a pooled standard deviation needs its degrees of freedom, and the other way round",
                )
        for i, given in enumerate(p.given):
            self.name(given.name, given.unit, f"given[{i}]")
            if given.default is not None and not given.source:
                self.add(f"given[{i}].source", "is missing", "a default needs its source")
        constants = {}
        for i, constant in enumerate(p.constants):
            self.name(constant.name, constant.unit, f"constants[{i}]")
            constants[constant.name] = self.si(constant.value, constant.unit)
        tables = {t.name: self.table(t, f"tables[{i}]") for i, t in enumerate(p.tables)}
        derived = tuple(self.derive(d, f"derived[{i}]", tables) for i, d in enumerate(p.derived))
        limits = tuple(self.limit(entry, f"limits[{i}]") for i, entry in enumerate(p.limits))
        for i, entry in enumerate(p.limits):
            if entry.result in [earlier.result for earlier in p.limits[:i]]:
                self.add(f"limits[{i}].result", f"{entry.result} has a limit already", "write both sides into one")
        if p.kind == "path":
            self.path()
        if self.faults:
            raise InputFault(self.faults)
        return Procedure(
            p.id, p.version, p.title, p.purpose,
            tuple(self.reading(r) for r in p.readings),
            tuple(GivenSpec(g.name, g.title, g.unit, g.required, g.default, g.half_width, g.source) for g in p.given),
            derived, limits, tables, constants, tuple(p.conditions), tuple(p.cautions), p.energise, p.fail_means,
            p.next_step, dict(self.plain), p.kind, p.number,
        )  # fmt: skip

    def path(self) -> None:
        """A path procedure says once how any span is read and judged, so it needs these names."""
        for what, entries, wanted in (
            ("readings", self.parsed.readings, PATH_READINGS),
            ("given", self.parsed.given, PATH_GIVEN),
            ("derived", self.parsed.derived, PATH_DERIVED),
        ):
            names = {entry.name for entry in entries}
            for name in wanted:
                if name not in names:
                    self.add(what, f"has no {name}", "a path procedure needs it; see the shipped path-test")

    def reading(self, r: _Reading) -> ReadingSpec:
        pooled = None
        if r.pooled_standard_deviation is not None:
            pooled = float(r.pooled_standard_deviation) * unit(r.unit).factor, float(r.pooled_degrees_of_freedom or 1)
        expected = (float(r.expected[0]), float(r.expected[1])) if r.expected else None
        return ReadingSpec(
            r.name, r.title, r.unit, r.function, r.required, r.proves_load, r.load_state, r.points, expected, pooled
        )

    def si(self, value: str, symbol: str) -> float:
        try:
            return float(unit(symbol).to_si(float(value)))
        except InputFault:
            return 0.0

    def table(self, t: _Table, path: str) -> Table:
        x = tuple(self.si(v, t.x_unit) for v in t.x)
        y = tuple(self.si(v, t.y_unit) for v in t.y)
        if len(x) != len(y):
            self.add(path, f"has {len(x)} values of x but {len(y)} of y")
        if any(b <= a for a, b in pairwise(x)):
            self.add(f"{path}.x", "must rise")
        across, up = self.unit(t.x_unit, f"{path}.x_unit"), self.unit(t.y_unit, f"{path}.y_unit")
        spread = float(t.half_width) * unit(t.y_unit).factor / 3**0.5 if t.half_width and up is not None else 0.0
        dimensions = across or (), up or ()
        return Table(t.name, x, y, *dimensions, spread, t.outside == "hold")

    def derive(self, d: _Derived, path: str, tables: Mapping[str, Table]) -> DerivedSpec:
        texts = [d.formula] if isinstance(d.formula, str) else d.formula
        formulas: list[Formula] = []
        wanted = self.unit(d.unit, f"{path}.unit")
        for number, text in enumerate(texts):
            place = f"{path}.formula" if isinstance(d.formula, str) else f"{path}.formula[{number}]"
            try:
                formula = parse_formula(text)
                found = formula.dimension(self.dimensions, tables)
            except InputFault as error:
                self.faults += [Fault(f"{self.where}.{place}", f"{f.where} {f.what}", f.repair) for f in error.faults]
                continue
            if wanted is not None and found != wanted:
                self.add(place, f"{text!r} does not have the dimension of {d.unit}", "check the formula or the unit")
            formulas.append(formula)
        self.name(d.name, d.unit, path)
        low = self.si(d.physical_lower, d.unit) if d.physical_lower is not None else None
        high = self.si(d.physical_upper, d.unit) if d.physical_upper is not None else None
        return DerivedSpec(d.name, d.title, d.unit, tuple(formulas), low, high)

    def limit(self, entry: _Limit, path: str) -> LimitSpec:
        results = {d.name: d for d in self.parsed.derived}
        if entry.result not in results:
            self.add(f"{path}.result", f"{entry.result} is not a derived value", f"one of {', '.join(results)}")
        else:
            wanted, found = self.unit(results[entry.result].unit, path), self.unit(entry.unit, f"{path}.unit")
            if wanted is not None and found is not None and wanted != found:
                self.add(
                    f"{path}.unit",
                    f"{entry.unit} does not fit {entry.result}",
                    f"it is in {results[entry.result].unit}",
                )
        if entry.rule not in RULES:
            self.add(f"{path}.rule", f"{entry.rule!r} is unknown", f"one of {', '.join(RULES)}")
        valued = entry.lower is not None or entry.upper is not None
        if entry.required and (valued or entry.by_system):
            self.add(path, "is required from the user and can't have a value of its own")
        if not entry.required and not valued and not entry.by_system:
            self.add(path, "has neither a lower nor an upper value")
        if entry.by_system and valued:
            self.add(path, "has a value for every system and values by system", "keep one of the two")
        if entry.by_system and entry.scaling != "none":
            self.add(f"{path}.scaling", "has no use beside values by system", "leave it out")
        low, high = self.sides(entry, path)
        by_system: dict[str, SystemLimit] = {}
        for system, own in entry.by_system.items():
            place = f"{path}.by_system.{system}"
            if own.lower is None and own.upper is None:
                self.add(place, "has neither a lower nor an upper value")
            by_system[system] = SystemLimit(*self.sides(own, place), own.source, own.edition, own.condition, own.tag)
        return LimitSpec(
            entry.result, entry.unit, low, high, entry.scaling, entry.source, entry.edition, entry.method,
            entry.condition, entry.tag, entry.rule, entry.required, by_system,
        )  # fmt: skip

    def sides(self, entry: _Limit | _SystemLimit, path: str) -> tuple[float | None, float | None]:
        low = float(entry.lower) if entry.lower is not None else None
        high = float(entry.upper) if entry.upper is not None else None
        if low is not None and high is not None and low > high:
            self.add(path, f"the lower limit {entry.lower} is above the upper limit {entry.upper}")
        return low, high


def load_procedure(source: str | Path) -> Procedure:
    """A procedure from a TOML file, or a shipped one by its id."""
    path = Path(source)
    if path.suffix != ".toml":
        files = procedure_files()
        if str(source) not in files:
            raise fault(str(source), "there is no such procedure", f"shipped are {', '.join(files)}")
        path = files[str(source)]
    try:
        return _from_text(path.read_text(encoding="utf-8"), path, _cautions_text())
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise fault(str(path), f"is not TOML: {error}") from error


@lru_cache(maxsize=256)
def _from_text(text: str, path: Path, cautions: str) -> Procedure:
    """The same text is checked once in a process: a batch of records names the same few procedures."""
    return read_procedure(tomllib.loads(text), path.name, cautions=_cautions(cautions))


def procedure_files(folder: Path | None = None) -> dict[str, Path]:
    """Procedure files by id: the shipped ones, and those of a shop's ``folder``, which win."""
    found = {path.stem: path for path in sorted((templates_directory() / "procedures").glob("*.toml"))}
    if folder is not None and folder.is_dir():
        found |= {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return found


def caution_texts(language: str = "en") -> dict[str, str]:
    """The shipped cautions: id → text in this language, in English where there is no other.

    Each defers to the maker, the law and trained people.
    """
    text = _cautions_text()
    return {**_cautions(text), **(_cautions(text, f"-{language}") if language != "en" else {})}


def _cautions_text() -> str:
    return (templates_directory() / "cautions.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=16)
def _cautions(text: str, suffix: str = "") -> dict[str, str]:
    return {str(k): str(v) for k, v in tomllib.loads(text).get(f"cautions{suffix}", {}).items()}
