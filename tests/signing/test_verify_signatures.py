"""Verification of what is good, and of bytes that were never meant to be read."""

from __future__ import annotations

import contextlib
import random
import threading
import zlib
from collections.abc import Iterator
from dataclasses import FrozenInstanceError
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer

import handmade as pdf
import pytest
from conftest import MADE, Shop

from diagnb.errors import InputFault, SigningFault
from diagnb.signing.attachments import embedded_files
from diagnb.signing.keys import self_signed_person
from diagnb.signing.sign import certify
from diagnb.signing.status import REASONS, SignatureStatus
from diagnb.signing.trust import TrustEntry, TrustList, trust_entry
from diagnb.signing.verify import verify_signatures


def test_good_files_are_good(shop: Shop) -> None:
    for data, fields in (
        (shop.certified, ("Technician",)),
        (shop.countersigned, ("Technician", "Reviewer")),
    ):
        status = verify_signatures(data, trust=shop.trust, moment=shop.checked, expected_fields=fields)
        assert status.good
        assert status.reasons == ()
        assert not status.later_changes
        assert all(s.intact and s.trusted and not s.codes for s in status.signatures)
        assert tuple(s.field for s in status.signatures) == fields
        assert status.signed_bytes == shop.certified
        assert data[: status.unsigned_prefix_length] == shop.unsigned


def test_the_status_is_frozen_and_knows_its_codes(shop: Shop) -> None:
    status = verify_signatures(shop.certified, trust=shop.trust, moment=shop.checked)
    with pytest.raises(FrozenInstanceError):
        status.reasons = ("no-signature",)  # type: ignore[misc]
    with pytest.raises(ValueError, match="not a reason code"):
        SignatureStatus(reasons=("sounds-fine",))
    with pytest.raises(ValueError, match="needs a reason"):
        SignatureStatus()
    assert len(repr(status)) < 200
    assert all(code == code.lower() and " " not in code and text for code, text in REASONS.items())


def test_shop_of_one_is_trusted_by_its_listed_certificate(shop: Shop) -> None:
    key = self_signed_person(name="Dee Invented", role="owner", moment=MADE)
    signed = shop.certify(shop.unsigned, key)
    entry = trust_entry(key.certificate, added=MADE, added_by="test")
    status = verify_signatures(signed, trust=TrustList((entry,)), moment=shop.checked)
    assert status.good
    assert status.signatures[0].signer == "Dee Invented"
    assert not verify_signatures(signed, trust=shop.trust, moment=shop.checked).good
    late = shop.checked + timedelta(days=4 * 365)
    assert "certificate-expired" in verify_signatures(signed, trust=TrustList((entry,)), moment=late).reasons


def test_person_listed_by_certificate_carries_the_listed_name(shop: Shop) -> None:
    entry = TrustEntry(shop.technician.certificate, name="A. Invented", role="lead", kind="person")
    status = verify_signatures(shop.certified, trust=TrustList((entry,)), moment=shop.checked)
    assert status.good
    assert (status.signatures[0].signer, status.signatures[0].role) == ("A. Invented", "lead")


def test_validation_data_may_be_added_later(shop: Shop) -> None:
    number = pdf.next_number(shop.countersigned)
    catalog = pdf.current(shop.countersigned, pdf.CATALOG)
    data = pdf.update(
        shop.countersigned,
        {
            pdf.CATALOG: catalog[:-2] + b" /DSS %d 0 R >>" % number,
            number: b"<< /Type /DSS /Certs [%d 0 R] >>" % (number + 1),
            number + 1: pdf.stream(b"0"),
        },
    )
    status = verify_signatures(data, trust=shop.trust, moment=shop.checked)
    assert status.reasons == ()
    assert not status.later_changes


def test_the_quick_comparison_and_the_white_list_agree(shop: Shop) -> None:
    """Also proves the white list's own rule for tagged files, which the default list rejects."""
    from pyhanko.sign.diff_analysis import DEFAULT_DIFF_POLICY, DiffResult

    from diagnb.signing.changes import Steps, change_policy, permitted_since
    from diagnb.signing.reading import open_pdf

    first = open_pdf(shop.countersigned).embedded_signatures[0]
    first.compute_integrity_info(skip_diff=True)
    steps = Steps(first.reader)
    assert permitted_since(first, steps, last=False)
    assert not permitted_since(first, steps, last=True)
    assert isinstance(first.evaluate_modifications(change_policy()), DiffResult)
    assert not isinstance(first.evaluate_modifications(DEFAULT_DIFF_POLICY), DiffResult)


