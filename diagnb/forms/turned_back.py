"""What undo or redo has just changed, in a sentence: the field may be far from where one looks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from diagnb.forms.journal_state import Step
from diagnb.forms.library import Library


def turned_back(step: Step, rows: Iterable[Mapping[str, Any]], library: Library, *, again: bool) -> str:
    """What stands on the sheet now; ``rows`` are those of the step on screen, ``again``: it was brought back."""
    said = "Redone" if again else "Undone"
    first = step.changes[0]
    now = (first.after if again else first.before) or ""
    added = next((c.after for c in step.changes if c.key.startswith("tests.") and c.key.endswith(".procedure")), "")
    if added:
        known = library.procedures.get(added)
        title = known.title if known else added
        return (
            f"{said}: the test “{title}” is {'on the sheet again' if again else 'off the sheet; redo brings it back'}."
        )
    if first.key.endswith(".removed"):
        return f"{said}: what was taken off is {'off' if again else 'on the sheet'} again."
    row = next((row for row in rows if row.get("key") == first.key), None)
    if row is None:
        return f"{said}: {len(step.changes)} entries." if len(step.changes) > 1 else f"{said}."
    options = dict(row.get("options", ()))
    shown = options.get(now, now)
    return f"{said}: {row['label']} is {f'“{shown}”' if now.strip() else 'blank'} again."
