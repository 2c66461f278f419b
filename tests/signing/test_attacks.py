"""What a forger would try on a signed report, built from a fresh file each; every one has to be found."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import handmade as pdf
import pytest
from conftest import MADE, Shop

from diagnb.signing.keys import SigningKey, create_authority, create_person, self_signed_person
from diagnb.signing.sign import certify
from diagnb.signing.trust import TrustList, trust_entry
from diagnb.signing.verify import verify_signatures

Attack = Callable[[Shop], bytes]

FORGED = pdf.stream(b"BT /F1 12 Tf 40 250 Td (Voltage drop 9.99 V: fail) Tj ET")


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def byte_range(data: bytes) -> tuple[int, int, int, int]:
    found = re.findall(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", data)[0]
    a, b, c, d = (int(n) for n in found)
    return a, b, c, d


def with_byte_range(data: bytes, text: bytes) -> bytes:
    found = re.search(rb"/ByteRange \[.*?\] *", data)
    assert found
    return data[: found.start()] + text.ljust(len(found[0])) + data[found.end() :]


def hex_digit_changed(data: bytes, at: int) -> bytes:
    return data[:at] + (b"0" if data[at : at + 1] != b"0" else b"1") + data[at + 1 :]


def value_end(data: bytes) -> int:
    """Where the zero padding behind the signature value begins."""
    _, before, _, _ = byte_range(data)
    length = 4 + int(data[before + 5 : before + 9], 16)
    return before + 1 + 2 * length


def certificate_part(shop: Shop) -> bytes:
    """A letter changed in the certificate that travels inside the signature."""
    text = b"Ada Invented".hex().upper().encode()
    at = shop.certified.index(text)
    return shop.certified[: at + 1] + b"2" + shop.certified[at + 2 :]


def wrapping(shop: Shop) -> bytes:
    """The signed end of the file moved away, the range stretched, other bytes put in its old place."""
    data = shop.certified
    _, before, after, rest = byte_range(data)
    put = with_byte_range(data, b"/ByteRange [0 %d %d %d]" % (before, after + rest, rest))
    return put + data[after:]


def new_annotation(data: bytes) -> bytes:
    number = pdf.next_number(data)
    note = b"<< /Type /Annot /Subtype /FreeText /Rect [40 240 300 270] /Contents (fail) /DA (/F1 12 Tf) >>"
    page = pdf.current(data, pdf.PAGE).replace(b"7 0 R]", b"7 0 R %d 0 R]" % number)
    return pdf.update(data, {pdf.PAGE: page, number: note})


def new_attachment(data: bytes) -> bytes:
    number = pdf.next_number(data)
    spec = b"<< /Type /Filespec /F (more.json) /UF (more.json) /EF << /F %d 0 R >> >>" % number
    catalog = pdf.current(data, pdf.CATALOG).replace(b"/AF [", b"/AF [%d 0 R " % (number + 1))
    return pdf.update(data, {pdf.CATALOG: catalog, number: pdf.stream(b"{}"), number + 1: spec})


def other_page_tree(data: bytes) -> bytes:
    number = pdf.next_number(data)
    catalog = pdf.current(data, pdf.CATALOG).replace(b"/Pages 2 0 R", b"/Pages %d 0 R" % number)
    assert b"/Pages %d" % number in catalog
    pages = b"<< /Type /Pages /Kids [3 0 R 3 0 R] /Count 2 >>"
    return pdf.update(data, {pdf.CATALOG: catalog, number: pages})


def open_action(data: bytes, action: bytes = b"/OpenAction << /S /JavaScript /JS (app.alert(1)) >>") -> bytes:
    return pdf.update(data, {pdf.CATALOG: pdf.current(data, pdf.CATALOG)[:-2] + action + b" >>"})


def hidden_action(data: bytes) -> bytes:
    """The same with the names escaped, so that a search of the bytes doesn't meet them."""
    return open_action(data, b"/Open#41ction << /S /J#61vaScript /#4AS (app.alert(1)) >>")


def new_field(data: bytes) -> bytes:
    number = pdf.next_number(data)
    catalog = pdf.current(data, pdf.CATALOG).replace(b"7 0 R]", b"7 0 R %d 0 R]" % number)
    page = pdf.current(data, pdf.PAGE).replace(b"7 0 R]", b"7 0 R %d 0 R]" % number)
    widget = pdf.widget(b"Extra", left=40, drawn=pdf.DRAWN_1, parent=9)
    return pdf.update(data, {pdf.CATALOG: catalog, pdf.PAGE: page, number: widget})


