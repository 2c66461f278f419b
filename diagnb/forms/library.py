"""What a sheet may draw on: accuracy sheets, procedures and caution texts, shipped ones and those of the shop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from diagnb.errors import Fault, InputFault
from diagnb.meters import AccuracySheet, load_sheet, sheet_files
from diagnb.procedures import Procedure, caution_texts, load_procedure, procedure_files


@dataclass(frozen=True, slots=True)
class Library:
    """The accuracy sheets and procedures that a sheet may use, by id, and the caution texts.

    ``faults`` are those of the shop's files that could not be used.
    """

    meters: Mapping[str, AccuracySheet]
    procedures: Mapping[str, Procedure]
    cautions: Mapping[str, str] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()


def load_library(folder: Path | None = None) -> Library:
    """Shipped accuracy sheets and procedures, and those of a shop's ``folder``.

    A file of the shop that can't be used is left out, and its faults are among those of the library.
    """
    meters, procedures = {}, {}
    faults: list[Fault] = []
    for path in sheet_files(folder / "meters" if folder else None).values():
        try:
            sheet = load_sheet(path)
            # By the id inside the file, never by the file's name: a record names and carries that id.
            meters[sheet.id] = sheet
        except InputFault as error:
            faults += error.faults
    for path in procedure_files(folder / "procedures" if folder else None).values():
        try:
            known = load_procedure(path)
            procedures[known.id] = known
        except InputFault as error:
            faults += error.faults
    return Library(meters, procedures, caution_texts(), tuple(faults))
