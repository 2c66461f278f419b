"""Signing keys and the certificates that say whose they are.

A shop has one authority (it signs certificates, nothing else) and one key per person. The certificate
carries what the report prints: the common name is the printed name, the organisational unit is the role.
Keys are elliptic-curve P-256 (FIPS 186-5); certificates follow RFC 5280, their purpose is document signing
(RFC 9336) with `digitalSignature` and `nonRepudiation`.
"""

from __future__ import annotations

import secrets
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeAlias

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.x509.oid import NameOID

from diagnb.errors import Fault, SigningFault

PrivateKey: TypeAlias = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey
PublicKey: TypeAlias = ec.EllipticCurvePublicKey | rsa.RSAPublicKey

DOCUMENT_SIGNING = x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36")
"""Extended key usage id-kp-documentSigning, RFC 9336 section 3.1."""

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


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
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = certify_person(authority, key.public_key(), name=name, role=role, years=years, moment=moment)
    return SigningKey(certificate, (authority.certificate, *authority.chain), private_key=key)


def certify_person(
    authority: Authority, public_key: PublicKey, *, name: str, role: str, years: int = 3, moment: datetime
) -> x509.Certificate:
    """The certificate that binds a public key, made in a token say, to one person. Faults as `create_person`."""
    _check_arguments(moment=moment, years=years, name=name, role=role)
    require_valid(authority.certificate, moment, where="authority")
    issuer = authority.certificate
    until = min(_later(moment, years), issuer.not_valid_after_utc)
    above = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    builder = _person_builder(
        _builder(_subject(name, role), issuer.subject, public_key, moment, until),
        public_key,
        x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(above),
    )
    return builder.sign(authority.private_key, hashes.SHA256())


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


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 of the DER form, 64 hexadecimal digits."""
    return certificate.fingerprint(hashes.SHA256()).hex()


def is_authority(certificate: x509.Certificate) -> bool:
    """Whether the certificate may sign other certificates (RFC 5280 section 4.2.1.9)."""
    try:
        return bool(certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca)
    except (x509.ExtensionNotFound, ValueError):
        return False


def issued(certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    """Whether `issuer`'s key signed the certificate; two authorities may bear one name."""
    try:
        certificate.verify_directly_issued_by(issuer)
    except (InvalidSignature, ValueError, TypeError):
        return False
    return True


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
    public_key: PublicKey,
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
    public_key: PublicKey,
    above: x509.AuthorityKeyIdentifier,
) -> x509.CertificateBuilder:
    return (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_key_usage(authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([DOCUMENT_SIGNING]), critical=False)
        .add_extension(_identifier(public_key), critical=False)
        .add_extension(above, critical=False)
    )


def _identifier(public_key: PublicKey) -> x509.SubjectKeyIdentifier:
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