@pytest.mark.parametrize("which", ["certified", "countersigned"])
def test_no_object_may_be_written_again(shop: Shop, which: str) -> None:
    """Not one object of a signed file, be it changed or the same, can be put there a second time."""
    data = getattr(shop, which)
    for number in range(1, pdf.next_number(data)):
        if number in (pdf.CONTENT, pdf.DRAWN_1, pdf.DRAWN_2, pdf.FILE, pdf.METADATA):
            same, other = pdf.objects()[number], pdf.stream(b"other")
        else:
            same = pdf.current(data, number) if b"\n%d 0 obj" % number in data else b"<< >>"
            other = same[:-2] + b" /Other true >>"
        for written in (same, other, b"null", b"<< >>"):
            forged = pdf.update(data, {number: written})
            status = verify_signatures(forged, trust=shop.trust, moment=shop.checked)
            assert not status.good, (number, written)


def test_moment_needs_a_zone(shop: Shop) -> None:
    with pytest.raises(ValueError, match="zone"):
        verify_signatures(shop.certified, trust=shop.trust, moment=datetime(2030, 6, 1))  # noqa: DTZ001


# --- time stamps ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def service() -> Iterator[tuple[str, TrustEntry]]:
    """A time-stamp service of our own behind real HTTP; it always says 31 May 2030, 14:31."""
    from asn1crypto import keys, tsp
    from asn1crypto import x509 as asn1
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import rsa
    from pyhanko.sign.timestamps import DummyTimeStamper
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    private = rsa.generate_private_key(65537, 2048)
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Invented Time Service")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(7)
        .not_valid_before(MADE)
        .not_valid_after(MADE + timedelta(days=3650))
        .add_extension(x509.ExtendedKeyUsage([x509.OID_TIME_STAMPING]), critical=True)
        .add_extension(x509.KeyUsage(True, *[False] * 8), critical=True)
        .sign(private, hashes.SHA256())
    )
    form = serialization.Encoding.DER
    secret = private.private_bytes(form, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    stamper = DummyTimeStamper(
        asn1.Certificate.load(certificate.public_bytes(form)),
        keys.PrivateKeyInfo.load(secret),
        certs_to_embed=SimpleCertificateStore(),
        fixed_dt=datetime.fromisoformat("2030-05-31T14:31:00+00:00"),
    )

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if self.path != "/stamp":
                self.send_response(200)
                self.end_headers()
                self.wfile.write(b"sorry")
                return
            answer = stamper.request_tsa_response(tsp.TimeStampReq.load(body)).dump()
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_: object) -> None:
            return

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield (
        f"http://127.0.0.1:{server.server_port}",
        trust_entry(certificate, added=MADE, added_by="test", timestamp_service=True),
    )
    server.shutdown()
    thread.join()
    server.server_close()


def test_time_stamp_outlives_the_certificate(shop: Shop, service: tuple[str, TrustEntry]) -> None:
    url, entry = service
    signed = certify(
        shop.unsigned,
        key=shop.technician,
        field="Technician",
        reason="Measured",
        moment=shop.signed,
        timestamp_url=url + "/stamp",
    )
    known = shop.trust.with_entry(entry)
    late = shop.checked + timedelta(days=4 * 365)
    status = verify_signatures(signed, trust=known, moment=late)
    assert status.reasons == ()
    assert status.signatures[0].timestamped
    assert status.signatures[0].signed_at == datetime.fromisoformat("2030-05-31T14:31:00+00:00")
    # without the service on the list the time stamp proves nothing
    status = verify_signatures(signed, trust=shop.trust, moment=late)
    assert {"timestamp-not-trusted", "certificate-expired"} <= set(status.reasons)
    # revoked after the proven time: still good; before it: not
    person = trust_entry(shop.technician.certificate, added=MADE, added_by="test")
    listed = known.with_entry(person)
    after = listed.with_revoked(person.fingerprint, moment=shop.signed + timedelta(days=1))
    assert verify_signatures(signed, trust=after, moment=shop.checked).good
    before = listed.with_revoked(person.fingerprint, moment=shop.signed - timedelta(days=1))
    assert "certificate-revoked" in verify_signatures(signed, trust=before, moment=shop.checked).reasons


def test_time_stamp_service_that_fails_is_named(shop: Shop, service: tuple[str, TrustEntry]) -> None:
    for url in (service[0] + "/nothing", "http://127.0.0.1:9/stamp"):
        with pytest.raises(SigningFault, match="no time stamp"):
            certify(
                shop.unsigned,
                key=shop.technician,
                field="Technician",
                reason="Measured",
                moment=shop.signed,
                timestamp_url=url,
            )


# --- hostile bytes ----------------------------------------------------------------------------------


def nested(count: int) -> bytes:
    parts = pdf.objects()
    parts[pdf.CATALOG] = pdf.catalog(b"/Deep " + b"[" * count + b"]" * count)
    return pdf.write(parts)


