"""What goes wrong with a store: it can't be opened, it refuses, or it holds something that does not fit."""

from __future__ import annotations

from diagnb.errors import DiagnbError, Fault

EXTRAS = "archive,fleet"
"""What brings everything that keeping and studying records needs: whoever lacks one of the packages lacks the other too."""


class ArchiveFault(DiagnbError):
    """The store can't be reached or written, or a document does not fit what it holds already."""


def archive_fault(where: str, what: str, repair: str = "") -> ArchiveFault:
    """Shorthand for the commonest case: one fault of a store."""
    return ArchiveFault(Fault(where, what, repair))
