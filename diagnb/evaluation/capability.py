"""Before the test: is this meter good enough for this procedure's limits here?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from diagnb.conformity import Capability, Limit, capability
from diagnb.evaluation.alternatives import would_read
from diagnb.evaluation.limits import limit_of, rule_of
from diagnb.meters import AccuracySheet
from diagnb.procedures import DerivedSpec, Procedure
from diagnb.quantities import unit
from diagnb.record.document import LimitStated
from diagnb.uncertainty import Estimate, propagate


@dataclass(frozen=True, slots=True)
class LimitCapability:
    """Whether one limit can be judged, and how narrow a tolerance could be. Numbers are in ``unit``.

    ``by`` names the readings that the answer assumes.
    """

    result: str
    title: str
    unit: str
    by: tuple[str, ...]
    capable: bool
    guard_band: float
    undecided_zone: tuple[float, float]
    narrowest_tolerance: float
    test_uncertainty_ratio: float | None


def capabilities(
    procedure: Procedure,
    sheets: Mapping[str, AccuracySheet],
    *,
    system_voltage: str,
    ambient_degc: float | None = None,
    limits: tuple[LimitStated, ...] = (),
) -> tuple[LimitCapability, ...]:
    """What the instruments would be worth at each limit of ``procedure`` that rests on readings of voltage, current or the like.

    ``sheets``: instrument name → accuracy sheet, in order of preference. A value read directly is assumed to stand
    on its limit; the difference of two readings is assumed at the system voltage. Values that depend on
    more than that have no answer before the test and are left out.
    """
    found = []
    for spec in procedure.derived:
        limit, used, _ = limit_of(procedure, spec, limits, system_voltage)
        if limit is None or used is None:
            continue
        for formula in spec.formulas:
            estimate = _at_limit(
                procedure, spec, formula.names, limit, sheets, float(system_voltage), ambient_degc, formula.text
            )
            if estimate is not None:
                found.append(_said(spec, formula.names, capability(estimate, limit, rule_of(procedure, spec))))
    return tuple(found)


def _at_limit(
    procedure: Procedure,
    spec: DerivedSpec,
    names: tuple[str, ...],
    limit: Limit,
    sheets: Mapping[str, AccuracySheet],
    system_voltage: float,
    ambient: float | None,
    text: str,
) -> Estimate | None:
    readings = [procedure.reading(name) for name in names]
    side = limit.upper if limit.upper is not None else limit.lower
    if side is None or any(r is None for r in readings):
        return None
    functions = [r.function for r in readings if r is not None]
    for instrument, sheet in sheets.items():
        if not set(functions) <= {f.name for f in sheet.functions}:
            continue
        if len(names) == 1 and text.strip() == names[0]:
            return would_read(sheet, instrument, functions[0], side, ambient)
        if len(names) == 2 and text.replace(" ", "") == f"{names[0]}-{names[1]}":
            high = would_read(sheet, instrument, functions[0], system_voltage, ambient, names[0])
            low = would_read(sheet, instrument, functions[1], system_voltage - side, ambient, names[1])
            if high is not None and low is not None:
                return propagate(text, {names[0]: high, names[1]: low})
    return None


def _said(spec: DerivedSpec, names: tuple[str, ...], found: Capability) -> LimitCapability:
    scale = unit(spec.unit)
    zone = (float(scale.from_si(found.undecided_zone[0])), float(scale.from_si(found.undecided_zone[1])))
    return LimitCapability(
        spec.name, spec.title, spec.unit, names, found.capable, found.guard_band / scale.factor, zone,
        found.narrowest_tolerance / scale.factor, found.test_uncertainty_ratio,
    )  # fmt: skip
