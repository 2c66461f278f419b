"""Writing from right to left: order, joined letters, what other programs read off the page."""

from __future__ import annotations

import io
import subprocess
import time
import unicodedata
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.report.blocks import Block, Cell, EndMark, KeyValues, Paragraph, SignatureField, Table
from diagnb.report.pdf import render_document
from diagnb.report.pdf.direction import LEFT, RIGHT, letters_of
from diagnb.report.pdf.fonts import typeface
from diagnb.report.pdf.lines import wrap

ARABIC = "المصباح الأيسر لا يعمل"
HEBREW = "הפנס השמאלי אינו פועל"


def made(*blocks: Block) -> bytes:
    return render_document(
        [*blocks, EndMark("end")],
        title="A report",
        subject="invented",
        language="en",
        paper="A4",
        moment=datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC),
        identity="R-1",
        digest="0" * 64,
    )


def read_off(pdf: bytes, *options: str) -> str:
    done = subprocess.run(
        ["pdftotext", "-enc", "UTF-8", *options, "-", "-"], input=pdf, capture_output=True, check=True, timeout=60
    )
    return done.stdout.decode("utf-8").translate({0x202A: None, 0x202B: None, 0x202C: None})


@pytest.mark.system
@pytest.mark.parametrize("text", [ARABIC, HEBREW, "مُحَمَّد", "پژمان گچی"])
def test_another_program_reads_the_letters_in_their_order(text: str) -> None:
    pdf = made(
        Paragraph(text),
        KeyValues(((text, text),)),
        Table(("A", "B"), (("1", Cell(text, strong=True, detail=text)),), (1, 3)),
        SignatureField("Technician", "Technician", (text, "1 March")),
    )
    assert read_off(pdf).count(text) == 6


def test_letters_are_joined_and_the_line_runs_to_the_left() -> None:
    drawn = typeface("regular").as_drawn("لا بيت")
    assert drawn == "\ufe96\ufef4\ufe91 \ufefb"
    assert typeface("regular").as_drawn("קו (ABC) [12]") == "[12] (ABC) וק"


def test_a_line_in_a_paragraph_to_the_right_stays_there() -> None:
    assert typeface("regular").as_drawn(f"{LEFT}אב then") == "בא then"
    assert typeface("regular").as_drawn(f"{RIGHT}C12 אב") == "בא C12"


def test_every_line_of_a_paragraph_has_its_direction() -> None:
    face = typeface("regular")
    lines = wrap("אבג ABC DEF GHI JKL MNO\nplain\nABC אבג ABC DEF GHI JKL", face, 8.0, 60.0)
    marks = "".join(line[0] if line[0] in RIGHT + LEFT else "." for line in lines)
    assert marks.strip(RIGHT).strip(LEFT) == ".", marks
    assert marks.startswith(RIGHT * 2) and marks.endswith(LEFT * 2)
    assert all(face.width(line, 8.0) <= 60.0 for line in lines)


@pytest.mark.system
def test_a_paragraph_from_right_to_left_ends_at_the_right_edge() -> None:
    boxes = read_off(made(Paragraph(HEBREW), Paragraph("plain")), "-bbox")
    rights = {line.split(">")[1].split("<")[0]: float(line.split('xMax="')[1].split('"')[0])
              for line in boxes.splitlines() if "<word " in line}  # fmt: skip
    assert rights["הפנס"[::-1]] == pytest.approx(595.28 - 51, abs=0.5)
    assert rights["plain"] < 100


def test_who_listens_to_the_page_hears_the_order_of_reading() -> None:
    pdf = pikepdf.open(io.BytesIO(made(Paragraph(f"{ARABIC} " * 8))))
    entries = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary)]
    said = [str(o.ActualText) for o in entries if "/ActualText" in o]
    assert said == [" ".join([ARABIC] * 8)]


def test_other_reports_carry_no_such_text_and_name_the_libraries() -> None:
    pdf = made(Paragraph("Größe ± 2 %"))
    assert b"/ActualText" not in pdf
    assert b"python-bidi" in pdf and b"arabic-reshaper" in pdf


@settings(deadline=None, max_examples=300)
@given(st.text(st.sampled_from("אבגדlmn 123.()[]<«»-" + "ابتلآأإهةىيپچگ" + "\u064e\u0651\u0670"), min_size=1))
def test_nothing_is_lost_on_the_way_to_the_page(text: str) -> None:
    face = typeface("regular")
    line = face.legible(text)
    drawn = "".join(map(letters_of, face.as_drawn(line)))
    assert Counter(_unmirrored(drawn)) == Counter(_unmirrored(line))


def _unmirrored(text: str) -> str:
    opened = text.translate(str.maketrans(")]>»", "([<«"))
    return "".join(unicodedata.normalize("NFKC", c) for c in opened)


def test_a_letter_that_a_face_lacks_is_named_and_overrides_change_nothing() -> None:
    assert typeface("mono").legible("א b") == "[U+05D0] b"
    assert typeface("regular").legible("abc\u202edef\u2067\u200f") == "abcdef"


@pytest.mark.system
@pytest.mark.parametrize("text", [f"{ARABIC} ", f"{HEBREW} (C12) 12.6 V ", "ב", "ل"])
def test_200_kilobytes_are_drawn_in_bounded_time(text: str, tmp_path: Path) -> None:
    start = time.process_time()
    pdf = made(Paragraph(text * (200_000 // len(text.encode("utf-8")))))
    assert time.process_time() - start < 20
    path = tmp_path / "long.pdf"
    path.write_bytes(pdf)
    subprocess.run(["qpdf", "--check", path], capture_output=True, check=True, timeout=60)
