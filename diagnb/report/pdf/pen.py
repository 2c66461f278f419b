"""A content stream being written: text, lines and shapes, y growing downwards from the top of the page."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from diagnb.report.blocks import Align, Point
from diagnb.report.pdf.fonts import BOLD, REGULAR, Typeface, escaped, typeface, usual_codes


@lru_cache(maxsize=32768)
def number(value: float) -> str:
    """A PDF number with at most two decimals; a hundredth of a point is finer than any printer."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class Pen:
    """Writes PDF operators into `code`. Only changes of colour, width and dash are written."""

    def __init__(self, document: Any, height: float) -> None:
        self._document = document
        self._names: dict[Typeface, str] = {}
        self._height = height
        self.code: list[bytes] = []
        self._fill = self._stroke = 0.0
        self._width = 1.0
        self._dash: tuple[float, ...] = ()

    def content(self) -> bytes:
        return b"\n".join(self.code) + b"\n"

    def _set_fill(self, grey: float) -> None:
        if grey != self._fill:
            self._fill = grey
            self.code.append(f"{number(grey)} g".encode())

    def _set_stroke(self, grey: float, width: float, dash: tuple[float, ...] = ()) -> None:
        if grey != self._stroke:
            self._stroke = grey
            self.code.append(f"{number(grey)} G".encode())
        if width != self._width:
            self._width = width
            self.code.append(f"{number(width)} w".encode())
        if dash != self._dash:
            self._dash = dash
            self.code.append(f"[{' '.join(map(number, dash))}] 0 d".encode())

    def glyphs(self, x: float, y: float, text: str, face: Typeface, size: float, grey: float = 0.0) -> None:
        """Legible `text` with its baseline at `y` below the top of the page."""
        if not text:
            return
        self._set_fill(grey)
        name = self._names.get(face)
        if name is None:
            name = self._names[face] = face.open_in(self._document)
        start = f"BT 1 0 0 1 {number(x)} {number(self._height - y)} Tm "
        codes = usual_codes(face, text)
        if codes is not None:
            self.code.append(b"%s%s %s Tf (%s) Tj ET" % (start.encode(), name.encode(), number(size).encode(), codes))
            return
        out = [start.encode()]
        for subset, piece in face.font.splitString(face.as_drawn(text), self._document):
            name = face.font.getSubsetInternalName(subset, self._document)
            out.append(f"{name} {number(size)} Tf (".encode() + escaped(piece) + b") Tj ")
        out.append(b"ET")
        self.code.append(b"".join(out))

    def slanted(self, x: float, y: float, text: str, face: Typeface, size: float, grey: float) -> None:
        """Legible `text` rising at 45 degrees from (x, y)."""
        self.code.append(f"q 0.7071 0.7071 -0.7071 0.7071 {number(x)} {number(self._height - y)} cm".encode())
        self.glyphs(0, self._height, text, face, size, grey)
        self.code.append(b"Q")
        self._fill = -1.0

    def runs(self, x: float, y: float, module: float, runs: Sequence[tuple[int, int, int]]) -> None:
        """Black runs (column, row, length) of square modules, filled as one path."""
        self._set_fill(0.0)
        self.code.append(
            b"q %s 0 0 %s %s %s cm" % tuple(f"{v:.4f}".encode() for v in (module, -module, x, self._height - y))
        )
        self.code.append(b" ".join(b"%d %d %d 1 re" % (column, row, length) for column, row, length in runs) + b" f Q")

    def image(self, name: str, x: float, y: float, width: float, height: float) -> None:
        """The image object `name` of the page's resources, its upper left corner at (x, y)."""
        box = f"{number(width)} 0 0 {number(height)} {number(x)} {number(self._height - y - height)}"
        self.code.append(f"q {box} cm /{name} Do Q".encode())

    # -- the surface that drawings use -------------------------------------------------------------------

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        width: float,
        grey: float = 0.0,
        dash: tuple[float, ...] = (),
    ) -> None:
        self._set_stroke(grey, width, dash)
        top = self._height
        self.code.append(f"{number(x1)} {number(top - y1)} m {number(x2)} {number(top - y2)} l S".encode())

    def rectangle(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        fill: float | None = None,
        stroke: float | None = None,
        line_width: float = 0.5,
    ) -> None:
        if fill is not None:
            self._set_fill(fill)
        if stroke is not None:
            self._set_stroke(stroke, line_width)
        box = f"{number(x)} {number(self._height - y - height)} {number(width)} {number(height)} re"
        self.code.append(f"{box} {_paint(fill, stroke)}".encode())

    def polygon(self, points: Sequence[Point], *, fill: float | None, stroke: float | None = None) -> None:
        if fill is not None:
            self._set_fill(fill)
        if stroke is not None:
            self._set_stroke(stroke, 0.5)
        steps = [
            f"{number(x)} {number(self._height - y)} {'l' if index else 'm'}" for index, (x, y) in enumerate(points)
        ]
        self.code.append(f"{' '.join(steps)} h {_paint(fill, stroke)}".encode())

    def stroke_path(self, points: Sequence[Point], *, width: float) -> None:
        """An open line through `points`, with round ends as a pen draws it."""
        self._set_stroke(0.0, width)
        steps = [
            f"{number(x)} {number(self._height - y)} {'l' if index else 'm'}" for index, (x, y) in enumerate(points)
        ]
        self.code.append(f"q 1 J 1 j {' '.join(steps)} S Q".encode())

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float,
        bold: bool = False,
        align: Align = "left",
        grey: float = 0.0,
    ) -> None:
        face = typeface(BOLD if bold else REGULAR)
        shown = face.legible(text)
        if align != "left":
            wide = face.width(shown, size)
            x -= wide if align == "right" else wide / 2
        self.glyphs(x, y, shown, face, size, grey)


def _paint(fill: float | None, stroke: float | None) -> str:
    if fill is None:
        return "n" if stroke is None else "S"
    return "f" if stroke is None else "B"
