"""Signing keys: making them, keeping them in files, loading them once.

A shop has one authority (it signs certificates, nothing else) and one key per person. The certificate
carries what the report prints: the common name is the printed name, the organisational unit is the role.
Keys are elliptic-curve P-256 (FIPS 186-5); certificates follow RFC 5280, their purpose is document signing
(RFC 9336) with `digitalSignature` and `nonRepudiation`.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.serialization import PrivateFormat, pkcs12
from cryptography.x509.oid import NameOID

from diagnb.errors import Fault, SigningFault

PrivateKey: TypeAlias = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey

DOCUMENT_SIGNING = x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36")
"""Extended key usage id-kp-documentSigning, RFC 9336 section 3.1."""

SHORTEST_PASSPHRASE = 12
"""Bytes. The container's own integrity check is cheap to guess against, so length has to do the work."""

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
_KDF_ROUNDS = 600_000
_MAX_KEY_FILE = 1 << 20


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A person's loaded private key, certificate and the certificates above it. Never shows the secret.

    Anything else that offers `certificate`, `chain` and `sign` (a hardware token, say) can stand in its place.
    """

    certificate: x509.Certificate
    chain: tuple[x509.Certificate, ...] = ()
    private_key: PrivateKey = field(repr=False, kw_only=True, compare=False)

    def __post_init__(self) -> None:
        _check_pair(self.certificate, self.private_key)

    @property
    def name(self) -> str:
        """The printed name: common name of the certificate."""
        return subject_text(self.certificate, NameOID.COMMON_NAME)

    @property
    def role(self) -> str:
        """The role: organisational unit of the certificate."""
        return subject_text(self.certificate, NameOID.ORGANIZATIONAL_UNIT_NAME)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate's DER form, 64 hexadecimal digits."""
        return fingerprint(self.certificate)

    def sign(self, data: bytes) -> bytes:
        """The SHA-256 signature of `data`: ECDSA (DER pair), or RSASSA-PKCS1-v1_5 for an RSA key."""
        if isinstance(self.private_key, rsa.RSAPrivateKey):
            return self.private_key.sign(data, padding.PKCS1v15(), hashes.SHA256())
        return self.private_key.sign(data, ec.ECDSA(hashes.SHA256()))

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.name!r}, {self.role!r}, {self.fingerprint[:16]})"

    def __reduce__(self) -> str:
        raise SigningFault(Fault("key", "a loaded key is never copied out of its process", "load it there"))


@dataclass(frozen=True, slots=True, repr=False)
class Authority(SigningKey):
    """The shop's own authority: signs the certificates of its people, never a report."""

    def __post_init__(self) -> None:
        _check_pair(self.certificate, self.private_key)
        if not is_authority(self.certificate):
            raise SigningFault(
                Fault("certificate", "is not an authority's certificate", "use the shop authority's key file")
            )


def create_authority(*, name: str, years: int = 10, moment: datetime) -> Authority:
    """A new shop authority, valid from `moment` for `years`; it can sign people, no further authority.

    `moment` carries a time zone. Raises SigningFault naming every argument that can't be used.
    """
    _check_arguments(moment=moment, years=years, name=name)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _subject(name, "authority")
    builder = (
        _builder(subject, subject, key.public_key(), moment, _later(moment, years))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_key_usage(authority=True), critical=True)
        .add_extension(_identifier(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False)
    )
    return Authority(builder.sign(key, hashes.SHA256()), private_key=key)


def create_person(authority: Authority, *, name: str, role: str, years: int = 3, moment: datetime) -> SigningKey:
    """A new key for one person, its certificate signed by the shop's authority.

    The certificate never outlives the authority's. Raises SigningFault for arguments that can't be used and
    for an authority that isn't valid at `moment`.
    """
    _check_arguments(moment=moment, years=years, name=name, role=role)
    require_valid(authority.certificate, moment, where="authority")
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = authority.certificate
    until = min(_later(moment, years), issuer.not_valid_after_utc)
    above = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    builder = _person_builder(
        _builder(_subject(name, role), issuer.subject, key.public_key(), moment, until),
        key.public_key(),
        x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(above),
    )
    certificate = builder.sign(authority.private_key, hashes.SHA256())
    return SigningKey(certificate, (issuer, *authority.chain), private_key=key)


def self_signed_person(*, name: str, role: str, years: int = 3, moment: datetime) -> SigningKey:
    """A new key whose certificate signs itself: for a shop of one, and for demonstrations.

    Such a certificate proves nothing by itself; a trust list has to hold it as a person.
    """
    _check_arguments(moment=moment, years=years, name=name, role=role)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _subject(name, role)
    builder = _person_builder(
        _builder(subject, subject, key.public_key(), moment, _later(moment, years)),
        key.public_key(),
        x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()),
    )
    return SigningKey(builder.sign(key, hashes.SHA256()), private_key=key)


