"""Attachments and document information: read from both lists, refused when readers could disagree."""

from __future__ import annotations

import zlib

import handmade as pdf
import pytest
from conftest import Shop

from diagnb.errors import InputFault
from diagnb.signing.attachments import document_information, embedded_files, xmp_packet

SECOND = b"<< /Type /Filespec /F (%b) /UF (%b) /AFRelationship /Data /EF << /F %d 0 R /UF %d 0 R >> >>"


def with_catalog(af: bytes, names: bytes, more: dict[int, bytes]) -> bytes:
    parts = pdf.objects() | more
    parts[pdf.CATALOG] = (
        parts[pdf.CATALOG].replace(b"/AF [15 0 R]", b"/AF [%b]" % af).replace(b"(record.json) 15 0 R", names)
    )
    return pdf.write(parts)


def test_the_attachment_comes_back_byte_for_byte(shop: Shop) -> None:
    for data in (shop.unsigned, shop.certified, shop.countersigned):
        files = embedded_files(data)
        assert list(files) == ["record.json"]
        found = files["record.json"]
        assert found.data == pdf.ATTACHED
        assert (found.relationship, found.media_type) == ("Source", "application/json")


def test_two_files_and_none() -> None:
    more = {18: SECOND % (b"e.json", b"e.json", 19, 19), 19: pdf.stream(b"{}", b"/Subtype /application#2Fjson")}
    both = with_catalog(b"15 0 R 18 0 R", b"(e.json) 18 0 R (record.json) 15 0 R", more)
    assert {n: f.relationship for n, f in embedded_files(both).items()} == {
        "e.json": "Data",
        "record.json": "Source",
    }
    assert embedded_files(with_catalog(b"", b"", {})) == {}


@pytest.mark.parametrize(
    ("af", "names", "name", "stream"),
    [
        (b"15 0 R", b"(e.json) 18 0 R (record.json) 15 0 R", b"e.json", 19),
        (b"15 0 R 18 0 R", b"(record.json) 15 0 R", b"e.json", 19),
        (b"18 0 R", b"(record.json) 15 0 R", b"record.json", 19),
        (b"15 0 R 18 0 R", b"(record.json) 15 0 R (record.json) 18 0 R", b"record.json", 19),
        (b"15 0 R 15 0 R", b"(record.json) 15 0 R", b"e.json", 19),
        (b"15 0 R 18 0 R", b"(other.json) 18 0 R (record.json) 15 0 R", b"e.json", 19),
        (b"15 0 R 18 0 R", b"(e.json) 18 0 R (record.json) 15 0 R", b"e.json", pdf.FILE),
        (b"15 0 R 18 0 R", b"(e.json) (x) (record.json) 15 0 R", b"e.json", 19),
    ],
)
def test_lists_that_disagree_are_refused(af: bytes, names: bytes, name: bytes, stream: int) -> None:
    more = {18: SECOND % (name, name, stream, stream), 19: pdf.stream(b"{}")}
    with pytest.raises(InputFault):
        embedded_files(with_catalog(af, names, more))


def test_a_bomb_is_stopped() -> None:
    bomb = zlib.compress(b"\0" * (80 << 20), 9)
    parts = pdf.objects()
    parts[pdf.FILE] = pdf.stream(bomb, b"/Type /EmbeddedFile /Filter /FlateDecode")
    with pytest.raises(InputFault):
        embedded_files(pdf.write(parts))
    twice = zlib.compress(bomb, 9)
    parts[pdf.FILE] = pdf.stream(twice, b"/Type /EmbeddedFile /Filter [/FlateDecode /FlateDecode]")
    with pytest.raises(InputFault):
        embedded_files(pdf.write(parts))
    with pytest.raises(InputFault, match="more than 100"):
        embedded_files(pdf.write(pdf.objects()), limit=100)


def test_a_list_that_runs_in_a_circle() -> None:
    parts = pdf.objects()
    parts[pdf.CATALOG] = parts[pdf.CATALOG].replace(
        b"/EmbeddedFiles << /Names [(record.json) 15 0 R] >>", b"/EmbeddedFiles 18 0 R"
    )
    parts[18] = b"<< /Kids [18 0 R 18 0 R] >>"
    with pytest.raises(InputFault):
        embedded_files(pdf.write(parts))


def test_information_and_xmp(shop: Shop) -> None:
    assert document_information(shop.countersigned) == {"Title": "Invented report", "Author": "Ada Invented"}
    assert xmp_packet(shop.countersigned) == pdf.XMP


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7", b"x" * 999])
def test_what_is_no_pdf(data: bytes) -> None:
    for read in (embedded_files, document_information, xmp_packet):
        with pytest.raises(InputFault):
            read(data)
