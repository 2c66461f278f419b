"""Tables and name-value lists into strips, with their row, head and data elements."""

from __future__ import annotations

from typing import TypeAlias

from diagnb.report.blocks import Align, Cell, CellLike, KeyValues, Table
from diagnb.report.pdf import style
from diagnb.report.pdf.direction import RIGHT
from diagnb.report.pdf.fonts import typeface
from diagnb.report.pdf.lines import wrap
from diagnb.report.pdf.strips import Glyphs, Mark, Strip, Stroke
from diagnb.report.pdf.style import ASCENT, PAD_X, PAD_Y, Style
from diagnb.report.pdf.tags import Element

_TALL = 24
_PIECE = 12


_Runs: TypeAlias = tuple[tuple[Style, str], ...]


def cell_style(cell: CellLike) -> tuple[Style, str]:
    if isinstance(cell, Cell):
        chosen = style.CELL_STRONG if cell.strong else style.CELL_MONO if cell.mono else style.CELL
        return chosen, cell.text
    return style.CELL, cell


def _runs(cell: CellLike) -> _Runs:
    if isinstance(cell, Cell) and cell.detail:
        return cell_style(cell), (style.DETAIL, cell.detail)
    return (cell_style(cell),)


def table_strips(block: Table, root: Element, left: float, width: float) -> list[Strip]:
    """The head once as tagged row, then each row; a row of more than 24 lines goes on in pieces."""
    table = root.child("Table")
    total = sum(block.widths)
    columns: list[tuple[float, float]] = []
    at = left
    for share in block.widths:
        wide = width * share / total
        columns.append((at, wide) if columns else (at - PAD_X, wide + PAD_X))
        at += wide
    align: tuple[Align, ...] = block.align or _lefts(len(block.head))
    head_row = table.child("TR")
    head_cells: list[tuple[_Runs, Element]] = [
        (((style.HEAD, text),), head_row.child("TH", scope="Column")) for text in block.head
    ]
    head = _row(head_cells, columns, align, left, width, rule=(0.7, 0.0), whole=True)
    head = [Strip(s.height, s.marks, style.HEAD.space if i == 0 else 0.0, True) for i, s in enumerate(head)]
    repeated = tuple(head)
    strips = list(head)
    last = len(block.rows) - 1
    for number, cells in enumerate(block.rows):
        row = table.child("TR")
        styled = [(_runs(cell), row.child("TD")) for cell in cells]
        pieces = _row(styled, columns, align, left, width, rule=(0.35, style.HAIR), whole=False)
        # two rows at least stay with the head, and two at the end
        bound = len(pieces) == 1 and last > 0 and number in (0, last - 1)
        strips.extend(Strip(piece.height, piece.marks, 0.0, bound, repeated) for piece in pieces)
    return strips


def _row(
    cells: list[tuple[_Runs, Element]],
    columns: list[tuple[float, float]],
    align: tuple[Align, ...],
    left: float,
    width: float,
    *,
    rule: tuple[float, float],
    whole: bool,
) -> list[Strip]:
    wrapped = [
        [
            (line, chosen)
            for chosen, text in runs
            for line in wrap(text, typeface(chosen.face), chosen.size, wide - 2 * PAD_X)
        ]
        for (runs, _), (_, wide) in zip(cells, columns, strict=True)
    ]
    if whole:
        wrapped = [lines[:6] for lines in wrapped]
    count = max(len(lines) for lines in wrapped)
    leading = max(chosen.leading for lines in wrapped for _, chosen in lines)
    step = count if whole or count <= _TALL else _PIECE
    strips = []
    for first in range(0, count, step):
        rows = min(step, count - first)
        final = first + step >= count
        top = PAD_Y if first == 0 else 0.0
        height = top + rows * leading + (PAD_Y if final else 0.0)
        marks: list[Mark] = []
        for (_, element), (x, wide), side, lines in zip(cells, columns, align, wrapped, strict=True):
            for index, (line, chosen) in enumerate(lines[first : first + step]):
                if not line:
                    continue
                face = typeface(chosen.face)
                base = top + chosen.size * ASCENT + (leading - chosen.size) / 2 + index * leading
                start = x + PAD_X
                if side != "left" or line.startswith(RIGHT):
                    slack = wide - 2 * PAD_X - face.width(line, chosen.size)
                    start += slack / 2 if side == "centre" else slack
                marks.append(Glyphs(element, start, base, line, face, chosen.size, chosen.grey))
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
    label = 0.18 * width
    columns: list[tuple[float, float]] = []
    for number in range(block.columns):
        columns += [(left + number * half - PAD_X, label + PAD_X), (left + number * half + label, half - label)]
    values = style.CELL_MONO if block.mono else style.CELL
    strips: list[Strip] = []
    for first in range(0, len(block.rows), block.columns):
        pairs = block.rows[first : first + block.columns]
        row = table.child("TR")
        cells: list[tuple[_Runs, Element]] = []
        for name, value in pairs:
            cells.append((((style.LABEL, name),), row.child("TH", scope="Row")))
            cells.append((((values, value),), row.child("TD")))
        while len(cells) < 2 * block.columns:
            cells.append((((values, ""),), row.child("TD")))
        align = _lefts(len(cells))
        pieces = _row(cells, columns, align, left, width, rule=(0.3, 0.86), whole=False)
        strips.extend(Strip(p.height, p.marks, 5.0 if not strips else 0.0) for p in pieces)
    return strips
