"""The IPython extension: one line magic and the rich display of records, evaluations and verifications.

Loading it imports the magic alone; forms, reports and signing come when they are first used.
"""

from __future__ import annotations

from typing import Any

__all__ = ["load_ipython_extension", "unload_ipython_extension"]


def load_ipython_extension(ipython: Any) -> None:
    """Register ``%diagnb``, its completion, ``%config Diagnb`` and the rich displays."""
    from diagnb.notebook.formatters import register
    from diagnb.notebook.magic import install

    install(ipython)
    register(ipython)


def unload_ipython_extension(ipython: Any) -> None:
    """Take back everything that loading added, and let go of open sheets (their entries stay)."""
    import sys

    from diagnb.notebook.formatters import unregister
    from diagnb.notebook.magic import remove

    remove(ipython)
    unregister(ipython)
    opening = sys.modules.get("diagnb.notebook.opening")
    if opening is not None:
        opening.close_all()
