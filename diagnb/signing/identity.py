"""Who signed or stamped, judged at a time that is proven.

The rule for old files: whoever looks today starts at the newest time stamp, which has to be good today. It proves
that everything under it existed at its time; there the next older one has to be good, and so on down to the
signature, which has to be good at the time that the stamp next to it proves (EN 319 102-1 section 5.6 in short).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from cryptography import x509

from diagnb.signing.awaiting import finish
from diagnb.signing.evidence import Evidence, asn1, chain_of
from diagnb.signing.finding import Finding
from diagnb.signing.revocation import HARMLESS
from diagnb.signing.trust import TrustEntry

_CLOCK_ALLOWANCE = timedelta(hours=24)
_BROKEN = frozenset({"not-whole-revision", "padding-not-zero", "malformed-signature", "algorithm-not-allowed"})


def check_stamp(found: Finding, evidence: Evidence, *, ceiling: datetime) -> None:
    """Judge a time stamp over the whole file at `ceiling`, the latest time that it is known to be older than."""
    from pyhanko.sign.validation.pdf_embedded import async_validate_pdf_timestamp

    services = evidence.context(evidence.roots("timestamp-service"), ceiling)
    stamp = finish(async_validate_pdf_timestamp(found.embedded, services, skip_diff=True))
    found.intact = bool(stamp.intact and stamp.valid) and not found.codes
    found.signed_at = stamp.timestamp
    found.fingerprint = stamp.signing_cert.sha256.hex()
    found.signer, found.role = _subject(stamp.signing_cert)
    found.expires = stamp.signing_cert.not_valid_after
    if not found.intact:
        found.add("timestamp-invalid")
        return
    code = _stamp_fault(stamp, evidence, ceiling)
    if code:
        found.add(code)
    found.trusted = found.trusted_now = not code


def check_signer(found: Finding, evidence: Evidence, *, ceiling: datetime, moment: datetime) -> None:
    """Judge a person's signature: at its own time stamp's time when that is good, else at `ceiling`."""
    from pyhanko.sign.validation.errors import SignatureValidationError
    from pyhanko.sign.validation.pdf_embedded import async_validate_pdf_signature

    embedded = found.embedded
    try:
        certificate = embedded.signer_cert
    except SignatureValidationError:
        found.add("signature-invalid")
        return
    found.fingerprint = certificate.sha256.hex()
    found.signer, found.role = _subject(certificate)
    found.expires = certificate.not_valid_after
    found.issuer = _name_part(certificate.issuer.native, "common_name")
    person = evidence.trust.find(found.fingerprint)
    roots = evidence.roots("authority")
    if person is not None and person.kind == "person":
        roots = [asn1(person)]
    services = evidence.roots("timestamp-service")

    def judged(at: datetime) -> Any:
        return finish(
            async_validate_pdf_signature(
                embedded,
                signer_validation_context=evidence.context(roots, at),
                ts_validation_context=evidence.context(services, ceiling),
                skip_diff=True,
            )
        )

    claimed = _claimed_stamp(embedded)
    effective = ceiling if claimed is None else min(claimed, ceiling)
    try:
        status = judged(effective)
    except SignatureValidationError:
        found.add("signature-invalid")
        return
    found.stated_at = found.signed_at = status.signer_reported_dt
    stamp = status.timestamp_validity
    if stamp is not None:
        code = "" if stamp.intact and stamp.valid else "timestamp-invalid"
        code = code or _stamp_fault(stamp, evidence, ceiling)
        if code:
            found.add(code)
            if effective != ceiling:
                effective = ceiling
                status = judged(effective)
        else:
            found.timestamped = True
            found.signed_at = stamp.timestamp
            effective = min(stamp.timestamp, ceiling)
            if effective != claimed:
                status = judged(effective)
    if found.timestamped or ceiling < moment:
        found.proven_at = effective
    if not status.intact:
        found.add("digest-mismatch")
    if not status.valid:
        found.add("signature-invalid")
    found.intact = bool(status.intact and status.valid) and not _BROKEN & set(found.codes)
    if status.intact and status.valid:
        _check_trust(found, status, person, evidence, moment=moment, effective=effective)


def _claimed_stamp(embedded: Any) -> datetime | None:
    """The time that the signature's own time stamp states, not yet believed."""
    from pyhanko.sign.validation.generic_cms import extract_tst_data_iter

    token = next(iter(extract_tst_data_iter(embedded.signer_info, signed=False)), None)
    if token is None:
        return None
    return token["encap_content_info"]["content"].parsed["gen_time"].native  # type: ignore[no-any-return]


