"""What changes when an instrument, a limit, a rule, a procedure or an accuracy sheet proves wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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
    from diagnb.impact.impact import ChangedResult, Impact, Reexamine, find_impact, last_calibration

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
_IMPACT = {"ChangedResult", "Impact", "Reexamine", "find_impact", "last_calibration"}


def __getattr__(name: str) -> Any:
    if name in __all__:
        from importlib import import_module

        where = "document" if name == "render_impact" else "impact" if name in _IMPACT else "change"
        return getattr(import_module(f"diagnb.impact.{where}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
