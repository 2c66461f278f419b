"""The serial numbers that an archive's readings know, for whoever named one that it does not."""

from __future__ import annotations

import difflib
import json

from diagnb.archive import tables as db
from diagnb.archive.store import Archive
from diagnb.errors import InputFault, fault

_MOST = 8


def unknown_serial(archive: Archive, serial: str) -> InputFault:
    """The fault that no reading was taken with ``serial``: with the known numbers that are alike, else with some."""
    lists = {row[0] for row in archive.database.execute(db.distinct("test", "serials"))}
    known = sorted({one for text in lists for one in json.loads(text)})
    bare = {_bare(one): one for one in known}
    close = [bare[b] for b in difflib.get_close_matches(_bare(serial), bare, n=_MOST, cutoff=0.6)]
    if close:
        repair = f"alike are {', '.join(close)}"
    elif known:
        more = f" and {len(known) - _MOST:,} more" if len(known) > _MOST else ""
        repair = f"the records have {', '.join(known[:_MOST])}{more}"
    else:
        repair = "the archive holds no reading"
    return fault(f"instrument {serial}", "no stored reading was taken with it", repair)


def _bare(serial: str) -> str:
    return "".join(c for c in serial.casefold() if c.isalnum())
