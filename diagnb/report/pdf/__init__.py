"""Page-free blocks into a tagged PDF/A-3b file."""

from diagnb.report.pdf.attachments import Attachment
from diagnb.report.pdf.paint import PageLines
from diagnb.report.pdf.render import render_document

__all__ = ["Attachment", "PageLines", "render_document"]
