"""Signing: what a signature adds, what it leaves alone, what other programs make of it."""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
from datetime import datetime, timedelta
from pathlib import Path

import handmade as pdf
import pytest
from conftest import CHECKED, MADE, Shop

from diagnb.errors import SigningFault
from diagnb.signing.sign import certify, countersign
from diagnb.signing.verify import verify_signatures


def tool(name: str) -> str:
    found = shutil.which(name)
    assert found, f"{name} is missing; Debian: apt-get install poppler-utils qpdf openssl"
    return found


def test_signing_only_appends(shop: Shop) -> None:
    assert shop.certified.startswith(shop.unsigned)
    assert shop.countersigned.startswith(shop.certified)
    assert len(shop.certified) - len(shop.unsigned) < 12_000


def test_information_and_xmp_are_left_alone(shop: Shop) -> None:
    for number in (pdf.INFO, pdf.METADATA):
        assert len(re.findall(rb"\n%d 0 obj" % number, shop.countersigned)) == 1
    assert b"pyHanko" not in shop.countersigned


def test_what_the_signature_states(shop: Shop) -> None:
    assert b"/SubFilter /ETSI.CAdES.detached" in shop.certified
    assert b"/P 2" in shop.certified
    assert b"(D\\07220300531143000Z)" in shop.certified
    status = verify_signatures(shop.countersigned, trust=shop.trust, moment=shop.checked)
    technician, reviewer = status.signatures
    assert (technician.field, technician.signer, technician.role) == (
        "Technician",
        "Ada Invented",
        "technician",
    )
    assert (technician.reason, technician.location) == ("Measured and recorded", "Bay 3")
    assert (technician.certifies, reviewer.certifies) == (True, False)
    assert (technician.signed_at, reviewer.signed_at) == (shop.signed, shop.reviewed)
    assert technician.covers == len(shop.certified)
    assert reviewer.covers == len(shop.countersigned)


def test_signing_again_differs_only_in_signature_value_and_file_identifier(shop: Shop) -> None:
    again = shop.certify(shop.unsigned)
    value = re.compile(rb"/Contents <[0-9A-F]+>|/ID \[[^\]]*\]")
    assert again != shop.certified
    assert value.sub(b"", again) == value.sub(b"", shop.certified)


def test_a_drawn_appearance_for_the_field(shop: Shop) -> None:
    drawing = pdf.write(
        {
            1: b"<< /Type /Catalog /Pages 2 0 R >>",
            2: b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
            3: b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 150 40] /Contents 4 0 R /Resources << >> >>",
            4: pdf.stream(b"10 10 m 140 30 l S"),
            **dict.fromkeys(range(5, 18), b"null"),
        }
    )
    signed = countersign(
        shop.certified,
        key=shop.reviewer,
        field="Reviewer",
        reason="Reviewed",
        moment=shop.reviewed,
        appearance=drawing,
    )
    status = verify_signatures(signed, trust=shop.trust, moment=shop.checked)
    assert status.reasons == ()
    assert len(status.signatures) == 2


def test_signing_and_verifying_inside_a_running_event_loop(shop: Shop) -> None:
    """A notebook always runs one."""

    async def cell() -> bool:
        signed = shop.countersign(shop.certify(shop.unsigned))
        return verify_signatures(signed, trust=shop.trust, moment=shop.checked).good

    assert asyncio.run(cell())


def test_compressed_rewrite_can_be_signed_too(shop: Shop) -> None:
    """Object streams and cross-reference streams, as a size-saving rewrite makes them."""
    pikepdf = pytest.importorskip("pikepdf")
    from io import BytesIO

    target = BytesIO()
    with pikepdf.open(BytesIO(shop.unsigned)) as document:
        document.save(target, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    signed = shop.countersign(shop.certify(target.getvalue()))
    status = verify_signatures(signed, trust=shop.trust, moment=shop.checked)
    assert status.reasons == ()
    assert status.unsigned_prefix_length == len(target.getvalue())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pdf": b"not a PDF"}, "not a PDF"),
        ({"pdf": b"%PDF-1.7\nnothing"}, "can't be signed"),
        ({"field": "Foreman"}, "no signature field"),
        ({"reason": " "}, "is empty"),
        ({"reason": "x" * 501}, "longer"),
        ({"location": "a\nb"}, "control"),
        ({"moment": datetime(2030, 5, 31)}, "no time zone"),  # noqa: DTZ001
        ({"moment": MADE - timedelta(days=1)}, "not valid before"),
        ({"moment": MADE + timedelta(days=4 * 366)}, "expired"),
        ({"timestamp_url": "file:///etc/passwd"}, "web address"),
    ],
)
def test_what_can_not_be_signed_says_why(shop: Shop, change: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {
        "pdf": shop.unsigned,
        "key": shop.technician,
        "field": "Technician",
        "reason": "Measured",
        "moment": shop.signed,
    }
    arguments |= change
    data = arguments.pop("pdf")
    with pytest.raises(SigningFault, match=message):
        certify(data, **arguments)  # type: ignore[arg-type]


def test_signatures_keep_their_order(shop: Shop) -> None:
    with pytest.raises(SigningFault, match="signed already"):
        shop.certify(shop.certified)
    with pytest.raises(SigningFault, match="signed already"):
        shop.countersign(shop.countersigned)
    with pytest.raises(SigningFault, match="no signature to countersign"):
        shop.countersign(shop.unsigned)
    with pytest.raises(SigningFault, match="authority"):
        shop.certify(shop.unsigned, shop.authority)


def test_encrypted_files_are_not_signed(shop: Shop) -> None:
    key = b"/Encrypt << /Filter /Standard /V 1 /R 2 /O <%b> /U <%b> /P -4 >>" % (b"00" * 32, b"00" * 32)
    with pytest.raises(SigningFault, match="encrypted"):
        shop.certify(pdf.write(pdf.objects(), trailer=key))


@pytest.mark.system
def test_other_readers_accept_the_signatures(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    path.write_bytes(shop.countersigned)
    checked = subprocess.run([tool("qpdf"), "--check", path], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    seen = subprocess.run([tool("pdfsig"), "-nocert", path], capture_output=True, text=True, check=False)
    assert seen.stdout.count("Signature is Valid") == 2, seen.stdout
    assert "Ben Invented" in seen.stdout


@pytest.mark.system
def test_openssl_accepts_the_signature_value(shop: Shop, tmp_path: Path) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    for number, data in enumerate((shop.certified, shop.countersigned)):
        found = re.findall(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", data)[-1]
        _, before, after, rest = (int(n) for n in found)
        value = bytes.fromhex(data[before + 1 : after - 1].decode())
        length = 4 + int.from_bytes(value[2:4], "big")
        (tmp_path / "value.der").write_bytes(value[:length])
        (tmp_path / "covered").write_bytes(data[:before] + data[after : after + rest])
        (tmp_path / "ca.pem").write_bytes(shop.authority.certificate.public_bytes(Encoding.PEM))
        command = [tool("openssl"), "cms", "-verify", "-binary", "-inform", "DER", "-in", "value.der"]
        command += ["-content", "covered", "-CAfile", "ca.pem", "-purpose", "any", "-out", "out"]
        command += ["-attime", str(int(CHECKED.timestamp()))]
        answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert answer.returncode == 0, (number, answer.stderr)
        assert (tmp_path / "out").read_bytes() == (tmp_path / "covered").read_bytes()
