"""Test procedures: readings, formulas, limits, cautions. Schema ``diagnb-procedure/1``.

A :class:`Procedure` is frozen and checked: its formulas parse, their dimensions fit, its limits have a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from diagnb.quantities import Dimension, unit
from diagnb.uncertainty import Formula, Table

SCHEMA = "diagnb-procedure/1"
Energise = Literal["allowed", "vehicle only", "measure only"]
Kind = Literal["readings", "path"]
Scaling = Literal["none", "system/12"]
Tag = Literal["read", "from memory", "common practice"]
SYSTEM_VOLTAGE = "system_voltage"
"""A name that every formula may use: the nominal system voltage of the vehicle."""


PATH_READINGS = ("node", "next_node", "drop", "current", "source_voltage")
PATH_GIVEN = ("wire_resistance",)
PATH_DERIVED = (
    "span_drop", "connection_drop", "wire_drop", "switch_drop", "load_drop", "span_resistance", "expected_drop",
    "drop_ratio", "stretch_drop", "sum_check",
)  # fmt: skip
"""What a procedure of kind ``path`` has to name; a path test uses each once for every node or span."""


@dataclass(frozen=True, slots=True)
class ReadingSpec:
    """A reading that the procedure asks for. ``expected`` is the usual span in ``unit``, for slips of a prefix."""

    name: str
    title: str
    unit: str
    function: str
    required: bool = True
    proves_load: bool = False
    load_state: str = ""
    points: str = ""
    expected: tuple[float, float] | None = None
    pooled: tuple[float, float] | None = None
    """Standard deviation of single readings from history, coherent SI, and its degrees of freedom."""


@dataclass(frozen=True, slots=True)
class GivenSpec:
    """A value that is given, not measured here."""

    name: str
    title: str
    unit: str
    required: bool = True
    default: str | None = None
    half_width: str | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class DerivedSpec:
    """A derived value. Of several formulas the first one whose inputs are all there is used."""

    name: str
    title: str
    unit: str
    formulas: tuple[Formula, ...]
    physical_lower: float | None = None
    physical_upper: float | None = None


@dataclass(frozen=True, slots=True)
class SystemLimit:
    """The values of a limit at one system voltage. A blank text takes that of the limit itself."""

    lower: float | None
    upper: float | None
    source: str = ""
    edition: str = ""
    condition: str = ""
    tag: Tag | None = None


@dataclass(frozen=True, slots=True)
class LimitSpec:
    """A limit of the procedure, in ``unit``. ``required`` means that the user must state one with its source.

    ``by_system`` holds values of their own for system voltages ("12", "24", "48"); then ``lower`` and ``upper``
    are None, and a system that is not among them has no limit.
    """

    result: str
    unit: str
    lower: float | None
    upper: float | None
    scaling: Scaling
    source: str
    edition: str
    method: str
    condition: str
    tag: Tag
    rule: str
    required: bool = False
    by_system: Mapping[str, SystemLimit] = field(default_factory=dict)

    @property
    def tags(self) -> tuple[str, ...]:
        """Where its values come from, sorted: the tags of all systems, or "limit from the user"."""
        if self.required:
            return ("limit from the user",)
        return tuple(sorted({s.tag or self.tag for s in self.by_system.values()} or {self.tag}))

    def at_system(self, voltage: str) -> LimitSpec | None:
        """The limit as it holds for a system voltage ("12", "24", "48"): scaled, or that system's own values.

        None where this procedure has no value for that system and the user has to state one.
        """
        if self.required:
            return None
        if self.by_system:
            own = self.by_system.get(voltage)
            if own is None:
                return None
            return replace(
                self, lower=own.lower, upper=own.upper, source=own.source or self.source,
                edition=own.edition or self.edition, condition=own.condition or self.condition,
                tag=own.tag or self.tag, by_system={},
            )  # fmt: skip
        if self.scaling == "none":
            return self
        factor = float(voltage) / 12
        low = None if self.lower is None else self.lower * factor
        high = None if self.upper is None else self.upper * factor
        return replace(self, lower=low, upper=high, scaling="none")


@dataclass(frozen=True)
class Procedure:
    """One test procedure. ``number`` is its number in the catalogue of test procedures, for people to quote."""

    id: str
    version: int
    title: str
    purpose: str
    readings: tuple[ReadingSpec, ...]
    givens: tuple[GivenSpec, ...]
    derived: tuple[DerivedSpec, ...]
    limits: tuple[LimitSpec, ...]
    tables: Mapping[str, Table]
    constants: Mapping[str, float]
    conditions: tuple[str, ...]
    cautions: tuple[str, ...]
    energise: Energise
    fail_means: str
    next_step: str
    plain: Mapping[str, Any] = field(compare=False, repr=False)
    kind: Kind = "readings"
    """Whether the readings stand one by one, or are the nodes of a path that each test lists itself."""
    number: str = ""

    def reading(self, name: str) -> ReadingSpec | None:
        """The reading called ``name``, or None."""
        return next((r for r in self.readings if r.name == name), None)

    def given(self, name: str) -> GivenSpec | None:
        """The given value called ``name``, or None."""
        return next((g for g in self.givens if g.name == name), None)

    def limit_for(self, result: str) -> LimitSpec | None:
        """The procedure's own limit on ``result``, or None."""
        return next((entry for entry in self.limits if entry.result == result), None)

    def dimension_of(self, name: str) -> Dimension | None:
        """Dimension of a reading, given value or derived value."""
        specs: tuple[ReadingSpec | GivenSpec | DerivedSpec, ...] = (*self.readings, *self.givens, *self.derived)
        for spec in specs:
            if spec.name == name:
                return unit(spec.unit).dimension
        return None
