"""PDF files written by hand, object by object, so that a test can also write them wrongly."""

from __future__ import annotations

import re

ATTACHED = b'{"invented": "yes", "voltage_drop": "0.25"}' + b" " * 200
XMP = b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/"/><?xpacket end="r"?>'

CATALOG, PAGES, PAGE, CONTENT, FONT = 1, 2, 3, 4, 5
TECHNICIAN, REVIEWER, DRAWN_1, DRAWN_2 = 6, 7, 8, 9
TREE, FORM_1, FORM_2, PARENTS = 10, 11, 12, 13
FILE, SPEC, METADATA, INFO = 14, 15, 16, 17


def stream(data: bytes, entries: bytes = b"") -> bytes:
    return b"<< /Length %d %b >>\nstream\n%b\nendstream" % (len(data), entries, data)


def widget(name: bytes, *, left: int, drawn: int, parent: int) -> bytes:
    return (
        b"<< /Type /Annot /Subtype /Widget /FT /Sig /T (%b) /F 132 /Rect [%d 40 %d 80] /P 3 0 R"
        b" /StructParent %d /AP << /N %d 0 R >> >>" % (name, left, left + 150, parent, drawn)
    )


def catalog(extra: bytes = b"") -> bytes:
    return (
        b"<< /Type /Catalog /Pages 2 0 R /MarkInfo << /Marked true >> /StructTreeRoot 10 0 R /Lang (en)"
        b" /AcroForm << /Fields [6 0 R 7 0 R] /SigFlags 3 >> /Metadata 16 0 R /AF [15 0 R]"
        b" /Names << /EmbeddedFiles << /Names [(record.json) 15 0 R] >> >> %b >>" % extra
    )


def objects() -> dict[int, bytes]:
    """A tagged page with a line of text, /Technician, /Reviewer and record.json."""
    appearance = b"/Type /XObject /Subtype /Form /BBox [0 0 150 40]"
    element = b"<< /Type /StructElem /S /Form /P 10 0 R /Pg 3 0 R /K [<< /Type /OBJR /Obj %d 0 R /Pg 3 0 R >>] >>"
    return {
        CATALOG: catalog(),
        PAGES: b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        PAGE: b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 400 300] /Contents 4 0 R /Tabs /S"
        b" /Resources << /Font << /F1 5 0 R >> >> /Annots [6 0 R 7 0 R] >>",
        CONTENT: stream(b"BT /F1 12 Tf 40 250 Td (Voltage drop 0.25 V: pass) Tj ET"),
        FONT: b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
        TECHNICIAN: widget(b"Technician", left=40, drawn=DRAWN_1, parent=1),
        REVIEWER: widget(b"Reviewer", left=210, drawn=DRAWN_2, parent=2),
        DRAWN_1: stream(b"0 0 150 40 re S", appearance),
        DRAWN_2: stream(b"0 0 150 40 re S", appearance),
        TREE: b"<< /Type /StructTreeRoot /K [11 0 R 12 0 R] /ParentTree 13 0 R >>",
        FORM_1: element % TECHNICIAN,
        FORM_2: element % REVIEWER,
        PARENTS: b"<< /Nums [1 11 0 R 2 12 0 R] >>",
        FILE: stream(ATTACHED, b"/Type /EmbeddedFile /Subtype /application#2Fjson"),
        SPEC: b"<< /Type /Filespec /F (record.json) /UF (record.json) /AFRelationship /Source"
        b" /EF << /F 14 0 R /UF 14 0 R >> >>",
        METADATA: stream(XMP, b"/Type /Metadata /Subtype /XML"),
        INFO: b"<< /Title (Invented report) /Author (Ada Invented) >>",
    }


def write(parts: dict[int, bytes], *, trailer: bytes = b"") -> bytes:
    """A whole file of these objects, numbered without gaps from 1."""
    data = b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"
    offsets = []
    for number in sorted(parts):
        offsets.append(len(data))
        data += b"%d 0 obj\n%b\nendobj\n" % (number, parts[number])
    start = len(data)
    data += b"xref\n0 %d\n0000000000 65535 f \n" % (len(parts) + 1)
    data += b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    identity = b"/ID [<00112233445566778899aabbccddeeff> <00112233445566778899aabbccddeeff>]"
    entries = b"/Size %d /Root 1 0 R /Info 17 0 R %b %b" % (len(parts) + 1, identity, trailer)
    return data + b"trailer\n<< %b >>\nstartxref\n%d\n%%%%EOF\n" % (entries, start)


def update(pdf: bytes, parts: dict[int, bytes], *, trailer: bytes = b"", info: int = INFO) -> bytes:
    """The file with one incremental update appended: what anyone can do without any key."""
    previous = int(re.findall(rb"startxref\s+(\d+)", pdf)[-1])
    root = re.findall(rb"/Root (\d+) 0 R", pdf)[-1]
    size = max([int(n) for n in re.findall(rb"/Size (\d+)", pdf)] + [n + 1 for n in parts])
    data = pdf
    lines = b""
    for number in sorted(parts):
        lines += b"%d 1\n%010d 00000 n \n" % (number, len(data))
        data += b"%d 0 obj\n%b\nendobj\n" % (number, parts[number])
    lines = lines or b"0 0\n"
    start = len(data)
    entries = b"/Size %d /Root %b 0 R /Info %d 0 R /Prev %d %b" % (size, root, info, previous, trailer)
    return data + b"xref\n%btrailer\n<< %b >>\nstartxref\n%d\n%%%%EOF\n" % (lines, entries, start)


def current(pdf: bytes, number: int) -> bytes:
    """The newest text of one object, its white space evened out; not for streams."""
    found = re.findall(rb"(?:^|\n)%d 0 obj\s(.*?)\s?endobj" % number, pdf, re.DOTALL)
    return re.sub(rb"\s+", b" ", found[-1]).replace(b"[ ", b"[").replace(b" ]", b"]")


def next_number(pdf: bytes) -> int:
    return max(int(n) for n in re.findall(rb"/Size (\d+)", pdf))
