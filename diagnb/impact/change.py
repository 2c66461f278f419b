"""What has turned out wrong, or will be different: six kinds of change, each a frozen object.

A change says how a procedure or an accuracy sheet reads afterwards, and what an instrument's displays should have
been. It touches no record.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from diagnb.conformity import RULES
from diagnb.errors import Fault, InputFault, fault
from diagnb.meters import read_sheet
from diagnb.procedures import read_procedure
from diagnb.quantities import unit

Kind = Literal["procedure", "meter"]
Plain = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class InstrumentError:
    """An instrument was found to show ``gain_percent`` too much (below zero: too little), plus ``offset``.

    The whole deviation is taken for every reading since the last good calibration. A display x should then have
    been (x - offset) / (1 + gain). ``function`` limits it to one function; an offset needs its unit and reaches only
    functions of that dimension.
    """

    serial: str
    gain_percent: float = 0.0
    offset: float = 0.0
    offset_unit: str = ""
    function: str = ""

    def __post_init__(self) -> None:
        faults = []
        if not self.serial.strip():
            faults.append(Fault("serial", "is missing", "the instrument's serial number as the records have it"))
        if not (math.isfinite(self.gain_percent) and -90 < self.gain_percent < 1000):
            faults.append(Fault("gain", f"{self.gain_percent} % is not a deviation", "2 means 2 % too high"))
        if not math.isfinite(self.offset) or (self.offset and not self.offset_unit):
            faults.append(Fault("offset", "needs a number and its unit", "for example 0.03 V"))
        if not self.gain_percent and not self.offset:
            faults.append(Fault("deviation", "is zero", "give a gain, an offset, or both"))
        if faults:
            raise InputFault(faults)
        if self.offset_unit:
            unit(self.offset_unit)

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """An instrument's error changes no sheet."""
        return plain

    def correction(self, function: str, symbol: str) -> tuple[float, float]:
        """Divisor and offset (SI) for displays of ``function``, whose unit is ``symbol``: (1, 0) leaves them."""
        if self.function and function != self.function:
            return 1.0, 0.0
        offset = 0.0
        if self.offset:
            own = unit(self.offset_unit)
            if own.dimension != unit(symbol).dimension:
                if not self.gain_percent:
                    return 1.0, 0.0
            else:
                offset = self.offset * own.factor
        return 1 + self.gain_percent / 100, offset

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "instrument", "serial": self.serial, "gain_percent": self.gain_percent, "offset": self.offset, "offset_unit": self.offset_unit, "function": self.function}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A procedure's limit on one result has another value. Limits that a user stated in a record stay as they are.

    ``system_voltage`` ("12", "24", "48") changes it for these vehicles only.
    """

    procedure: str
    result: str
    lower: str | None
    upper: str | None
    unit: str
    source: str
    system_voltage: str = ""

    def __post_init__(self) -> None:
        faults = []
        if self.lower is None and self.upper is None:
            faults.append(Fault("limit", "has neither a lower nor an upper value"))
        if self.system_voltage not in ("", "12", "24", "48"):
            faults.append(Fault("system", f"{self.system_voltage!r} is not a system voltage", "12, 24 or 48"))
        if not self.source.strip():
            faults.append(Fault("source", "is missing", "a limit means nothing without its source"))
        elif len(self.source.strip()) < 3:
            faults.append(Fault("source", f"{self.source!r} is too short", "three letters or more: a bulletin, a standard with its edition"))  # fmt: skip
        faults += self._numbers()
        if faults:
            raise InputFault(faults)

    def _numbers(self) -> Iterator[Fault]:
        """Faults of the two values and their unit."""
        sides = {}
        for side, text in (("lower", self.lower), ("upper", self.upper)):
            try:
                number = math.nan if text is None else float(text)
            except ValueError:
                number = math.inf
            if math.isinf(number) or (text is not None and math.isnan(number)):
                yield Fault(side, f"{text!r} is not a number", "digits with a point, the unit apart")
            elif text is not None:
                sides[side] = number
        if len(sides) == 2 and sides["lower"] >= sides["upper"]:
            yield Fault("limit", f"lower {self.lower} is not below upper {self.upper}", "exchange the two")
        try:
            unit(self.unit)
        except InputFault as error:
            yield from (Fault("unit", f.what, f.repair) for f in error.faults)

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """The procedure with the other limit. Raises :class:`InputFault` where it can't have it."""
        if kind != "procedure" or plain["id"] != self.procedure:
            return plain
        if self.result not in {d["name"] for d in plain["derived"]}:
            raise fault(self.procedure, f"has no derived value {self.result!r}", "see diagnb procedure show")
        values = {k: v for k, v in (("lower", self.lower), ("upper", self.upper)) if v is not None}
        limits, done = [], False
        for entry in plain.get("limits", []):
            if entry["result"] != self.result:
                limits.append(entry)
                continue
            done = True
            limits.append(self._entry(entry, values))
        if not done:
            tag = {"result": self.result, "unit": self.unit, "source": self.source, "tag": "common practice", **values}
            limits.append(
                tag if not self.system_voltage else {**self._bare(tag), "by_system": {self.system_voltage: values}}
            )
        return _checked("procedure", {**plain, "limits": limits})

    def _entry(self, entry: Plain, values: Mapping[str, str]) -> Plain:
        if not self.system_voltage:
            return {**self._bare(entry), **values, "unit": self.unit, "source": self.source}
        if self.unit != entry["unit"]:
            raise fault("unit", f"{self.unit} is not that of the procedure", f"give it in {entry['unit']}")
        systems = dict(entry.get("by_system", {}))
        if not systems and not entry.get("required"):
            for voltage in ("12", "24", "48"):
                factor = float(voltage) / 12 if entry.get("scaling") == "system/12" else 1.0
                systems[voltage] = {
                    side: f"{float(entry[side]) * factor:.9g}"
                    for side in ("lower", "upper")
                    if entry.get(side) is not None
                }
        systems[self.system_voltage] = {**values, "source": self.source}
        return {**self._bare(entry), "unit": self.unit, "source": entry["source"], "by_system": systems}

    @staticmethod
    def _bare(entry: Plain) -> dict[str, Any]:
        return {k: v for k, v in entry.items() if k not in ("lower", "upper", "by_system", "scaling", "required")}

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "limit", "procedure": self.procedure, "result": self.result, "lower": self.lower, "upper": self.upper, "unit": self.unit, "source": self.source, "system_voltage": self.system_voltage}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RuleChange:
    """Another decision rule, for one result, one procedure (``result`` blank), or all (both blank)."""

    rule: str
    procedure: str = ""
    result: str = ""

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise fault("rule", f"{self.rule!r} is unknown", f"one of {', '.join(RULES)}")

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """The procedure with the other rule on its limits."""
        if kind != "procedure" or (self.procedure and plain["id"] != self.procedure):
            return plain
        limits = [
            {**entry, "rule": self.rule} if not self.result or entry["result"] == self.result else entry
            for entry in plain.get("limits", [])
        ]
        same = all(a.get("rule", "guarded-95") == b.get("rule", "guarded-95") for a, b in zip(limits, plain.get("limits", []), strict=True))  # fmt: skip
        return plain if same else {**plain, "limits": limits}

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "rule", "rule": self.rule, "procedure": self.procedure, "result": self.result}


