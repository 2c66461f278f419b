"""Every attack that is known on signed PDF files, on real reports made for it, and what verification says.

`python tests/test_attack_table.py` prints the table. Each case is a file, whom it was signed by, and what has to be
found; honest files stand in the same table, because a verifier that refuses everything would find all attacks too.
"""

from __future__ import annotations

import contextlib
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache, cached_property
from io import BytesIO
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent / "signing"))

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from pyhanko.pdf_utils.generic import (
    ArrayObject,
    DictionaryObject,
    NameObject,
    NumberObject,
    StreamObject,
    TextStringObject,
)
from pyhanko.pdf_utils.reader import PdfFileReader
from stamping import TimeService, time_service

from diagnb.evaluation import evaluate
from diagnb.proof import REASONS, Verification, verify_report
from diagnb.record import load_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import (
    OnePassSigner,
    SigningKey,
    TrustList,
    add_validation_data,
    certify,
    countersign,
    create_authority,
    create_person,
    self_signed_person,
    timestamp,
    trust_entry,
)
from diagnb.signing.writing import quiet_writer

MADE = datetime(2026, 1, 7, 8, 0, tzinfo=UTC)
SIGNED = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
CHECKED = SIGNED + timedelta(days=30)
YEAR = timedelta(days=365)
BOTH = ("Technician", "Reviewer")
NAME = NameObject


@dataclass(frozen=True)
class Case:
    """One file and what has to be said about it; `reason` is empty for an honest one."""

    make: Callable[[Bench], bytes]
    reason: str = ""
    expected: tuple[str, ...] = ("Technician",)
    years: float = 0.0
    trust: Callable[[Bench], TrustList] | None = None


class Bench:
    """A shop, a time-stamp service, and honest reports to start from; all invented."""

    def __init__(self, service: TimeService) -> None:
        self.service = service
        self.authority = create_authority(name="Example shop (invented)", moment=MADE)
        self.technician = create_person(self.authority, name="R. Example", role="technician", moment=MADE)
        self.reviewer = create_person(self.authority, name="M. Sample", role="reviewer", moment=MADE)
        self.manager = create_person(self.authority, name="C. Specimen", role="manager", moment=MADE)
        shop = trust_entry(self.authority.certificate, added=MADE, added_by="test")
        self.trust = TrustList((shop, service.entry(MADE))).with_new_revocation_list(self.authority, moment=CHECKED)
        self.record = load_record(templates_directory() / "demo-record.json")
        self.evaluation = evaluate(self.record)

    def render(self, **options: Any) -> bytes:
        return render_report(self.record, self.evaluation, moment=SIGNED, **options)

    def certify(self, pdf: bytes, key: Any = None, url: str | None = None) -> bytes:
        return certify(
            pdf, key=key or self.technician, field="Technician", reason="I took these readings", moment=SIGNED,
            timestamp_url=url,
        )  # fmt: skip

    def countersign(self, pdf: bytes, key: Any = None, field: str = "Reviewer") -> bytes:
        return countersign(pdf, key=key or self.reviewer, field=field, reason="I reviewed this record", moment=SIGNED)

    def quick(self, pdf: bytes) -> bytes:
        signer = OnePassSigner(self.technician)
        return signer.certify(pdf, field="Technician", reason="I took these readings", moment=SIGNED)

    @cached_property
    def unsigned(self) -> bytes:
        return self.render()

    @cached_property
    def certified(self) -> bytes:
        return self.certify(self.unsigned)

    @cached_property
    def both(self) -> bytes:
        return self.countersign(self.certified)

    @cached_property
    def one_pass(self) -> bytes:
        return self.quick(self.unsigned)

    @cached_property
    def stamped(self) -> bytes:
        self.service.at(SIGNED)
        return self.certify(self.unsigned, url=self.service.url())

    @cached_property
    def lasting(self) -> bytes:
        self.service.at(SIGNED + timedelta(days=1))
        return timestamp(self.both, url=self.service.url(), trust=self.trust, moment=SIGNED + timedelta(days=1))

    def verify(self, case: Case) -> Verification:
        trust = case.trust(self) if case.trust else self.trust
        moment = CHECKED + case.years * YEAR
        return verify_report(case.make(self), trust=trust, moment=moment, expected=case.expected, name="report.pdf")