def field_moved(data: bytes) -> bytes:
    moved = pdf.current(data, pdf.REVIEWER).replace(b"[210 40 360 80]", b"[30 240 360 280]")
    assert b"[30 240" in moved
    return pdf.update(data, {pdf.REVIEWER: moved})


def field_redrawn(data: bytes) -> bytes:
    return pdf.update(data, {pdf.DRAWN_2: pdf.stream(b"0 0 150 40 re f", b"/Subtype /Form /BBox [0 0 150 40]")})


def page_rotated(data: bytes) -> bytes:
    page = pdf.current(data, pdf.PAGE)
    return pdf.update(data, {pdf.PAGE: page[:-2] + b" /Rotate 180 >>"})


def signature_removed(shop: Shop) -> bytes:
    field = pdf.widget(b"Technician", left=40, drawn=pdf.DRAWN_1, parent=1)
    return pdf.update(shop.certified, {pdf.TECHNICIAN: field})


def freed_annotation(shop: Shop) -> bytes:
    """An object that was shown when signing is taken away by an update."""
    data = pdf.update(shop.certified, {})
    return data.replace(b"xref\n0 0\n", b"xref\n4 1\n0000000000 00001 f \n")


def overlay_removed(shop: Shop) -> bytes:
    """Signed with a covering annotation on the page, which is then removed to show what was under it."""
    parts = pdf.objects()
    parts[18] = b"<< /Type /Annot /Subtype /Square /Rect [0 0 400 300] /IC [1 1 1] >>"
    parts[pdf.PAGE] = parts[pdf.PAGE].replace(b"7 0 R]", b"7 0 R 18 0 R]")
    signed = shop.certify(pdf.write(parts))
    return pdf.update(signed, {pdf.PAGE: pdf.objects()[pdf.PAGE]})


def stranger_countersigns(shop: Shop) -> bytes:
    other = create_authority(name="Invented Shop Authority", moment=MADE)
    stranger = create_person(other, name="Ben Invented", role="reviewer", moment=MADE)
    return shop.countersign(shop.certified, stranger)


def self_signed(shop: Shop) -> bytes:
    return shop.certify(shop.unsigned, self_signed_person(name="Ada Invented", role="technician", moment=MADE))


def wrong_key(shop: Shop) -> bytes:
    """The technician's certificate, somebody else's signature value."""

    class Impostor:
        certificate = shop.technician.certificate
        chain = shop.technician.chain

        def sign(self, data: bytes) -> bytes:
            return shop.reviewer.sign(data)

    return certify(shop.unsigned, key=Impostor(), field="Technician", reason="Measured", moment=shop.signed)


def default_resources_changed(shop: Shop) -> bytes:
    """The form's default resources share the page's font; the font is replaced by an update."""
    parts = pdf.objects()
    parts[pdf.CATALOG] = parts[pdf.CATALOG].replace(b"/SigFlags 3", b"/SigFlags 3 /DR 18 0 R")
    parts[18] = b"<< /Font << /F1 5 0 R >> >>"
    signed = shop.certify(pdf.write(parts))
    return pdf.update(signed, {18: b"<< /Font << /F1 19 0 R >> >>"})


def signed_script(shop: Shop) -> bytes:
    parts = pdf.objects()
    parts[pdf.CATALOG] = pdf.catalog(b"/OpenAction << /S /JavaScript /JS (app.alert(1)) >>")
    return shop.certify(pdf.write(parts))


def signed_link(shop: Shop) -> bytes:
    parts = pdf.objects()
    parts[18] = b"<< /Type /Annot /Subtype /Link /Rect [0 0 9 9] /A << /S /U#52I /U#52I (x:) >> >>"
    parts[pdf.PAGE] = parts[pdf.PAGE].replace(b"7 0 R]", b"7 0 R 18 0 R]")
    return shop.certify(pdf.write(parts))


def encrypted(shop: Shop) -> bytes:
    parts = pdf.objects()
    key = b"/Encrypt << /Filter /Standard /V 1 /R 2 /O <%b> /U <%b> /P -4 >>" % (b"00" * 32, b"00" * 32)
    return pdf.write(parts, trailer=key)


