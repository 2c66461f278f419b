"""What the file says about itself: XMP packet, information dictionary, output intent."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from html import escape
from pathlib import Path

from diagnb.errors import fault
from diagnb.report.pdf.objects import Document, Raw, pdf_date, plain, reference, text_string
from diagnb.shipped import templates_directory

NAMESPACE = "http://ns.diagnb.invalid/report/1/"
_NAME = re.compile(r"[a-z][A-Za-z0-9]{0,40}")


@cache
def made_with() -> str:
    """The versions that decide the bytes of a report: another set may draw the same pages otherwise."""
    import zlib

    import PIL
    import reportlab
    import segno

    from diagnb.report.pdf.direction import versions
    from diagnb.report.pdf.fonts import font_versions
    from diagnb.version import VERSION

    return (
        f"diagnb {VERSION}, drawing {drawing_digest()}; reportlab {reportlab.Version}; Pillow {PIL.__version__}; "
        f"segno {segno.__version__}; zlib {zlib.ZLIB_RUNTIME_VERSION}; DejaVu {font_versions()}; "
        f"{versions()}"
    )


def edition_of(made: str) -> tuple[str, str]:
    """Of a text of :func:`made_with` the part about our own drawing code, fonts and writing direction; and the libraries."""
    parts = [part.strip() for part in made.split(";")]
    packing = [part for part in parts if part.startswith(("reportlab ", "Pillow ", "zlib "))]
    return "; ".join(part for part in parts if part not in packing), "; ".join(packing)


@cache
def drawing_digest() -> str:
    """12 hexadecimal digits over everything of ours that draws: a changed wording or layout is another edition.

    Without it a report from before the change would be called altered, though only its drawing is of another edition.
    """
    package = Path(__file__).resolve().parents[2]
    sources = [*(package / "report").rglob("*.py"), *(package / "quantities").rglob("*.py"), package / "redaction.py"]
    wordings = [*(templates_directory() / "report").glob("*.toml"), templates_directory() / "cautions.toml"]
    found = hashlib.sha256()
    for path in sorted([*sources, *wordings], key=lambda p: (p.parent.name, p.name)):
        found.update(path.name.encode() + b"\0" + path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return found.hexdigest()[:12]


def producer() -> str:
    import reportlab

    from diagnb.version import VERSION

    return f"diagnb {VERSION} with reportlab {reportlab.Version}"


@cache
def colour_profile() -> bytes:
    """A small sRGB profile with its date and identifier zeroed, so that it is the same every time."""
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = bytes(12)
    profile[84:100] = bytes(16)
    return bytes(profile)


def write_output_intent(document: Document) -> int:
    profile = document.add_stream(colour_profile(), {"N": "3"})
    return document.add(
        Raw(
            b"<</Type /OutputIntent /S /GTS_PDFA1 /OutputConditionIdentifier (sRGB) "
            b"/Info (sRGB IEC61966-2.1) /DestOutputProfile %s>>" % reference(profile)
        )
    )


def information(*, title: str, subject: str, author: str, moment: datetime) -> bytes:
    date = pdf_date(moment)
    return b"<</Title %s /Subject %s /Author %s /Creator (diagnb) /Producer %s /CreationDate %s /ModDate %s>>" % (
        text_string(title),
        text_string(subject),
        text_string(author),
        text_string(producer()),
        date,
        date,
    )


def check_names(metadata: Mapping[str, str]) -> None:
    for name in metadata:
        if not _NAME.fullmatch(name):
            raise fault(
                f"custom_metadata.{name}",
                "is not a metadata name",
                "use a lower-case letter, then letters and digits",
            )


def xmp_packet(
    *, title: str, subject: str, author: str, language: str, moment: datetime, properties: Mapping[str, str]
) -> bytes:
    """The XMP packet with PDF/A-3b and PDF/UA-1 identification; `properties` go into our own namespace."""
    date = moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S+00:00")
    own = "".join(f"<diagnb:{name}>{_xml(value)}</diagnb:{name}>\n" for name, value in properties.items())
    declared = "".join(_property(name, "Text", f"{name} of the report") for name in properties)
    schemas = _schema(
        "PDF/UA identification",
        "http://www.aiim.org/pdfua/ns/id/",
        "pdfuaid",
        _property("part", "Integer", "Part of ISO 14289 that the tags follow", "internal"),
    ) + _schema("Test record", NAMESPACE, "diagnb", declared)
    packet = f"""<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about=""
 xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
 xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/"
 xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/" xmlns:diagnb="{NAMESPACE}"
 xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaid:part>3</pdfaid:part>
<pdfaid:conformance>B</pdfaid:conformance>
<pdfuaid:part>1</pdfuaid:part>
<dc:format>application/pdf</dc:format>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{_xml(title)}</rdf:li></rdf:Alt></dc:title>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{_xml(subject)}</rdf:li></rdf:Alt></dc:description>
<dc:creator><rdf:Seq><rdf:li>{_xml(author)}</rdf:li></rdf:Seq></dc:creator>
<dc:language><rdf:Bag><rdf:li>{_xml(language)}</rdf:li></rdf:Bag></dc:language>
<xmp:CreatorTool>diagnb</xmp:CreatorTool>
<xmp:CreateDate>{date}</xmp:CreateDate>
<xmp:ModifyDate>{date}</xmp:ModifyDate>
<xmp:MetadataDate>{date}</xmp:MetadataDate>
<pdf:Producer>{_xml(producer())}</pdf:Producer>
{own}<pdfaExtension:schemas><rdf:Bag>
{schemas}</rdf:Bag></pdfaExtension:schemas>
</rdf:Description>
</rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""
    return packet.encode("utf-8")


def _xml(text: str) -> str:
    return escape(plain(text), quote=True)


def _property(name: str, kind: str, description: str, category: str = "external") -> str:
    return (
        f'<rdf:li rdf:parseType="Resource"><pdfaProperty:name>{name}</pdfaProperty:name>'
        f"<pdfaProperty:valueType>{kind}</pdfaProperty:valueType>"
        f"<pdfaProperty:category>{category}</pdfaProperty:category>"
        f"<pdfaProperty:description>{description}</pdfaProperty:description></rdf:li>\n"
    )


def _schema(title: str, uri: str, prefix: str, properties: str) -> str:
    return (
        f'<rdf:li rdf:parseType="Resource"><pdfaSchema:schema>{title}</pdfaSchema:schema>'
        f"<pdfaSchema:namespaceURI>{uri}</pdfaSchema:namespaceURI>"
        f"<pdfaSchema:prefix>{prefix}</pdfaSchema:prefix>"
        f"<pdfaSchema:property><rdf:Seq>\n{properties}</rdf:Seq></pdfaSchema:property></rdf:li>\n"
    )
