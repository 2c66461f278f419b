"""Completion after ``%diagnb``: verbs, sheets, options and their choices, ids of procedures and meters, files."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from diagnb.notebook.arguments import VERBS, options_of

_KEYS = (".p12", ".pem")
_FILES = {"verify": (".pdf",), "review": (".pdf",), "countersign": (".pdf",)}
_OPTION_FILES = {"--key": _KEYS, "--trust": (".json",), "-o": (".pdf",), "--output": (".pdf",)}


def complete(ipython: Any, event: Any) -> list[str]:
    """What may stand where the cursor is; called by IPython."""
    words = event.line.split("%diagnb", 1)[-1].split()
    begun = event.symbol
    before = words[:-1] if begun else words
    if not before:
        return [word for word in (*VERBS, "--help") if word.startswith(begun)]
    return sorted({c for c in _candidates(ipython, before[0], before[-1], begun) if c.startswith(begun)})


def _candidates(ipython: Any, verb: str, last: str, begun: str) -> Iterable[str]:
    from diagnb.report.wording import LANGUAGES

    if last == "--language":
        return LANGUAGES
    if last == "--paper":
        return ("A4", "Letter")
    if last in _OPTION_FILES:
        return (*_key_files(ipython, last), *_files(begun, _OPTION_FILES[last]))
    if begun.startswith("-"):
        return options_of(verb)
    if verb in ("form", "open"):
        from diagnb.notebook.opening import drafts

        place = _workplace(ipython)
        return drafts(place) if place else ()
    if verb in ("procedure", "meter"):
        from diagnb.notebook.catalogue import known

        place = _workplace(ipython)
        return known(verb, place.folder if place else None)
    return _files(begun, _FILES.get(verb, (".json", ".pdf")))


def _key_files(ipython: Any, option: str) -> Iterable[str]:
    place = _workplace(ipython)
    return (p.as_posix() for p in place.office().key_files()) if place and option == "--key" else ()


def _files(begun: str, ends: tuple[str, ...]) -> Iterable[str]:
    folder = Path(begun) if begun.endswith("/") else Path(begun).parent
    try:
        files = sorted(folder.iterdir())
    except OSError:
        return ()
    return [
        p.as_posix() + ("/" if p.is_dir() else "")
        for p in files
        if (p.is_dir() and not p.name.startswith(".")) or p.suffix.lower() in ends
    ]


def _workplace(ipython: Any) -> Any:
    magic = next((c for c in ipython.configurables if type(c).__name__ == "Diagnb"), None)
    return magic.workplace() if magic else None
