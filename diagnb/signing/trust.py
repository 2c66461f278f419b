"""The shop's trust list: whose certificates count, from when, until when. Nothing else is ever trusted.

Document form, UTF-8 JSON: `{"schema": "diagnb-trust/1", "entries": [{"fingerprint", "certificate", "name", "role",
"kind", "status", "since", "until", "added", "added_by", "reason", "history"}], "revocation_lists": [PEM]}`.
`kind` is `authority` (everyone it signed), `person` (this one certificate) or `timestamp-service` (time stamps only,
never people); `status` is `trusted` or `revoked`; `since` and `until` bound the signing times that count and may be
null (for a revoked entry `until` is the moment since when the key does not count). `history` holds what the entry
said before, oldest first; `reason`, `history` and `revocation_lists` may be left out. Times are ISO 8601 with a zone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.x509.oid import NameOID

from diagnb.errors import Fault, SigningFault
from diagnb.signing.keys import Authority, fingerprint, is_authority, issued, subject_text
from diagnb.signing.revocation import (
    HARMLESS,
    REVOCATION_REASONS,
    Revoked,
    create_revocation_list,
    issued_by,
    list_number,
    pem,
)

TRUST_SCHEMA = "diagnb-trust/1"
MADE_HERE = "diagnb key init"
"""What stands as ``added_by`` of the authority that a shop made for itself."""
TAKEN_OVER = "diagnb key trust"
"""What stands there of an entry that came from elsewhere."""

Kind = Literal["authority", "person", "timestamp-service"]
Status = Literal["trusted", "revoked"]

_MAX_HISTORY = 1000


@dataclass(frozen=True, slots=True)
class TrustState:
    """What an entry said before it was changed."""

    name: str
    role: str
    status: Status
    since: datetime | None
    until: datetime | None
    added: datetime | None
    added_by: str
    reason: str = ""

    def __post_init__(self) -> None:
        faults = _zone_faults(self.since, self.until, self.added)
        if self.status not in ("trusted", "revoked"):
            faults.append(Fault("status", f"is {self.status!r}", "use trusted or revoked"))
        if faults:
            raise SigningFault(faults)

    def to_plain(self) -> dict[str, Any]:
        """The state as it stands in the JSON document."""
        return {
            "name": self.name,
            "role": self.role,
            "status": self.status,
            "since": _written(self.since),
            "until": _written(self.until),
            "added": _written(self.added),
            "added_by": self.added_by,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class TrustEntry:
    """One certificate the shop has an opinion about. `certificate` is the loaded X.509 certificate."""

    certificate: x509.Certificate
    name: str
    role: str
    kind: Kind
    status: Status = "trusted"
    since: datetime | None = None
    until: datetime | None = None
    added: datetime | None = None
    added_by: str = ""
    reason: str = ""
    history: tuple[TrustState, ...] = ()

    def __post_init__(self) -> None:
        faults = _entry_faults(self)
        if faults:
            raise SigningFault(faults)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate's DER form, 64 hexadecimal digits."""
        return fingerprint(self.certificate)

    def covers(self, moment: datetime) -> bool:
        """Whether a signature made at `moment` falls between `since` and `until`."""
        return (self.since is None or moment >= self.since) and (self.until is None or moment < self.until)

    def state(self) -> TrustState:
        """What the entry says now, to be kept when it is changed."""
        return TrustState(
            self.name, self.role, self.status, self.since, self.until, self.added, self.added_by, self.reason
        )

    def to_plain(self) -> dict[str, Any]:
        """The entry as it stands in the JSON document."""
        plain: dict[str, Any] = {
            "fingerprint": self.fingerprint,
            "certificate": self.certificate.public_bytes(serialization.Encoding.PEM).decode("ascii"),
            "name": self.name,
            "role": self.role,
            "kind": self.kind,
            "status": self.status,
            "since": _written(self.since),
            "until": _written(self.until),
            "added": _written(self.added),
            "added_by": self.added_by,
        }
        if self.reason:
            plain["reason"] = self.reason
        if self.history:
            plain["history"] = [state.to_plain() for state in self.history]
        return plain


