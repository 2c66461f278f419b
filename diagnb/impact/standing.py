"""Which results of a test a change concerns, and whether each of them can be judged at all: asked before anything is
counted as cleared.

A standing is :data:`JUDGED`, the reason code why there is no verdict, :data:`NOT_ASKED` where none is asked for (no limit
applies, or a reading that it needs was not taken), or :data:`OUTSIDE` where the change does not concern the result.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from diagnb.evaluation.limits import limit_of
from diagnb.impact.change import Change, InstrumentError, LimitChange, ProcedureChange, RuleChange
from diagnb.meters import AccuracySheet
from diagnb.procedures import SYSTEM_VOLTAGE, DerivedSpec, Procedure
from diagnb.record.document import LimitStated

if TYPE_CHECKING:
    from diagnb.impact.columns import Layout

Array = Any
JUDGED, NOT_ASKED, OUTSIDE = "judged", "", "outside"


def standings(layout: Layout, change: Change, at_slots: Collection[bool]) -> tuple[str, ...]:
    """Of every result of a layout without an exact one. ``at_slots`` (slots,) says which of the instruments are the one
    of an :class:`InstrumentError`."""
    document, procedure = layout.document, layout.procedure
    limits = [LimitStated.model_validate(entry) for entry in document["limits"]]
    refused: dict[str, str] = dict(document["refused"])
    there = {r["name"] for r in document["readings"]} | set(document["given"])
    wrong = {slot for slot, its_own in enumerate(at_slots) if its_own}
    # Nobody kept with which instrument a refused reading was taken: it counts as concerned.
    touched = set(refused) | {
        r["name"]
        for r in document["readings"]
        if reading_touched(change, layout.sheets[r["meter"]], r["function"], its_own=r["slot"] in wrong)
    }
    concerned = results_concerned(
        change, procedure, there, touched, stated={e.result for e in limits}, system_voltage=document["system_voltage"]
    )
    there |= {SYSTEM_VOLTAGE, *procedure.constants}
    found: dict[str, str] = {}
    for spec in procedure.derived:
        reason = "circuit-class-forbids" if document["forbidden"] else ""
        if not reason and not any(there.issuperset(f.names) for f in spec.formulas):
            reason = _missing(spec, there, refused)
        _, _, lacking = limit_of(procedure, spec, limits, document["system_voltage"])
        named = is_named(change, procedure, spec.name)
        found[spec.name] = standing(reason or lacking, lacking, named=named) if spec.name in concerned else OUTSIDE
        if reason:
            refused[spec.name] = reason
        else:
            there.add(spec.name)
    return tuple(found.get(name, OUTSIDE) for name, _ in document["results"])


def standing(reason: str, lacking: str, *, named: bool) -> str:
    """Of one result that is not judged for ``reason`` ("" it is judged), and whose limit is ``lacking`` for this reason
    ("" it is there). Who asks for it by name (``named``) is told of readings that were not taken."""
    if lacking == "no-limit" or (reason == "reading-missing" and not named):
        return NOT_ASKED
    return reason or JUDGED


def is_named(change: Change, procedure: Procedure, result: str) -> bool:
    """Whether the change asks for this result of this procedure by name."""
    named = isinstance(change, LimitChange | RuleChange) and (change.procedure, change.result)
    return named == (procedure.id, result)


def reading_touched(change: Change, sheet: AccuracySheet, function: str, *, its_own: bool) -> bool:
    """Whether a display of ``function`` reads otherwise after the change; ``its_own``: by the instrument found wrong."""
    if isinstance(change, InstrumentError):
        return its_own and change.correction(function, sheet.function(function).unit) != (1.0, 0.0)
    if isinstance(change, LimitChange | RuleChange | ProcedureChange):
        return False
    return change.meter == sheet.id and change.function in ("", function)


def results_concerned(
    change: Change,
    procedure: Procedure,
    there: Collection[str],
    touched: Collection[str],
    *,
    stated: Collection[str],
    system_voltage: str,
) -> set[str]:
    """Names of the results whose value, uncertainty, limit or rule the change alters.

    ``there`` are the readings and given values of the test, ``touched`` the readings that read otherwise, ``stated`` the
    results whose limit a user stated.
    """
    everything = {spec.name for spec in procedure.derived}
    if isinstance(change, ProcedureChange):
        return everything if procedure.id == change.document["id"] else set()
    if isinstance(change, LimitChange):
        here = procedure.id == change.procedure and change.system_voltage in ("", system_voltage)
        return {change.result} - set(stated) if here else set()
    if isinstance(change, RuleChange):
        here = change.procedure in ("", procedure.id)
        return {n for n in everything if change.result in ("", n)} if here else set()
    return everything & _reached(procedure, {*there, SYSTEM_VOLTAGE, *procedure.constants}, set(touched))


def _reached(procedure: Procedure, there: set[str], reached: set[str]) -> set[str]:
    """``reached`` with every derived value that is worked out from one of them."""
    for spec in procedure.derived:
        used = next((f for f in spec.formulas if there.issuperset(f.names)), None)
        if any(reached.intersection(f.names) for f in ([used] if used else spec.formulas)):
            reached.add(spec.name)
        if used:
            there.add(spec.name)
    return reached


def _missing(spec: DerivedSpec, there: set[str], refused: Mapping[str, str]) -> str:
    for formula in spec.formulas:
        names = [n for n in formula.names if n in refused]
        if names and all(n in there or n in refused for n in formula.names):
            return refused[names[0]]
    return "reading-missing"
