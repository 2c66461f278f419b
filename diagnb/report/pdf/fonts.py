"""The three typefaces that travel with the report, measured and made ready to embed."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from reportlab.pdfbase.ttfonts import TTFont

from diagnb.report.pdf.direction import as_drawn, joined, runs_to_the_left, unmarked

FOLDER = Path(__file__).resolve().parent.parent / "fonts"
REGULAR, BOLD, MONO = "regular", "bold", "mono"
_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf", MONO: "DejaVuSansMono.ttf"}

# a face has one reading position, so only one thread at a time may read from it
FACE_LOCK = threading.RLock()

# controls, bidirectional overrides and isolates, zero-width characters, byte order mark, tags
_DROPPED = frozenset(
    [
        *range(0x20),
        *range(0x7F, 0xA0),
        0xAD,
        0x61C,
        0x180E,
        *range(0x200B, 0x2010),
        *range(0x2028, 0x202F),
        *range(0x2060, 0x2070),
        *range(0xFE00, 0xFE10),
        0xFEFF,
        *range(0xFFF9, 0xFFFC),
        *range(0xE0000, 0xE0200),
    ]
)


class _Legible(dict[int, str]):
    """Character → what is drawn for it: itself, nothing, or [U+XXXX] where the face has no glyph."""

    def __init__(self, known: frozenset[int]) -> None:
        super().__init__({9: " ", 10: " ", 13: " ", 0xA0: " ", 0x202F: " ", 0x2007: " ", 0x2009: " ", 0x2011: "-"})
        self._known = known

    def __missing__(self, code: int) -> str:
        if code in _DROPPED:
            return ""
        if code in self._known:
            self[code] = chr(code)
            return chr(code)
        return f"[U+{code:04X}]"


USUAL = "ÄÉÖÜßàáâäçèéêíîïñóôöùúûü«»’“„·–—…°±×÷²³µΩνΔ√∞≈≤≥→"
"""Characters outside ASCII that get the first places of every subset.

Most reports need no others: then their embedded fonts are the same bytes, and their texts the same codes, so that
both are worked out once in a process.
"""


class _Codes(dict[int, int]):
    """Character → code in the first subset; another character ends the translation."""

    def __missing__(self, code: int) -> int:
        raise UnusualCharacter(code)


class UnusualCharacter(Exception):
    """Neither ASCII nor one of :data:`USUAL`."""


class _Widths(dict[str, float]):
    """Character → width in thousandths of the size; one object for each face."""

    __hash__ = object.__hash__  # type: ignore[assignment]


@dataclass(frozen=True, eq=False)
class Typeface:
    """One face: `font` draws it, `legible` makes any text drawable, `width` measures in points."""

    name: str
    font: Any
    _widths: _Widths
    _legible: _Legible
    _codes: _Codes

    def legible(self, text: str) -> str:
        """`text` on one line, without controls or overrides; characters the face lacks as [U+XXXX]."""
        return text.translate(self._legible)

    def width(self, text: str, size: float) -> float:
        """Width of legible `text` in points."""
        return _thousandths(self, text) * size / 1000

    def character(self, character: str) -> float:
        """Width of one character in thousandths of the size."""
        return self._widths[character]

    def as_drawn(self, line: str) -> str:
        """Legible `line` in the order and the forms in which it stands on the page, from left to right."""
        return as_drawn(line, self._widths) if runs_to_the_left(line) else unmarked(line)

    def open_in(self, document: Any) -> str:
        """Make the face one of the document's, its usual characters first; the name of its first subset."""
        if document not in self.font.state:
            self.font.splitString(USUAL, document)
        return str(self.font.getSubsetInternalName(0, document))


@lru_cache(maxsize=32768)
def _thousandths(face: Typeface, text: str) -> float:
    widths = face._widths
    shown = joined(text, widths) if runs_to_the_left(text) else text
    return sum([widths[c] for c in shown])


@lru_cache(maxsize=32768)
def usual_codes(face: Typeface, text: str) -> bytes | None:
    """Legible `text` as a PDF string in the first subset of any document; None when it needs other characters."""
    try:
        codes = text.translate(face._codes).encode("latin-1")
    except UnusualCharacter:
        return None
    return escaped(codes)


def escaped(codes: bytes) -> bytes:
    """Codes with what would end or change a PDF string escaped."""
    return codes.replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)").replace(b"\r", b"\\r")


def typeface(name: str) -> Typeface:
    """The shipped face `name` ("regular", "bold", "mono"), loaded once in a process."""
    found = _LOADED.get(name)
    if found is None:
        with FACE_LOCK:
            found = _LOADED.get(name) or _LOADED.setdefault(name, _load(name))
    return found


_LOADED: dict[str, Typeface] = {}


def _load(name: str) -> Typeface:
    font = TTFont(f"diagnb-{name}", str(FOLDER / _FILES[name]), shapable=False)
    face = font.face
    _mend_advances(face)
    known = frozenset(face.charToGlyph)
    widths = _Widths({chr(code): float(face.charWidths.get(code, face.defaultWidth)) for code in known})
    # drawing the same characters gives the same subset; a face draws from one thread at a time
    made = lru_cache(maxsize=24)(_subset_maker(face.makeSubset))
    face.makeSubset = lambda subset: made(tuple(subset))
    probe = _Probe()
    font.splitString(USUAL, probe)
    codes = _Codes({code: n for code, n in font.state[probe].assignments.items() if code > 0 and n < 256})
    return Typeface(name, font, widths, _Legible(known), codes)


class _Probe:
    """A stand-in for a document, to see which codes the usual characters get."""


def _subset_maker(make: Any) -> Any:
    return lambda subset: make(list(subset))


def _mend_advances(face: Any) -> None:
    """Give glyphs past the last full metric its advance in font units.

    reportlab 5.1 stores the scaled advance there, so a subset of a fixed-pitch face carries widths that
    contradict the font dictionary, which PDF/A forbids (ISO 19005-3, 6.2.11.5).
    """
    face.seek_table("hhea")
    face.skip(34)
    count = face.read_ushort()
    advance = face.hmetrics[count - 1][0]
    for glyph in range(count, len(face.hmetrics)):
        face.hmetrics[glyph] = (advance, face.hmetrics[glyph][1])


@cache
def font_versions() -> str:
    """The version of each shipped face as its head table states it, for the report's metadata."""
    found = []
    with FACE_LOCK:
        for name in _FILES:
            face = typeface(name).font.face
            face.seek_table("head")
            face.skip(4)
            found.append(f"{name} {face.read_ulong() / 65536:.2f}")
    return ", ".join(found)
