"""Verifying a signed PDF against a trust list. The one file that verifies with pyHanko.

A hostile file is a result, never an exception: whatever goes wrong while reading it becomes a reason code.
Order matters: the frame first, then each signature by itself, then who signed; only between revisions that
a trusted signature vouches for are changes compared, so that an unsigned file can't make the comparison
run long.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from diagnb.signing.attachments import raw_information, raw_xmp
from diagnb.signing.awaiting import finish
from diagnb.signing.changes import permitted_since
from diagnb.signing.coverage import covered_end
from diagnb.signing.reading import Refused, check_frame, entry, open_pdf, refuse_actions, refuse_nested_fields
from diagnb.signing.status import SignatureStatus, SignerStatus
from diagnb.signing.trust import TrustEntry, TrustList

_CLOCK_ALLOWANCE = timedelta(hours=24)
_SIGNATURE_KINDS = {"/ETSI.CAdES.detached": "/Sig", "/ETSI.RFC3161": "/DocTimeStamp"}
_DIGESTS = frozenset({"sha256", "sha384", "sha512"})
_END = re.compile(rb"%%EOF(?:\r\n|\n|\r)?")


@dataclass(slots=True)
class _Finding:
    """One signature while it is looked at."""

    name: str
    revision: int = 1 << 30
    end: int = 0
    embedded: Any = None
    timestamp_only: bool = False
    certifies: bool = False
    intact: bool = False
    trusted: bool = False
    signer: str = ""
    role: str = ""
    signed_at: datetime | None = None
    timestamped: bool = False
    reason: str = ""
    location: str = ""
    fingerprint: str = ""
    codes: list[str] = field(default_factory=list)

    def add(self, code: str) -> None:
        if code not in self.codes:
            self.codes.append(code)

    def status(self) -> SignerStatus:
        return SignerStatus(
            field=self.name,
            signer=self.signer,
            role=self.role,
            intact=self.intact,
            trusted=self.trusted and self.intact,
            signed_at=self.signed_at,
            timestamped=self.timestamped,
            certifies=self.certifies,
            reason=self.reason,
            location=self.location,
            covers=self.end,
            fingerprint=self.fingerprint,
            codes=tuple(self.codes),
        )


def verify_signatures(
    pdf: bytes, *, trust: TrustList, moment: datetime, expected_fields: tuple[str, ...] = ()
) -> SignatureStatus:
    """Everything the signatures of a PDF prove and everything that speaks against it.

    `moment` (with a zone) is the time of verification: certificates are judged then, or at the time that a
    trusted time stamp proves. `expected_fields` names fields that must carry a signature; a signature cut
    off with its revision leaves no other trace. Never raises for the content of `pdf`.
    """
    if moment.tzinfo is None:
        raise ValueError("moment carries no time zone")
    try:
        return _verify(pdf, trust, moment, expected_fields)
    except Refused as refusal:
        code = refusal.code
    except RecursionError:
        code = "too-deep"
    except Exception:  # noqa: BLE001 - a hostile file may break the parsers in any way; that is the finding
        code = "unreadable"
    return SignatureStatus(reasons=(code,))


def _verify(pdf: bytes, trust: TrustList, moment: datetime, expected: tuple[str, ...]) -> SignatureStatus:
    check_frame(pdf)
    reader = open_pdf(pdf)
    refuse_actions(pdf, reader)
    refuse_nested_fields(reader)
    findings = _signatures(reader)
    if not findings:
        raise Refused("no-signature")
    for found in findings:
        _guarded(found, "malformed-signature", _check_integrity, found, reader, pdf)
        if found.embedded is not None:
            _guarded(found, "malformed-signature", _check_signer, found, trust, moment)
    findings.sort(key=lambda f: (f.revision, f.end))
    reasons: list[str] = []
    later = _check_changes(findings, reader, reasons)
    first = findings[0]
    signed = pdf[: first.end] if first.intact else None
    if signed is not None and len(signed) < len(pdf) and not _same_metadata(signed, reader):
        reasons.append("metadata-changed")
        later = True
    names = {f.name for f in findings if not f.timestamp_only}
    if not names:
        reasons.append("no-signature")
    if not set(expected) <= names:
        reasons.append("expected-signature-missing")
    every = dict.fromkeys([*(code for f in findings for code in f.codes), *reasons])
    return SignatureStatus(
        signatures=tuple(f.status() for f in findings if not f.timestamp_only),
        later_changes=later,
        signed_bytes=signed,
        unsigned_prefix_length=_prefix_length(reader, first, pdf) if signed is not None else 0,
        reasons=tuple(every),
    )


def _guarded(found: _Finding, code: str, step: Any, *arguments: Any) -> None:
    try:
        step(*arguments)
    except Refused as refusal:
        found.add(refusal.code)
    except Exception:  # noqa: BLE001 - see verify_signatures
        found.add(code)


def _signatures(reader: Any) -> list[_Finding]:
    form = entry(reader.root, "/AcroForm")
    fields = entry(form, "/Fields", ()) if form is not None else ()
    findings, names, values = [], set(), set()
    for index in range(len(fields)):
        item = fields[index]
        if entry(item, "/FT") != "/Sig" or "/V" not in item:
            continue
        name = str(entry(item, "/T", ""))
        found = _Finding(name=name)
        reference = getattr(item.raw_get("/V"), "reference", None)
        if not name or name in names or reference is None or reference in values:
            found.add("malformed-signature")
        else:
            _guarded(found, "malformed-signature", _open_signature, found, item, reader)
        names.add(name)
        values.add(reference)
        findings.append(found)
    return findings


def _open_signature(found: _Finding, item: Any, reader: Any) -> None:
    from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature

    value = item["/V"]
    kind = _SIGNATURE_KINDS.get(str(entry(value, "/SubFilter")))
    if kind is None or str(entry(value, "/Type", "/Sig")) != kind:
        raise Refused("unsupported-signature")
    found.timestamp_only = kind == "/DocTimeStamp"
    found.reason = str(entry(value, "/Reason", ""))[:500]
    found.location = str(entry(value, "/Location", ""))[:500]
    embedded = EmbeddedPdfSignature(reader, item, found.name)
    found.revision = embedded.signed_revision
    permissions = entry(reader.root, "/Perms")
    if permissions is not None and "/DocMDP" in permissions:
        own = item.raw_get("/V").reference
        found.certifies = getattr(permissions.raw_get("/DocMDP"), "reference", None) == own
    found.embedded = embedded


def _check_integrity(found: _Finding, reader: Any, pdf: bytes) -> None:
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    embedded = found.embedded
    if embedded is None:
        return
    if embedded.md_algorithm not in _DIGESTS:
        found.add("algorithm-not-allowed")
    try:
        found.end = covered_end(embedded, pdf)
    except Refused as refusal:
        found.add(refusal.code)
        found.embedded = None if refusal.code == "byte-range-wrong" else embedded
        return
    embedded.compute_integrity_info(skip_diff=True)
    if embedded.coverage < SignatureCoverageLevel.ENTIRE_REVISION:
        found.add("not-whole-revision")
    if found.certifies and embedded.docmdp_level is None:
        found.add("malformed-signature")


def _check_signer(found: _Finding, trust: TrustList, moment: datetime) -> None:
    from pyhanko.sign.validation.errors import SignatureValidationError
    from pyhanko.sign.validation.pdf_embedded import (
        async_validate_pdf_signature,
        async_validate_pdf_timestamp,
    )

    embedded = found.embedded
    services = _roots(trust, "timestamp-service")
    if found.timestamp_only:
        stamp = finish(async_validate_pdf_timestamp(embedded, _context(services, moment), skip_diff=True))
        found.intact = bool(stamp.intact and stamp.valid) and not found.codes
        found.trusted = bool(stamp.trusted)
        if not found.intact:
            found.add("timestamp-invalid")
        elif not found.trusted:
            found.add("timestamp-not-trusted")
        return

    try:
        certificate = embedded.signer_cert
    except SignatureValidationError:
        found.add("signature-invalid")
        return
    found.fingerprint = certificate.sha256.hex()
    found.signer, found.role = _subject(certificate)
    person = trust.find(found.fingerprint)
    roots = _roots(trust, "authority")
    if person is not None and person.kind == "person":
        roots = [_asn1(person)]

    def judged(at: datetime) -> Any:
        return finish(
            async_validate_pdf_signature(
                embedded,
                signer_validation_context=_context(roots, at),
                ts_validation_context=_context(services, moment),
                skip_diff=True,
            )
        )

    try:
        status = judged(moment)
    except SignatureValidationError:
        found.add("signature-invalid")
        return
    found.signed_at = status.signer_reported_dt
    stamp = status.timestamp_validity
    effective = moment
    if stamp is not None:
        if not (stamp.intact and stamp.valid):
            found.add("timestamp-invalid")
        elif not stamp.trusted:
            found.add("timestamp-not-trusted")
        else:
            found.timestamped = True
            found.signed_at = effective = stamp.timestamp
            status = judged(effective)
    if not status.intact:
        found.add("digest-mismatch")
    if not status.valid:
        found.add("signature-invalid")
    broken = {"not-whole-revision", "padding-not-zero", "malformed-signature", "algorithm-not-allowed"}
    found.intact = bool(status.intact and status.valid) and not broken & set(found.codes)
    if status.intact and status.valid:
        _check_trust(found, status, person, trust, moment=moment, effective=effective)


def _check_trust(
    found: _Finding,
    status: Any,
    person: TrustEntry | None,
    trust: TrustList,
    *,
    moment: datetime,
    effective: datetime,
) -> None:
    certificate = found.embedded.signer_cert
    before = list(found.codes)
    usage = certificate.key_usage_value
    if usage is None or "non_repudiation" not in usage.native:
        found.add("key-not-for-signing")
    if effective < certificate.not_valid_before:
        found.add("certificate-not-yet-valid")
    if effective > certificate.not_valid_after:
        found.add("certificate-expired")
    if found.signed_at is None:
        found.add("signing-time-missing")
    elif found.signed_at > moment + _CLOCK_ALLOWANCE:
        found.add("signing-time-in-future")
    path = status.validation_path
    anchor = trust.find(path.trust_anchor.certificate.sha256.hex()) if path is not None else None
    entries = [known for known in (person, anchor) if known is not None]
    if anchor is None and not ({"certificate-expired", "certificate-not-yet-valid"} & set(found.codes)):
        found.add("not-trusted")
    for known in entries:
        if known.status == "revoked":
            if not (found.timestamped and known.until is not None and effective < known.until):
                found.add("certificate-revoked")
        elif found.signed_at is None or not known.covers(found.signed_at):
            found.add("outside-trust-period")
        if known.kind == "person":
            found.signer, found.role = known.name, known.role
    if not status.trusted and found.codes == before:
        found.add("not-trusted")
    # A certificate that is out of date and unknown as well must not look as if only the date were wrong.
    if "not-trusted" not in found.codes and anchor is None and person is None and not _known(found, trust):
        found.add("not-trusted")
    found.trusted = found.codes == before


def _known(found: _Finding, trust: TrustList) -> bool:
    issuer = found.embedded.signer_cert.issuer
    return any(_asn1(e).subject == issuer for e in trust.entries if e.kind == "authority")


def _check_changes(findings: list[_Finding], reader: Any, reasons: list[str]) -> bool:
    """Whether something was added that may not be added; marks the signatures it was added after."""
    total = reader.xrefs.total_revisions
    vouched = {f.revision for f in findings if f.end}
    last = max(f.revision for f in findings)
    later = False
    for found in findings:
        if found.embedded is None or found.revision >= total - 1:
            continue
        if found.trusted and found.intact:
            try:
                good = permitted_since(found.embedded, last=found.revision == last)
            except Exception:  # noqa: BLE001 - see verify_signatures
                good = False
        else:
            good = set(range(found.revision + 1, total)) <= vouched
        if not good:
            found.add("changed-after-signing")
            later = True
    certifying = [f for f in findings if f.certifies]
    if certifying and certifying[0] is not findings[0]:
        reasons.append("malformed-signature")
    return later


def _same_metadata(signed: bytes, now: Any) -> bool:
    try:
        before = open_pdf(signed)
        return raw_information(before) == raw_information(now) and raw_xmp(before) == raw_xmp(now)
    except Exception:  # noqa: BLE001 - see verify_signatures
        return False


def _prefix_length(reader: Any, first: _Finding, pdf: bytes) -> int:
    if first.revision == 0:
        return 0
    closing = reader.xrefs.get_xref_container_info(first.revision - 1).end_location
    end = _END.search(pdf, closing, first.end)
    return end.end() if end is not None else 0


def _subject(certificate: Any) -> tuple[str, str]:
    native = certificate.subject.native
    name, role = (native.get(key, "") for key in ("common_name", "organizational_unit_name"))
    return (str(part if isinstance(part, str) else next(iter(part), ""))[:128] for part in (name, role))  # type: ignore[return-value]


def _roots(trust: TrustList, kind: str) -> list[Any]:
    return [_asn1(known) for known in trust.entries if known.kind == kind]


def _asn1(known: TrustEntry) -> Any:
    from asn1crypto import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    return x509.Certificate.load(known.certificate.public_bytes(Encoding.DER))


def _context(roots: list[Any], moment: datetime) -> Any:
    from pyhanko_certvalidator import ValidationContext
    from pyhanko_certvalidator.registry import SimpleTrustManager

    return ValidationContext(
        trust_manager=SimpleTrustManager.build(trust_roots=roots),
        moment=moment,
        best_signature_time=moment,
        allow_fetching=False,
        revocation_mode="soft-fail",
    )
