"""Keys and their files: what is written, who may read it, what a mistake says."""

from __future__ import annotations

import copy
import os
import pickle
import stat
import subprocess
import sys
from dataclasses import FrozenInstanceError
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from conftest import CHECKED, MADE, Shop
from cryptography import x509
from cryptography.x509.oid import NameOID

from diagnb.errors import SigningFault
from diagnb.signing import (
    create_authority,
    create_person,
    generate_passphrase,
    load_authority,
    load_key,
    save_key,
    self_signed_person,
)

PASSPHRASE = b"invented-passphrase-7Q"
posix_only = pytest.mark.skipif(os.name != "posix", reason="file modes are a POSIX matter")


def test_certificate_says_who_and_what_for(shop: Shop) -> None:
    certificate = shop.technician.certificate
    assert (shop.technician.name, shop.technician.role) == ("Ada Invented", "technician")
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage)
    assert usage.critical
    assert usage.value.digital_signature
    assert usage.value.content_commitment
    assert not usage.value.key_cert_sign
    purposes = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert [p.dotted_string for p in purposes] == ["1.3.6.1.5.5.7.3.36"]
    issuer = certificate.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value
    above = shop.authority.certificate.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    assert issuer.key_identifier == above.digest
    limits = shop.authority.certificate.extensions.get_extension_for_class(x509.BasicConstraints)
    assert limits.critical
    assert limits.value == x509.BasicConstraints(ca=True, path_length=0)
    certificate.verify_directly_issued_by(shop.authority.certificate)


def test_person_never_outlives_the_authority() -> None:
    authority = create_authority(name="Short-lived", years=1, moment=MADE)
    person = create_person(authority, name="Ada Invented", role="technician", years=3, moment=MADE)
    assert person.certificate.not_valid_after_utc == authority.certificate.not_valid_after_utc
    with pytest.raises(SigningFault, match="expired"):
        create_person(authority, name="Ada", role="technician", moment=MADE + timedelta(days=400))


def test_leap_day_key() -> None:
    from datetime import UTC

    key = self_signed_person(
        name="Leap Invented", role="technician", years=3, moment=datetime(2028, 2, 29, 8, tzinfo=UTC)
    )
    assert key.certificate.not_valid_after_utc.day == 28


def test_every_wrong_argument_is_named() -> None:
    with pytest.raises(SigningFault) as caught:
        self_signed_person(name=" ", role="tech\u202enician", years=0, moment=MADE.replace(tzinfo=None))
    assert {f.where for f in caught.value.faults} == {"name", "role", "years", "moment"}


@pytest.mark.parametrize("name", ["ada.p12", "ada.pem"])
def test_key_file_round_trip(shop: Shop, tmp_path: Path, name: str) -> None:
    path = tmp_path / "shop keys ä" / name
    save_key(shop.technician, path, PASSPHRASE)
    loaded = load_key(path, PASSPHRASE)
    assert loaded.certificate == shop.technician.certificate
    assert loaded.chain == (shop.authority.certificate,)
    loaded.certificate.public_key().verify(loaded.sign(b"x"), b"x", _ecdsa())  # type: ignore[union-attr,call-arg]


def _ecdsa() -> object:
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec

    return ec.ECDSA(hashes.SHA256())


