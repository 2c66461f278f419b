"""The five answers as lines of text for a terminal: one file in full, or its headline in a folder."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnb.proof import Verification
    from diagnb.signing import SignerStatus, StampStatus


def headline(found: Verification) -> str:
    """File and the one word that counts: void and superseded come before trustworthy."""
    from diagnb.proof import standing

    if found.analysis:
        good = "signature good" if found.reasons == (found.analysis,) else "signature NOT good"
        again = "fleet recompute" if found.analysis == "analysis-of-failures" else "impact"
        return f"{found.file}: AN ANALYSIS REPORT, NOT A RECORD: {good}; see diagnb {again}"
    return f"{found.file}: {standing(found)}"


def folder_line(found: Verification) -> str:
    """One line about a report that proves itself, void or not."""
    from diagnb.proof import standing

    signers = "".join(f"; {s.field}: {s.signer}" for s in found.signatures)
    alone = len(found.signatures) == 1 and not found.original and found.status != "void"
    nobody = "; no reviewer has signed" if alone else ""
    said = standing(found).casefold()
    more = "".join(f"; {each}" for each in found.relations if each.casefold() not in said)
    return f"{headline(found)}  {found.record_id}, revision {found.revision}{signers}{nobody}{more}"


def verification_lines(found: Verification, *, notes: bool = True) -> Iterable[str]:
    """The headline, the five answers, one line each, then the reasons with what helps; the notes unless said once."""
    from diagnb.proof import REASONS, REMEDIES

    yield headline(found)
    intact = bool(found.signatures) and all(s.intact for s in found.signatures)
    signed = bool(found.signatures)
    none = "nothing is signed" if "no-signature" in found.reasons else "not checked"
    yield f"  1 signed bytes unchanged: {_yes(intact) if signed else none}"
    yield f"  2 signed by a trusted person: {_yes(all(s.trusted for s in found.signatures)) if signed else none}"
    for s in found.signatures:
        yield from _signer_lines(s, beside="trust-list-beside" in found.reasons)
    yield from map(_stamp_line, found.stamps)
    yield f"  3 nothing added later: {_yes(not found.later_changes) if intact else 'not checked'}"
    yield f"  4 pages come from the record: {_pages(found)}"
    if found.results:
        same = found.results if not found.differing else f"{len(found.differing)} differences in"
        yield f"  5 recomputed: {same}{' of' if not found.differing else ''} {found.results} results{' the same' if not found.differing else ''}"
    else:
        yield "  5 recomputed: not checked"
    if found.log != "not checked":
        yield f"  in the shop's log: {found.log}"
    if found.record_id:
        yield f"    record {found.record_id}, revision {found.revision}, SHA-256 {found.digest}"
    yield from (f"    {each}" for each in found.relations)
    for note in found.notes if notes else ():
        yield f"    note: {REASONS[note]} [{note}]"
    for reason in found.reasons:
        yield f"    reason: {REASONS.get(reason, reason)} [{reason}]"
        if reason in REMEDIES:
            yield f"      what helps: {REMEDIES[reason]}"
    if found.found_inside:
        added = "changed-after-signing" in found.reasons
        yield f"    {'what was added' if added else 'what the altered file holds, proved by nobody'}:"
        yield from (f"      {each}" for each in found.found_inside)
    for difference in found.differing[:5]:
        yield f"    {difference.where}: the record inside gives {difference.recomputed}, the evaluation inside says {difference.embedded}"


def _pages(found: Verification) -> str:
    if found.pages == "same":
        how = "yes, all that they show" if "drawn-alike" in found.notes else "yes, byte for byte"
        return f"as they were signed {how}; NOT as they are seen now (see 3)" if found.later_changes else how
    if found.pages == "other-version":
        return "NOT CHECKED: drawn by another version; read the record, not the pages"
    return "NO" if found.pages == "differ" else "not checked"


def _signer_lines(s: SignerStatus, *, beside: bool) -> Iterable[str]:
    if not s.signer:
        yield f"      {s.field or 'a signature'}: can't be read, so it names nobody"
        return
    from diagnb.proof import signer_standing

    when = s.signed_at.isoformat(sep=" ") if s.signed_at else "no time"
    stamp = "time-stamped" if s.timestamped else "the signer's own clock"
    by = f", its key issued by {s.issuer}" if s.issuer and s.trusted else ""
    ends = f"; certificate valid until {s.valid_until:%Y-%m-%d}" if s.valid_until else ""
    yield f"      {s.field}: {s.signer} ({s.role or 'no role'}), {when}, {stamp}; {signer_standing(s, beside=beside)}{by}{ends}"
    if s.reason:
        yield f"        it says: {' '.join(s.reason.split())}"
    if s.proven_at is not None:
        proven = s.proven_at.isoformat(sep=" ")
        yield f"        valid at {proven}, proven by a time stamp: {_yes(s.trusted)}; valid now: {_yes(s.trusted_now)}"


def _stamp_line(t: StampStatus) -> str:
    when = t.time.isoformat(sep=" ") if t.time else "no time"
    due = f", renew before {t.renew_before:%Y-%m-%d}" if t.renew_before and t.trusted else ""
    return f"      time stamp over the whole file: {when} by {t.service}{due}; {'on' if t.trusted else 'NOT on'} the trust list"


def _yes(answer: bool) -> str:
    return "yes" if answer else "NO"
