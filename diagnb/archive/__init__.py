"""The archive: an append-only store of records with their results, on SQLite or PostgreSQL, that shows tampering.

Needs the extra ``archive``; importing this room is light, what knows a database is loaded when a store is opened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.archive.fault import ArchiveFault
    from diagnb.archive.rows import Prepared, prepare, prepare_document
    from diagnb.archive.store import Added, Archive, Revision, open_archive

__all__ = ["Added", "Archive", "ArchiveFault", "Prepared", "Revision", "open_archive", "prepare", "prepare_document"]
_WHERE = {
    "ArchiveFault": "fault", "Prepared": "rows", "prepare": "rows", "prepare_document": "rows",
    "Added": "store", "Archive": "store", "Revision": "store", "open_archive": "store",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        from importlib import import_module

        return getattr(import_module(f"diagnb.archive.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