@posix_only
def test_files_and_folders_belong_to_their_owner_alone(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "keys" / "ada.p12"
    save_key(shop.technician, path, PASSPHRASE)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


@posix_only
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_key_that_others_can_read_is_refused(shop: Shop, tmp_path: Path, mode: int) -> None:
    path = tmp_path / "ada.p12"
    save_key(shop.technician, path, PASSPHRASE)
    path.chmod(mode)
    with pytest.raises(SigningFault, match="chmod 600"):
        load_key(path, PASSPHRASE)


@posix_only
def test_folder_that_others_can_write_is_refused(shop: Shop, tmp_path: Path) -> None:
    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(0o777)
    with pytest.raises(SigningFault, match="chmod 700"):
        save_key(shop.technician, folder / "ada.p12", PASSPHRASE)
    assert not list(folder.iterdir())


def test_a_key_is_never_overwritten(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "ada.p12"
    save_key(shop.technician, path, PASSPHRASE)
    before = path.read_bytes()
    with pytest.raises(SigningFault, match="exists already"):
        save_key(shop.reviewer, path, PASSPHRASE)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["ada.p12", "ada.pem"])
def test_wrong_passphrase_says_so_and_shows_neither(shop: Shop, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    save_key(shop.technician, path, PASSPHRASE)
    wrong = b"another-passphrase-8R"
    with pytest.raises(SigningFault, match="wrong passphrase") as caught:
        load_key(path, wrong)
    shown = f"{caught.value!r} {caught.value} {caught.value.__cause__!r}"
    assert wrong.decode() not in shown
    assert caught.value.faults[0].repair
    assert caught.value.__suppress_context__


def test_short_passphrase_is_refused(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(SigningFault, match="shorter") as caught:
        save_key(shop.technician, tmp_path / "ada.p12", b"hunter2")
    assert "hunter2" not in str(caught.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("content", [b"", b"not a key", b"-----BEGIN NOTHING-----\n", bytes(range(256))])
def test_other_files_are_no_keys(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "key"
    path.write_bytes(content)
    path.chmod(0o600)
    with pytest.raises(SigningFault):
        load_key(path, PASSPHRASE)
    with pytest.raises(SigningFault):
        load_key(tmp_path / "missing", PASSPHRASE)
    with pytest.raises(SigningFault):
        load_key(tmp_path, PASSPHRASE)


def test_key_without_protection_is_refused(shop: Shop, tmp_path: Path) -> None:
    from cryptography.hazmat.primitives import serialization as form

    path = tmp_path / "open.pem"
    path.write_bytes(
        shop.technician.private_key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
        + shop.technician.certificate.public_bytes(form.Encoding.PEM)
    )
    path.chmod(0o600)
    with pytest.raises(SigningFault):
        load_key(path, PASSPHRASE)


def test_authority_key_is_kept_apart_from_people(shop: Shop, tmp_path: Path) -> None:
    save_key(shop.authority, tmp_path / "authority.p12", PASSPHRASE)
    save_key(shop.technician, tmp_path / "ada.p12", PASSPHRASE)
    again = load_authority(tmp_path / "authority.p12", PASSPHRASE)
    person = create_person(again, name="Cy Invented", role="reviewer", moment=CHECKED)
    person.certificate.verify_directly_issued_by(shop.authority.certificate)
    with pytest.raises(SigningFault, match="authority"):
        load_key(tmp_path / "authority.p12", PASSPHRASE)
    with pytest.raises(SigningFault, match="not an authority"):
        load_authority(tmp_path / "ada.p12", PASSPHRASE)


def test_pair_that_does_not_match_is_refused(shop: Shop) -> None:
    from diagnb.signing.keys import SigningKey

    with pytest.raises(SigningFault, match="does not belong"):
        SigningKey(shop.technician.certificate, private_key=shop.reviewer.private_key)


def test_a_loaded_key_shows_and_copies_no_secret(shop: Shop) -> None:
    secret = shop.technician.private_key.private_numbers()
    assert str(secret.private_value) not in repr(shop)  # type: ignore[union-attr]
    assert "private" not in repr(shop.technician)
    with pytest.raises(SigningFault):
        pickle.dumps(shop.technician)
    with pytest.raises(SigningFault):
        copy.deepcopy(shop.technician)
    with pytest.raises(FrozenInstanceError):
        shop.technician.chain = ()  # type: ignore[misc]


def test_passphrases_are_long_and_different() -> None:
    made = {generate_passphrase() for _ in range(200)}
    assert len(made) == 200
    assert all(len(p.replace("-", "")) == 20 and p.isascii() for p in made)
    assert not set("".join(made)) & set("il1o0")


@pytest.mark.system
def test_openssl_reads_the_certificates_and_the_container(shop: Shop, tmp_path: Path) -> None:
    """OpenSSL is an independent reader: path, purpose, and the rounds that protect the key."""
    from cryptography.hazmat.primitives.serialization import Encoding

    form = Encoding.PEM
    (tmp_path / "ca.pem").write_bytes(shop.authority.certificate.public_bytes(form))
    (tmp_path / "ada.pem").write_bytes(shop.technician.certificate.public_bytes(form))
    at = str(int(CHECKED.timestamp()))
    command = ["openssl", "verify", "-x509_strict", "-attime", at, "-CAfile", "ca.pem", "ada.pem"]
    answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "ada.pem: OK" in answer.stdout, answer.stderr
    save_key(shop.technician, tmp_path / "ada.p12", PASSPHRASE)
    command = ["openssl", "pkcs12", "-info", "-noout", "-in", "ada.p12", "-passin", "stdin"]
    answer = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, check=False, input=PASSPHRASE.decode() + "\n"
    )
    assert answer.returncode == 0, answer.stderr
    assert "MAC: sha256" in answer.stderr
    assert "AES-256-CBC, Iteration 600000" in answer.stderr


def test_importing_the_room_stays_light() -> None:
    code = "import sys, diagnb.signing as s; s.__all__; print('pyhanko' in sys.modules, 'cryptography' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.split() == ["False", "False"]


def test_names_come_from_the_certificate_only() -> None:
    key = self_signed_person(name="Ada Invented", role="owner", moment=MADE)
    subject = key.certificate.subject
    assert subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value == "Ada Invented"
    assert key.role == "owner"
    assert key.certificate.issuer == subject
