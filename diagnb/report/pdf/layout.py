"""Blocks into strips: every measure of the page is decided here, nothing is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from diagnb.errors import fault
from diagnb.report.blocks import (
    Block,
    EndMark,
    Figure,
    Heading,
    KeyValues,
    Notice,
    Paragraph,
    PhotoFrame,
    QrCode,
    Rule,
    SignatureField,
    Table,
)
from diagnb.report.pdf import style
from diagnb.report.pdf.codes import qr_runs
from diagnb.report.pdf.direction import RIGHT
from diagnb.report.pdf.fonts import Typeface, typeface
from diagnb.report.pdf.lines import wrap
from diagnb.report.pdf.strips import Field, Glyphs, Image, Mark, Matrix, Picture, Strip, Stroke
from diagnb.report.pdf.style import ASCENT, Style
from diagnb.report.pdf.tables import cell_style, key_value_strips, table_strips
from diagnb.report.pdf.tags import Element

_GAP = 16.0
_FIELD_HEIGHT = 66.0
_QR_SIDE = 92.0
_PHOTO_HEIGHT = 216.0
_LEAST_PAGE = min(height for _, height in style.PAPERS.values()) - style.TOP - style.BOTTOM


def lay_out(blocks: Sequence[Block], root: Element, *, left: float, width: float) -> list[Strip]:
    """Strips of all blocks, `width` points wide from `left`; grows the structure tree under `root`."""
    strips: list[Strip] = []
    index = 0
    closing: int | None = None
    while index < len(blocks):
        block = blocks[index]
        following = blocks[index + 1] if index + 1 < len(blocks) else None
        if closing is None and (isinstance(block, SignatureField) or _leads_to_signature(block, following)):
            closing = len(strips)
        if isinstance(block, SignatureField):
            pair = [block]
            if isinstance(following, SignatureField):
                pair.append(following)
                index += 1
            strips.extend(_signatures(pair, root, left, width))
        elif isinstance(block, PhotoFrame):
            frames = [block]
            if isinstance(following, PhotoFrame):
                frames.append(following)
                index += 1
            strips.extend(_photos(frames, root, left, width))
        else:
            if isinstance(block, EndMark) and strips:
                # the end mark never stands alone on a page
                last = strips[-1]
                strips[-1] = Strip(last.height, last.marks, last.space, True, last.head)
            added = _strips(block, root, left, width)
            introduces = index > 0 and isinstance(blocks[index - 1], Heading) and isinstance(following, Table)
            strips.extend(_bound(added) if introduces and isinstance(block, Paragraph) and len(added) < 4 else added)
        index += 1
    if closing is not None and isinstance(blocks[-1], EndMark):
        # Signatures and proof stay on one page, and on the page before when they fit there.
        end = strips[closing:]
        if sum(s.height + s.space for s in end) <= _LEAST_PAGE:
            strips[closing:] = [*_bound(end[:-1]), end[-1]]
    if strips:
        strips[0] = Strip(strips[0].height, strips[0].marks, 0.0, strips[0].keep)
    return strips


_MOST_NOTES_TOGETHER = 8
"""Lines of notes that stand below a table on one page."""


def _leads_to_signature(block: Block, following: Block | None) -> bool:
    return isinstance(block, Heading) and isinstance(following, SignatureField)


def _strips(block: Block, root: Element, left: float, width: float) -> list[Strip]:
    if isinstance(block, Heading):
        return _heading(block, root, left, width)
    if isinstance(block, Paragraph):
        if block.strong:
            chosen = style.STRONG
        else:
            chosen = style.FIXED if block.mono else style.SMALL if block.small else style.BODY
        return text_strips(block.text, chosen, root.child("P"), left, width)
    if isinstance(block, Notice):
        return _notice(block, root, left, width)
    if isinstance(block, KeyValues):
        return key_value_strips(block, root, left, width)
    if isinstance(block, Table):
        strips = table_strips(block, root, left, width)
        notes = [line for note in block.notes for line in text_strips(note, style.SMALL, root.child("P"), left, width)]
        if notes and strips:
            # Notes never open a page without a row that they speak of; a few stay together.
            strips[-1] = replace(strips[-1], keep=True)
            notes = [*_bound(notes[:-1]), notes[-1]] if len(notes) <= _MOST_NOTES_TOGETHER else notes
        strips.extend(notes)
        return strips
    if isinstance(block, Figure):
        return _figure(block, root, left, width)
    if isinstance(block, QrCode):
        return _qr(block, root, left, width)
    if isinstance(block, Rule):
        return [Strip(0.6, (Stroke(left, 0.3, left + width, 0.3, 0.5, style.HAIR),), 8.0)]
    if isinstance(block, EndMark):
        return _end(block, root, left, width)
    raise fault("blocks", f"{type(block).__name__} is not a block of a report")


def text_strips(text: str, chosen: Style, element: Element, left: float, width: float) -> list[Strip]:
    """One strip a line; the first two and the last two lines stay together."""
    face = typeface(chosen.face)
    lines = wrap(text, face, chosen.size, width)
    last = len(lines) - 1
    base = chosen.size * ASCENT + (chosen.leading - chosen.size) / 2
    return [
        Strip(
            chosen.leading,
            (Glyphs(element, left + _slack(line, face, chosen, width), base, line, face, chosen.size, chosen.grey),),
            chosen.space if index == 0 else 0.0,
            keep=last > 0 and index in (0, last - 1) and index != last,
        )
        for index, line in enumerate(lines)
    ]


def _slack(line: str, face: Typeface, chosen: Style, width: float) -> float:
    """How far a line is moved: one of a right-to-left paragraph ends at the right edge."""
    return max(0.0, width - face.width(line, chosen.size)) if line.startswith(RIGHT) else 0.0


def _bound(strips: list[Strip]) -> list[Strip]:
    return [Strip(s.height, s.marks, s.space, True, s.head) for s in strips]


def _heading(block: Heading, root: Element, left: float, width: float) -> list[Strip]:
    chosen = {1: style.TITLE, 2: style.SECTION, 3: style.PART}[block.level]
    strips = _bound(text_strips(block.text, chosen, root.child(f"H{block.level}"), left, width))
    if block.level == 2:
        strips.append(Strip(3.0, (Stroke(left, 1.2, left + width, 1.2, 0.8),), keep=True))
    return strips


def _notice(block: Notice, root: Element, left: float, width: float) -> list[Strip]:
    inset = 10.0
    strips = _bound(text_strips(block.heading, style.STRONG, root.child("P"), left + inset, width - inset))
    body = text_strips(block.text, style.BODY, root.child("P"), left + inset, width - inset) if block.text else []
    if body:
        body[0] = Strip(body[0].height, body[0].marks, 0.0, body[0].keep)
    barred = []
    for index, strip in enumerate([*strips, *body]):
        bar = Stroke(left + 1.5, 0.0, left + 1.5, strip.height, 3.0)
        keep = strip.keep and (index < len(strips) + len(body) - 1)
        barred.append(Strip(strip.height, (bar, *strip.marks), 8.0 if index == 0 else 0.0, keep))
    return barred


def _figure(block: Figure, root: Element, left: float, width: float) -> list[Strip]:
    drawing = block.drawing
    shown = min(width, drawing.width)
    element = root.child("Figure", alt=block.alt)
    picture = Picture(element, left, 0.0, shown, drawing)
    strips = [Strip(drawing.height * shown / drawing.width, (picture,), 6.0, keep=bool(block.caption))]
    if block.caption:
        strips.extend(text_strips(block.caption, style.SMALL, root.child("P"), left, width))
    return strips


def _photos(frames: list[PhotoFrame], root: Element, left: float, width: float) -> list[Strip]:
    half = (width - _GAP) / 2
    images: list[Mark] = []
    below: list[Mark] = []
    tallest = lowest = 0.0
    for index, block in enumerate(frames):
        x = left + index * (half + _GAP)
        scale = min(half / block.width, _PHOTO_HEIGHT / block.height)
        wide, high = block.width * scale, block.height * scale
        tallest = max(tallest, high)
        images.append(Image(root.child("Figure", alt=block.alt), x, 0.0, wide, high, block))
        at = 0.0
        for text, chosen in ((block.caption, style.CELL_STRONG), (block.small, style.DETAIL)):
            face = typeface(chosen.face)
            element = root.child("P")
            for row in wrap(text, face, chosen.size, half)[:8] if text else ():
                below.append(Glyphs(element, x, at + chosen.size, row, face, chosen.size, chosen.grey))
                at += chosen.leading
        lowest = max(lowest, at)
    return [Strip(tallest, tuple(images), 8.0, keep=True), Strip(lowest + 2, tuple(below), 3.0)]


def _signatures(fields: list[SignatureField], root: Element, left: float, width: float) -> list[Strip]:
    half = (width - _GAP) / 2
    above: list[Mark] = []
    boxes: list[Mark] = []
    below: list[Mark] = []
    lines_below = 0
    title, small = style.STRONG, style.SMALL
    for index, block in enumerate(fields):
        x = left + index * (half + _GAP)
        face = typeface(title.face)
        label = wrap(block.label, face, title.size, half)[0]
        above.append(Glyphs(root.child("P"), x, title.size, label, face, title.size))
        element = root.child("Form", alt=f"{block.label}. {' '.join(block.lines)}".strip())
        frame = (
            (x, 0.0, x + half, 0.0),
            (x, _FIELD_HEIGHT, x + half, _FIELD_HEIGHT),
            (x, 0.0, x, _FIELD_HEIGHT),
            (x + half, 0.0, x + half, _FIELD_HEIGHT),
        )
        boxes.extend(Stroke(*corner, 0.6, 0.45) for corner in frame)
        boxes.append(
            Field(element, block.name, block.label, x + 1, 1.0, half - 2, _FIELD_HEIGHT - 2, block.lines, block.strokes)
        )
        if block.note:
            note = root.child("P")
            face = typeface(small.face)
            rows = wrap(block.note, face, small.size, half)[:6]
            below.extend(
                Glyphs(note, x, small.size + i * small.leading, row, face, small.size, small.grey)
                for i, row in enumerate(rows)
            )
            lines_below = max(lines_below, len(rows))
    strips = [
        Strip(title.leading + 1, tuple(above), 8.0, keep=True),
        Strip(_FIELD_HEIGHT, tuple(boxes), keep=bool(below)),
    ]
    if below:
        strips.append(Strip(lines_below * small.leading + 2, tuple(below), 3.0))
    return strips


def _qr(block: QrCode, root: Element, left: float, width: float) -> list[Strip]:
    runs, count = qr_runs(block.text)
    module = _QR_SIDE / count
    marks: list[Mark] = [Matrix(root.child("Figure", alt=block.alt), left, 0.0, module, runs, count)]
    x = left + _QR_SIDE + _GAP
    at = 2.0
    for line in block.lines:
        chosen, text = cell_style(line)
        face = typeface(chosen.face)
        element = root.child("P")
        for row in wrap(text, face, chosen.size, width - _QR_SIDE - _GAP)[:10]:
            marks.append(Glyphs(element, x, at + chosen.size, row, face, chosen.size))
            at += chosen.leading
        at += 3.0
    return [Strip(max(_QR_SIDE, at), tuple(marks), 8.0)]


def _end(block: EndMark, root: Element, left: float, width: float) -> list[Strip]:
    chosen = style.SMALL
    face = typeface(chosen.face)
    text = wrap(block.text, face, chosen.size, width * 0.8)[0]
    wide = face.width(text, chosen.size)
    middle = left + width / 2
    marks = (
        Stroke(left, 6.0, middle - wide / 2 - 10, 6.0, 0.5, style.HAIR),
        Stroke(middle + wide / 2 + 10, 6.0, left + width, 6.0, 0.5, style.HAIR),
        Glyphs(root.child("P"), middle - wide / 2, 8.4, text, face, chosen.size, chosen.grey),
    )
    return [Strip(12.0, marks, 16.0)]
