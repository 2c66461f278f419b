"""Verifying a signed PDF against a trust list. The one file that verifies with pyHanko.

A hostile file is a result, never an exception: whatever goes wrong while reading it becomes a reason code.
Order matters: the frame first, then each signature by itself, then who signed, from the newest to the oldest; only
after a signature of somebody on the list are changes compared, so that a file of a stranger can't make the comparison
run long.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from diagnb.signing.attachments import raw_information, raw_xmp
from diagnb.signing.changes import Steps, permitted_since
from diagnb.signing.coverage import covered_end
from diagnb.signing.evidence import Evidence, collect
from diagnb.signing.finding import Finding
from diagnb.signing.identity import check_signer, check_stamp
from diagnb.signing.reading import Refused, check_frame, entry, open_pdf, refuse_actions, refuse_nested_fields
from diagnb.signing.status import SignatureStatus
from diagnb.signing.trust import TrustList

_SIGNATURE_KINDS = {"/ETSI.CAdES.detached": "/Sig", "/ETSI.RFC3161": "/DocTimeStamp"}
_DIGESTS = frozenset({"sha256", "sha384", "sha512"})
_END = re.compile(rb"%%EOF(?:\r\n|\n|\r)?")
_RENEWAL = timedelta(days=365)
_FRESH = timedelta(days=31)
"""By how much a revocation list may be older than a signature without a word."""


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
    findings.sort(key=lambda f: (f.revision, f.end))
    evidence = collect(reader, trust)
    ceiling = moment
    for found in reversed(findings):
        if found.embedded is None:
            continue
        if found.timestamp_only:
            _guarded(found, "timestamp-invalid", check_stamp, found, evidence, ceiling=ceiling)
            if found.trusted and found.intact and found.signed_at is not None:
                ceiling = min(ceiling, found.signed_at)
        else:
            _guarded(found, "malformed-signature", check_signer, found, evidence, ceiling=ceiling, moment=moment)
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
        signatures=tuple(f.signer_status() for f in findings if not f.timestamp_only),
        stamps=tuple(f.stamp_status() for f in findings if f.timestamp_only),
        later_changes=later,
        signed_bytes=signed,
        unsigned_prefix_length=_prefix_length(reader, first, pdf) if signed is not None else 0,
        reasons=tuple(every),
        notes=_notes(findings, evidence, moment),
    )


def _guarded(found: Finding, code: str, step: Any, *arguments: Any, **options: Any) -> None:
    try:
        step(*arguments, **options)
    except Refused as refusal:
        found.add(refusal.code)
    except Exception:  # noqa: BLE001 - see verify_signatures
        found.add(code)


def _signatures(reader: Any) -> list[Finding]:
    form = entry(reader.root, "/AcroForm")
    fields = entry(form, "/Fields", ()) if form is not None else ()
    findings, names, values = [], set(), set()
    for index in range(len(fields)):
        item = fields[index]
        if entry(item, "/FT") != "/Sig" or "/V" not in item:
            continue
        name = str(entry(item, "/T", ""))
        found = Finding(name=name)
        reference = getattr(item.raw_get("/V"), "reference", None)
        if not name or name in names or reference is None or reference in values:
            found.add("malformed-signature")
        else:
            _guarded(found, "malformed-signature", _open_signature, found, item, reader)
        names.add(name)
        values.add(reference)
        findings.append(found)
    return findings


def _open_signature(found: Finding, item: Any, reader: Any) -> None:
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


def _check_integrity(found: Finding, reader: Any, pdf: bytes) -> None:
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


def _check_changes(findings: list[Finding], reader: Any, reasons: list[str]) -> bool:
    """Whether something was added that may not be added; marks the signatures it was added after."""
    total = reader.xrefs.total_revisions
    vouched = {f.revision for f in findings if f.end}
    last = max(f.revision for f in findings)
    later = False
    steps = Steps(reader)
    for found in findings:
        if found.embedded is None or found.revision >= total - 1:
            continue
        if found.intact and "not-trusted" not in found.codes:
            try:
                good = permitted_since(found.embedded, steps, last=found.revision == last)
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


def _prefix_length(reader: Any, first: Finding, pdf: bytes) -> int:
    if first.revision == 0:
        return 0
    closing = reader.xrefs.get_xref_container_info(first.revision - 1).end_location
    end = _END.search(pdf, closing, first.end)
    return end.end() if end is not None else 0


def _notes(findings: list[Finding], evidence: Evidence, moment: datetime) -> tuple[str, ...]:
    """What speaks neither for nor against the file, but should be known."""
    notes = []
    people = [f for f in findings if not f.timestamp_only]
    if any(f.proven_at is None for f in people):
        notes.append("no-time-stamp")
        ends = [f.expires for f in people if f.proven_at is None and f.trusted and f.intact and f.expires is not None]
        if ends and min(ends) - moment < _RENEWAL:
            notes.append("certificate-ends-soon")
    elif any(not f.trusted_now and f.trusted for f in people):
        notes.append("judged-at-time-stamp")
    stamps = [f for f in findings if f.timestamp_only and f.trusted]
    newest = stamps[-1].expires if stamps else None
    if newest is not None and newest - moment < _RENEWAL:
        notes.append("time-stamp-renewal-due")
    return (*notes, *_notes_on_revocation(people, evidence, moment))


def _notes_on_revocation(people: list[Finding], evidence: Evidence, moment: datetime) -> Iterator[str]:
    """What the newest revocation list of each signer's own authority can't say. One that issued no key has no say."""
    newest = {e.name: evidence.newest_list(e.certificate) for e in evidence.trust.entries if e.kind == "authority"}
    signed = [(f.signed_at, newest.get(f.issuer)) for f in people if f.signed_at is not None]
    lists = [made for _, made in signed if made is not None]
    if not lists:
        yield "no-revocation-list"
    elif any(made is not None and at - made > _FRESH for at, made in signed):
        yield "revocation-list-older"
    if lists and moment - min(lists) > _RENEWAL:
        yield "revocation-list-old"