@dataclass(frozen=True, slots=True)
class TrustList:
    """The entries, each certificate at most once, and the newest revocation list of each authority.

    An empty list trusts nobody. What an entry said before stays in its history.
    """

    entries: tuple[TrustEntry, ...] = ()
    revocation_lists: tuple[x509.CertificateRevocationList, ...] = ()

    def __post_init__(self) -> None:
        seen: set[str] = set()
        faults = []
        for number, entry in enumerate(self.entries):
            if entry.fingerprint in seen:
                faults.append(Fault(f"entries[{number}]", "the same certificate is listed twice"))
            seen.add(entry.fingerprint)
        if faults:
            raise SigningFault(faults)

    def find(self, certificate_fingerprint: str) -> TrustEntry | None:
        """The entry with this certificate fingerprint, or None."""
        wanted = certificate_fingerprint.lower()
        return next((entry for entry in self.entries if entry.fingerprint == wanted), None)

    def search(self, wanted: str) -> TrustEntry:
        """The one entry whose printed name is this, or whose fingerprint starts so (8 digits or more).

        Of several entries with one name the one that is trusted now is meant, else the newest. Raises
        SigningFault when there is none, or when several are trusted.
        """
        text = wanted.strip()
        by_print = [e for e in self.entries if len(text) >= 8 and e.fingerprint.startswith(text.lower())]
        by_name = [e for e in self.entries if e.name == text]
        open_ended = [e for e in by_name if e.status == "trusted" and e.until is None]
        found = by_print or open_ended or by_name[-1:]
        if not found:
            known = ", ".join(dict.fromkeys(e.name for e in self.entries)) or "nobody"
            raise SigningFault(Fault("name", f"no entry of the trust list is {wanted!r}", f"there is: {known}"))
        if len(found) > 1:
            raise SigningFault(Fault("name", f"several entries are {wanted!r}", "give the fingerprint instead"))
        return found[0]

    def with_entry(self, entry: TrustEntry) -> TrustList:
        """A list that also holds `entry`; what an earlier one for the same certificate said becomes its history."""
        earlier = self.find(entry.fingerprint)
        if earlier is not None:
            entry = replace(entry, history=(*earlier.history, earlier.state()))
        kept = tuple(old for old in self.entries if old.fingerprint != entry.fingerprint)
        return replace(self, entries=(*kept, entry))

    def with_revoked(
        self,
        certificate_fingerprint: str,
        *,
        moment: datetime,
        invalid_since: datetime | None = None,
        reason: str = "unspecified",
        by: str = "",
    ) -> TrustList:
        """A list in which this certificate is revoked at `moment` and does not count since `invalid_since`.

        Signatures that a time stamp proves to be older than `invalid_since` (`moment` when left out) stay good.
        Raises SigningFault for an unknown certificate or reason, and when it is revoked already.
        """
        entry = self.find(certificate_fingerprint)
        if entry is None:
            raise SigningFault(Fault("fingerprint", "no entry of the trust list has it"))
        if reason not in REVOCATION_REASONS:
            raise SigningFault(Fault("reason", f"is {reason!r}", f"use {', '.join(REVOCATION_REASONS)}"))
        since = invalid_since or moment
        if entry.status == "revoked" and entry.until is not None and since >= entry.until:
            raise SigningFault(Fault("fingerprint", "is revoked already", "only an earlier date changes anything"))
        return self.with_entry(
            replace(
                entry,
                status="revoked",
                since=entry.since if entry.since is None or entry.since <= since else since,
                until=since,
                added=moment,
                added_by=by,
                reason=reason,
            )
        )

    def with_ended(
        self,
        certificate_fingerprint: str,
        *,
        until: datetime,
        moment: datetime,
        by: str = "",
        reason: str = "superseded",
    ) -> TrustList:
        """A list in which this certificate counts for signatures before `until` only: nothing speaks against older ones.

        `reason` is one of those that say nothing against what the key did before (:data:`HARMLESS`). Raises
        SigningFault for another reason, an unknown or revoked certificate, and one that ended before already.
        """
        entry = self.find(certificate_fingerprint)
        if entry is None:
            raise SigningFault(Fault("fingerprint", "no entry of the trust list has it"))
        if reason not in HARMLESS:
            raise SigningFault(Fault("reason", f"is {reason!r}", f"use {', '.join(sorted(HARMLESS))}"))
        if entry.status == "revoked":
            raise SigningFault(Fault("fingerprint", "is revoked", "a revoked key is not replaced: make a new one"))
        if entry.until is not None and entry.until <= until:
            raise SigningFault(Fault("fingerprint", f"counts only for signatures before {entry.until} already"))
        return self.with_entry(replace(entry, until=until, added=moment, added_by=by, reason=reason))

    def joined(self, other: TrustList) -> tuple[TrustList, tuple[TrustEntry, ...]]:
        """This list with what another shop's says, and the entries that it adds or ends.

        Entries only the other has come over as they are. Of one that both have, an end or a revocation comes over,
        never a return to trust. The newer revocation list of each authority is kept.
        """
        joined, told = self, []
        for entry in other.entries:
            mine = joined.find(entry.fingerprint)
            ends = (
                mine is not None
                and mine.status == "trusted"
                and (
                    entry.status != "trusted"
                    or (entry.until is not None and (mine.until is None or entry.until < mine.until))
                )
            )
            if mine is None or ends:
                joined = joined.with_entry(replace(entry, added_by=TAKEN_OVER))  # its authority is not this shop's own
                told.append(entry)
        for each in other.revocation_lists:
            try:
                joined = joined.with_revocation_list(each)
            except SigningFault:  # an older one, or of an authority that this list does not have
                continue
        return joined, tuple(told)

    def with_revocation_list(self, revocation_list: x509.CertificateRevocationList) -> TrustList:
        """A list that holds this revocation list in place of an older one of the same issuer.

        Raises SigningFault when no listed authority signed it or a newer one is held already.
        """
        listed = (e.certificate for e in self.entries if e.kind != "person")
        issuer = next((each for each in listed if issued_by(revocation_list, each)), None)
        if issuer is None:
            raise SigningFault(Fault("revocation list", "no authority of the trust list signed it"))
        same = [old for old in self.revocation_lists if issued_by(old, issuer)]
        if any(old.last_update_utc > revocation_list.last_update_utc for old in same):
            raise SigningFault(Fault("revocation list", "is older than the one held already"))
        kept = tuple(old for old in self.revocation_lists if old not in same)
        return replace(self, revocation_lists=(*kept, revocation_list))

    def with_new_revocation_list(self, authority: Authority, *, moment: datetime) -> TrustList:
        """A list with a fresh revocation list of everything that this authority signed and the shop revoked."""
        issuer = authority.certificate
        rows = [
            Revoked(
                e.certificate.serial_number,
                e.added or moment,
                e.until or moment,
                e.reason if e.reason in REVOCATION_REASONS else "unspecified",
            )
            for e in self.entries
            if e.status == "revoked" and issued(e.certificate, issuer) and e.fingerprint != authority.fingerprint
        ]
        own = [old for old in self.revocation_lists if issued_by(old, issuer)]
        numbers = [list_number(old) for old in own]
        # A clock set back must not keep a shop from withdrawing a key.
        moment = max([moment, *(old.last_update_utc for old in own)])
        made = create_revocation_list(authority, revoked=rows, number=max(numbers, default=0) + 1, moment=moment)
        return self.with_revocation_list(made)

    def to_json(self) -> str:
        """The document as JSON text; `load_trust` gives back an equal list."""
        document: dict[str, Any] = {
            "schema": TRUST_SCHEMA,
            "entries": [entry.to_plain() for entry in self.entries],
        }
        if self.revocation_lists:
            document["revocation_lists"] = [pem(each) for each in self.revocation_lists]
        return json.dumps(document, ensure_ascii=False, indent=2) + "\n"