@dataclass(frozen=True, slots=True)
class ProcedureChange:
    """Another version of a whole procedure: formulas, constants, tables, limits. Readings must still be there."""

    document: Plain

    def __post_init__(self) -> None:
        read_procedure(self.document, "procedure")

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """The new version in place of any other of the same id."""
        return self.document if kind == "procedure" and plain["id"] == self.document["id"] else plain

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "procedure", "procedure": self.document["id"], "version": self.document["version"]}


@dataclass(frozen=True, slots=True)
class CoefficientChange:
    """An accuracy sheet lacked its temperature coefficient, or had a wrong one: per cent of the limit per kelvin."""

    meter: str
    percent_per_kelvin: float
    function: str = ""

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """The sheet with the coefficient. Raises :class:`InputFault` where it can't have it."""
        if kind != "meter" or plain["id"] != self.meter:
            return plain
        key = "temperature_coefficient_percent_per_kelvin"
        names = [entry["name"] for entry in plain["functions"]]
        if self.function and self.function not in names:
            raise fault(self.meter, f"has no function {self.function!r}", f"it has {', '.join(names)}")
        functions = [
            {**entry, key: self.percent_per_kelvin} if self.function in ("", entry["name"]) else entry
            for entry in plain["functions"]
        ]
        return _checked("meter", {**plain, "functions": functions})

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "coefficient", "meter": self.meter, "percent_per_kelvin": self.percent_per_kelvin, "function": self.function}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SheetChange:
    """Another version of a whole accuracy sheet: per cent, counts, coefficients, temperatures.

    It keeps every function and range of the stored ones by name, for readings say with which they were taken.
    """

    document: Plain

    def __post_init__(self) -> None:
        read_sheet(self.document, "sheet")

    @property
    def meter(self) -> str:
        """The id of the sheet."""
        return str(self.document["id"])

    @property
    def function(self) -> str:
        """Every function of it."""
        return ""

    def alter(self, kind: Kind, plain: Plain) -> Plain:
        """The new version in place of any other of the same id. Raises :class:`InputFault` where it lacks a range."""
        if kind != "meter" or plain["id"] != self.document["id"]:
            return plain
        old, new = read_sheet(plain, "stored sheet"), read_sheet(self.document, "sheet")
        there = {(f.name, f.unit, r.name) for f in new.functions for r in f.ranges}
        lacking = [(f.name, f.unit, r.name) for f in old.functions for r in f.ranges if (f.name, f.unit, r.name) not in there]  # fmt: skip
        if lacking:
            raise InputFault(Fault(old.id, f"has no range {r} of {f} in {u}", "keep every function and range of the stored sheet, and its unit") for f, u, r in lacking)  # fmt: skip
        return self.document

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"kind": "sheet", "meter": self.meter, "version": self.document.get("version"), "sheet": dict(self.document)}  # fmt: skip


Change = InstrumentError | LimitChange | RuleChange | ProcedureChange | CoefficientChange | SheetChange


@dataclass(frozen=True, slots=True)
class Window:
    """From when until when tests are concerned (both ends with zone; None is open)."""

    since: dt.datetime | None = None
    until: dt.datetime | None = None

    def __post_init__(self) -> None:
        for name in ("since", "until"):
            moment = getattr(self, name)
            if moment is not None and moment.utcoffset() is None:
                raise fault(name, "has no time zone", "give it one, for example UTC")
        if self.since and self.until and self.until < self.since:
            raise fault("until", "lies before since")

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"since": self.since.isoformat() if self.since else None, "until": self.until.isoformat() if self.until else None}  # fmt: skip


def _checked(kind: Kind, plain: Plain) -> Plain:
    (read_procedure if kind == "procedure" else read_sheet)(plain, kind)
    return plain
