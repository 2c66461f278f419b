"""Procedures and accuracy sheets of a shop's folder and of the package, as the magic lists and shows them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

from diagnb.errors import fault

Noun = Literal["procedure", "meter"]


def known(noun: str, folder: Path | None) -> tuple[str, ...]:
    """The ids there are, the shop's own and the shipped ones."""
    return tuple(sorted(_files(noun, folder)))


def load(noun: str, name: str, folder: Path | None) -> Any:
    """The procedure or accuracy sheet of this id. Raises InputFault when there is none, or it has faults."""
    from diagnb.meters import load_sheet
    from diagnb.procedures import load_procedure

    files = _files(noun, folder)
    if name not in files:
        raise fault(name, f"there is no such {noun}", f"%diagnb {noun} lists them")
    return load_procedure(files[name]) if noun == "procedure" else load_sheet(files[name])


def lines(noun: str, folder: Path | None) -> Iterable[str]:
    """One line each: id and title."""
    names = known(noun, folder)
    width = max(map(len, names), default=0)
    for name in names:
        yield f"{name:{width}}  {load(noun, name, folder).title}"


def _files(noun: str, folder: Path | None) -> dict[str, Path]:
    from diagnb.meters import sheet_files
    from diagnb.procedures import procedure_files

    if noun == "procedure":
        return procedure_files(folder / "procedures" if folder else None)
    return sheet_files(folder / "meters" if folder else None)