def generate_passphrase() -> str:
    """A fresh passphrase: four groups of five letters and digits, 99 bits, no look-alike characters."""
    groups = ("".join(secrets.choice(_LETTERS) for _ in range(5)) for _ in range(4))
    return "-".join(groups)


def save_key(key: SigningKey, path: Path | str, passphrase: bytes) -> None:
    """Write key, certificate and chain to a new file that only its owner can read (mode 0600).

    A name ending in `.pem` gives an encrypted PEM file, anything else PKCS#12 (AES-256, PBKDF2 with 600,000
    rounds, SHA-256). A missing folder is made for its owner alone (0700). Raises SigningFault when the file
    exists already, the folder is open to others, or the passphrase is shorter than `SHORTEST_PASSPHRASE`.
    """
    target = Path(path)
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise SigningFault(
            Fault(
                "passphrase",
                f"is shorter than {SHORTEST_PASSPHRASE} characters",
                "use a generated passphrase",
            )
        )
    data = _pem_bytes(key, passphrase) if target.suffix.lower() == ".pem" else _pkcs12_bytes(key, passphrase)
    _prepare_folder(target.parent)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(target, flags, 0o600)
    except FileExistsError:
        raise SigningFault(
            Fault(str(target), "exists already", "keys are never overwritten: choose another name")
        ) from None
    except OSError as error:
        raise SigningFault(Fault(str(target), f"can't be written: {error.strerror}")) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            target.unlink()
        raise SigningFault(Fault(str(target), f"can't be written: {error.strerror}")) from None


def load_key(path: Path | str, passphrase: bytes) -> SigningKey:
    """A person's key from a PKCS#12 or PEM file; takes some 0.15 s, so load once and keep it.

    Raises SigningFault for a file others can read (POSIX), a wrong passphrase, an authority's key, and
    anything that isn't a key file. The passphrase appears in no message.
    """
    key = _load(Path(path), passphrase)
    if is_authority(key.certificate):
        raise SigningFault(Fault(str(path), "holds an authority's key, which signs no reports", "load a person's key"))
    return key


