"""Blocks into the bytes of a tagged PDF/A-3b file, the same bytes for the same input."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from diagnb.errors import Fault, InputFault
from diagnb.report.blocks import Block
from diagnb.report.pdf.attachments import Attachment, write_attachments
from diagnb.report.pdf.layout import lay_out
from diagnb.report.pdf.metadata import check_names, information, made_with, write_output_intent, xmp_packet
from diagnb.report.pdf.objects import Document, Raw, reference, text_string
from diagnb.report.pdf.paint import PageLines, paint
from diagnb.report.pdf.strips import paginate
from diagnb.report.pdf.style import BOTTOM, PAPERS, SIDE, TOP, Paper
from diagnb.report.pdf.tags import Element, write_tree


def render_document(
    blocks: Sequence[Block],
    *,
    title: str,
    subject: str,
    language: str,
    paper: Paper,
    moment: datetime,
    identity: str,
    digest: str,
    attachments: tuple[Attachment, ...] = (),
    custom_metadata: Mapping[str, str] | None = None,
    author: str = "",
    page_lines: PageLines | None = None,
    watermark: str | None = None,
) -> bytes:
    """The report as one file: PDF/A-3b, tagged for PDF/UA-1, fonts and attachments embedded.

    `moment` (with zone) is the only time in the file. `identity` stands on every page and `digest` (SHA-256 of
    the record, hexadecimal) in every footer. Two calls with equal arguments and equal library versions give
    equal bytes; the versions are in the metadata as `engine`. InputFault lists what can't be rendered.
    """
    _check(paper=paper, moment=moment, language=language, attachments=attachments)
    extra = dict(custom_metadata or {})
    check_names(extra)
    size = PAPERS[paper]
    document = Document(seed=f"{identity}\n{digest}\n{moment.isoformat()}".encode("utf-8", "replace"))
    root = Element("Document")
    strips = lay_out(blocks, root, left=SIDE, width=size[0] - 2 * SIDE)
    pages = paginate(strips, top=TOP, bottom=size[1] - BOTTOM)
    tree = Raw()
    parent = document.add(tree)
    lines = page_lines or PageLines(record=identity, title=title, digest=f"SHA-256 {digest}")
    done = paint(document, pages, size=size, lines=lines, watermark=watermark or "", parent=parent)
    kids = b" ".join(reference(n) for n in done.pages)
    tree.content = b"<</Type /Pages /Count %d /Kids [%s]>>" % (len(done.pages), kids)
    structure = write_tree(document, root, pages=done.pages, owners=done.owners, widgets=done.widgets)
    packet = xmp_packet(
        title=title,
        subject=subject,
        author=author,
        language=language,
        moment=moment,
        properties={"recordIdentity": identity, "recordDigest": digest, "engine": made_with()} | extra,
    )
    metadata = document.add_stream(packet, {"Type": "/Metadata", "Subtype": "/XML"}, compress=False)
    document.info.content = information(title=title, subject=subject, author=author, moment=moment)
    catalog = [
        b"<</Type /Catalog /Pages %s /StructTreeRoot %s /MarkInfo <</Marked true>> /Metadata %s"
        % (reference(parent), reference(structure), reference(metadata)),
        b"/Lang %s /ViewerPreferences <</DisplayDocTitle true>> /PageMode /UseNone" % text_string(language),
        b"/OutputIntents [%s]" % reference(write_output_intent(document)),
    ]
    if attachments:
        associated, names = write_attachments(document, attachments, moment)
        catalog.append(b"/AF %s /Names %s" % (associated, names))
    if done.fields:
        form = document.add(Raw(b"<</Fields [%s]>>" % b" ".join(reference(n) for n in done.fields)))
        catalog.append(b"/AcroForm " + reference(form))
    document.Catalog.content = b" ".join(catalog) + b">>"
    return document.file()


def _check(*, paper: str, moment: datetime, language: str, attachments: tuple[Attachment, ...]) -> None:
    faults = []
    if paper not in PAPERS:
        faults.append(Fault("paper", f"{paper!r} is not known", f"use {' or '.join(PAPERS)}"))
    if moment.utcoffset() is None:
        faults.append(Fault("moment", "has no time zone", "give it one, for example UTC"))
    if not language.replace("-", "").isalnum() or not language.isascii():
        faults.append(Fault("language", f"{language!r} is not a language tag", "use for example en or de"))
    names = [a.name for a in attachments]
    for name in sorted({n for n in names if names.count(n) > 1}):
        faults.append(Fault(f"attachments.{name}", "is given twice", "give each file a name of its own"))
    if faults:
        raise InputFault(faults)