def fields_in_a_circle() -> bytes:
    parts = pdf.objects()
    parts[pdf.CATALOG] = pdf.catalog().replace(b"/Fields [6 0 R 7 0 R]", b"/Fields [18 0 R]")
    parts[18] = b"<< /T (a) /FT /Sig /Kids [18 0 R 18 0 R] >>"
    return pdf.write(parts)


def reference_in_a_circle() -> bytes:
    parts = pdf.objects()
    parts[18] = b"18 0 R"
    parts[pdf.CATALOG] = pdf.catalog().replace(b"/Fields [6 0 R 7 0 R]", b"/Fields 18 0 R")
    return pdf.write(parts)


def revisions(shop: Shop, count: int) -> bytes:
    data = shop.certified
    for _ in range(count):
        data = pdf.update(data, {})
    return data


def loop_of_revisions() -> bytes:
    data = pdf.update(pdf.write(pdf.objects()), {})
    start = data.rindex(b"xref\n0 0")
    before = data.rindex(b"/Prev ")
    end = data.index(b" ", before + 6)
    return data[:before] + b"/Prev %d" % start + data[end:]


def packed_bomb() -> bytes:
    parts = pdf.objects()
    bomb = zlib.compress(zlib.compress(b"\0" * (100 << 20), 9), 9)
    parts[pdf.METADATA] = pdf.stream(bomb, b"/Type /Metadata /Filter [/FlateDecode /FlateDecode]")
    parts[18] = pdf.stream(bomb, b"/Type /ObjStm /N 1 /First 5 /Filter [/FlateDecode /FlateDecode]")
    return pdf.write(parts)


HOSTILE: dict[str, bytes] = {
    "empty": b"",
    "one byte": b"%",
    "header only": b"%PDF-1.7\n",
    "header and end": b"%PDF-1.7\n%%EOF\n",
    "start beyond the file": b"%PDF-1.7\nstartxref\n99999999999\n%%EOF\n",
    "negative start": b"%PDF-1.7\nstartxref\n-5\n%%EOF\n",
    "start without a number": b"%PDF-1.7\nstartxref\nabc\n%%EOF\n",
    "table of a billion": b"%PDF-1.7\nxref\n0 999999999\ntrailer\n<< /Size 1 >>\nstartxref\n9\n%%EOF\n",
    "zeros": b"\0" * 100_000,
    "numbers": bytes(random.Random(5).randrange(256) for _ in range(50_000)),
    "brackets": b"%PDF-1.7\n" + b"<<[" * 200_000 + b"\nstartxref\n9\n%%EOF\n",
    "nested a thousand deep": nested(3_000),
    "nested a hundred thousand deep": nested(100_000),
    "fields in a circle": fields_in_a_circle(),
    "reference in a circle": reference_in_a_circle(),
    "revisions in a circle": loop_of_revisions(),
    "packed bomb": packed_bomb(),
    "an image": b"\x89PNG\r\n\x1a\n" + b"\0" * 500,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_bytes_are_a_finding(shop: Shop, name: str) -> None:
    data = HOSTILE[name]
    status = verify_signatures(data, trust=shop.trust, moment=shop.checked)
    assert not status.good
    assert status.signed_bytes is None
    with pytest.raises(SigningFault):
        certify(data, key=shop.technician, field="Foreman", reason="x", moment=shop.signed)


def test_too_many_revisions(shop: Shop) -> None:
    status = verify_signatures(revisions(shop, 40), trust=shop.trust, moment=shop.checked)
    assert status.reasons == ("too-many-revisions",)


def test_too_large(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnb.signing.reading.MAX_BYTES", 10_000)
    status = verify_signatures(shop.certified, trust=shop.trust, moment=shop.checked)
    assert status.reasons == ("too-large",)


@pytest.mark.parametrize("seed", range(8))
def test_random_damage_is_never_overlooked_and_never_raises(shop: Shop, seed: int) -> None:
    """Bytes changed, cut out, doubled: nothing raises, and no changed file passes."""
    chance = random.Random(seed)
    for _ in range(40):
        data = bytearray(shop.countersigned)
        for _ in range(chance.choice((1, 1, 2, 5, 30))):
            at = chance.randrange(len(data))
            kind = chance.randrange(3)
            if kind == 0:
                data[at] = chance.randrange(256)
            elif kind == 1:
                del data[at : at + chance.randrange(1, 40)]
            else:
                data[at:at] = data[at : at + chance.randrange(1, 40)]
        forged = bytes(data)
        status = verify_signatures(forged, trust=shop.trust, moment=shop.checked)
        assert forged == shop.countersigned or not status.good
        with contextlib.suppress(InputFault):
            embedded_files(forged)
