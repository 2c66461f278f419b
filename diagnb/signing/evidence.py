"""What a verdict about a signer rests on: the shop's trust list, and the validation data that the file carries.

Certificates in the file only lead from a signer up to somebody on the list. Revocation lists in the file, and the
trust list's own, count when the certificate that they are about was issued by the same key; whatever one of them
revokes is revoked, so an old list put into a file hides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from diagnb.signing.keys import issued
from diagnb.signing.reading import MAX_STREAM_BYTES, entry
from diagnb.signing.revocation import Revoked, find_revoked, issued_by
from diagnb.signing.trust import TrustEntry, TrustList

_MOST = 64
_MOST_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class Evidence:
    """The trust list with what the file's validation data adds."""

    trust: TrustList
    certificates: tuple[Any, ...]
    revocation_lists: tuple[x509.CertificateRevocationList, ...]

    def roots(self, kind: str) -> list[Any]:
        """The certificates of one kind on the trust list, revoked ones too: those are judged by their date."""
        return [asn1(known) for known in self.trust.entries if known.kind == kind]

    def context(self, roots: list[Any], moment: datetime) -> Any:
        """What the path validator may use: these anchors, this time, no network."""
        from pyhanko_certvalidator import ValidationContext
        from pyhanko_certvalidator.registry import SimpleTrustManager

        return ValidationContext(
            trust_manager=SimpleTrustManager.build(trust_roots=roots),
            other_certs=list(self.certificates),
            moment=moment,
            best_signature_time=moment,
            allow_fetching=False,
            revocation_mode="soft-fail",
        )

    def issuer_entry(self, certificate: x509.Certificate) -> TrustEntry | None:
        """The authority on the trust list whose key signed this certificate."""
        for known in self.trust.entries:
            if known.kind == "authority" and issued(certificate, known.certificate):
                return known
        return None

    def revoked(self, certificate: x509.Certificate, issuer: x509.Certificate) -> Revoked | None:
        """The earliest revocation of a certificate that a list signed by its issuer states."""
        rows = [
            row
            for each in self.revocation_lists
            if (row := find_revoked(each, certificate.serial_number)) is not None and issued_by(each, issuer)
        ]
        return min(rows, key=lambda row: row.invalid_since, default=None)

    def newest_list(self, issuer: x509.Certificate) -> datetime | None:
        """When the newest revocation list of an issuer was made."""
        return max((each.last_update_utc for each in self.revocation_lists if issued_by(each, issuer)), default=None)


def collect(reader: Any, trust: TrustList) -> Evidence:
    """The evidence of a file; validation data that can't be read is left out, which never helps a signer."""
    certificates: list[Any] = []
    lists = list(trust.revocation_lists)
    store = entry(reader.root, "/DSS")
    if store is not None:
        from asn1crypto import x509 as asn1_x509

        for data in _streams(store, "/Certs"):
            try:
                loaded = asn1_x509.Certificate.load(data)
                _ = loaded.native
            except (ValueError, TypeError):
                continue
            certificates.append(loaded)
        for data in _streams(store, "/CRLs"):
            try:
                lists.append(x509.load_der_x509_crl(data))
            except ValueError:
                continue
    return Evidence(trust, tuple(certificates), tuple(lists))


def _streams(store: Any, key: str) -> list[bytes]:
    listed = entry(store, key, ())
    found: list[bytes] = []
    room = min(_MOST_BYTES, MAX_STREAM_BYTES)
    for index in range(min(len(listed), _MOST)):
        try:
            data = bytes(listed[index].data)
        except Exception:  # noqa: BLE001, S112 - hostile validation data is as good as none
            continue
        room -= len(data)
        if room < 0:
            break
        found.append(data)
    return found


def asn1(known: TrustEntry) -> Any:
    """A listed certificate in the form that the path validator reads."""
    return _asn1(known.certificate.public_bytes(Encoding.DER))


@lru_cache(maxsize=256)
def _asn1(der: bytes) -> Any:
    from asn1crypto import x509 as asn1_x509

    return asn1_x509.Certificate.load(der)


def chain_of(path: Any) -> list[x509.Certificate]:
    """A validated path from the signer up to its anchor."""
    certificates = [part for part in path if hasattr(part, "dump")]
    anchor = path.trust_anchor.certificate
    if not certificates or certificates[0].dump() != anchor.dump():
        certificates.insert(0, anchor)
    return [x509.load_der_x509_certificate(part.dump()) for part in reversed(certificates)]
