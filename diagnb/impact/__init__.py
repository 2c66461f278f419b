"""What changes when an instrument, a limit, a rule, a procedure or an accuracy sheet proves wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.impact.answer import ChangedResult, Impact, Reexamine
    from diagnb.impact.change import (
        CoefficientChange,
        InstrumentError,
        LimitChange,
        ProcedureChange,
        RuleChange,
        SheetChange,
        Window,
    )
    from diagnb.impact.document import render_impact
    from diagnb.impact.impact import find_impact, last_calibration

__all__ = [
    "ChangedResult",
    "CoefficientChange",
    "Impact",
    "InstrumentError",
    "LimitChange",
    "ProcedureChange",
    "Reexamine",
    "RuleChange",
    "SheetChange",
    "Window",
    "find_impact",
    "last_calibration",
    "render_impact",
]
_WHERE = {
    "ChangedResult": "answer", "Impact": "answer", "Reexamine": "answer", "find_impact": "impact",
    "last_calibration": "impact", "render_impact": "document",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(f"diagnb.impact.{_WHERE.get(name, 'change')}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
