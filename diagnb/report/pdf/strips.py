"""Horizontal slices of a page with their marks: what layout makes and paint draws."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TypeAlias

from diagnb.report.blocks import Drawing, PhotoFrame, Point
from diagnb.report.pdf.fonts import Typeface
from diagnb.report.pdf.tags import Element


@dataclass(frozen=True, slots=True)
class Glyphs:
    """A run of legible text with its baseline at `y`; without an element it is decoration."""

    element: Element | None
    x: float
    y: float
    text: str
    face: Typeface
    size: float
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Stroke:
    x1: float
    y1: float
    x2: float
    y2: float
    width: float
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Picture:
    element: Element
    x: float
    y: float
    width: float
    drawing: Drawing


@dataclass(frozen=True, slots=True)
class Image:
    """A JPEG drawn into a box."""

    element: Element
    x: float
    y: float
    width: float
    height: float
    photo: PhotoFrame


@dataclass(frozen=True, slots=True)
class Matrix:
    """A QR code: black runs as (column, row, length) in modules."""

    element: Element
    x: float
    y: float
    module: float
    runs: tuple[tuple[int, int, int], ...]
    count: int


@dataclass(frozen=True, slots=True)
class Field:
    """An empty or drawn signature field."""

    element: Element
    name: str
    label: str
    x: float
    y: float
    width: float
    height: float
    lines: tuple[str, ...]
    strokes: tuple[tuple[Point, ...], ...]


Mark: TypeAlias = Glyphs | Stroke | Picture | Image | Matrix | Field


@dataclass(frozen=True, slots=True)
class Strip:
    """An unbreakable slice. `space` stands above it unless it opens a page; `keep` binds it to the next.

    `head` is drawn again, as decoration, when the strip opens a page.
    """

    height: float
    marks: tuple[Mark, ...] = ()
    space: float = 0.0
    keep: bool = False
    head: tuple[Strip, ...] = ()

    def as_decoration(self) -> Strip:
        marks = tuple(replace(m, element=None) if isinstance(m, Glyphs) else m for m in self.marks)
        return Strip(self.height, marks)


@dataclass(slots=True)
class Page:
    """Strips with the distance of their top edge from the top of the page."""

    placed: list[tuple[float, Strip]] = field(default_factory=list)


def paginate(strips: list[Strip], *, top: float, bottom: float) -> list[Page]:
    """Fill pages from `top` to `bottom` (distances from the upper edge), keeping bound strips together."""
    pages = [Page()]
    at = top
    index = 0
    while index < len(strips):
        stop = index
        while stop < len(strips) - 1 and strips[stop].keep:
            stop += 1
        group = strips[index : stop + 1]
        needed = sum(s.height + s.space for s in group)
        if pages[-1].placed and at + needed > bottom and needed - group[0].space <= bottom - top:
            pages.append(Page())
            at = top
        for strip in group:
            if pages[-1].placed and at + strip.space + strip.height > bottom:
                pages.append(Page())
                at = top
            if not pages[-1].placed:
                for head in strip.head:
                    pages[-1].placed.append((at, head.as_decoration()))
                    at += head.height
            else:
                at += strip.space
            pages[-1].placed.append((at, strip))
            at += strip.height
        index = stop + 1
    return pages