def hybrid(shop: Shop) -> bytes:
    number = pdf.next_number(shop.certified)
    data = shop.certified
    at = len(data)
    table = b"<< /Type /XRef /Size %d /W [1 2 1] /Index [%d 1] /Root 1 0 R /Length 4 >>" % (number + 1, number)
    data += b"%d 0 obj\n%b\nstream\n\x01\x00\x10\x00\nendstream\nendobj\n" % (number, table)
    return pdf.update(data, {}, trailer=b"/XRefStm %d" % at)


def nested_form(shop: Shop) -> bytes:
    number = pdf.next_number(shop.certified)
    catalog = pdf.current(shop.certified, pdf.CATALOG).replace(b"7 0 R]", b"7 0 R %d 0 R]" % number)
    inner = b"<< /T (Group) /Kids [7 0 R] >>"
    return pdf.update(shop.certified, {pdf.CATALOG: catalog, number: inner})


def second_name_for_signature(shop: Shop) -> bytes:
    """The reviewer's field made to show the technician's signature."""
    value = re.search(rb"/V (\d+ 0 R)", pdf.current(shop.certified, pdf.TECHNICIAN))
    assert value
    field = pdf.current(shop.certified, pdf.REVIEWER)
    return pdf.update(shop.certified, {pdf.REVIEWER: field[:-2] + b" /V %b >>" % value[1]})


def content_dropped_between(shop: Shop) -> bytes:
    """The page is changed first, then a trusted reviewer signs what he sees."""
    return shop.countersign(pdf.update(shop.certified, {pdf.CONTENT: FORGED}))


def store_with_passenger(shop: Shop) -> bytes:
    """Validation data after the last signature, and one changed object more."""
    number = pdf.next_number(shop.countersigned)
    catalog = pdf.current(shop.countersigned, pdf.CATALOG)
    return pdf.update(
        shop.countersigned,
        {
            pdf.CATALOG: catalog[:-2] + b" /DSS %d 0 R >>" % number,
            number: b"<< /Type /DSS /Certs [%d 0 R] >>" % (number + 1),
            number + 1: pdf.stream(b"0"),
            pdf.FONT: b"<< /Type /Font /Subtype /Type1 /BaseFont /Symbol >>",
        },
    )


