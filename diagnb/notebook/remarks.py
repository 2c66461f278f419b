"""The claim readiness remarks of one record, as one thing that can be shown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from diagnb.readiness import Remark


@dataclass(frozen=True, slots=True)
class Remarks:
    """What would get this claim rejected, the gravest first. Iterates over the remarks."""

    record: str
    remarks: tuple[Remark, ...]

    def __iter__(self) -> Iterator[Remark]:
        return iter(self.remarks)

    def __len__(self) -> int:
        return len(self.remarks)