def load_authority(path: Path | str, passphrase: bytes) -> Authority:
    """The shop authority's key from its file. Raises SigningFault like `load_key`."""
    key = _load(Path(path), passphrase)
    return Authority(key.certificate, key.chain, private_key=key.private_key)


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 of the DER form, 64 hexadecimal digits."""
    return certificate.fingerprint(hashes.SHA256()).hex()


def is_authority(certificate: x509.Certificate) -> bool:
    """Whether the certificate may sign other certificates (RFC 5280 section 4.2.1.9)."""
    try:
        return bool(certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca)
    except (x509.ExtensionNotFound, ValueError):
        return False


def subject_text(certificate: x509.Certificate, oid: x509.ObjectIdentifier) -> str:
    """The first value of one part of the subject, or an empty text."""
    values = certificate.subject.get_attributes_for_oid(oid)
    return str(values[0].value) if values else ""


def require_valid(certificate: x509.Certificate, moment: datetime, *, where: str) -> None:
    """Raise SigningFault unless the certificate is valid at `moment` (which carries a zone)."""
    if moment < certificate.not_valid_before_utc:
        raise SigningFault(
            Fault(where, f"its certificate is not valid before {certificate.not_valid_before_utc:%Y-%m-%d}")
        )
    if moment > certificate.not_valid_after_utc:
        raise SigningFault(
            Fault(
                where,
                f"its certificate expired on {certificate.not_valid_after_utc:%Y-%m-%d}",
                "make a new key and add it to the trust list",
            )
        )


def _check_pair(certificate: x509.Certificate, key: PrivateKey) -> None:
    form = (serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    if certificate.public_key().public_bytes(*form) != key.public_key().public_bytes(*form):
        raise SigningFault(Fault("key", "does not belong to the certificate", "use the pair as it was made"))


def _check_arguments(*, moment: datetime, years: int, **texts: str) -> None:
    faults = []
    if moment.tzinfo is None:
        faults.append(Fault("moment", "carries no time zone", "hand in a time with its zone"))
    if not 1 <= years <= 30:
        faults.append(Fault("years", f"is {years}", "use 1 to 30"))
    for where, text in texts.items():
        if not text.strip() or text != text.strip() or len(text) > 64:
            faults.append(Fault(where, "must be 1 to 64 characters without blanks at its ends"))
        elif any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"} for c in text):
            faults.append(Fault(where, "holds invisible characters", "type it again"))
    if faults:
        raise SigningFault(faults)


def _later(moment: datetime, years: int) -> datetime:
    try:
        return moment.replace(year=moment.year + years)
    except ValueError:  # 29 February
        return moment.replace(year=moment.year + years, day=28)


def _subject(name: str, role: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, name),
            x509.NameAttribute(NameOID.ORGANIZATIONAL_UNIT_NAME, role),
        ]
    )


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    public_key: ec.EllipticCurvePublicKey,
    since: datetime,
    until: datetime,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(since.astimezone(UTC).replace(microsecond=0))
        .not_valid_after(until.astimezone(UTC).replace(microsecond=0))
    )


def _person_builder(
    builder: x509.CertificateBuilder,
    public_key: ec.EllipticCurvePublicKey,
    above: x509.AuthorityKeyIdentifier,
) -> x509.CertificateBuilder:
    return (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_key_usage(authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([DOCUMENT_SIGNING]), critical=False)
        .add_extension(_identifier(public_key), critical=False)
        .add_extension(above, critical=False)
    )


def _identifier(public_key: ec.EllipticCurvePublicKey) -> x509.SubjectKeyIdentifier:
    return x509.SubjectKeyIdentifier.from_public_key(public_key)


def _key_usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority,
        content_commitment=not authority,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=authority,
        crl_sign=authority,
        encipher_only=False,
        decipher_only=False,
    )


def _pkcs12_bytes(key: SigningKey, passphrase: bytes) -> bytes:
    sealing = (
        PrivateFormat.PKCS12.encryption_builder()
        .kdf_rounds(_KDF_ROUNDS)
        .key_cert_algorithm(pkcs12.PBES.PBESv2SHA256AndAES256CBC)
        .hmac_hash(hashes.SHA256())
        .build(passphrase)
    )
    return pkcs12.serialize_key_and_certificates(
        key.name.encode(), key.private_key, key.certificate, list(key.chain) or None, sealing
    )


def _pem_bytes(key: SigningKey, passphrase: bytes) -> bytes:
    secret = key.private_key.private_bytes(
        serialization.Encoding.PEM,
        PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(passphrase),
    )
    open_part = (c.public_bytes(serialization.Encoding.PEM) for c in (key.certificate, *key.chain))
    return secret + b"".join(open_part)


def _prepare_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        mode = folder.stat().st_mode
    except OSError as error:
        raise SigningFault(Fault(str(folder), f"can't be used as a folder: {error.strerror}")) from None
    if os.name == "posix" and mode & 0o022 and not mode & stat.S_ISVTX:
        raise SigningFault(Fault(str(folder), "others may write to this folder", f"run: chmod 700 '{folder}'"))


def _read_private(path: Path) -> bytes:
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(path, flags)
    except OSError as error:
        raise SigningFault(Fault(str(path), f"can't be read: {error.strerror}")) from None
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise SigningFault(Fault(str(path), "is not a file"))
        if os.name == "posix" and found.st_mode & 0o077:
            raise SigningFault(
                Fault(str(path), "other people on this computer may read it", f"run: chmod 600 '{path}'")
            )
        if found.st_size > _MAX_KEY_FILE:
            raise SigningFault(Fault(str(path), "is too large for a key file"))
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(_MAX_KEY_FILE)
    finally:
        os.close(handle)


def _load(path: Path, passphrase: bytes) -> SigningKey:
    data = _read_private(path)
    wrong = Fault(
        str(path),
        "can't be opened: wrong passphrase, or not a key file",
        "try again, or use the file that the key was saved to",
    )
    try:
        if data.lstrip().startswith(b"-----BEGIN"):
            key = serialization.load_pem_private_key(data, passphrase)
            certificates = x509.load_pem_x509_certificates(data)
        else:
            opened = pkcs12.load_pkcs12(data, passphrase)
            found = [c.certificate for c in (opened.cert, *opened.additional_certs) if c is not None]
            if opened.key is None or opened.cert is None:
                raise SigningFault(Fault(str(path), "holds no private key with its certificate"))
            certificates = found
            key = opened.key
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise SigningFault(wrong) from None
    if not isinstance(key, ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey) or key.key_size < 256:
        raise SigningFault(Fault(str(path), "holds a kind of key that can't sign reports", "use P-256"))
    if isinstance(key, rsa.RSAPrivateKey) and key.key_size < 2048:
        raise SigningFault(Fault(str(path), "its RSA key is shorter than 2048 bits", "use P-256"))
    if not certificates:
        raise SigningFault(Fault(str(path), "holds no certificate"))
    return SigningKey(certificates[0], tuple(certificates[1:]), private_key=key)