# --- tools of a forger ----------------------------------------------------------------------------------


def updated(pdf: bytes, change: Callable[[Any], None]) -> bytes:
    """The file with one more revision: what anybody can append without any key."""
    writer = quiet_writer(PdfFileReader(BytesIO(pdf)))
    change(writer)
    output = BytesIO()
    writer.write(output)
    assert output.getvalue() != pdf
    return output.getvalue()


def page(writer: Any, number: int = 0) -> Any:
    return writer.root["/Pages"]["/Kids"].raw_get(number).get_object()


def touch(writer: Any, part: Any) -> None:
    writer.mark_update(part.container_ref)


def flipped(pdf: bytes, at: int) -> bytes:
    return pdf[:at] + bytes([pdf[at] ^ 1]) + pdf[at + 1 :]


def inside(pdf: bytes, number: int) -> int:
    """A place in the middle of an object's stream."""
    start = pdf.index(b"stream", re.search(rb"(?:^|\n)%d 0 obj" % number, pdf).end())  # type: ignore[union-attr]
    return start + (pdf.index(b"endstream", start) - start) // 2


def reference(value: Any) -> int:
    return int(value.reference.idnum)


def content_at(pdf: bytes) -> int:
    return inside(pdf, reference(PdfFileReader(BytesIO(pdf)).root["/Pages"]["/Kids"][0].raw_get("/Contents")))


def record_at(pdf: bytes) -> int:
    spec = specs(PdfFileReader(BytesIO(pdf)).root)["record.json"]
    return inside(pdf, reference(spec["/EF"].raw_get("/F")))


def specs(root: Any) -> dict[str, Any]:
    leaves = root["/Names"]["/EmbeddedFiles"]["/Names"]
    return {str(leaves[i]): leaves[i + 1] for i in range(0, len(leaves), 2)}


