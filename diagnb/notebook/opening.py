"""Opening sheets: where drafts lie, which name a notebook's sheet has, one live sheet for each draft in a kernel."""

from __future__ import annotations

import datetime as dt
import re
import secrets
from collections.abc import Callable, Mapping
from pathlib import Path

from diagnb.errors import fault
from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library
from diagnb.forms.sheet import Sheet
from diagnb.notebook.present import ReportPresenter
from diagnb.notebook.workplace import Workplace, local_now, localise, log_into

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_OWN_NAME = re.compile(r"\d{8}-[0-9a-f]{6}")
"""A name made here: no other sheet has it, so the record takes it too and its file is found by the sheet's name."""
_NOTEBOOK = "notebook"
_LOOK_BACK = 100
_WAIT = 4.0
"""Seconds that an opening waits for a kernel whose window is gone."""
_open: dict[Path, tuple[Sheet, Workplace]] = {}


def checked_name(wanted: str) -> str:
    """A sheet's name as given. Raises InputFault for one that can't be part of a file's name."""
    if not _NAME.fullmatch(wanted):
        raise fault(repr(wanted), "can't name a sheet", "letters, digits, dot and dash, 40 at most")
    return wanted


def sheet_of(workplace: Workplace, notebook: str, *, now: dt.datetime) -> str:
    """The name of a notebook's sheet: the unsigned one begun there last, else a new name.

    This finds the sheet again when the notebook was not saved after it had got the name into its cell.
    """
    for name in drafts(workplace)[:_LOOK_BACK]:
        journal = Journal.read(workplace.drafts / f"{name}.jsonl")
        if journal.closed is None and journal.text_of(_NOTEBOOK) == (notebook or "-"):
            return name
    return new_name(workplace, now=now)


def new_name(workplace: Workplace, *, now: dt.datetime) -> str:
    """A name that no sheet of this folder has: the date and six hexadecimal digits."""
    known = set(drafts(workplace))
    while (name := f"{now:%Y%m%d}-{secrets.token_hex(3)}") in known:
        continue
    return name


def drafts(workplace: Workplace) -> tuple[str, ...]:
    """The names of the sheets there are, the one changed last first."""
    files = sorted(workplace.drafts.glob("*.jsonl"), key=lambda p: p.stat().st_mtime, reverse=True)
    return tuple(path.stem for path in files)


def open_sheet(
    workplace: Workplace,
    name: str,
    *,
    notebook: str = "",
    waits: bool = False,
    clock: Callable[[], dt.datetime] = local_now,
) -> Sheet:
    """The sheet of this name: the live one of this kernel, as the workplace is now, or opened from its journal, or new.

    A new sheet remembers the name of the ``notebook`` that it was begun in; with ``waits`` it gets its file when something
    is typed.
    """
    path = (workplace.drafts / f"{name}.jsonl").resolve()
    live, before = _open.get(path, (None, workplace))
    if live is not None and not live.model.journal.read_only:
        if workplace == before:
            live.show(live.here)
        else:
            live.equip(ReportPresenter(workplace.language), workplace.office())
            _open[path] = live, workplace
        return live
    if live is not None:
        live.stop()
    journal = Journal.open(path, waits=waits)
    if journal.read_only:
        journal.take_over(seconds=_WAIT, if_left=True)  # a window that was closed or killed leaves its kernel behind
    model = FormModel(journal, sheet=name, library=load_library(workplace.folder), clock=clock, localise=localise)
    now = clock()
    model.begin(
        {
            "record.id": name if _OWN_NAME.fullmatch(name) else f"{name}-{now:%Y%m%d}-{secrets.token_hex(3)}",
            "people.technician.name": workplace.technician,
            _NOTEBOOK: notebook or "-",
        }
    )
    log_file = workplace.drafts.parent / "form.log"
    sheet = Sheet(
        model,
        presenter=ReportPresenter(workplace.language),
        office=workplace.office(),
        earlier=lambda: _last_entries(workplace, name),
        log=log_into(log_file, clock),
        log_file=str(log_file),
    )
    _open[path] = sheet, workplace
    sheet.go_on()
    return sheet


def _last_entries(workplace: Workplace, but: str) -> Mapping[str, str]:
    """The entries of the sheet of this folder that was changed last, other than ``but``."""
    for name in drafts(workplace):
        if name != but:
            return Journal.read(workplace.drafts / f"{name}.jsonl").values
    return {}


def close_all() -> None:
    """Let go of every sheet of this kernel; their entries stay in their journals."""
    while _open:
        _, (sheet, _) = _open.popitem()
        sheet.stop()