ATTACKS: dict[str, tuple[Attack, str]] = {
    "a letter on the page": (lambda s: flipped(s.certified, s.certified.index(b"0.25 V")), "digest-mismatch"),
    "a digit in the attachment": (
        lambda s: flipped(s.certified, s.certified.index(b'"0.25"') + 3),
        "digest-mismatch",
    ),
    "a letter in the signer's certificate": (certificate_part, "signature-invalid"),
    "the signature value": (
        lambda s: hex_digit_changed(s.certified, value_end(s.certified) - 3),
        "signature-invalid",
    ),
    "something behind the signature value": (
        lambda s: hex_digit_changed(s.certified, value_end(s.certified) + 9),
        "padding-not-zero",
    ),
    "byte range: a digit": (
        lambda s: s.certified.replace(
            b"/ByteRange [0 %d" % byte_range(s.certified)[1],
            b"/ByteRange [0 %d" % (byte_range(s.certified)[1] - 1),
        ),
        "byte-range-wrong",
    ),
    "byte range: removed": (lambda s: with_byte_range(s.certified, b""), "malformed-signature"),
    "byte range: all zero": (lambda s: with_byte_range(s.certified, b"/ByteRange [0 0 0 0]"), "byte-range-wrong"),
    "byte range: negative": (
        lambda s: with_byte_range(s.certified, b"/ByteRange [0 -9 -9 -9]"),
        "byte-range-wrong",
    ),
    "byte range: huge": (
        lambda s: with_byte_range(s.certified, b"/ByteRange [0 9 99999999999 9]"),
        "byte-range-wrong",
    ),
    "byte range: stretched over new bytes": (wrapping, "byte-range-wrong"),
    "signature value all zero": (
        lambda s: re.sub(
            rb"/Contents <[0-9A-F]+>", lambda m: b"/Contents <" + b"0" * (len(m[0]) - 12) + b">", s.certified
        ),
        "malformed-signature",
    ),
    "signature value renamed": (lambda s: s.certified.replace(b"/Contents <", b"/Contenta <"), "malformed-signature"),
    "another kind of signature": (
        lambda s: s.certified.replace(b"/ETSI.CAdES.detached", b"/adbe.pkcs7.detached"),
        "unsupported-signature",
    ),
    "bytes behind the end": (lambda s: s.certified + b"hello\n", "junk-after-end"),
    "blank lines behind the end": (lambda s: s.certified + b"\n\n", "junk-after-end"),
    "bytes before the start": (lambda s: b"hello\n" + s.certified, "junk-before-start"),
    "update: page content": (lambda s: pdf.update(s.certified, {pdf.CONTENT: FORGED}), "changed-after-signing"),
    "update: page content after both signatures": (
        lambda s: pdf.update(s.countersigned, {pdf.CONTENT: FORGED}),
        "changed-after-signing",
    ),
    "update: page content between the signatures": (content_dropped_between, "changed-after-signing"),
    "update: attachment": (
        lambda s: pdf.update(s.certified, {pdf.FILE: pdf.stream(b"{}", b"/Type /EmbeddedFile")}),
        "changed-after-signing",
    ),
    "update: one more attachment": (lambda s: new_attachment(s.certified), "changed-after-signing"),
    "update: font": (
        lambda s: pdf.update(s.certified, {pdf.FONT: b"<< /Type /Font /Subtype /Type1 /BaseFont /Symbol >>"}),
        "changed-after-signing",
    ),
    "update: other page tree": (lambda s: other_page_tree(s.certified), "changed-after-signing"),
    "update: script at opening": (lambda s: open_action(s.certified), "script-present"),
    "update: script in escaped names": (lambda s: hidden_action(s.certified), "script-present"),
    "update: text over the page": (lambda s: new_annotation(s.certified), "changed-after-signing"),
    "update: text over the page after both": (lambda s: new_annotation(s.countersigned), "changed-after-signing"),
    "update: one more field": (lambda s: new_field(s.certified), "changed-after-signing"),
    "update: empty field moved over the text": (lambda s: field_moved(s.certified), "changed-after-signing"),
    "update: empty field drawn black": (lambda s: field_redrawn(s.certified), "changed-after-signing"),
    "update: page turned round": (lambda s: page_rotated(s.certified), "changed-after-signing"),
    "update: page content freed": (freed_annotation, "changed-after-signing"),
    "update: covering annotation removed": (overlay_removed, "changed-after-signing"),
    "update: default resources": (default_resources_changed, "changed-after-signing"),
    "update: unused object": (
        lambda s: pdf.update(s.certified, {pdf.next_number(s.certified): b"(hidden)"}),
        "changed-after-signing",
    ),
    "update: nothing at all": (lambda s: pdf.update(s.certified, {}), "changed-after-signing"),
    "update: validation data with a passenger": (store_with_passenger, "changed-after-signing"),
    "update: document information": (
        lambda s: pdf.update(s.certified, {pdf.INFO: b"<< /Title (Another report) >>"}),
        "metadata-changed",
    ),
    "update: another information dictionary": (
        lambda s: pdf.update(s.certified, {30: b"<< /Title (Another report) >>"}, info=30),
        "metadata-changed",
    ),
    "update: XMP": (
        lambda s: pdf.update(s.certified, {pdf.METADATA: pdf.stream(b"<x/>", b"/Type /Metadata /Subtype /XML")}),
        "metadata-changed",
    ),
    "update: form in a form": (nested_form, "unexpected-form"),
    "update: hybrid cross-references": (hybrid, "hybrid-file"),
    "signature shown in another field": (second_name_for_signature, "malformed-signature"),
    "signature removed by an update": (signature_removed, "no-signature"),
    "cut back to the unsigned file": (lambda s: s.unsigned, "no-signature"),
    "cut in the middle": (lambda s: s.certified[: len(s.certified) // 2], "junk-after-end"),
    "stranger countersigns": (stranger_countersigns, "not-trusted"),
    "self-signed under a known name": (self_signed, "not-trusted"),
    "signed by another key than the certificate says": (wrong_key, "signature-invalid"),
    "script that was signed": (signed_script, "script-present"),
    "link that was signed": (signed_link, "script-present"),
    "encrypted": (encrypted, "encrypted"),
}


@pytest.mark.parametrize("name", ATTACKS)
def test_attack_is_found(shop: Shop, name: str) -> None:
    attack, code = ATTACKS[name]
    forged = attack(shop)
    assert forged not in (shop.certified, shop.countersigned)
    status = verify_signatures(forged, trust=shop.trust, moment=shop.checked)
    assert not status.good
    assert code in status.reasons
    if code in ("changed-after-signing", "metadata-changed"):
        assert status.later_changes
        assert status.signed_bytes is not None
        assert forged.startswith(status.signed_bytes)
        assert b"9.99" not in status.signed_bytes


def test_a_changed_byte_is_not_called_a_later_change(shop: Shop) -> None:
    forged = flipped(shop.countersigned, shop.countersigned.index(b"0.25 V"))
    status = verify_signatures(forged, trust=shop.trust, moment=shop.checked)
    assert status.reasons == ("digest-mismatch",)
    assert not status.later_changes
    assert status.signed_bytes is None


def test_countersignature_cut_off_is_missed_only_when_it_is_expected(shop: Shop) -> None:
    """Cutting the last revision off leaves a file that is as valid as before: only a list can tell."""
    cut = shop.countersigned[: len(shop.certified)]
    assert verify_signatures(cut, trust=shop.trust, moment=shop.checked).good
    status = verify_signatures(cut, trust=shop.trust, moment=shop.checked, expected_fields=("Technician", "Reviewer"))
    assert status.reasons == ("expected-signature-missing",)


def test_expired_certificate_without_time_stamp(shop: Shop) -> None:
    late = shop.checked + timedelta(days=4 * 365)
    status = verify_signatures(shop.countersigned, trust=shop.trust, moment=late)
    assert status.reasons == ("certificate-expired",)
    assert all(s.intact and not s.trusted for s in status.signatures)


def test_expired_stranger_is_also_a_stranger(shop: Shop) -> None:
    late = shop.checked + timedelta(days=4 * 365)
    status = verify_signatures(self_signed(shop), trust=shop.trust, moment=late)
    assert {"certificate-expired", "not-trusted"} <= set(status.reasons)


def test_revoked_person_and_revoked_authority(shop: Shop) -> None:
    person = trust_entry(shop.technician.certificate, added=MADE, added_by="test")
    listed = shop.trust.with_entry(person).with_revoked(shop.technician.fingerprint, moment=shop.checked)
    status = verify_signatures(shop.certified, trust=listed, moment=shop.checked)
    assert status.reasons == ("certificate-revoked",)
    nobody = shop.trust.with_revoked(shop.authority.fingerprint, moment=shop.checked)
    assert "certificate-revoked" in verify_signatures(shop.certified, trust=nobody, moment=shop.checked).reasons


def test_signing_time_before_the_person_was_trusted(shop: Shop) -> None:
    entry = trust_entry(shop.technician.certificate, added=MADE, added_by="test", since=shop.signed + timedelta(days=1))
    status = verify_signatures(shop.certified, trust=TrustList((entry,)), moment=shop.checked)
    assert status.reasons == ("outside-trust-period",)


def test_signed_in_the_future(shop: Shop) -> None:
    early = shop.signed - timedelta(days=3)
    status = verify_signatures(shop.certified, trust=shop.trust, moment=early)
    assert status.reasons == ("signing-time-in-future",)


def test_empty_trust_list_trusts_nobody(shop: Shop) -> None:
    status = verify_signatures(shop.countersigned, trust=TrustList(), moment=shop.checked)
    assert status.reasons == ("not-trusted",)
    assert all(s.intact and not s.trusted for s in status.signatures)


def test_time_stamp_service_does_not_vouch_for_people(shop: Shop) -> None:
    entry = replace(shop.trust.entries[0], kind="timestamp-service")
    status = verify_signatures(shop.certified, trust=TrustList((entry,)), moment=shop.checked)
    assert status.reasons == ("not-trusted",)


def test_certificate_not_meant_for_signing(shop: Shop) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec

    private = ec.generate_private_key(ec.SECP256R1())
    made = shop.technician.certificate
    certificate = (
        x509.CertificateBuilder()
        .subject_name(made.subject)
        .issuer_name(made.issuer)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(made.not_valid_before_utc)
        .not_valid_after(made.not_valid_after_utc)
        .add_extension(x509.KeyUsage(True, *[False] * 8), critical=True)
        .sign(shop.authority.private_key, hashes.SHA256())
    )
    key = SigningKey(certificate, shop.technician.chain, private_key=private)
    status = verify_signatures(shop.certify(shop.unsigned, key), trust=shop.trust, moment=shop.checked)
    assert "key-not-for-signing" in status.reasons
