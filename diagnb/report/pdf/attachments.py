"""Files that travel inside the report (PDF/A-3 associated files)."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from diagnb.report.pdf.objects import Document, Raw, pdf_date, reference, text_string


@dataclass(frozen=True, slots=True)
class Attachment:
    """One embedded file and how the pages relate to it: "Source" when they were made from it."""

    name: str
    data: bytes
    media_type: str = "application/json"
    relationship: Literal["Source", "Data", "Supplement", "Alternative", "Unspecified"] = "Source"
    description: str = ""


def write_attachments(document: Document, attachments: tuple[Attachment, ...], moment: datetime) -> tuple[bytes, bytes]:
    """Entries of the catalog: the array for /AF, and the dictionary for /Names."""
    found: list[tuple[bytes, bytes]] = []
    for attachment in sorted(attachments, key=lambda a: a.name):
        date = pdf_date(moment)
        checksum = hashlib.md5(attachment.data, usedforsecurity=False).hexdigest()
        stream = document.add_stream(
            attachment.data,
            {
                "Type": "/EmbeddedFile",
                "Subtype": "/" + attachment.media_type.replace("/", "#2F"),
                "Params": b"<</Size %d /ModDate %s /CheckSum <%s>>>" % (len(attachment.data), date, checksum.encode()),
            },
        )
        name = text_string(attachment.name)
        file = reference(stream)
        number = document.add(
            Raw(
                b"<</Type /Filespec /F %s /UF %s /AFRelationship /%s /Desc %s /EF <</F %s /UF %s>>>>"
                % (
                    name,
                    name,
                    attachment.relationship.encode(),
                    text_string(attachment.description or attachment.name),
                    file,
                    file,
                )
            )
        )
        found.append((name, reference(number)))
    associated = b"[" + b" ".join(number for _, number in found) + b"]"
    names = b" ".join(name + b" " + number for name, number in found)
    return associated, b"<</EmbeddedFiles <</Names [" + names + b"]>>>>"
