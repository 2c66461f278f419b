"""The appearance of a signature field: what stands inside its box on paper."""

from __future__ import annotations

from diagnb.report.pdf.fonts import BOLD, REGULAR, typeface
from diagnb.report.pdf.lines import wrap
from diagnb.report.pdf.objects import Document, reference
from diagnb.report.pdf.pen import Pen, number
from diagnb.report.pdf.strips import Field

_MOST_POINTS = 5000


def draw_appearance(document: Document, mark: Field) -> int:
    """Object number of the field's appearance stream; an empty field has an empty one."""
    pen = Pen(document, mark.height)
    text_width = mark.width - 10
    if mark.strokes:
        text_width = mark.width * 0.58
        _draw_strokes(pen, mark, mark.width * 0.62, mark.width * 0.36)
    at = 6.0
    for index, line in enumerate(mark.lines):
        face, size = (typeface(BOLD), 9.0) if index == 0 else (typeface(REGULAR), 6.9)
        for row in wrap(line, face, size, text_width)[: 1 if index == 0 else 2]:
            if at + size > mark.height - 3:
                break
            pen.glyphs(5.0, at + size * 0.9, row, face, size)
            at += size * 1.4
    box = f"0 0 {number(mark.width)} {number(mark.height)}".encode()
    return document.add_stream(
        pen.content(),
        {
            "Type": "/XObject",
            "Subtype": "/Form",
            "BBox": b"[" + box + b"]",
            "Resources": b"<</Font " + reference(document.fonts()) + b">>",
        },
    )


def _draw_strokes(pen: Pen, mark: Field, left: float, width: float) -> None:
    """The drawn signature, kept in proportion inside its share of the box."""
    points = [p for stroke in mark.strokes for p in stroke]
    if not points or len(points) > _MOST_POINTS:
        return
    low_x, high_x = min(p[0] for p in points), max(p[0] for p in points)
    low_y, high_y = min(p[1] for p in points), max(p[1] for p in points)
    room_x, room_y = width - 6, mark.height - 14
    scale = min(room_x / max(high_x - low_x, 1e-6), room_y / max(high_y - low_y, 1e-6))
    x0 = left + (width - (high_x - low_x) * scale) / 2
    y0 = (mark.height - (high_y - low_y) * scale) / 2
    for stroke in mark.strokes:
        moved = [(x0 + (x - low_x) * scale, y0 + (y - low_y) * scale) for x, y in stroke]
        if len(moved) == 1:
            moved.append((moved[0][0] + 0.4, moved[0][1]))
        pen.stroke_path(moved, width=1.1)
