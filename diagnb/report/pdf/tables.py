"""Tables and name-value lists into strips, with their row, head and data elements."""

from __future__ import annotations

from diagnb.report.blocks import Align, Cell, CellLike, KeyValues, Table
from diagnb.report.pdf import style
from diagnb.report.pdf.fonts import typeface
from diagnb.report.pdf.lines import wrap
from diagnb.report.pdf.strips import Glyphs, Mark, Strip, Stroke
from diagnb.report.pdf.style import ASCENT, PAD_X, PAD_Y, Style
from diagnb.report.pdf.tags import Element

_TALL = 24
_PIECE = 12


def cell_style(cell: CellLike) -> tuple[Style, str]:
    if isinstance(cell, Cell):
        chosen = style.CELL_STRONG if cell.strong else style.CELL_MONO if cell.mono else style.CELL
        return chosen, cell.text
    return style.CELL, cell


def table_strips(block: Table, root: Element, left: float, width: float) -> list[Strip]:
    """The head once as tagged row, then each row; a row of more than 24 lines goes on in pieces."""
    table = root.child("Table")
    total = sum(block.widths)
    columns: list[tuple[float, float]] = []
    at = left
    for share in block.widths:
        wide = width * share / total
        columns.append((at, wide))
        at += wide
    align: tuple[Align, ...] = block.align or _lefts(len(block.head))
    head_row = table.child("TR")
    head_cells = [(style.HEAD, text, head_row.child("TH", scope="Column")) for text in block.head]
    head = _row(head_cells, columns, align, left, width, rule=(0.7, 0.0), whole=True)
    head = [Strip(s.height, s.marks, style.HEAD.space if i == 0 else 0.0, True) for i, s in enumerate(head)]
    repeated = tuple(head)
    strips = list(head)
    for cells in block.rows:
        row = table.child("TR")
        styled = [(*cell_style(cell), row.child("TD")) for cell in cells]
        for piece in _row(styled, columns, align, left, width, rule=(0.35, style.HAIR), whole=False):
            strips.append(Strip(piece.height, piece.marks, 0.0, False, repeated))
    return strips


def _row(
    cells: list[tuple[Style, str, Element]],
    columns: list[tuple[float, float]],
    align: tuple[Align, ...],
    left: float,
    width: float,
    *,
    rule: tuple[float, float],
    whole: bool,
) -> list[Strip]:
    wrapped = [
        wrap(text, typeface(chosen.face), chosen.size, wide - 2 * PAD_X)
        for (chosen, text, _), (_, wide) in zip(cells, columns, strict=True)
    ]
    if whole:
        wrapped = [lines[:6] for lines in wrapped]
    count = max(len(lines) for lines in wrapped)
    leading = max(chosen.leading for chosen, _, _ in cells)
    step = count if whole or count <= _TALL else _PIECE
    strips = []
    for first in range(0, count, step):
        rows = min(step, count - first)
        final = first + step >= count
        top = PAD_Y if first == 0 else 0.0
        height = top + rows * leading + (PAD_Y if final else 0.0)
        marks: list[Mark] = []
        for (chosen, _, element), (x, wide), side, lines in zip(cells, columns, align, wrapped, strict=True):
            face = typeface(chosen.face)
            base = top + chosen.size * ASCENT + (leading - chosen.size) / 2
            for index, line in enumerate(lines[first : first + step]):
                if not line:
                    continue
                start = x + PAD_X
                if side != "left":
                    slack = wide - 2 * PAD_X - face.width(line, chosen.size)
                    start += slack if side == "right" else slack / 2
                marks.append(Glyphs(element, start, base + index * leading, line, face, chosen.size, chosen.grey))
        if final:
            marks.append(Stroke(left, height, left + width, height, *rule))
        strips.append(Strip(height, tuple(marks)))
    return strips


def _lefts(count: int) -> tuple[Align, ...]:
    return tuple("left" for _ in range(count))


def key_value_strips(block: KeyValues, root: Element, left: float, width: float) -> list[Strip]:
    """Names as row heads, values beside them; in two columns pairs run from left to right."""
    if not block.rows:
        return []
    table = root.child("Table")
    half = width / block.columns
    label = 0.36 * half if block.columns == 2 else 0.24 * half
    columns: list[tuple[float, float]] = []
    for number in range(block.columns):
        columns += [(left + number * half - PAD_X, label + PAD_X), (left + number * half + label, half - label)]
    values = style.CELL_MONO if block.mono else style.CELL
    strips: list[Strip] = []
    for first in range(0, len(block.rows), block.columns):
        pairs = block.rows[first : first + block.columns]
        row = table.child("TR")
        cells: list[tuple[Style, str, Element]] = []
        for name, value in pairs:
            cells.append((style.LABEL, name, row.child("TH", scope="Row")))
            cells.append((values, value, row.child("TD")))
        while len(cells) < 2 * block.columns:
            cells.append((values, "", row.child("TD")))
        align = _lefts(len(cells))
        pieces = _row(cells, columns, align, left, width, rule=(0.3, 0.86), whole=False)
        strips.extend(Strip(p.height, p.marks, 5.0 if not strips else 0.0) for p in pieces)
    return strips