def _stamp_fault(stamp: Any, evidence: Evidence, ceiling: datetime) -> str:
    """Why a time stamp proves nothing, or an empty text."""
    time = stamp.timestamp
    if time > ceiling + _CLOCK_ALLOWANCE:
        return "timestamp-invalid"
    if not stamp.trusted or stamp.validation_path is None:
        names = {each.certificate.subject for each in evidence.trust.entries if each.kind == "timestamp-service"}
        own = x509.load_der_x509_certificate(stamp.signing_cert.dump())
        expired = own.not_valid_after_utc < ceiling and {own.issuer, own.subject} & names
        return "timestamp-expired" if expired else "timestamp-not-trusted"
    chain = chain_of(stamp.validation_path)
    anchor = evidence.trust.find(stamp.validation_path.trust_anchor.certificate.sha256.hex())
    own_entry = evidence.trust.find(stamp.signing_cert.sha256.hex())
    for known in (anchor, own_entry):
        if known is None:
            continue
        if known.status == "revoked":
            if not _stands(known.until, known.reason, time=time, ceiling=ceiling):
                return "timestamp-not-trusted"
        elif not known.covers(time):
            return "timestamp-not-trusted"
    for certificate, issuer in pairwise(chain):
        row = evidence.revoked(certificate, issuer)
        if row is not None and not _stands(row.invalid_since, row.reason, time=time, ceiling=ceiling):
            return "timestamp-revoked"
    return ""


def _stands(until: datetime | None, reason: str, *, time: datetime, ceiling: datetime) -> bool:
    """Whether a stamp outlives the revocation of its service (RFC 3161 section 4, item 1).

    A service whose key leaked could write any time, so only a later stamp of another one helps.
    """
    if until is None:
        return False
    return (time if reason in HARMLESS else ceiling) < until


def _check_trust(
    found: Finding,
    status: Any,
    person: TrustEntry | None,
    evidence: Evidence,
    *,
    moment: datetime,
    effective: datetime,
) -> None:
    trust = evidence.trust
    certificate = found.embedded.signer_cert
    before = list(found.codes)
    usage = certificate.key_usage_value
    if usage is None or "non_repudiation" not in usage.native:
        found.add("key-not-for-signing")
    if effective < certificate.not_valid_before:
        found.add("certificate-not-yet-valid")
    if effective > certificate.not_valid_after:
        found.add("certificate-expired")
    latest = moment if found.proven_at is None else effective
    if found.signed_at is None:
        found.add("signing-time-missing")
    elif found.signed_at > latest + _CLOCK_ALLOWANCE:
        found.add("signing-time-in-future")
    path = status.validation_path
    anchor = trust.find(path.trust_anchor.certificate.sha256.hex()) if path is not None else None
    own = x509.load_der_x509_certificate(certificate.dump())
    above = evidence.issuer_entry(own)
    if anchor is None and not ({"certificate-expired", "certificate-not-yet-valid"} & set(found.codes)):
        found.add("not-trusted")
    now_good = True
    for known in {id(each): each for each in (person, anchor, above) if each is not None}.values():
        if known.status == "revoked":
            now_good = False
            if found.proven_at is None or known.until is None or effective >= known.until:
                found.add("certificate-revoked")
        elif found.signed_at is None or not known.covers(found.signed_at):
            found.add("outside-trust-period")
        else:
            now_good = now_good and known.covers(moment)
        if known.kind == "person":
            found.signer, found.role = known.name, known.role
    chain = chain_of(path) if path is not None else [own]
    if above is not None and len(chain) == 1:
        chain.append(above.certificate)
    found.expires = min(c.not_valid_after_utc for c in chain)
    for subject, issuer in pairwise(chain):
        row = evidence.revoked(subject, issuer)
        if row is not None:
            now_good = False
            if found.proven_at is None or effective >= row.invalid_since:
                found.add("certificate-revoked")
    found.trusted_now = now_good and all(c.not_valid_before_utc <= moment <= c.not_valid_after_utc for c in chain)
    if not status.trusted and found.codes == before:
        found.add("not-trusted")
    # A certificate that is out of date and unknown as well must not look as if only the date were wrong.
    if "not-trusted" not in found.codes and anchor is None and person is None and above is None:
        found.add("not-trusted")
    found.trusted = found.codes == before


def _subject(certificate: Any) -> tuple[str, str]:
    native = certificate.subject.native
    return _name_part(native, "common_name"), _name_part(native, "organizational_unit_name")


def _name_part(native: Any, key: str) -> str:
    part = native.get(key, "")
    return str(part if isinstance(part, str) else next(iter(part), ""))[:128]
