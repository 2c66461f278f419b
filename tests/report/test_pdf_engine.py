"""The page engine: validity, reproducibility, tags, and text that tries to do harm."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import os
import struct
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pikepdf
import pytest

from diagnb.errors import InputFault
from diagnb.report.blocks import (
    Block,
    Cell,
    EndMark,
    Figure,
    Heading,
    KeyValues,
    Notice,
    Paragraph,
    QrCode,
    Rule,
    SignatureField,
    Table,
)
from diagnb.report.charts import interval_picture
from diagnb.report.pdf import Attachment, render_document

MOMENT = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
DIGEST = hashlib.sha256(b"record").hexdigest()
RECORD = b'{"id":"R-1"}'


def picture():
    return interval_picture(
        value=0.24,
        lower=0.23,
        upper=0.25,
        limit_lower=None,
        limit_upper=0.2,
        acceptance_upper=0.19,
        unit="V",
        verdict="fail",
    )


def sample(rows: int = 60, text: str = "Plain words.") -> list[Block]:
    drawn = picture()
    return [
        Heading(1, "A report"),
        KeyValues((("VIN", text), ("Unit", "T-12"), ("Odometer", "123 456 km")), 2),
        Notice("Outcome", text),
        Heading(2, "Results"),
        Table(
            ("Point", "Value", "Verdict"),
            tuple((f"point {i}", Cell("12.60 V", mono=True), Cell("✓ pass", strong=True)) for i in range(rows)),
            (3, 2, 2),
            ("left", "right", "left"),
            (text,),
        ),
        Heading(3, "Picture"),
        Figure(drawn, drawn.alt, "A caption"),
        Figure(drawn, drawn.alt),
        Paragraph(text),
        Rule(),
        Heading(2, "Signatures"),
        SignatureField("Technician", "Technician", ("Invented Person", "technician"), (((0, 0), (0.5, 1), (1, 0)),)),
        SignatureField("Reviewer", "Reviewer", note="Blank until a reviewer signs."),
        QrCode(f"urn:sha256:{DIGEST}", "QR code of the digest", (Cell(DIGEST, mono=True), text)),
        EndMark("End of report R-1"),
    ]


def render(blocks: list[Block] | None = None, **changes) -> bytes:
    arguments = {
        "title": "A report",
        "subject": "Subject",
        "language": "en",
        "paper": "A4",
        "moment": MOMENT,
        "identity": "R-1",
        "digest": DIGEST,
        "attachments": (
            Attachment("record.json", RECORD, relationship="Source"),
            Attachment("evaluation.json", b"{}", relationship="Data"),
        ),
        "custom_metadata": {"revision": "1"},
    }
    return render_document(sample() if blocks is None else blocks, **(arguments | changes))


def text_of(pdf: bytes, *options: str) -> str:
    return run("pdftotext", "-enc", "UTF-8", *options, "-", "-", stdin=pdf)


def run(*command: str, stdin: bytes | None = None) -> str:
    done = subprocess.run(command, input=stdin, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode() + done.stdout.decode()
    return done.stdout.decode("utf-8")


def test_two_renders_are_equal_to_the_byte():
    assert render() == render()


def test_threads_do_not_disturb_each_other():
    wanted = render()
    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(lambda _: render(), range(12))) == {wanted}


SUBPROCESS = "import hashlib, test_pdf_engine as t; print(hashlib.sha256(t.render()).hexdigest())"


@pytest.mark.parametrize(
    "surroundings",
    [
        {"PYTHONHASHSEED": "1", "TZ": "Asia/Tokyo"},
        {"PYTHONHASHSEED": "77", "TZ": "America/Lima", "LC_ALL": "C", "SOURCE_DATE_EPOCH": "12345"},
    ],
)
def test_another_process_renders_the_same_bytes(surroundings):
    done = subprocess.run(
        [sys.executable, "-c", SUBPROCESS],
        capture_output=True,
        cwd=Path(__file__).parent,
        env=os.environ | surroundings,
        check=True,
        text=True,
    )
    assert done.stdout.strip() == hashlib.sha256(render()).hexdigest()


def test_the_zone_of_the_moment_does_not_matter_but_the_moment_does():
    other_zone = MOMENT.astimezone(timezone(timedelta(hours=5, minutes=30)))
    pdf = pikepdf.open(io.BytesIO(render(moment=other_zone)))
    assert str(pdf.docinfo["/CreationDate"]) == "D:20260304050607+00'00'"
    assert render(moment=MOMENT + timedelta(seconds=1)) != render()


@pytest.mark.system
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_other_readers_find_no_fault(paper, tmp_path):
    path = tmp_path / "report.pdf"
    path.write_bytes(render(paper=paper))
    assert "No syntax or stream encoding errors" in run("qpdf", "--check", str(path))
    fonts = run("pdffonts", str(path)).splitlines()[2:]
    assert len(fonts) == 3
    assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in fonts)
    structure = run("pdfinfo", "-struct", str(path))
    for tag in ("Document", "H1", "H2", "H3", "Table", "TR", "TH", "TD", "Figure", "Form", "P (block)"):
        assert tag in structure
    listed = run("pdfdetach", "-list", str(path))
    assert "record.json" in listed and "evaluation.json" in listed
    information = run("pdfinfo", str(path))
    assert ("595.28 x 841.89" if paper == "A4" else "612 x 792") in information
    assert "Tagged:          yes" in information


def test_catalog_holds_what_pdf_a_and_pdf_ua_ask_for():
    pdf = pikepdf.open(io.BytesIO(render()))
    root = pdf.Root
    assert pdf.pdf_version == "1.7"
    assert root.MarkInfo.Marked is True
    assert str(root.Lang) == "en"
    assert root.ViewerPreferences.DisplayDocTitle is True
    intent = root.OutputIntents[0]
    assert intent.S == "/GTS_PDFA1"
    assert intent.DestOutputProfile.N == 3
    profile = intent.DestOutputProfile.read_bytes()
    assert profile[24:36] == bytes(12) and profile[84:100] == bytes(16) and profile[36:40] == b"acsp"
    packet = root.Metadata.read_bytes().decode("utf-8")
    assert "<pdfaid:part>3</pdfaid:part>" in packet and "<pdfaid:conformance>B</pdfaid:conformance>" in packet
    assert "<pdfuaid:part>1</pdfuaid:part>" in packet
    for name in ("recordIdentity", "recordDigest", "engine", "revision"):
        assert f"<pdfaProperty:name>{name}</pdfaProperty:name>" in packet
    assert DIGEST in packet
    assert "Filter" not in root.Metadata
    with pdf.open_metadata() as metadata:
        assert metadata["dc:title"] == "A report"
    assert str(pdf.docinfo["/Title"]) == "A report"
    for forbidden in ("/OpenAction", "/AA", "/JavaScript", "/URI"):
        assert forbidden not in root


def test_attached_files_stand_in_both_places_with_size_checksum_and_relationship():
    pdf = pikepdf.open(io.BytesIO(render()))
    root = pdf.Root
    names = root.Names.EmbeddedFiles.Names
    assert [str(n) for n in list(names)[0::2]] == ["evaluation.json", "record.json"]
    assert {f.objgen for f in root.AF} == {f.objgen for f in list(names)[1::2]}
    record = next(f for f in root.AF if str(f.UF) == "record.json")
    assert record.AFRelationship == "/Source"
    stream = record.EF.F
    assert stream.objgen == record.EF.UF.objgen
    assert stream.read_bytes() == RECORD
    assert stream.Subtype == "/application/json"
    assert stream.Params.Size == len(RECORD)
    assert bytes(stream.Params.CheckSum) == hashlib.md5(RECORD).digest()


def test_every_stream_ends_with_an_end_of_line():
    data = render()
    at = 0
    count = 0
    while (at := data.find(b"endstream", at + 1)) != -1:
        assert data[at - 1 : at] == b"\n"
        count += 1
    assert count > 8


def walk(element, found):
    found.append(element)
    kids = element.get("/K")
    if isinstance(kids, pikepdf.Array):
        for kid in kids:
            if isinstance(kid, pikepdf.Dictionary) and kid.get("/Type") == "/StructElem":
                walk(kid, found)
    elif isinstance(kids, pikepdf.Dictionary) and kids.get("/Type") == "/StructElem":
        walk(kids, found)
    return found


def test_every_mark_has_its_element_and_every_element_its_mark():
    pdf = pikepdf.open(io.BytesIO(render()))
    tree = pdf.Root.StructTreeRoot
    numbers = {
        int(k): v for k, v in zip(list(tree.ParentTree.Nums)[0::2], list(tree.ParentTree.Nums)[1::2], strict=True)
    }
    assert tree.ParentTreeNextKey == len(numbers)
    for page in pdf.pages:
        assert page.Tabs == "/S"
        owners = numbers[int(page.StructParents)]
        seen, depth = [], 0
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) in ("BDC", "BMC"):
                depth += 1
                assert depth == 1
                if str(operator) == "BDC" and "/MCID" in operands[1]:
                    seen.append((int(operands[1]["/MCID"]), str(operands[0])))
            elif str(operator) == "EMC":
                depth -= 1
            elif str(operator) in ("Tj", "TJ", "S", "f", "B", "Do"):
                assert depth == 1, f"{operator} outside marked content"
        assert depth == 0
        assert [mcid for mcid, _ in seen] == list(range(len(owners)))
        assert [tag for _, tag in seen] == [str(e.S) for e in owners]
    elements = walk(tree.K[0], [])
    tags = [str(e.S) for e in elements]
    assert tags[0] == "/Document" and tags.count("/H1") == 1
    for element in elements:
        if element.S in ("/Figure", "/Form"):
            assert str(element.Alt)
            assert len(element.A.BBox) == 4
        if element.S == "/TH":
            assert element.A.Scope in ("/Column", "/Row")
        if element.S == "/TR":
            assert element.P.S == "/Table"


def test_signature_fields_are_widgets_known_to_form_page_and_tree():
    pdf = pikepdf.open(io.BytesIO(render()))
    fields = {str(f.T): f for f in pdf.Root.AcroForm.Fields}
    assert list(fields) == ["Technician", "Reviewer"]
    assert "/NeedAppearances" not in pdf.Root.AcroForm
    numbers = list(pdf.Root.StructTreeRoot.ParentTree.Nums)
    by_key = {int(k): v for k, v in zip(numbers[0::2], numbers[1::2], strict=True)}
    for field in fields.values():
        assert field.FT == "/Sig" and field.Subtype == "/Widget" and field.F == 132
        assert str(field.TU) and str(field.Contents)
        assert field.AP.N.Subtype == "/Form"
        assert "/V" not in field
        page = field.P
        assert field.objgen in {a.objgen for a in page.Annots}
        owner = by_key[int(field.StructParent)]
        assert owner.S == "/Form" and owner.K.Obj.objgen == field.objgen
    assert len(fields["Technician"].AP.N.read_bytes()) > 100
    assert fields["Reviewer"].AP.N.read_bytes().strip() == b""


def embedded_widths(data: bytes) -> dict[int, float]:
    """Advance in thousandths for each code of an embedded face: its cmap (format 6) and hmtx tables."""
    tables = {}
    for index in range(struct.unpack(">H", data[4:6])[0]):
        tag, _, start, length = struct.unpack(">4sLLL", data[12 + 16 * index : 28 + 16 * index])
        tables[tag.decode()] = data[start : start + length]
    upem = struct.unpack(">H", tables["head"][18:20])[0]
    full = struct.unpack(">H", tables["hhea"][34:36])[0]
    subtable = tables["cmap"][struct.unpack(">L", tables["cmap"][8:12])[0] :]
    kind, _, _, first, count = struct.unpack(">5H", subtable[:10])
    assert kind == 6
    glyphs = struct.unpack(f">{count}H", subtable[10 : 10 + 2 * count])
    advances = [struct.unpack(">H", tables["hmtx"][4 * i : 4 * i + 2])[0] for i in range(full)]
    return {first + i: advances[min(g, full - 1)] * 1000 / upem for i, g in enumerate(glyphs) if g}


def test_widths_of_every_font_agree_with_the_embedded_glyphs():
    pdf = pikepdf.open(io.BytesIO(render(sample(text="Ωµ ± ≤ ✓ é ü ñ ß Ж"))))
    checked = 0
    for font in {f.objgen: f for page in pdf.pages for f in page.Resources.Font.values()}.values():
        inside = embedded_widths(font.FontDescriptor.FontFile2.read_bytes())
        for code, width in enumerate(font.Widths):
            if code in inside:
                assert abs(inside[code] - float(width)) < 1
                checked += 1
    assert checked > 250


HARM = [
    '<img src="file:///etc/passwd"/><font size=400>big</font> & <b>unclosed',
    "\x00\x01\x07\x1b[31mred\x7f\x9b",
    "‮evil‬ ⁦isolated⁩ zero​width﻿",
    "🔥 emoji 漢字 कखग \U0010ffff \ud800",
    "(parentheses) \\ backslash %percent ) ( \r carriage",
    "{page} {0} %s",
    "",
    "   ",
    "\n\n\n",
]


@pytest.mark.system
@pytest.mark.parametrize("text", HARM, ids=range(len(HARM)))
def test_hostile_text_is_only_text(text, tmp_path):
    blocks = sample(3, text)
    data = render(blocks, title=text, subject=text, identity=text or "x", author=text, watermark=text)
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    assert "No syntax or stream encoding errors" in run("qpdf", "--check", str(path))
    shown = text_of(data)
    assert "root:" not in shown
    assert not any(0x202A <= ord(c) <= 0x202E or 0x2066 <= ord(c) <= 0x2069 for c in shown)
    if "img" in text:
        assert '<img src="file:///etc/passwd"/><font size=400>big</font> & <b>unclosed' in " ".join(shown.split())
    if "🔥" in text:
        assert "[U+1F525]" in shown and "[U+D800]" in shown and "[U+6F22]" in shown
    pikepdf.open(io.BytesIO(data)).open_metadata()


def test_no_glyph_is_ever_missing():
    """PDF/A forbids .notdef: a code 0 in a shown string would draw it."""
    pdf = pikepdf.open(io.BytesIO(render(sample(3, "🔥 漢 \ud800 ok"))))
    for page in pdf.pages:
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) == "Tj":
                assert 0 not in bytes(operands[0])


@pytest.mark.system
@pytest.mark.parametrize(
    "text", ["word " * 40_000, "x" * 200_000, "line\n" * 10_000], ids=["words", "one word", "lines"]
)
def test_200_kilobytes_in_every_place_still_make_pages(text, tmp_path):
    changed: list[Block] = [Heading(1, "A report"), Paragraph(text), Notice("Outcome", text)]
    changed.append(Table(("a", "b"), ((text[:60_000], "short"), ("short", text[:60_000])), (1, 1)))
    changed.append(KeyValues(((text[:20_000], text[:60_000]),)))
    changed.append(SignatureField("Technician", text, (text, text), note=text))
    changed.append(QrCode("urn:x", text[:5_000], (text,)))
    changed.append(EndMark(text))
    data = render(changed, title=text[:50_000], watermark=text)
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    assert "No syntax or stream encoding errors" in run("qpdf", "--check", str(path))
    pdf = pikepdf.open(io.BytesIO(data))
    assert len(pdf.pages) > 20
    height = float(pdf.pages[0].MediaBox[3])
    for page in pdf.pages:
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) == "Tm" and float(operands[0]) == 1 and float(operands[5]) < 0:
                pytest.fail("text below the page")
            if str(operator) == "Tm" and float(operands[5]) > height:
                pytest.fail("text above the page")


@pytest.mark.system
def test_a_long_table_repeats_its_head_on_paper_but_not_in_the_tags():
    data = render(sample(rows=200))
    pdf = pikepdf.open(io.BytesIO(data))
    pages = [text_of(data, "-f", str(n), "-l", str(n)) for n in range(1, len(pdf.pages) + 1)]
    with_rows = [page for page in pages if "point " in page]
    assert len(with_rows) >= 4
    assert all("Verdict" in page and "Value" in page for page in with_rows)
    heads = [e for e in walk(pdf.Root.StructTreeRoot.K[0], []) if e.S == "/TH" and e.A.Scope == "/Column"]
    assert len(heads) == 3
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert "R-1" in page and DIGEST in page


@pytest.mark.parametrize("rows", range(18, 50))
def test_the_note_below_a_table_never_opens_a_page_without_a_row(rows):
    table = Table(
        ("Reading", "Value"),
        tuple((f"row {n}", "1 V") for n in range(rows)),
        (1, 1),
        notes=("what the values mean", "and their source"),
    )
    pages = text_of(render([Heading(1, "A report"), table]), "-layout").split("\f")
    (noted,) = (page for page in pages if "what the values mean" in page)
    assert f"row {rows - 1}" in noted and "and their source" in noted
    assert "Reading" in noted


@pytest.mark.system
def test_the_qr_code_reads_back_from_the_rendered_page(tmp_path):
    import zxingcpp
    from PIL import Image

    path = tmp_path / "report.pdf"
    path.write_bytes(render(sample(1), watermark="DEMONSTRATION - INVENTED DATA"))
    run("pdftoppm", "-r", "150", "-png", str(path), str(tmp_path / "page"))
    found = [code.text for page in sorted(tmp_path.glob("*.png")) for code in zxingcpp.read_barcodes(Image.open(page))]
    assert found == [f"urn:sha256:{DIGEST}"]


def test_what_cannot_be_rendered_is_said_all_at_once():
    with pytest.raises(InputFault) as caught:
        render(
            paper="A5",
            moment=datetime(2026, 1, 1),  # noqa: DTZ001 - the fault under test
            language="e n",
            attachments=(Attachment("a", b""), Attachment("a", b"")),
        )
    assert [f.where for f in caught.value.faults] == ["paper", "moment", "language", "attachments.a"]
    with pytest.raises(InputFault, match="metadata name"):
        render(custom_metadata={"<x>": "1"})


def test_blocks_are_frozen_and_tables_are_square():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Heading(1, "x").text = "y"
    with pytest.raises(ValueError, match="one cell for each head"):
        Table(("a", "b"), (("only one",),), (1, 1))
    with pytest.raises(ValueError, match="one width"):
        Table(("a", "b"), (), (1,))


def test_the_faces_travel_with_their_licence():
    from diagnb.report.pdf.fonts import FOLDER

    assert "Bitstream Vera" in (FOLDER / "LICENSE-DejaVu.txt").read_text(encoding="utf-8")
    digest = hashlib.sha256((FOLDER / "DejaVuSans.ttf").read_bytes()).hexdigest()
    assert digest == "abdc775b21b1bc470d50c97e790d276f2054b7504e56e5bd3e64f48d68582322", (
        "the licence asks for another name when a face is changed"
    )
