"""Circuit tests on 12, 24 and 48 V vehicles, from a typed reading to a report that proves itself.

``%load_ext diagnb`` in a notebook adds the form and the ``%diagnb`` magic. Everything else is imported when
it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnb.version import VERSION

if TYPE_CHECKING:
    from diagnb.conformity import Limit, judge
    from diagnb.evaluation import evaluate
    from diagnb.meters import load_meter
    from diagnb.notebook.review import review
    from diagnb.proof import verify_report
    from diagnb.record import Record, load_record
    from diagnb.uncertainty import Estimate, propagate


__version__ = VERSION

_HOMES = {
    "Estimate": "diagnb.uncertainty",
    "Limit": "diagnb.conformity",
    "Record": "diagnb.record",
    "evaluate": "diagnb.evaluation",
    "judge": "diagnb.conformity",
    "load_meter": "diagnb.meters",
    "load_record": "diagnb.record",
    "propagate": "diagnb.uncertainty",
    "review": "diagnb.notebook.review",
    "verify_report": "diagnb.proof",
}

__all__ = [
    "Estimate",
    "Limit",
    "Record",
    "evaluate",
    "judge",
    "load_meter",
    "load_record",
    "propagate",
    "review",
    "verify_report",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])


def load_ipython_extension(ipython: Any) -> None:
    """Called by ``%load_ext diagnb``."""
    from diagnb.notebook import load_ipython_extension as load

    load(ipython)


def unload_ipython_extension(ipython: Any) -> None:
    """Called by ``%unload_ext diagnb``."""
    from diagnb.notebook import unload_ipython_extension as unload

    unload(ipython)
