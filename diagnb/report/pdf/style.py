"""Sizes of the page in one place: black on white, three faces, one scale of sizes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from diagnb.report.pdf.fonts import BOLD, MONO, REGULAR

Paper: TypeAlias = Literal["A4", "Letter"]
PAPERS: dict[str, tuple[float, float]] = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}

SIDE, TOP, BOTTOM = 51.0, 60.0, 58.0
ASCENT = 0.78
SOFT = 0.32
HAIR = 0.72


@dataclass(frozen=True, slots=True)
class Style:
    face: str
    size: float
    leading: float
    space: float = 0.0
    grey: float = 0.0


TITLE = Style(BOLD, 17.0, 21.0)
SECTION = Style(BOLD, 10.5, 14.0, 15.0)
PART = Style(BOLD, 8.4, 11.4, 8.0)
BODY = Style(REGULAR, 8.4, 11.8, 4.0)
STRONG = Style(BOLD, 8.4, 11.8, 4.0)
SMALL = Style(REGULAR, 7.0, 9.6, 3.0, SOFT)
FIXED = Style(MONO, 7.6, 10.4, 3.0)
HEAD = Style(BOLD, 7.0, 9.2, 6.0, SOFT)
CELL = Style(REGULAR, 7.6, 10.2)
CELL_STRONG = Style(BOLD, 7.6, 10.2)
CELL_MONO = Style(MONO, 7.3, 10.2)
DETAIL = Style(REGULAR, 6.8, 10.2, 0.0, SOFT)
LABEL = Style(REGULAR, 7.6, 10.6, 0.0, SOFT)
PAD_X, PAD_Y = 4.0, 2.6
