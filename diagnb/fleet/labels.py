"""A column of text kept as codes and names: a million rows of few different words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.errors import fault

Array = Any


def listed(names: Iterable[str], most: int = 20) -> str:
    """Names in order for a sentence; how many more there are is said."""
    known = sorted(n for n in names if n)
    return ", ".join(known[:most]) + (f" and {len(known) - most} more" if len(known) > most else "")


@dataclass(frozen=True, slots=True)
class Labels:
    """``names[codes[i]]`` is the text of row i; ``codes`` (n,) whole numbers, ``names`` all different.

    Raises :class:`~diagnb.errors.InputFault` for codes without a name or names that stand twice.
    """

    codes: Array
    names: tuple[str, ...]

    def __post_init__(self) -> None:
        codes = np.array(self.codes, dtype=np.int32)
        if codes.ndim != 1 or (codes.size and (codes.min() < 0 or codes.max() >= len(self.names))):
            raise fault("labels", "codes and names don't fit")
        if len(set(self.names)) != len(self.names):
            raise fault("labels", "a name stands twice")
        codes.flags.writeable = False
        object.__setattr__(self, "codes", codes)
        object.__setattr__(self, "names", tuple(self.names))

    @classmethod
    def of(cls, values: Iterable[Any]) -> Labels:
        """From text; ``None`` is the empty text, numbers are written out."""
        if isinstance(values, Labels):
            return values
        index: dict[str, int] = {}
        column = values.tolist() if isinstance(values, np.ndarray) else values
        codes = [
            index.setdefault(v if type(v) is str else "" if v is None or v != v else str(v), len(index)) for v in column
        ]
        return cls(np.array(codes, dtype=np.int32), tuple(index))

    @property
    def size(self) -> int:
        """Number of rows."""
        return int(self.codes.size)

    def take(self, chosen: Array) -> Labels:
        """Some rows, by mask or positions; names stay as they are."""
        return Labels(self.codes[chosen], self.names)

    def in_order(self) -> Labels:
        """The same texts with names in alphabetical order, so that codes do not tell which row came first."""
        order = sorted(range(len(self.names)), key=self.names.__getitem__)
        place = np.empty(len(order), dtype=np.int32)
        place[order] = np.arange(len(order), dtype=np.int32)
        return Labels(place[self.codes] if order else self.codes, tuple(self.names[k] for k in order))

    def texts(self) -> list[str]:
        """The text of every row."""
        return [self.names[c] for c in self.codes]

    def code(self, name: str) -> int:
        """The code of a name. Raises :class:`~diagnb.errors.InputFault` when it is not here."""
        try:
            return self.names.index(name)
        except ValueError:
            some = listed(self.names)
            raise fault("name", f"{name!r} is not in the data", f"it has {some}") from None

    def marked(self, wanted: Iterable[str]) -> Array:
        """Mask (n,) of the rows whose text is one of ``wanted``."""
        known = set(wanted)
        return (
            np.array([name in known for name in self.names], dtype=bool)[self.codes] if self.names else self.codes > 0
        )