def ranges(pdf: bytes) -> tuple[int, int, int, int]:
    a, b, c, d = (int(n) for n in re.findall(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", pdf)[0])
    return a, b, c, d


def with_range(pdf: bytes, text: bytes) -> bytes:
    found = re.search(rb"/ByteRange \[.*?\] *", pdf)
    assert found
    return pdf[: found.start()] + text.ljust(len(found[0])) + pdf[found.end() :]


def value_end(pdf: bytes) -> int:
    before = ranges(pdf)[1]
    return before + 1 + 2 * (4 + int(pdf[before + 5 : before + 9], 16))


def digit(pdf: bytes, at: int) -> bytes:
    return pdf[:at] + (b"0" if pdf[at : at + 1] != b"0" else b"1") + pdf[at + 1 :]


def certificate_byte(pdf: bytes) -> bytes:
    at = pdf.lower().index(b"R. Example".hex().encode(), ranges(pdf)[1])
    return pdf[: at + 1] + b"3" + pdf[at + 2 :]


def wrapped(pdf: bytes) -> bytes:
    _, before, after, rest = ranges(pdf)
    return with_range(pdf, b"/ByteRange [0 %d %d %d]" % (before, after + rest, rest)) + pdf[after:]


# --- changes by another revision --------------------------------------------------------------------------


def new_content(writer: Any) -> None:
    sheet = page(writer)
    sheet["/Contents"] = writer.add_object(StreamObject(stream_data=b"BT ET"))
    touch(writer, sheet)


def content_in_place(writer: Any) -> None:
    stream = page(writer)["/Contents"]
    stream._data = b"BT ET"
    stream._encoded_data = None
    touch(writer, stream)


def attachment_in_place(writer: Any) -> None:
    stream = specs(writer.root)["record.json"]["/EF"]["/F"]
    stream._data = b"{}"
    stream._encoded_data = None
    touch(writer, stream)


def another_file(writer: Any, *, listed_twice: bool = False, name: str = "record.json") -> None:
    body = StreamObject({NAME("/Type"): NAME("/EmbeddedFile")}, stream_data=b"{}")
    held = DictionaryObject({NAME("/F"): writer.add_object(body)})
    spec = writer.add_object(
        DictionaryObject(
            {
                NAME("/Type"): NAME("/Filespec"),
                NAME("/F"): TextStringObject(name),
                NAME("/UF"): TextStringObject(name),
                NAME("/EF"): held,
            }
        )
    )
    leaves = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
    if listed_twice:
        leaves.extend([TextStringObject(name), spec])
        writer.root["/AF"].append(spec)
    else:
        at = next(i for i in range(0, len(leaves), 2) if str(leaves[i]) == name)
        leaves[at + 1] = spec
    writer.update_root()


def font_replaced(writer: Any) -> None:
    fonts = page(writer)["/Resources"]["/Font"]
    font = next(f for f in (fonts[k] for k in fonts) if "/FontDescriptor" in f)
    program = font["/FontDescriptor"]["/FontFile2"]
    program._data = program.data[:-4] + b"evil"
    program._encoded_data = None
    touch(writer, program)


def other_pages(writer: Any) -> None:
    old = writer.root["/Pages"]
    kids = ArrayObject([old["/Kids"].raw_get(0)])
    tree = DictionaryObject({NAME("/Type"): NAME("/Pages"), NAME("/Kids"): kids, NAME("/Count"): NumberObject(1)})
    writer.root["/Pages"] = writer.add_object(tree)
    writer.update_root()


def rotated(writer: Any) -> None:
    page(writer)["/Rotate"] = NumberObject(180)
    touch(writer, page(writer))


def action(key: str, value: dict[str, Any]) -> Callable[[Any], None]:
    def change(writer: Any) -> None:
        writer.root[key] = DictionaryObject({NAME(k): v for k, v in value.items()})
        writer.update_root()

    return change


SCRIPT = action("/OpenAction", {"/S": NAME("/JavaScript"), "/JS": TextStringObject("app.alert(1)")})
LAUNCH = action("/AA", {"/WC": DictionaryObject({NAME("/S"): NAME("/Launch")})})


def annotation(writer: Any, **more: Any) -> None:
    note = {
        "/Type": NAME("/Annot"),
        "/Subtype": NAME("/FreeText"),
        "/Rect": ArrayObject([NumberObject(n) for n in (40, 600, 400, 700)]),
        "/Contents": TextStringObject("PASS"),
        "/DA": TextStringObject("/F1 12 Tf"),
    } | {f"/{k}": v for k, v in more.items()}
    added = writer.add_object(DictionaryObject({NAME(k): v for k, v in note.items()}))
    sheet = page(writer)
    sheet["/Annots"] = ArrayObject([*sheet.get("/Annots", ()), added])
    touch(writer, sheet)


def link(writer: Any) -> None:
    target = DictionaryObject({NAME("/S"): NAME("/URI"), NAME("/URI"): TextStringObject("https://example.invalid/")})
    annotation(writer, Subtype=NAME("/Link"), A=target)


def form(writer: Any) -> Any:
    return writer.root["/AcroForm"]


def widget(writer: Any, name: str) -> Any:
    fields = [reference.get_object() for reference in form(writer)["/Fields"]]
    return next(field for field in fields if str(field["/T"]) == name)


def field_moved(writer: Any) -> None:
    field = widget(writer, "Reviewer")
    field["/Rect"] = ArrayObject([NumberObject(n) for n in (40, 600, 400, 700)])
    touch(writer, field)


def field_black(writer: Any) -> None:
    field = widget(writer, "Reviewer")
    box = ArrayObject([NumberObject(n) for n in (0, 0, 300, 66)])
    entries = {NAME("/Type"): NAME("/XObject"), NAME("/Subtype"): NAME("/Form"), NAME("/BBox"): box}
    drawn = StreamObject(entries, stream_data=b"0 0 300 66 re f")
    field["/AP"] = DictionaryObject({NAME("/N"): writer.add_object(drawn)})
    touch(writer, field)


def field_added(writer: Any, *, opaque: bool = False) -> None:
    entries = {
        "/Type": NAME("/Annot"),
        "/Subtype": NAME("/Widget"),
        "/FT": NAME("/Sig"),
        "/T": TextStringObject("Extra"),
        "/F": NumberObject(132),
        "/Rect": ArrayObject([NumberObject(n) for n in (40, 600, 400, 700)]),
    }
    if opaque:
        drawn = StreamObject({NAME("/Subtype"): NAME("/Form")}, stream_data=b"0 0 400 100 re f")
        entries["/AP"] = DictionaryObject({NAME("/N"): writer.add_object(drawn)})
    added = writer.add_object(DictionaryObject({NAME(k): v for k, v in entries.items()}))
    form(writer)["/Fields"].append(added)
    touch(writer, form(writer))
    sheet = page(writer)
    sheet["/Annots"] = ArrayObject([*sheet.get("/Annots", ()), added])
    touch(writer, sheet)


def value_removed(writer: Any) -> None:
    field = widget(writer, "Technician")
    del field["/V"]
    touch(writer, field)


def value_borrowed(writer: Any) -> None:
    field = widget(writer, "Reviewer")
    field["/V"] = widget(writer, "Technician").raw_get("/V")
    touch(writer, field)


def packet_changed(writer: Any) -> None:
    stream = writer.root["/Metadata"]
    data = re.sub(rb"(recordDigest>)[0-9a-f]{8}", rb"\g<1>00000000", stream.data)
    assert data != stream.data
    stream._data = data
    stream._encoded_data = None
    touch(writer, stream)


def information_changed(writer: Any) -> None:
    info = writer.trailer["/Info"]
    info["/Title"] = TextStringObject("Another report")
    touch(writer, info)


def store_with_passenger(writer: Any) -> None:
    writer.root["/DSS"] = writer.add_object(DictionaryObject({NAME("/Certs"): ArrayObject()}))
    writer.update_root()
    rotated(writer)


def unused_object(writer: Any) -> None:
    writer.add_object(TextStringObject("something hidden"))


def xfa(writer: Any) -> None:
    form(writer)["/XFA"] = TextStringObject("<x/>")
    touch(writer, form(writer))


def hybrid(pdf: bytes) -> bytes:
    count = int(re.findall(rb"/Size (\d+)", pdf)[-1])
    root = int(re.findall(rb"/Root (\d+)", pdf)[-1])
    info = int(re.findall(rb"/Info (\d+)", pdf)[-1])
    previous = int(re.findall(rb"startxref\s+(\d+)", pdf)[-1])
    at = len(pdf)
    table = b"%d 0 obj\n<< /Type /XRef /Size %d /W [1 2 1] /Index [%d 1] /Root %d 0 R /Length 4 >>\nstream\n\x01\x00\x10\x00\nendstream\nendobj\n"
    data = pdf + table % (count, count + 1, count, root)
    start = len(data)
    ends = b"/Size %d /Root %d 0 R /Info %d 0 R /Prev %d /XRefStm %d" % (count + 1, root, info, previous, at)
    return data + b"xref\n0 0\ntrailer\n<< %b >>\nstartxref\n%d\n%%%%EOF\n" % (ends, start)


def encrypted(pdf: bytes) -> bytes:
    key = b"/Encrypt << /Filter /Standard /V 1 /R 2 /O <%b> /U <%b> /P -4 >>\n" % (b"00" * 32, b"00" * 32)
    at = pdf.rindex(b"/Root ")
    return pdf[:at] + key + pdf[at:]


# --- signers who may not, or who lie ----------------------------------------------------------------------


def stranger(bench: Bench, name: str, role: str) -> SigningKey:
    other = create_authority(name="Example shop (invented)", moment=MADE)
    return create_person(other, name=name, role=role, moment=MADE)


def without_purpose(bench: Bench) -> SigningKey:
    private, made = ec.generate_private_key(ec.SECP256R1()), bench.technician.certificate
    builder = x509.CertificateBuilder(
        issuer_name=made.issuer,
        subject_name=made.subject,
        public_key=private.public_key(),
        serial_number=x509.random_serial_number(),
        not_valid_before=made.not_valid_before_utc,
        not_valid_after=made.not_valid_after_utc,
    ).add_extension(x509.KeyUsage(True, *[False] * 8), critical=True)
    return SigningKey(
        builder.sign(bench.authority.private_key, hashes.SHA256()), bench.technician.chain, private_key=private
    )


class Impostor:
    """The technician's certificate, somebody else's key."""

    def __init__(self, bench: Bench) -> None:
        self.certificate = bench.technician.certificate
        self.chain = bench.technician.chain
        self.sign = bench.reviewer.sign


def liar(change: Callable[[Any], None]) -> Callable[[Bench], bytes]:
    """A trusted technician who signs pages or files that were changed after rendering."""
    return lambda b: b.certify(updated(b.unsigned, change))


def other_verdict(bench: Bench) -> bytes:
    """Pages and evaluation of kinder readings around the unkind record, signed so."""
    plain = bench.evaluation.to_plain()
    for test in plain["tests"]:
        for result in test["results"]:
            if result["verdict"] == "fail":
                result["verdict"] = "pass"
    kinder = __import__("rfc8785").dumps(plain)

    def change(writer: Any) -> None:
        stream = specs(writer.root)["evaluation.json"]["/EF"]["/F"]
        stream._data = kinder
        stream._encoded_data = None
        touch(writer, stream)

    return bench.certify(updated(bench.unsigned, change))


def not_canonical(writer: Any) -> None:
    stream = specs(writer.root)["record.json"]["/EF"]["/F"]
    stream._data = stream.data.replace(b"{", b"{ ", 1)
    stream._encoded_data = None
    touch(writer, stream)


def one_list_only(writer: Any) -> None:
    writer.root["/AF"] = ArrayObject([writer.root["/AF"].raw_get(0)])
    writer.update_root()


def no_record(writer: Any) -> None:
    del writer.root["/AF"]
    del writer.root["/Names"]
    writer.update_root()


def covered(writer: Any) -> None:
    annotation(writer, Subtype=NAME("/Square"), IC=ArrayObject([NumberObject(1)] * 3))


def uncovered(bench: Bench) -> bytes:
    """Signed with a white box over the page, which is taken away later."""
    signed = bench.certify(updated(bench.unsigned, covered))

    def change(writer: Any) -> None:
        sheet = page(writer)
        kept = [sheet["/Annots"].raw_get(i) for i in range(len(sheet["/Annots"]) - 1)]
        sheet["/Annots"] = ArrayObject(kept)
        touch(writer, sheet)

    return updated(signed, change)


def one_pass_other_pages(bench: Bench) -> bytes:
    """German pages that call themselves English ones, signed in one pass by a trusted technician."""
    again = bench.render(language="de")
    at = again.index(b"language&quot;: &quot;de")
    return bench.quick(again[:at] + again[at:].replace(b"&quot;de&quot;", b"&quot;en&quot;", 1))


def revoked(bench: Bench) -> TrustList:
    person = trust_entry(bench.technician.certificate, added=MADE, added_by="test")
    listed = bench.trust.with_entry(person).with_revoked(person.fingerprint, moment=SIGNED - timedelta(days=1))
    return replace(
        bench.trust, revocation_lists=listed.with_new_revocation_list(bench.authority, moment=CHECKED).revocation_lists
    )


def revoked_later(bench: Bench) -> TrustList:
    person = trust_entry(bench.technician.certificate, added=MADE, added_by="test")
    return bench.trust.with_entry(person).with_revoked(person.fingerprint, moment=SIGNED + timedelta(days=9))


def without_service(bench: Bench) -> TrustList:
    return TrustList(bench.trust.entries[:1])


def up(change: Callable[[Any], None], base: str = "certified") -> Callable[[Bench], bytes]:
    return lambda b: updated(getattr(b, base), change)


LATE = "changed-after-signing"
CASES: dict[str, Case] = {
    "honest: certified": Case(lambda b: b.certified),
    "honest: certified and countersigned": Case(lambda b: b.both, expected=BOTH),
    "honest: signed in one pass": Case(lambda b: b.one_pass),
    "honest: one pass, countersigned": Case(lambda b: b.countersign(b.one_pass), expected=BOTH),
    "honest: three reviewers' places, two signed": Case(
        lambda b: b.countersign(b.countersign(b.certify(b.render(reviewers=3))), b.manager, "Reviewer3"),
        expected=("Technician", "Reviewer", "Reviewer3"),
    ),
    "honest: signature with time stamp": Case(lambda b: b.stamped),
    "honest: with time stamp, certificate ended since": Case(lambda b: b.stamped, years=5),
    "honest: with time stamp, key revoked since": Case(lambda b: b.stamped, trust=revoked_later),
    "honest: validation data added": Case(lambda b: add_validation_data(b.both, trust=b.trust, moment=CHECKED)),
    "honest: whole file stamped": Case(lambda b: b.lasting, expected=BOTH),
    "honest: whole file stamped, certificates ended since": Case(lambda b: b.lasting, expected=BOTH, years=5),
    "byte flipped in a page": Case(lambda b: flipped(b.certified, content_at(b.certified)), "digest-mismatch"),
    "byte flipped in the record": Case(lambda b: flipped(b.certified, record_at(b.certified)), "digest-mismatch"),
    "byte flipped in a page after both signatures": Case(
        lambda b: flipped(b.both, content_at(b.both)), "digest-mismatch", BOTH
    ),
    "byte flipped in a page, one pass": Case(lambda b: flipped(b.one_pass, content_at(b.one_pass)), "digest-mismatch"),
    "digit in the signer's certificate": Case(lambda b: certificate_byte(b.certified), "signature-invalid"),
    "digit in the signature value": Case(lambda b: digit(b.certified, value_end(b.certified) - 3), "signature-invalid"),
    "digit in the signature value, one pass": Case(
        lambda b: digit(b.one_pass, value_end(b.one_pass) - 3), "signature-invalid"
    ),
    "padding not zero": Case(lambda b: digit(b.certified, value_end(b.certified) + 9), "padding-not-zero"),
    "padding not zero, one pass": Case(lambda b: digit(b.one_pass, value_end(b.one_pass) + 9), "padding-not-zero"),
    "byte range: a digit": Case(
        lambda b: with_range(
            b.certified, b"/ByteRange [0 %d %d %d]" % (ranges(b.certified)[1] - 1, *ranges(b.certified)[2:])
        ),
        "byte-range-wrong",
    ),
    "byte range: removed": Case(lambda b: with_range(b.certified, b""), "malformed-signature"),
    "byte range: zeros": Case(lambda b: with_range(b.certified, b"/ByteRange [0 0 0 0]"), "byte-range-wrong"),
    "byte range: negative": Case(lambda b: with_range(b.certified, b"/ByteRange [0 -9 -9 -9]"), "byte-range-wrong"),
    "byte range: beyond the end": Case(
        lambda b: with_range(b.certified, b"/ByteRange [0 9 99999999 9]"), "byte-range-wrong"
    ),
    "signature wrapping": Case(lambda b: wrapped(b.certified), "byte-range-wrong"),
    "signature value all zero": Case(
        lambda b: re.sub(
            rb"/Contents <[0-9a-fA-F]{4000,}>", lambda m: b"/Contents <" + b"0" * (len(m[0]) - 12) + b">", b.certified
        ),
        "malformed-signature",
    ),
    "signature value removed": Case(
        lambda b: re.sub(rb"/Contents <(?=[0-9a-fA-F]{4000})", b"/Contenta <", b.certified), "malformed-signature"
    ),
    "kind of signature changed": Case(
        lambda b: b.certified.replace(b"/ETSI.CAdES.detached", b"/adbe.pkcs7.detached"), "unsupported-signature"
    ),
    "junk after the end": Case(lambda b: b.certified + b"PASS\n", "junk-after-end"),
    "junk after the end, one pass": Case(lambda b: b.one_pass + b"PASS\n", "junk-after-end"),
    "empty lines after the end": Case(lambda b: b.certified + b"\n\n", "junk-after-end"),
    "junk before the start": Case(lambda b: b"PASS\n" + b.certified, "junk-before-start"),
    "update: other page content": Case(up(new_content), LATE),
    "update: other page content after both": Case(up(new_content, "both"), LATE, BOTH),
    "update: other page content, one pass": Case(up(new_content, "one_pass"), LATE),
    "update: other page content after the file's stamp": Case(up(new_content, "lasting"), LATE, BOTH),
    "update: page content in place": Case(up(content_in_place), LATE),
    "update: page content between the signatures": Case(
        lambda b: b.countersign(updated(b.certified, new_content)), LATE, BOTH
    ),
    "update: record in place": Case(up(attachment_in_place), LATE),
    "update: name of the record leads elsewhere": Case(up(another_file), LATE),
    "update: one more attachment": Case(up(lambda w: another_file(w, listed_twice=True, name="more.json")), LATE),
    "update: font program": Case(up(font_replaced), LATE),
    "update: other page tree": Case(up(other_pages), LATE),
    "update: page turned round": Case(up(rotated), LATE),
    "update: script at opening": Case(up(SCRIPT), "script-present"),
    "update: program at closing": Case(up(LAUNCH), "script-present"),
    "update: link out": Case(up(link), "script-present"),
    "update: form of the other kind (XFA)": Case(up(xfa), "script-present"),
    "update: text over the page": Case(up(annotation), LATE),
    "update: text over the page after both": Case(up(annotation, "both"), LATE, BOTH),
    "update: covering box taken away": Case(uncovered, LATE),
    "update: one more empty field over the text": Case(up(field_added), LATE),
    "update: one more field, opaque": Case(up(lambda w: field_added(w, opaque=True)), LATE),
    "update: reviewer's field moved over the text": Case(up(field_moved), LATE),
    "update: reviewer's field drawn black": Case(up(field_black), LATE),
    "update: digest in the metadata": Case(up(packet_changed), "metadata-changed"),
    "update: title in the document information": Case(up(information_changed), "metadata-changed"),
    "update: validation data with a passenger": Case(up(store_with_passenger, "both"), LATE, BOTH),
    "update: an object that nothing uses": Case(up(unused_object), LATE),
    "update: hybrid cross-references": Case(lambda b: hybrid(b.certified), "hybrid-file"),
    "update: signature removed from its field": Case(up(value_removed), "no-signature"),
    "update: signature shown in the reviewer's field": Case(up(value_borrowed), "malformed-signature", BOTH),
    "cut back to the unsigned file": Case(lambda b: b.unsigned, "no-signature"),
    "cut in the middle": Case(lambda b: b.certified[: len(b.certified) * 2 // 3], "unreadable"),
    "countersignature cut off": Case(lambda b: b.both[: len(b.certified)], "expected-signature-missing", BOTH),
    "technician countersigns the own report": Case(
        lambda b: b.countersign(b.certified, b.technician), "reviewer-is-technician", BOTH
    ),
    "encrypted": Case(lambda b: encrypted(b.certified), "encrypted"),
    "stranger countersigns": Case(
        lambda b: b.countersign(b.certified, stranger(b, "M. Sample", "reviewer")), "not-trusted", BOTH
    ),
    "stranger with the shop's name certifies": Case(
        lambda b: b.certify(b.unsigned, stranger(b, "R. Example", "technician")), "not-trusted"
    ),
    "self-signed under a known name": Case(
        lambda b: b.certify(b.unsigned, self_signed_person(name="R. Example", role="technician", moment=MADE)),
        "not-trusted",
    ),
    "certificate ended, no time stamp": Case(lambda b: b.both, "certificate-expired", BOTH, years=5),
    "certificate revoked before signing": Case(lambda b: b.both, "certificate-revoked", BOTH, trust=revoked),
    "certificate revoked before the time stamp": Case(lambda b: b.stamped, "certificate-revoked", trust=revoked),
    "certificate revoked later, no time stamp": Case(
        lambda b: b.both, "certificate-revoked", BOTH, trust=revoked_later
    ),
    "certificate not meant for signing": Case(
        lambda b: b.certify(b.unsigned, without_purpose(b)), "key-not-for-signing"
    ),
    "signed by another key than the certificate says": Case(
        lambda b: b.certify(b.unsigned, Impostor(b)), "signature-invalid"
    ),
    "time stamp of an unknown service": Case(lambda b: b.stamped, "timestamp-not-trusted", trust=without_service),
    "file stamped by an unknown service": Case(
        lambda b: b.lasting, "timestamp-not-trusted", BOTH, trust=without_service
    ),
    "file's stamp, service ended since": Case(lambda b: b.lasting, "timestamp-expired", BOTH, years=7),
    "file's stamp damaged": Case(
        lambda b: digit(b.lasting, b.lasting.rindex(b"/Contents <") + 700), "timestamp-invalid", BOTH
    ),
    "signed so: pages and record disagree": Case(liar(new_content), "pages-differ"),
    "signed so: pages turned round": Case(liar(rotated), "pages-differ"),
    "signed so: pages and record disagree, one pass": Case(one_pass_other_pages, "pages-differ"),
    "signed so: verdicts that the record does not give": Case(other_verdict, "evaluation-differs"),
    "signed so: another record inside": Case(liar(attachment_in_place), "record-unreadable"),
    "signed so: record not in canonical form": Case(liar(not_canonical), "record-not-canonical"),
    "signed so: digest in the metadata": Case(liar(packet_changed), "digest-differs"),
    "signed so: file in one list only": Case(liar(one_list_only), "unreadable"),
    "signed so: no record at all": Case(liar(no_record), "record-missing"),
    "signed so: script": Case(liar(SCRIPT), "script-present"),
    "signed so: box over the page": Case(liar(covered), "pages-differ"),
    "empty file": Case(lambda b: b"", "unreadable"),
    "not a PDF": Case(lambda b: b"\x89PNG\r\n\x1a\n" + bytes(500), "unreadable"),
    "brackets without end": Case(lambda b: b"%PDF-1.7\n" + b"[" * 200_000 + b"\n%%EOF\n", "unreadable"),
    "thousand revisions": Case(lambda b: b.certified + b"startxref\n9\n%%EOF\n" * 1000, "too-many-revisions"),
}


@contextlib.contextmanager
def bench() -> Iterator[Bench]:
    with tempfile.TemporaryDirectory() as folder, time_service(Path(folder), made=MADE) as service:
        yield Bench(service)


@pytest.fixture(scope="module")
def shared() -> Iterator[Bench]:
    with bench() as made:
        yield made


@pytest.mark.parametrize("name", CASES)
def test_what_verification_says(shared: Bench, name: str) -> None:
    case = CASES[name]
    found = shared.verify(case)
    assert found.trustworthy == (not case.reason), found.reasons
    if case.reason:
        assert case.reason in found.reasons
        assert case.reason in REASONS
    else:
        assert found.reasons == ()
        assert found.pages == "same"
    rows().append((name, "trustworthy" if found.trustworthy else "NOT trustworthy", ", ".join(found.reasons)))


@cache
def rows() -> list[tuple[str, str, str]]:
    """What the tests of this run have seen: case, verdict, reasons."""
    return []


def test_the_table_is_long_and_has_no_case_twice() -> None:
    attacks = [name for name, case in CASES.items() if case.reason]
    assert len(attacks) >= 50
    assert len(CASES) - len(attacks) >= 10
    print()
    for name, verdict, reason in rows():
        print(f"{name:55} {verdict:16} {reason}")


def main() -> int:
    """Print the table; exit 1 when a case is judged wrongly."""
    wrong = 0
    with bench() as made:
        for name, case in CASES.items():
            found = made.verify(case)
            good = found.trustworthy == (not case.reason) and (not case.reason or case.reason in found.reasons)
            wrong += not good
            verdict = "trustworthy" if found.trustworthy else "NOT trustworthy"
            print(f"{'' if good else 'WRONG '}{name:55} {verdict:16} {', '.join(found.reasons)}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
