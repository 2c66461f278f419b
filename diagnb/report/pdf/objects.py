"""PDF objects and the file they are written into: reportlab's document with what PDF/A adds."""

from __future__ import annotations

import hashlib
import re
import zlib
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from reportlab.pdfbase import pdfdoc

from diagnb.report.pdf.direction import letters_on_page
from diagnb.report.pdf.fonts import FACE_LOCK

_ZLIB = pdfdoc.PDFZCompress


class Raw(pdfdoc.PDFObject):  # type: ignore[misc]
    """An object whose bytes are written as they stand."""

    def __init__(self, content: bytes = b"") -> None:
        self.content = content

    def format(self, document: Any) -> bytes:
        return self.content


class _Packed(pdfdoc.PDFStreamFilterZCompress):  # type: ignore[misc]
    """Deflate that remembers what reportlab makes of the same fonts again and again."""

    def encode(self, text: str | bytes) -> bytes:
        return _deflated(text.encode() if isinstance(text, str) else text)


_deflated = lru_cache(maxsize=48)(zlib.compress)
_PACKED = _Packed()


_MAPPED = re.compile(r"<([0-9A-F]{2})> <([0-9A-F]{4,6})>")
_BLOCK = re.compile(r"\d+ beginbfchar\n.*endbfchar", re.DOTALL)
_MOST_MAPPED = 100


@lru_cache(maxsize=48)
def _with_letters(table: str) -> str:
    """A ToUnicode table whose joined Arabic forms read as their letters; in UTF-16, 100 lines a block as the format asks."""
    lines = [
        f"<{code}> <{letters_on_page(chr(int(character, 16))).encode('utf-16-be').hex().upper()}>"
        for code, character in _MAPPED.findall(table)
    ]
    blocks = [lines[first : first + _MOST_MAPPED] for first in range(0, len(lines), _MOST_MAPPED)]
    written = "\n".join("\n".join((f"{len(block)} beginbfchar", *block, "endbfchar")) for block in blocks)
    return _BLOCK.sub(lambda _: written, table)


class Stream(pdfdoc.PDFStream):  # type: ignore[misc]
    """A stream with an end of line before `endstream`, which ISO 19005-3, 6.1.7.1 demands."""

    def format(self, document: Any) -> bytes:
        return bytes(super().format(document)[: -len(b"endstream\n")]) + b"\nendstream\n"


class Document(pdfdoc.PDFDocument):  # type: ignore[misc]
    """Object registry, fonts and cross-reference table of one report. Nothing in it reads the clock."""

    objectcounter: int

    def __init__(self, *, seed: bytes) -> None:
        super().__init__(compression=1, invariant=1, pdfVersion=(1, 7))
        # the constructor mixes the environment's SOURCE_DATE_EPOCH into the file identifier
        self.signature = hashlib.md5(seed, usedforsecurity=False)
        self.Catalog = self._catalog = Raw()
        self._images: dict[str, int] = {}
        self.info = Raw()

    def Reference(self, obj: Any, name: str | None = None) -> Any:  # noqa: N802 - overrides reportlab
        if type(obj) is pdfdoc.PDFStream:
            obj.__class__ = Stream
            obj.filters = [_PACKED]
            if name is not None and name.startswith("toUnicodeCMap:"):
                obj.content = _with_letters(obj.content)
        return super().Reference(obj, name)

    def add(self, obj: Any) -> int:
        """Register a new object; returns its number."""
        number = int(self.objectcounter) + 1
        self.objectcounter = number
        name = f"R{number}"
        obj.__InternalName__ = name
        self.idToObjectNumberAndVersion[name] = (number, 0)
        self.numberToId[number] = name
        self.idToObject[name] = obj
        return number

    def add_stream(self, content: bytes, entries: dict[str, str | bytes], *, compress: bool = True) -> int:
        """Register a stream with dictionary `entries`; returns its number."""
        stream = Stream(pdfdoc.PDFDictionary(dict(entries)), content, [_ZLIB] if compress else [])
        if not compress:
            stream.filters = None
        return self.add(stream)

    def image(self, jpeg: bytes, *, width: int, height: int, grey: bool) -> int:
        """Number of the image object that shows these bytes; the same bytes are written once."""
        key = hashlib.sha256(jpeg).hexdigest()
        if key not in self._images:
            self._images[key] = self.add_stream(
                jpeg,
                {
                    "Type": "/XObject",
                    "Subtype": "/Image",
                    "Width": str(width),
                    "Height": str(height),
                    "ColorSpace": "/DeviceGray" if grey else "/DeviceRGB",
                    "BitsPerComponent": "8",
                    "Filter": "/DCTDecode",
                },
                compress=False,
            )
        return self._images[key]

    def fonts(self) -> int:
        """Number of the dictionary that names every font of the file."""
        return int(self.idToObjectNumberAndVersion[pdfdoc.BasicFonts][0])

    def file(self) -> bytes:
        """The whole file."""
        with FACE_LOCK:
            for font in self.delayedFonts:
                font.addObjects(self)
        return self._written()

    def _written(self) -> bytes:
        """Header, objects in the order of their numbers, cross-reference table, trailer.

        What reportlab's own `format` writes, without its general way through every object.
        """
        catalog, info = self.Reference(self.Catalog), self.Reference(self.info)
        file = pdfdoc.PDFFile(self._pdfVersion)
        offsets: list[int] = []
        number = 0
        # writing an object may register further ones
        while (name := self.numberToId.get(number + 1)) is not None:
            number += 1
            obj = self.idToObject[name]
            content = obj.content if type(obj) is Raw else pdfdoc.format(obj, self, toplevel=1)
            end = b"endobj\n" if content.endswith(b"\n") else b"\nendobj\n"
            offsets.append(file.add(b"%d 0 obj\n%s%s" % (number, content, end)))
        if number != len(self.numberToId):
            raise ValueError("an object has no number")
        table = [b"xref\n0 %d\n0000000000 65535 f \n" % (number + 1)]
        table += [b"%010d 00000 n \n" % offset for offset in offsets]
        start = file.add(b"".join(table))
        trailer = pdfdoc.PDFTrailer(startxref=start, Size=number + 1, Root=catalog, Info=info, ID=self.ID())
        file.add(trailer.format(self))
        return bytes(file.format(self))


def reference(number: int) -> bytes:
    return b"%d 0 R" % number


_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufffe\uffff]"
)


def plain(text: str) -> str:
    """Text without controls, overrides or lone surrogates, fit for a PDF string and for XML."""
    return _UNPRINTABLE.sub("", text).encode("utf-16-le", "replace").decode("utf-16-le", "replace")


def text_string(text: str) -> bytes:
    """A PDF text string: ASCII as it is, anything else as UTF-16 in hexadecimal."""
    clean = plain(text)
    if clean.isascii():
        escaped = clean.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)").replace("\r", "\\r")
        return b"(" + escaped.encode("ascii") + b")"
    return b"<FEFF" + clean.encode("utf-16-be").hex().upper().encode("ascii") + b">"


def pdf_date(moment: datetime) -> bytes:
    return moment.astimezone(UTC).strftime("(D:%Y%m%d%H%M%S+00'00')").encode("ascii")
