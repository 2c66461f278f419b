"""What a report is made of, before there are pages: frozen blocks of plain text, never markup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

Align: TypeAlias = Literal["left", "right", "centre"]
Point: TypeAlias = tuple[float, float]


class Surface(Protocol):
    """What a drawing may do. Lengths in points, y grows downwards, grey 0 is black and 1 is white."""

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, width: float, grey: float = 0.0,
        dash: tuple[float, ...] = (),
    ) -> None: ...  # fmt: skip

    def rectangle(
        self, x: float, y: float, width: float, height: float, *, fill: float | None = None,
        stroke: float | None = None, line_width: float = 0.5,
    ) -> None: ...  # fmt: skip

    def polygon(self, points: Sequence[Point], *, fill: float | None, stroke: float | None = None) -> None: ...

    def text(
        self, x: float, y: float, text: str, *, size: float, bold: bool = False, align: Align = "left",
        grey: float = 0.0,
    ) -> None: ...  # fmt: skip


class Drawing(Protocol):
    """A picture with a size of its own that can be drawn at any width."""

    @property
    def width(self) -> float: ...

    @property
    def height(self) -> float: ...

    def draw(self, canvas: Surface, x: float, y: float, width: float) -> None: ...


@dataclass(frozen=True, slots=True)
class Heading:
    """Level 1 is the title of the report, 2 a section, 3 a part of a section."""

    level: Literal[1, 2, 3]
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    text: str
    strong: bool = False
    small: bool = False
    mono: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """A framed paragraph that must not be overlooked: a caution, or the outcome of the whole report."""

    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class KeyValues:
    """Names with their values, in one or two columns; `mono` sets the values in fixed pitch."""

    rows: tuple[tuple[str, str], ...]
    columns: Literal[1, 2] = 1
    mono: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """Text of a table cell; `detail` goes on below it, smaller and softer."""

    text: str
    strong: bool = False
    mono: bool = False
    detail: str = ""


CellLike: TypeAlias = str | Cell


@dataclass(frozen=True, slots=True)
class Table:
    """Every row has as many cells as the head; `widths` are shares of the line, `notes` stand below."""

    head: tuple[str, ...]
    rows: tuple[tuple[CellLike, ...], ...]
    widths: tuple[float, ...]
    align: tuple[Align, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.head)
        if not count or len(self.widths) != count or (self.align and len(self.align) != count):
            raise ValueError("a table needs one width (and one alignment) for each head cell")
        if any(len(row) != count for row in self.rows):
            raise ValueError("every row of a table needs one cell for each head cell")


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing and the sentence that says the same to who can't see it."""

    drawing: Drawing
    alt: str
    caption: str = ""


@dataclass(frozen=True, slots=True)
class PhotoFrame:
    """A picture (JPEG, 8 bits a colour, `width` × `height` pixels) with its caption and a line in small print.

    Two in a row stand side by side. `alt` says what is to be seen.
    """

    jpeg: bytes
    width: int
    height: int
    grey: bool
    alt: str
    caption: str = ""
    small: str = ""


@dataclass(frozen=True, slots=True)
class SignatureField:
    """A place for a digital signature. `strokes` is a drawn signature in a unit square, y downwards.

    Two fields in a row stand side by side. With no lines the field is placed, and empty.
    """

    name: str
    label: str
    lines: tuple[str, ...] = ()
    strokes: tuple[tuple[Point, ...], ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class QrCode:
    """A QR code of `text`, with lines of plain text beside it; `alt` describes the code."""

    text: str
    alt: str
    lines: tuple[CellLike, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """A thin line across the page."""


@dataclass(frozen=True, slots=True)
class EndMark:
    """The last line of the report: nothing may follow it."""

    text: str


Block: TypeAlias = (
    Heading
    | Paragraph
    | Notice
    | KeyValues
    | Table
    | Figure
    | PhotoFrame
    | SignatureField
    | QrCode
    | Rule
    | EndMark
)  # fmt: skip
