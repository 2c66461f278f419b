"""Pages of strips into content streams, with every mark tagged or declared decoration."""

from __future__ import annotations

from dataclasses import dataclass, field

from diagnb.report.pdf.fields import draw_appearance
from diagnb.report.pdf.fonts import BOLD, MONO, REGULAR, typeface
from diagnb.report.pdf.objects import Document, Raw, reference, text_string
from diagnb.report.pdf.pen import Pen, number
from diagnb.report.pdf.strips import Field, Glyphs, Image, Mark, Matrix, Page, Picture, Stroke
from diagnb.report.pdf.style import SIDE, SOFT
from diagnb.report.pdf.tags import Element


@dataclass(frozen=True, slots=True)
class PageLines:
    """What stands on every page, already in the reader's language."""

    record: str
    title: str
    digest: str
    page: str = "Page {page} of {pages}"


@dataclass(slots=True)
class Painted:
    """What the pages leave behind for the tree and the catalog."""

    pages: list[int] = field(default_factory=list)
    owners: list[list[Element]] = field(default_factory=list)
    widgets: list[Element] = field(default_factory=list)
    fields: list[int] = field(default_factory=list)


class _Sheet:
    """One page while it is drawn: keeps count of marked content."""

    def __init__(self, document: Document, page: int, size: tuple[float, float]) -> None:
        self.pen = Pen(document, size[1])
        self.page = page
        self.height = size[1]
        self.owners: list[Element] = []
        self.annotations: list[int] = []
        self.images: dict[str, int] = {}
        self._open: Element | str | None = None

    def under(self, owner: Element | str) -> None:
        """What follows belongs to `owner`: an element, or the properties of an artifact."""
        if owner is self._open:
            return
        self.close()
        if isinstance(owner, str):
            self.pen.code.append(f"/Artifact {owner}BDC".encode() if owner else b"/Artifact BMC")
        else:
            mcid = len(self.owners)
            owner.marked.append((self.page, mcid))
            self.owners.append(owner)
            self.pen.code.append(f"/{owner.tag} <</MCID {mcid}>> BDC".encode())
        self._open = owner

    def close(self) -> None:
        if self._open is not None:
            self.pen.code.append(b"EMC")
            self._open = None


_DECORATION = ""
_HEADER = "<</Type /Pagination /Subtype /Header>> "
_FOOTER = "<</Type /Pagination /Subtype /Footer>> "
_WATERMARK = "<</Type /Pagination /Subtype /Watermark>> "


def paint(
    document: Document, pages: list[Page], *, size: tuple[float, float], lines: PageLines, watermark: str, parent: int
) -> Painted:
    """Draw all pages of `size` points and register them under the page tree `parent`."""
    done = Painted()
    objects = [Raw() for _ in pages]
    done.pages = [document.add(raw) for raw in objects]
    for index, page in enumerate(pages):
        sheet = _Sheet(document, index, size)
        if watermark:
            _watermark(sheet, watermark, size)
        for top, strip in page.placed:
            for mark in strip.marks:
                _draw(sheet, mark, top, document, done, len(pages))
        _margins(sheet, lines, size, index + 1, len(pages))
        sheet.close()
        content = document.add_stream(sheet.pen.content(), {})
        done.owners.append(sheet.owners)
        images = b" ".join(b"/%s %s" % (n.encode(), reference(o)) for n, o in sheet.images.items())
        notes = b" ".join(reference(n) for n in sheet.annotations)
        objects[index].content = (
            b"<</Type /Page /Parent %s /MediaBox [0 0 %s %s] /Resources <</Font %s%s /ProcSet [/PDF /Text]>> "
            b"/Contents %s /StructParents %d /Tabs /S%s>>"
        ) % (
            reference(parent),
            number(size[0]).encode(),
            number(size[1]).encode(),
            reference(document.fonts()),
            b" /XObject <<" + images + b">>" if images else b"",
            reference(content),
            index,
            b" /Annots [" + notes + b"]" if notes else b"",
        )
    return done


