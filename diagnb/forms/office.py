"""What the form asks of the world outside it: keys, and the signed report. Whoever opens the form hands one in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Protocol

from diagnb.evaluation import Evaluation
from diagnb.record import Record

NO_PHOTOS: Mapping[str, bytes] = MappingProxyType({})
Strokes = Sequence[Sequence[Sequence[float]]]
"""A drawn signature: strokes of points (x, y) on a field of 900 × 260, y downwards."""


@dataclass(frozen=True, slots=True)
class Issued:
    """The signed report as it was written: its path, and the digest of the record inside."""

    path: Path
    digest: str


def files_folder(report: Path) -> Path:
    """Where the recorded files lie that a report names: beside it, under its own name."""
    return report.with_name(f"{report.stem}-files")


class Office(Protocol):
    """Keys and the issue of reports."""

    def key_files(self) -> tuple[Path, ...]:
        """The key files that this shop has."""

    def keys_of(self, name: str) -> tuple[Path, ...]:
        """The key files that were made for a person of this name."""

    def new_passphrase(self) -> str:
        """A generated passphrase for a new key."""

    def make_key(self, *, name: str, passphrase: bytes) -> Path:
        """Make a key for a technician of this shop, trust it here, and return its file."""

    def issue(
        self,
        *,
        record: Record,
        evaluation: Evaluation,
        key_file: Path,
        passphrase: bytes,
        strokes: Strokes,
        photos: Mapping[str, bytes] = NO_PHOTOS,
        recorded: Mapping[str, bytes] = NO_PHOTOS,
    ) -> Issued:
        """Render, sign and write the report. ``photos`` are the files as taken, by attachment name.

        ``recorded`` are files that the report names and does not hold: they go beside it, into :func:`files_folder`.
        Raises a named fault, and there is no report, when one step fails.
        """
