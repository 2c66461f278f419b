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
        "certificate-revoked": "the signer's certificate is revoked and no time stamp proves an earlier signing",
        "outside-trust-period": "the signing time lies outside the period for which the signer is trusted",
        "key-not-for-signing": "the signer's certificate is not meant for signing documents",
        "signing-time-missing": "the signature does not say when it was made",
        "signing-time-in-future": "the signature says it was made later than now",
        "timestamp-invalid": "a time stamp is broken or contradicts a later one",
        "timestamp-not-trusted": "a time stamp comes from a service that is not trusted by the trust list",
        "timestamp-expired": "a time stamp's service has expired and no later time stamp proves the earlier one",
        "timestamp-revoked": "a time stamp's service was revoked and no later time stamp proves the earlier one",
        "changed-after-signing": "the file was changed after a signature in a way that is not permitted",
        "metadata-changed": "title, author or other document information was changed after signing",
    }
)
"""Every code that verification can give, with one plain sentence each."""

NOTES: Mapping[str, str] = MappingProxyType(
    {
        "no-time-stamp": "no trusted time stamp: the time of signing is the signer's own statement",
        "certificate-ends-soon": "a certificate of a signature without time stamp ends within a year, and then this"
        " file proves its signer no more; stamp it now: `diagnb timestamp`",
        "judged-at-time-stamp": "good at the time that a time stamp proves; it would not be good if signed today",
        "time-stamp-renewal-due": "the newest time stamp's service certificate ends within a year; stamp again before",
        "no-revocation-list": "no revocation list of the shop's authority was at hand",
        "revocation-list-older": "the newest revocation list of the signer's shop is more than a month older than the"
        " signature, so it says nothing about it",
        "revocation-list-old": "the newest revocation list of the signer's shop is more than a year old: a key withdrawn"
        " since then would not be noticed; ask the shop for its present trust list",
    }
)
"""What does not speak against a file but should be known."""

REMEDIES: Mapping[str, str] = MappingProxyType(
    {
        "certificate-expired": "signing with --timestamp-url, or `diagnb timestamp` before the certificate expired,"
        " would have kept this signature good; for this file only something kept elsewhere since then shows its age:"
        " with a log head that left the shop before that day (another report prints one), `diagnb log prove --record`"
        " and `diagnb log verify --proof … --head …` show that this report's line is older than that head; the shop's"
        " own log alone proves no date",
        "certificate-revoked": "a time stamp from before the revocation would have kept this signature good; ask the"
        " shop since when the key does not count, and have the record signed anew by a trusted person",
        "not-trusted": "ask the shop for its trust list and compare the fingerprint by another way than e-mail, then"
        " `diagnb verify --trust`; `diagnb key trust` with the certificate only after the shop has confirmed its"
        " fingerprint by another way: whoever forges a report can send a certificate along",
        "timestamp-not-trusted": "if the service is one you trust, put its authority's certificate on the trust list:"
        " `diagnb key trust FILE.pem --timestamp-service`",
        "timestamp-expired": "stamping again before the service's certificate ended would have kept it good:"
        " `diagnb timestamp` once a year",
        "timestamp-revoked": "a later stamp of another service, made before the revocation, would have kept it good",
        "digest-mismatch": "ask the shop for the file again, by another way, and don't save it from a viewer; until then"
        " nothing in this one is proved, pages and record alike",
        "byte-range-wrong": "ask the shop for the file again, as it was sent; a program that saved it anew, or somebody"
        " who cut it, moved what the signature covers",
        "no-signature": "ask the shop for the signed report; a print to PDF, a photocopy or a copy saved by a viewer lost it",
        "unreadable": "fetch the file again: it is cut off, damaged on its way, or no PDF; if it stays so, ask the shop",
        "junk-after-end": "ask the shop for the file as it was sent; mail programs and hand-made copies append bytes",
        "changed-after-signing": "ask the shop for the file as it was signed; notes, marks and filled-in fields belong"
        " into a copy, not into the report",
        "metadata-changed": "ask the shop for the file as it was signed; some programs write title and dates anew when"
        " they save",
        "not-whole-revision": "ask the shop for the file again, as it was sent, not saved by another program",
        "signature-invalid": "ask the shop for the file again; if it stays so, have the record signed anew",
        "malformed-signature": "ask the shop for the file again; if it stays so, have the record signed anew",
        "expected-signature-missing": "ask the shop for the copy that carries all signatures",
        "outside-trust-period": "ask the shop from when until when this key was to be trusted",
    }
)
"""What would help, or would have helped, where something can."""


@dataclass(frozen=True, slots=True)
class SignerStatus:
    """One signature. Signer and role are only what the file claims unless `trusted`.

    `intact`: the covered bytes and the signature value belong together and cover a whole revision.
    `covers`: number of bytes from the start of the file that the signature vouches for.
    `signed_at` is the time stamp's time when `timestamped`, else the signer's own statement `stated_at`.
    `valid_until`: when the first certificate of its chain ends; `issuer`: who issued the signer's, as the file claims.
    `proven_at`: the moment at which a trusted time stamp proves that the signature was there; it is judged then, and
    at the time of verification when there is none. `trusted`: good at that time; `trusted_now`: would still be good
    if it had been made at the time of verification.
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
    stated_at: datetime | None = None
    proven_at: datetime | None = None
    trusted_now: bool = False
    valid_until: datetime | None = None
    issuer: str = ""


@dataclass(frozen=True, slots=True)
class StampStatus:
    """A time stamp over the whole file as it then was. `renew_before`: end of its service's certificate."""

    field: str
    service: str
    time: datetime | None
    intact: bool
    trusted: bool
    covers: int
    renew_before: datetime | None
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
    stamps: tuple[StampStatus, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        unknown = set(self.reasons).union(*(s.codes for s in self.signatures)) - REASONS.keys()
        unknown |= set().union(*(s.codes for s in self.stamps)) - REASONS.keys()
        unknown |= set(self.notes) - NOTES.keys()
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
