"""What a reviewer's field shows: one page of the field's size, drawn as the technician's field is."""

from __future__ import annotations

from diagnb.report.blocks import Point
from diagnb.report.pdf.fields import draw_appearance
from diagnb.report.pdf.objects import Document, Raw, plain, reference
from diagnb.report.pdf.strips import Field
from diagnb.report.pdf.tags import Element

_WIDTH, _HEIGHT = 236.0, 64.0


def countersignature_page(*, lines: tuple[str, ...], strokes: tuple[tuple[Point, ...], ...] = ()) -> bytes:
    """A PDF of one page with `lines` (the first one large) and a drawn signature, fonts embedded.

    `strokes` are polylines of (x, y), y downwards, in any scale. Signing puts the page into the field's box.
    """
    document = Document(seed="\n".join(lines).encode("utf-8", "replace"))
    tree = Raw()
    parent = document.add(tree)
    legible = tuple(plain(line) for line in lines)
    drawn = draw_appearance(document, Field(Element("Form"), "", "", 0, 0, _WIDTH, _HEIGHT, legible, strokes))
    content = document.add_stream(b"/Fm0 Do", {})
    page = document.add(
        Raw(
            b"<</Type /Page /Parent %s /MediaBox [0 0 %d %d] /Contents %s /Resources <</XObject <</Fm0 %s>>>>>>"
            % (reference(parent), _WIDTH, _HEIGHT, reference(content), reference(drawn))
        )
    )
    tree.content = b"<</Type /Pages /Count 1 /Kids [%s]>>" % reference(page)
    document.info.content = b"<</Producer (diagnb)>>"
    document.Catalog.content = b"<</Type /Catalog /Pages %s>>" % reference(parent)
    return document.file()
