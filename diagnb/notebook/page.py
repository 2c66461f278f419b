"""The code-free page: which sheet its address asks for, and the way to the other unsigned sheets of the folder."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import parse_qs, quote

from diagnb.forms.journal import Journal
from diagnb.notebook.opening import drafts
from diagnb.notebook.workplace import Workplace

_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Unsigned:
    """A sheet that is not signed yet: its name, and what it is about."""

    name: str
    about: str


def is_page(environment: Mapping[str, str]) -> bool:
    """Whether this kernel stands behind a code-free page."""
    return environment.get("SERVER_SOFTWARE", "").startswith("voila/")


def asked_sheet(environment: Mapping[str, str]) -> str:
    """The sheet that the address of the page asks for, ``…?sheet=NAME``; blank when it leaves the choice to us."""
    return parse_qs(environment.get("QUERY_STRING", "")).get("sheet", [""])[0]


def unsigned(workplace: Workplace) -> tuple[Unsigned, ...]:
    """The unsigned sheets of the folder, the one changed last first, twenty at most."""
    found: list[Unsigned] = []
    for name in drafts(workplace):
        journal = Journal.read(workplace.drafts / f"{name}.jsonl")
        if journal.closed is None:
            keys = ("order.number", "vehicle.unit", "circuit.name")
            found.append(Unsigned(name, ", ".join(text for key in keys if (text := journal.text_of(key).strip()))))
        if len(found) == _SHOWN:
            break
    return tuple(found)


_LINK = "display:inline-block;padding:12px 16px;margin:4px 8px 4px 0;border:2px solid currentColor;border-radius:8px"


def links_above(*, here: str, others: Iterable[Unsigned]) -> str:
    """One line above the form that opens the list of the unsigned sheets other than ``here``; blank when there are none."""
    rest = [_link(one.name, f"{one.about or 'nothing typed yet'} ({one.name})") for one in others if one.name != here]
    if not rest:
        return ""
    said = "1 other unsigned sheet" if len(rest) == 1 else f"{len(rest)} other unsigned sheets"
    return (
        '<nav aria-label="Unsigned sheets" style="font-size:18px"><details>'
        f'<summary style="padding:12px 0;cursor:pointer">{said} of this folder</summary>{"".join(rest)}</details></nav>'
    )


def links_below(*, here: str, fresh: str) -> str:
    """Below the form: what becomes of this sheet, and a new record under the name ``fresh``."""
    return (
        '<nav aria-label="Sheets" style="font-size:18px;margin:24px 0">'
        f"<p>Everything typed into sheet <b>{html.escape(here)}</b> is kept; open this page again to go on with it.</p>"
        f"{_link(fresh, 'Begin another record')}</nav>"
    )


def _link(name: str, said: str) -> str:
    return f'<a style="{_LINK}" href="?sheet={quote(name)}">{html.escape(said)}</a>'