def trust_entry(
    certificate: x509.Certificate,
    *,
    added: datetime,
    added_by: str,
    since: datetime | None = None,
    until: datetime | None = None,
    timestamp_service: bool = False,
) -> TrustEntry:
    """A trusted entry whose name, role and kind are read from the certificate itself.

    `timestamp_service` says that the certificate (or what it signed) makes time stamps, nothing else.
    """
    kind: Kind = "authority" if is_authority(certificate) else "person"
    return TrustEntry(
        certificate=certificate,
        name=subject_text(certificate, NameOID.COMMON_NAME),
        role=subject_text(certificate, NameOID.ORGANIZATIONAL_UNIT_NAME),
        kind="timestamp-service" if timestamp_service else kind,
        since=since,
        until=until,
        added=added,
        added_by=added_by,
    )


def _entry_faults(entry: TrustEntry) -> list[Fault]:
    faults = []
    if entry.kind not in ("authority", "person", "timestamp-service"):
        faults.append(Fault("kind", f"is {entry.kind!r}", "use authority, person or timestamp-service"))
    elif entry.kind != "timestamp-service" and (entry.kind == "authority") != is_authority(entry.certificate):
        faults.append(Fault("kind", f"says {entry.kind}, the certificate says otherwise"))
    if entry.status not in ("trusted", "revoked"):
        faults.append(Fault("status", f"is {entry.status!r}", "use trusted or revoked"))
    if not entry.name.strip():
        faults.append(Fault("name", "is empty"))
    if len(entry.history) > _MAX_HISTORY:
        faults.append(Fault("history", "is longer than a trust list can be"))
    zones = _zone_faults(entry.since, entry.until, entry.added)
    if zones:
        return faults + zones
    if entry.since is not None and entry.until is not None and entry.since > entry.until:
        faults.append(Fault("until", "lies before since"))
    return faults


def _zone_faults(since: datetime | None, until: datetime | None, added: datetime | None) -> list[Fault]:
    times = (("since", since), ("until", until), ("added", added))
    return [Fault(where, "carries no time zone") for where, t in times if t is not None and t.tzinfo is None]


def _written(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
