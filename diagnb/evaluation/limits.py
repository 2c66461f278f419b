"""The limit that a derived value is judged against: the user's where one is stated, else the procedure's."""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from diagnb.conformity import Limit, Rule
from diagnb.evaluation.results import UsedLimit
from diagnb.procedures import DerivedSpec, LimitSpec, Procedure
from diagnb.quantities import unit
from diagnb.record.document import LimitStated


def limit_of(
    procedure: Procedure, spec: DerivedSpec, limits: Iterable[LimitStated], system_voltage: str
) -> tuple[Limit | None, UsedLimit | None, str]:
    """The limit of a derived value in coherent SI and as shown, or the reason why there is none.

    A limit that the user states replaces the procedure's own.
    """
    own = procedure.limit_for(spec.name)
    stated = next((entry for entry in limits if entry.result == spec.name), None)
    if stated is not None:
        used = UsedLimit(
            _number(stated.lower), _number(stated.upper), stated.unit, stated.source, stated.edition,
            own.method if own else "", stated.condition, "", "user",
        )  # fmt: skip
    elif own is None:
        return None, None, "no-limit"
    else:
        here = own.at_system(system_voltage)
        if here is None:
            return None, None, "limit-missing"
        used = _own(here)
    symbol = unit(used.unit)
    limit = Limit(
        None if used.lower is None else float(symbol.to_si(used.lower)),
        None if used.upper is None else float(symbol.to_si(used.upper)),
        used.source, "", used.edition, used.method, used.condition, used.tag, spec.physical_lower, spec.physical_upper,
    )  # fmt: skip
    return limit, _in_result_unit(used, spec.unit), ""


def _own(own: LimitSpec) -> UsedLimit:
    return UsedLimit(
        own.lower, own.upper, own.unit, own.source, own.edition, own.method, own.condition, own.tag, "procedure"
    )


def _in_result_unit(used: UsedLimit, symbol: str) -> UsedLimit:
    if used.unit == symbol:
        return used
    source, target = unit(used.unit), unit(symbol)

    def turn(value: float | None) -> float | None:
        return None if value is None else float(f"{target.from_si(source.to_si(value)):.12g}")

    return UsedLimit(
        turn(used.lower), turn(used.upper), symbol, used.source, used.edition, used.method, used.condition, used.tag, used.stated_by
    )  # fmt: skip


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def rule_of(procedure: Procedure, spec: DerivedSpec) -> Rule:
    """The decision rule of a derived value: a property of its limit, fixed before measuring."""
    own = procedure.limit_for(spec.name)
    return cast("Rule", own.rule) if own else "guarded-95"
