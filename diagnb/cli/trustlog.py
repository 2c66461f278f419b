"""Changes of the trust list as lines of the shop's log, worked out from the list before and after."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

from diagnb.audit import Event

if TYPE_CHECKING:
    from cryptography.hazmat.primitives import hashes

    from diagnb.signing import TrustEntry, TrustList


def trust_events(before: TrustList | None, after: TrustList, *, actor: str, file: str) -> Iterator[Event]:
    """One event for each entry that is new or says something else, and for each new revocation list.

    ``file`` is the name of the trust list's file; its SHA-256 as saved goes along, so that a list changed by another
    way than the commands stands out.
    """
    saved = hashlib.sha256(after.to_json().encode()).hexdigest()
    for entry in after.entries:
        earlier = before.find(entry.fingerprint) if before is not None else None
        if earlier is not None and earlier.to_plain() == entry.to_plain():
            continue
        yield Event(
            action="trust", actor=actor, signer=entry.name, fingerprint=entry.fingerprint, reason=entry.reason,
            outcome=entry.status if earlier is None or earlier.status != entry.status else "changed",
            remark=_counts(entry), file=file, file_sha256=saved,
        )  # fmt: skip
    known = {each.fingerprint(_sha256()) for each in before.revocation_lists} if before is not None else set()
    for each in after.revocation_lists:
        print_of = each.fingerprint(_sha256())
        if print_of not in known:
            yield Event(
                action="trust", actor=actor, fingerprint=print_of.hex(), outcome="revocation list",
                remark=f"of {each.last_update_utc.isoformat()}, {len(each)} entries", file=file, file_sha256=saved,
            )  # fmt: skip


def _counts(entry: TrustEntry) -> str:
    role = f", {entry.role}" if entry.role else ""
    since = entry.since.isoformat() if entry.since else "any time"
    until = entry.until.isoformat() if entry.until else "open"
    return f"{entry.kind}{role}; counts from {since} to {until}"


def _sha256() -> hashes.SHA256:
    from cryptography.hazmat.primitives import hashes

    return hashes.SHA256()
