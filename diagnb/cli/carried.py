"""What of a signed report goes into the archive: the record it carries, and what speaks against it; or why nothing does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from diagnb.cli.files import judged, lay_beside, now, trust_for, trust_path
from diagnb.cli.oneline import one_line
from diagnb.errors import Fault

if TYPE_CHECKING:
    from diagnb.archive.doubt import Doubt
    from diagnb.archive.intake import Carried
    from diagnb.record import Record

_ONLY_TRUST = frozenset({
    "not-trusted", "expected-signature-missing", "certificate-expired", "certificate-not-yet-valid",
    "certificate-revoked", "outside-trust-period", "timestamp-not-trusted", "timestamp-expired", "timestamp-revoked",
    "trust-list-beside",
})  # fmt: skip
"""Reasons that speak of the signer alone: the record inside is whole all the same. Kept with a note where no trust list was
named, else only with ``--despite``."""
_NOBODY_ASKED = "no-trust-list"
_ONLY_DESPITE = _ONLY_TRUST | {"signer-not-named", "reviewer-is-technician", "key-not-for-signing"}


def carried_by(path: Path, trust: Path | None, despite: str) -> Carried | Fault:
    """What a report carries, or why it is not kept: it is altered, or the trust list that was named does not trust it."""
    from diagnb.archive.doubt import Doubt
    from diagnb.archive.intake import Carried
    from diagnb.proof import verify_report
    from diagnb.record import canonical_bytes

    found = judged(verify_report(path, trust=trust_for(path, trust), moment=now()), path, trust)
    said, reasons = _in_words(found.reasons), set(found.reasons)
    asked = trust_path(path, trust)
    named = asked is not None and not lay_beside(asked, trust)
    kept = _ONLY_DESPITE if despite else frozenset() if named else _ONLY_TRUST
    if found.record is None or reasons - kept:
        repair = "see diagnb verify"
        if found.record is not None and not reasons - _ONLY_DESPITE:
            repair = "see diagnb verify; --despite TEXT keeps it all the same, and says so for good"
        return Fault(str(path), f"does not prove itself: {said or 'it carries no record'}", repair)
    if found.record.redaction is not None:
        return Fault(str(path), "is a redacted copy", "keep the original report")
    unproved = (*found.reasons, *(n for n in found.notes if n == "pages-not-proved"))
    if asked is None:
        unproved = tuple(_NOBODY_ASKED if code == "not-trusted" else code for code in unproved)
    return Carried(
        canonical_bytes(found.record),
        f"kept, but {_in_words(unproved)}" if unproved else "",
        Doubt(unproved, despite if found.reasons else "") if unproved else None,
        frozenset(_pictures(path, found.record)),
    )


def _pictures(path: Path, record: Record) -> Iterator[str]:
    """Names of the attachments of which the report carries a picture."""
    from diagnb.report.photos import embedded_names
    from diagnb.signing import embedded_files

    named = embedded_names(record)
    inside = embedded_files(path.read_bytes()) if named else {}
    yield from (name for name, picture in named.items() if picture in inside)


def _in_words(codes: Iterable[str]) -> str:
    from diagnb.proof import REASONS

    known = {**REASONS, _NOBODY_ASKED: "no trust list was named, so nobody vouches for who signed"}
    return "; ".join(known.get(code, code) for code in codes)


def doubt_line(doubt: Doubt) -> str:
    """A doubt in words."""
    despite = f"; kept despite that: {one_line(doubt.despite)}" if doubt.despite else ""
    return f"NOT PROVED: {_in_words(doubt.reasons)}{despite}"
