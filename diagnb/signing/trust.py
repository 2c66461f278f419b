"""The shop's trust list: whose certificates count, from when, until when. Nothing else is ever trusted.

Document form, UTF-8 JSON:
`{"schema": "diagnb-trust/1", "entries": [{"fingerprint", "certificate", "name", "role", "kind", "status",
"since", "until", "added", "added_by"}]}`. `kind` is `authority` (everyone it signed), `person` (this one
certificate) or `timestamp-service` (time stamps only, never people); `status` is `trusted` or `revoked`; `since` and `until` bound the signing times that count and
may be null (for a revoked entry `until` is the moment of revocation). Times are ISO 8601 with a zone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, cast

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.x509.oid import NameOID

from diagnb.errors import Fault, SigningFault
from diagnb.signing.keys import fingerprint, is_authority, subject_text

TRUST_SCHEMA = "diagnb-trust/1"

Kind = Literal["authority", "person", "timestamp-service"]
Status = Literal["trusted", "revoked"]

_KEYS = (
    "fingerprint",
    "certificate",
    "name",
    "role",
    "kind",
    "status",
    "since",
    "until",
    "added",
    "added_by",
)
_MAX_BYTES = 8 << 20


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

    def to_plain(self) -> dict[str, str | None]:
        """The entry as it stands in the JSON document."""
        return {
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


@dataclass(frozen=True, slots=True)
class TrustList:
    """The entries, each certificate at most once. An empty list trusts nobody."""

    entries: tuple[TrustEntry, ...] = ()

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

    def with_entry(self, entry: TrustEntry) -> TrustList:
        """A list that also holds `entry`, in place of an earlier one for the same certificate."""
        kept = tuple(old for old in self.entries if old.fingerprint != entry.fingerprint)
        return TrustList((*kept, entry))

    def with_revoked(self, certificate_fingerprint: str, *, moment: datetime) -> TrustList:
        """A list in which this certificate is revoked since `moment`. Raises SigningFault when unknown."""
        entry = self.find(certificate_fingerprint)
        if entry is None:
            raise SigningFault(Fault("fingerprint", "no entry of the trust list has it"))
        return self.with_entry(replace(entry, status="revoked", until=moment))

    def to_json(self) -> str:
        """The document as JSON text; `load_trust` gives back an equal list."""
        document = {"schema": TRUST_SCHEMA, "entries": [entry.to_plain() for entry in self.entries]}
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


def load_trust(source: bytes | Path | str) -> TrustList:
    """The trust list of a JSON document, or of the file at a path. Raises SigningFault with every fault."""
    if isinstance(source, bytes):
        data, where = source, "trust list"
    else:
        where = str(source)
        try:
            with Path(source).open("rb") as stream:
                data = stream.read(_MAX_BYTES + 1)
        except OSError as error:
            raise SigningFault(Fault(where, f"can't be read: {error.strerror}")) from None
    if len(data) > _MAX_BYTES:
        raise SigningFault(Fault(where, "is too large for a trust list"))
    try:
        document = json.loads(data.decode("utf-8"), object_pairs_hook=_without_repeats)
    except (ValueError, RecursionError) as error:
        reason = "is nested too deeply" if isinstance(error, RecursionError) else f"is not JSON: {error}"
        raise SigningFault(Fault(where, reason)) from None
    return _read(document)


def _read(document: object) -> TrustList:
    if not isinstance(document, dict):
        raise SigningFault(Fault("", "the trust list is not a JSON object"))
    if document.get("schema") != TRUST_SCHEMA:
        raise SigningFault(
            Fault("schema", f"is not {TRUST_SCHEMA!r}", "use a trust list made by this version, or update")
        )
    faults = [Fault(str(key), "is not a key of a trust list") for key in document.keys() - {"schema", "entries"}]
    items = document.get("entries")
    if not isinstance(items, list):
        raise SigningFault([*faults, Fault("entries", "is missing or not a list")])
    entries = []
    for number, item in enumerate(items):
        place = f"entries[{number}]"
        if not isinstance(item, dict):
            faults.append(Fault(place, "is not an object"))
            continue
        entry, found = _read_entry(place, item)
        faults.extend(found)
        if entry is not None:
            entries.append(entry)
    if faults:
        raise SigningFault(faults)
    return TrustList(tuple(entries))


def _read_entry(place: str, item: Mapping[str, object]) -> tuple[TrustEntry | None, list[Fault]]:
    faults = [Fault(f"{place}.{key}", "is not a key of an entry") for key in item.keys() - set(_KEYS)]
    faults += [Fault(f"{place}.{key}", "is missing") for key in _KEYS if key not in item]
    times: dict[str, datetime | None] = {}
    for key in ("since", "until", "added"):
        try:
            times[key] = _read_time(item.get(key))
        except ValueError as error:
            faults.append(Fault(f"{place}.{key}", str(error), "write 2030-05-31T08:00:00+02:00 or null"))
    texts = ("fingerprint", "certificate", "name", "role", "kind", "status", "added_by")
    faults += [Fault(f"{place}.{key}", "is not text") for key in texts if not isinstance(item.get(key, ""), str)]
    if faults:
        return None, faults
    try:
        certificate = x509.load_pem_x509_certificate(str(item["certificate"]).encode("utf-8"))
    except ValueError:
        return None, [Fault(f"{place}.certificate", "is not a PEM certificate")]
    if fingerprint(certificate) != str(item["fingerprint"]).lower():
        return None, [Fault(f"{place}.fingerprint", "is not the fingerprint of the certificate beside it")]
    try:
        entry = TrustEntry(
            certificate=certificate,
            name=str(item["name"]),
            role=str(item["role"]),
            kind=cast(Kind, item["kind"]),
            status=cast(Status, item["status"]),
            since=times["since"],
            until=times["until"],
            added=times["added"],
            added_by=str(item["added_by"]),
        )
    except SigningFault as error:
        return None, [Fault(f"{place}.{f.where}", f.what, f.repair) for f in error.faults]
    return entry, []


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
    for where, moment in (("since", entry.since), ("until", entry.until), ("added", entry.added)):
        if moment is not None and moment.tzinfo is None:
            faults.append(Fault(where, "carries no time zone"))
            return faults
    if entry.since is not None and entry.until is not None and entry.since > entry.until:
        faults.append(Fault("until", "lies before since"))
    return faults


def _read_time(value: object) -> datetime | None:
    if value is None:
        return None
    if not isinstance(value, str):
        raise ValueError("is not text")  # noqa: TRY004 - one kind of fault for the caller
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        raise ValueError("is not an ISO 8601 time") from None
    if moment.tzinfo is None:
        raise ValueError("carries no time zone")
    return moment


def _written(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _without_repeats(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    collected: dict[str, Any] = {}
    for key, value in pairs:
        if key in collected:
            raise ValueError(f"the key {key!r} stands twice")
        collected[key] = value
    return collected
