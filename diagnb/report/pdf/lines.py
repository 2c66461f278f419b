"""Text broken into lines that fit."""

from __future__ import annotations

from functools import lru_cache

from diagnb.report.pdf.direction import mark_of
from diagnb.report.pdf.fonts import Typeface

_BREAK_AFTER = frozenset(" /\\-_:;,.=&?|@+)]")


_MOST_REMEMBERED = 400


def wrap(text: str, face: Typeface, size: float, width: float) -> tuple[str, ...]:
    """Lines of legible text no wider than `width` points; at least one. Line breaks in `text` are kept.

    A word wider than the line is cut, at punctuation when some stands in the last third. Linear in the text.
    Lines are in reading order; those of a paragraph with right-to-left writing begin with the mark of its direction.
    """
    return (_remembered if len(text) <= _MOST_REMEMBERED else _wrap)(text, face, size, width)


def _wrap(text: str, face: Typeface, size: float, width: float) -> tuple[str, ...]:
    lines: list[str] = []
    room = width * 1000 / size
    space = face.character(" ")
    for part in text.splitlines() or [""]:
        held: list[str] = []
        used = 0.0
        mark = mark_of(part)
        first = len(lines)
        # only breakable blanks part words: a no-break space stays inside its word
        for raw in part.replace("\t", " ").split(" "):
            word = face.legible(raw)
            if not word:
                continue
            wide = face.width(word, 1000)
            if held and used + space + wide <= room:
                held.append(word)
                used += space + wide
                continue
            if held:
                lines.append(" ".join(held))
            if wide > room:
                pieces = _cut(word, face, room)
                lines.extend(pieces[:-1])
                word = pieces[-1]
                wide = face.width(word, 1000)
            held, used = [word], wide
        lines.append(" ".join(held))
        if mark:
            lines[first:] = [mark + line for line in lines[first:]]
    return tuple(lines)


# the words of a report's own are the same in every report of a batch
_remembered = lru_cache(maxsize=16384)(_wrap)


def _cut(word: str, face: Typeface, room: float) -> list[str]:
    pieces: list[str] = []
    start, used, mark = 0, 0.0, 0
    for index, character in enumerate(word):
        wide = face.character(character)
        if used + wide > room and index > start:
            stop = mark if mark > start + (index - start) * 2 // 3 else index
            pieces.append(word[start:stop])
            used = sum(face.character(c) for c in word[stop:index])
            start = stop
        used += wide
        if character in _BREAK_AFTER:
            mark = index + 1
    pieces.append(word[start:])
    return pieces
