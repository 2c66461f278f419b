"""What verification found, as frozen values; the codes are stable, the sentences about them are for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

REASONS: Mapping[str, str] = MappingProxyType(
    {
        "unreadable": "the file is not a PDF that can be read",
        "too-large": "the file is larger than verification accepts",
        "too-many-revisions": "the file was added to more often than verification accepts",
        "too-deep": "the file's structure is nested deeper than verification accepts",
        "junk-before-start": "there are bytes before the start of the PDF",
        "junk-after-end": "there are bytes after the end of the PDF",
        "encrypted": "the file is encrypted",
        "hybrid-file": "the file describes its contents twice, so readers may show different contents",
        "script-present": "the file holds a script, a link or another action",
        "unexpected-form": "the form holds fields that a report never has",
        "no-signature": "the file carries no signature",
        "expected-signature-missing": "a signature that must be there is missing",
        "malformed-signature": "a signature is not built as the standard demands",
        "unsupported-signature": "a signature is of a kind that reports never carry",
        "byte-range-wrong": "a signature does not cover everything around itself",
        "padding-not-zero": "something is hidden in the room kept for a signature",
        "not-whole-revision": "a signature does not cover the whole file as it then was",
        "digest-mismatch": "the signed bytes have been changed",
        "signature-invalid": "the signature value does not belong to its certificate",
        "algorithm-not-allowed": "the signature uses an algorithm that is no longer accepted",
        "not-trusted": "the signer is not on the trust list",
        "certificate-expired": "the signer's certificate has expired and no time stamp proves an earlier signing",
        "certificate-not-yet-valid": "the signer's certificate is not valid yet",
        "certificate-revoked": "the signer's certificate is revoked on the trust list",
        "outside-trust-period": "the signing time lies outside the period for which the signer is trusted",
        "key-not-for-signing": "the signer's certificate is not meant for signing documents",
        "signing-time-missing": "the signature does not say when it was made",
        "signing-time-in-future": "the signature says it was made later than now",
        "timestamp-invalid": "the signature's time stamp is broken",
        "timestamp-not-trusted": "the signature's time stamp comes from a service that is not on the trust list",
        "changed-after-signing": "the file was changed after a signature in a way that is not permitted",
        "metadata-changed": "title, author or other document information was changed after signing",
    }
)
"""Every code that verification can give, with one plain sentence each."""


@dataclass(frozen=True, slots=True)
class SignerStatus:
    """One signature. Signer and role are only what the file claims unless `trusted`.

    `intact`: the covered bytes and the signature value belong together and cover a whole revision.
    `covers`: number of bytes from the start of the file that the signature vouches for.
    `signed_at` is the time stamp's time when `timestamped`, else the signer's own statement.
    """

    field: str
    signer: str
    role: str
    intact: bool
    trusted: bool
    signed_at: datetime | None
    timestamped: bool
    certifies: bool
    reason: str
    location: str
    covers: int
    fingerprint: str
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignatureStatus:
    """All signatures of a file, in the order they were made, and everything that speaks against it.

    `signed_bytes`: the file as the first signature left it; parse only these, never the whole file. None
    unless that signature's digest holds. `unsigned_prefix_length`: length in bytes of the file before the
    first signature was appended; 0 when it was signed in one pass or can't be told.
    """

    signatures: tuple[SignerStatus, ...] = ()
    later_changes: bool = False
    signed_bytes: bytes | None = None
    unsigned_prefix_length: int = 0
    reasons: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        unknown = set(self.reasons).union(*(s.codes for s in self.signatures)) - REASONS.keys()
        if unknown:
            raise ValueError(f"not a reason code: {sorted(unknown)}")
        if not self.signatures and not self.reasons:
            raise ValueError("a file without a signature needs a reason")

    @property
    def good(self) -> bool:
        """Whether nothing speaks against the file."""
        return not self.reasons

    def __repr__(self) -> str:
        who = ", ".join(f"{s.field}: {s.signer}" for s in self.signatures)
        return f"SignatureStatus({who or 'nobody'}; {', '.join(self.reasons) or 'good'})"