def _draw(sheet: _Sheet, mark: Mark, top: float, document: Document, done: Painted, pages: int) -> None:
    pen = sheet.pen
    if isinstance(mark, Glyphs):
        sheet.under(mark.element if mark.element is not None else _DECORATION)
        if mark.element is not None:
            mark.element.said.append(mark.text)
        pen.glyphs(mark.x, top + mark.y, mark.text, mark.face, mark.size, mark.grey)
    elif isinstance(mark, Stroke):
        sheet.under(_DECORATION)
        pen.line(mark.x1, top + mark.y1, mark.x2, top + mark.y2, width=mark.width, grey=mark.grey)
    elif isinstance(mark, Picture):
        sheet.under(mark.element)
        mark.drawing.draw(pen, mark.x, top + mark.y, mark.width)
        high = mark.drawing.height * mark.width / mark.drawing.width
        mark.element.box = (
            mark.x,
            sheet.height - top - mark.y - high,
            mark.x + mark.width,
            sheet.height - top - mark.y,
        )
    elif isinstance(mark, Image):
        photo = mark.photo
        sheet.under(mark.element)
        image = document.image(photo.jpeg, width=photo.width, height=photo.height, grey=photo.grey)
        name = f"Im{image}"
        sheet.images[name] = image
        pen.image(name, mark.x, top + mark.y, mark.width, mark.height)
        lower = sheet.height - top - mark.y - mark.height
        mark.element.box = (mark.x, lower, mark.x + mark.width, lower + mark.height)
    elif isinstance(mark, Matrix):
        sheet.under(mark.element)
        pen.runs(mark.x, top + mark.y, mark.module, mark.runs)
        side = mark.module * mark.count
        mark.element.box = (mark.x, sheet.height - top - mark.y - side, mark.x + side, sheet.height - top - mark.y)
    else:
        _place_field(sheet, mark, top, document, done, pages)


def _place_field(sheet: _Sheet, mark: Field, top: float, document: Document, done: Painted, pages: int) -> None:
    sheet.close()
    appearance = draw_appearance(document, mark)
    lower = sheet.height - top - mark.y - mark.height
    box = (mark.x, lower, mark.x + mark.width, lower + mark.height)
    described = ". ".join((mark.label, *mark.lines))
    widget = document.add(
        Raw(
            b"<</Type /Annot /Subtype /Widget /FT /Sig /T %s /TU %s /Contents %s /F 132 /Rect [%s] /P %s "
            b"/StructParent %d /AP <</N %s>>>>"
            % (
                text_string(mark.name),
                text_string(mark.label),
                text_string(described),
                " ".join(map(number, box)).encode(),
                reference(done.pages[sheet.page]),
                pages + len(done.widgets),
                reference(appearance),
            )
        )
    )
    mark.element.widgets.append((sheet.page, widget))
    mark.element.box = box
    done.widgets.append(mark.element)
    done.fields.append(widget)
    sheet.annotations.append(widget)


def _margins(sheet: _Sheet, lines: PageLines, size: tuple[float, float], page: int, pages: int) -> None:
    wide, high = size
    pen = sheet.pen
    regular, bold, mono = typeface(REGULAR), typeface(BOLD), typeface(MONO)
    sheet.under(_HEADER)
    pen.glyphs(SIDE, 38.0, _fit(regular.legible(lines.title), 7.0, wide / 2 - SIDE), regular, 7.0, SOFT)
    record = _fit(bold.legible(lines.record), 7.0, wide / 2 - SIDE)
    pen.glyphs(wide - SIDE - bold.width(record, 7.0), 38.0, record, bold, 7.0, 0.0)
    pen.line(SIDE, 43.0, wide - SIDE, 43.0, width=0.4, grey=0.72)
    sheet.under(_FOOTER)
    pen.line(SIDE, high - 44.0, wide - SIDE, high - 44.0, width=0.4, grey=0.72)
    pen.glyphs(SIDE, high - 33.5, _fit(mono.legible(lines.digest), 6.2, wide - 2 * SIDE - 90), mono, 6.2, SOFT)
    text = bold.legible(lines.page.format(page=page, pages=pages))
    pen.glyphs(wide - SIDE - bold.width(text, 7.0), high - 33.5, text, bold, 7.0)


def _fit(text: str, size: float, width: float) -> str:
    """Cut a running line so that it can't reach its neighbour."""
    most = max(8, int(width / (size * 0.6)))
    return text if len(text) <= most else text[: most - 1] + "…"


def _watermark(sheet: _Sheet, text: str, size: tuple[float, float]) -> None:
    wide, high = size
    face = typeface(BOLD)
    shown = face.legible(text)[:80]
    diagonal = 0.86 * (wide**2 + high**2) ** 0.5 * 0.8
    points = min(40.0, diagonal * 10 / max(1.0, face.width(shown, 10.0)))
    half = face.width(shown, points) / 2 * 0.7071
    sheet.under(_WATERMARK)
    sheet.pen.slanted(wide / 2 - half + points * 0.25, high / 2 + half + points * 0.25, shown, face, points, 0.92)
