"""Signing in one pass: the same signature as the long way makes, in files that nobody can tell apart by what they prove."""

from __future__ import annotations

import re
import subprocess
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import handmade
import pytest
from conftest import MADE, Shop
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding
from pyhanko.pdf_utils.reader import PdfFileReader
from test_sign import tool

from diagnb.errors import SigningFault
from diagnb.evaluation import evaluate
from diagnb.record import load_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import (
    OnePassSigner,
    SigningKey,
    certify,
    certify_person,
    comes_from,
    countersign,
    create_authority,
    verify_signatures,
)

REASON = "I took these (readings) \\ Prüfstand"
SIGNED = datetime(2030, 5, 31, 16, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def unsigned() -> bytes:
    record = load_record(templates_directory() / "demo-record.json")
    return render_report(record, evaluate(record), moment=SIGNED)


def quick(unsigned: bytes, key: SigningKey) -> bytes:
    return OnePassSigner(key).certify(unsigned, field="Technician", reason=REASON, location="Bay 3", moment=SIGNED)


def long(unsigned: bytes, key: SigningKey) -> bytes:
    return certify(unsigned, key=key, field="Technician", reason=REASON, location="Bay 3", moment=SIGNED)


@pytest.fixture(scope="module")
def rsa_key(shop: Shop) -> SigningKey:
    private = rsa.generate_private_key(65537, 2048)
    certificate = certify_person(
        shop.authority, private.public_key(), name="Rita Invented", role="technician", moment=MADE
    )
    return SigningKey(certificate, (shop.authority.certificate,), private_key=private)


def dictionary(pdf: bytes) -> dict[str, Any]:
    value = PdfFileReader(BytesIO(pdf)).embedded_signatures[0].sig_object
    plain: dict[str, Any] = {}
    for key in value:
        written = BytesIO()
        value[key].write_to_stream(written, None)
        text = str(value[key]) if key in ("/Reason", "/Location", "/M") else written.getvalue()
        plain[key] = re.sub(rb"\s+", b" ", text) if isinstance(text, bytes) else text
    return {key: value for key, value in plain.items() if key not in ("/Contents", "/ByteRange")}


def container(pdf: bytes) -> dict[str, Any]:
    """The signature container without what must differ: digest and signature value."""
    embedded = PdfFileReader(BytesIO(pdf)).embedded_signatures[0]
    native = embedded.signed_data.native
    (row,) = native["signer_infos"]
    assert row.pop("signature")
    digests = [a for a in row["signed_attrs"] if a["type"] == "message_digest"]
    assert len(digests) == 1
    digests[0]["values"] = []
    return native  # type: ignore[no-any-return]


@pytest.mark.parametrize("kind", ["curve", "rsa"])
def test_same_signature_as_the_long_way(shop: Shop, unsigned: bytes, rsa_key: SigningKey, kind: str) -> None:
    key = shop.technician if kind == "curve" else rsa_key
    one, two = quick(unsigned, key), long(unsigned, key)
    assert dictionary(one) == dictionary(two)
    assert container(one) == container(two)
    first, second = (verify_signatures(pdf, trust=shop.trust, moment=shop.checked) for pdf in (one, two))
    assert first.reasons == second.reasons == ()
    for name in ("field", "signer", "role", "intact", "trusted", "signed_at", "certifies", "reason", "location"):
        assert getattr(first.signatures[0], name) == getattr(second.signatures[0], name)
    assert first.unsigned_prefix_length == 0
    assert second.unsigned_prefix_length == len(unsigned)
    assert first.signed_bytes == one


def test_catalog_form_and_field_are_those_of_the_long_way(shop: Shop, unsigned: bytes) -> None:
    def seen(pdf: bytes) -> list[str]:
        root = PdfFileReader(BytesIO(pdf)).root
        perms = {key: str(value) for key, value in root.items() if key != "/Perms"}
        fields = root["/AcroForm"]["/Fields"]
        return [str(sorted(perms.items())), str(root["/AcroForm"]["/SigFlags"]), str(sorted(fields[0].keys()))]

    assert seen(quick(unsigned, shop.technician)) == seen(long(unsigned, shop.technician))


def test_countersignature_and_what_follows(shop: Shop, unsigned: bytes) -> None:
    one = quick(unsigned, shop.technician)
    both = countersign(one, key=shop.reviewer, field="Reviewer", reason="Reviewed", moment=SIGNED)
    status = verify_signatures(both, trust=shop.trust, moment=shop.checked, expected_fields=("Technician", "Reviewer"))
    assert status.reasons == ()
    assert status.signed_bytes == one
    forged = handmade.update(both, {5: b"<< /Type /Font >>"}, info=int(re.findall(rb"/Info (\d+)", both)[-1]))
    assert "changed-after-signing" in verify_signatures(forged, trust=shop.trust, moment=shop.checked).reasons


def test_pages_are_compared_with_only_the_value_left_out(shop: Shop, unsigned: bytes) -> None:
    one = quick(unsigned, shop.technician)
    (signature,) = verify_signatures(one, trust=shop.trust, moment=shop.checked).signatures
    assert comes_from(one, unsigned, signature=signature)
    for at in range(0, len(one), 997):
        changed = one[:at] + bytes([one[at] ^ 1]) + one[at + 1 :]
        start = one.index(b"/ByteRange")
        inside = start - 8200 < at < start
        assert comes_from(changed, unsigned, signature=signature) == (inside and changed[at : at + 1].isalnum())
    assert not comes_from(one, unsigned[:-9] + b"        \n", signature=signature)
    assert not comes_from(long(unsigned, shop.technician), unsigned, signature=signature)


@pytest.mark.parametrize("seed", range(60))
def test_damage_is_found(shop: Shop, unsigned: bytes, seed: int) -> None:
    one = quick(unsigned, shop.technician)
    at = (seed * 7919 * 31) % len(one)
    status = verify_signatures(one[:at] + bytes([one[at] ^ 1]) + one[at + 1 :], trust=shop.trust, moment=shop.checked)
    assert not status.good


@pytest.mark.system
def test_other_readers_accept_it(shop: Shop, unsigned: bytes, tmp_path: Path) -> None:
    one = quick(unsigned, shop.technician)
    path = tmp_path / "one.pdf"
    path.write_bytes(one)
    checked = subprocess.run([tool("qpdf"), "--check", path], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    seen = subprocess.run([tool("pdfsig"), "-nocert", path], capture_output=True, text=True, check=False)
    assert "Signature is Valid" in seen.stdout
    assert "Total document signed" in seen.stdout
    _, before, after, rest = (int(n) for n in re.findall(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", one)[-1])
    value = bytes.fromhex(one[before + 1 : after - 1].decode())
    (tmp_path / "value.der").write_bytes(value[: 4 + int.from_bytes(value[2:4], "big")])
    (tmp_path / "covered").write_bytes(one[:before] + one[after : after + rest])
    (tmp_path / "ca.pem").write_bytes(shop.authority.certificate.public_bytes(Encoding.PEM))
    command = [tool("openssl"), "cms", "-verify", "-binary", "-inform", "DER", "-in", "value.der", "-out", "out"]
    command += ["-content", "covered", "-CAfile", "ca.pem", "-purpose", "any"]
    command += ["-attime", str(int(shop.checked.timestamp()))]
    answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pdf": b"%PDF-1.7\n%%EOF\n"}, "as this package renders"),
        ({"pdf": b""}, "as this package renders"),
        ({"pdf": handmade.write(handmade.objects())}, "as this package renders"),
        ({"field": "Foreman"}, "no signature field"),
        ({"reason": ""}, "empty"),
        ({"moment": MADE - timedelta(days=2)}, "not valid before"),
    ],
)
def test_what_it_does_not_sign(shop: Shop, unsigned: bytes, change: dict[str, Any], message: str) -> None:
    arguments = {"pdf": unsigned, "field": "Technician", "reason": "x", "moment": SIGNED} | change
    with pytest.raises(SigningFault, match=message):
        OnePassSigner(shop.technician).certify(arguments.pop("pdf"), **arguments)
    for signed in (quick(unsigned, shop.technician), long(unsigned, shop.technician)):
        with pytest.raises(SigningFault):
            quick(signed, shop.technician)
    with pytest.raises(SigningFault, match="authority"):
        OnePassSigner(create_authority(name="Invented", moment=MADE))


def test_an_rsa_key_is_not_checked_again_for_every_signature(shop: Shop, unsigned: bytes, rsa_key: SigningKey) -> None:
    """The private key is loaded once; nothing on the way asks for it again."""
    asked = []

    class Watched:
        certificate = rsa_key.certificate
        chain = rsa_key.chain

        def sign(self, data: bytes) -> bytes:
            asked.append(hashes.SHA256)
            return rsa_key.sign(data)

    certify(unsigned, key=Watched(), field="Technician", reason="x", moment=SIGNED)
    assert len(asked) == 1
    assert isinstance(rsa_key.certificate, x509.Certificate)
