"""Revocation lists: what the shop's authority has withdrawn, from when, and since when it counts (RFC 5280 section 5).

An entry has two times: when it was revoked, and since when the key may have been in other hands (the invalidity
date, section 5.3.2). Signatures proven to be older than the second one stay good.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization

from diagnb.errors import Fault, SigningFault
from diagnb.signing.keys import Authority, require_valid

REVOCATION_REASONS: Mapping[str, str] = MappingProxyType(
    {
        "unspecified": "no reason stated",
        "key-compromise": "somebody else may have the key",
        "person-left": "the person has left or has another task",
        "superseded": "replaced by a new key",
        "no-longer-used": "the key is no longer used",
    }
)
"""Why a certificate was revoked, with one plain sentence each."""

_FLAGS = {
    "unspecified": x509.ReasonFlags.unspecified,
    "key-compromise": x509.ReasonFlags.key_compromise,
    "person-left": x509.ReasonFlags.affiliation_changed,
    "superseded": x509.ReasonFlags.superseded,
    "no-longer-used": x509.ReasonFlags.cessation_of_operation,
}
_NAMES = {flag: name for name, flag in _FLAGS.items()}
HARMLESS = frozenset({"person-left", "superseded", "no-longer-used"})
"""Reasons that say nothing against what the key did before it was revoked (RFC 3161 section 4, item 1)."""

_DAYS = 400


@dataclass(frozen=True, slots=True)
class Revoked:
    """One revoked certificate: `revoked` is when it was withdrawn, `invalid_since` since when it does not count."""

    serial: int
    revoked: datetime
    invalid_since: datetime
    reason: str = "unspecified"

    def __post_init__(self) -> None:
        faults = [
            Fault(where, "carries no time zone")
            for where, moment in (("revoked", self.revoked), ("invalid_since", self.invalid_since))
            if moment.tzinfo is None
        ]
        if self.reason not in REVOCATION_REASONS:
            faults.append(Fault("reason", f"is {self.reason!r}", f"use {', '.join(REVOCATION_REASONS)}"))
        if faults:
            raise SigningFault(faults)


def create_revocation_list(
    authority: Authority, *, revoked: Iterable[Revoked], number: int, moment: datetime, days: int = _DAYS
) -> x509.CertificateRevocationList:
    """A list of everything revoked so far, signed by the authority at `moment`, to be renewed within `days`.

    `number` grows with every list of an authority. Raises SigningFault for an authority that isn't valid then.
    """
    require_valid(authority.certificate, moment, where="authority")
    issuer = authority.certificate
    above = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    now = moment.astimezone(UTC).replace(microsecond=0)
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(issuer.subject)
        .last_update(now)
        .next_update(now + timedelta(days=days))
        .add_extension(x509.CRLNumber(number), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(above), critical=False)
    )
    for row in sorted(revoked, key=lambda r: r.serial):
        entry = (
            x509.RevokedCertificateBuilder()
            .serial_number(row.serial)
            .revocation_date(row.revoked.astimezone(UTC).replace(microsecond=0))
            .add_extension(
                x509.InvalidityDate(row.invalid_since.astimezone(UTC).replace(microsecond=0, tzinfo=None)),
                critical=False,
            )
        )
        if row.reason != "unspecified":  # section 5.3.1 wants the code left out then
            entry = entry.add_extension(x509.CRLReason(_FLAGS[row.reason]), critical=False)
        builder = builder.add_revoked_certificate(entry.build())
    return builder.sign(authority.private_key, hashes.SHA256())


def list_number(revocation_list: x509.CertificateRevocationList) -> int:
    """The list's number; 0 when it has none."""
    try:
        return int(revocation_list.extensions.get_extension_for_class(x509.CRLNumber).value.crl_number)
    except x509.ExtensionNotFound:
        return 0


def issued_by(revocation_list: x509.CertificateRevocationList, issuer: x509.Certificate) -> bool:
    """Whether this certificate's key signed the list."""
    if revocation_list.issuer != issuer.subject:
        return False
    try:
        return bool(revocation_list.is_signature_valid(issuer.public_key()))  # type: ignore[arg-type]
    except (InvalidSignature, TypeError, ValueError):
        return False


def find_revoked(revocation_list: x509.CertificateRevocationList, serial: int) -> Revoked | None:
    """What the list says about a serial number; an entry without an invalidity date counts from its revocation."""
    row = revocation_list.get_revoked_certificate_by_serial_number(serial)
    if row is None:
        return None
    invalid_since, reason = row.revocation_date_utc, "unspecified"
    for extension in row.extensions:
        if isinstance(extension.value, x509.InvalidityDate):
            invalid_since = extension.value.invalidity_date_utc
        elif isinstance(extension.value, x509.CRLReason):
            reason = _NAMES.get(extension.value.reason, "key-compromise")
    return Revoked(serial, row.revocation_date_utc, invalid_since, reason)


def read_revocation_list(data: bytes) -> x509.CertificateRevocationList:
    """A list from its DER or PEM form. Raises SigningFault."""
    try:
        if data.lstrip().startswith(b"-----BEGIN"):
            return x509.load_pem_x509_crl(data)
        return x509.load_der_x509_crl(data)
    except ValueError:
        raise SigningFault(Fault("revocation list", "is not one", "use the file that the authority gave out")) from None


def pem(revocation_list: x509.CertificateRevocationList) -> str:
    """The list as PEM text."""
    return revocation_list.public_bytes(serialization.Encoding.PEM).decode("ascii")
