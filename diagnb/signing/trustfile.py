"""The door for trust lists: every fault of a document at once, with its place."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, cast

from cryptography import x509

from diagnb.errors import Fault, SigningFault
from diagnb.signing.keys import fingerprint
from diagnb.signing.revocation import read_revocation_list
from diagnb.signing.trust import TRUST_SCHEMA, Kind, Status, TrustEntry, TrustList, TrustState

_STATE_KEYS = ("name", "role", "status", "since", "until", "added", "added_by")
_KEYS = ("fingerprint", "certificate", "kind", *_STATE_KEYS)
_OPTIONAL = {"reason", "history"}
_DOCUMENT = {"schema", "entries", "revocation_lists"}
_MAX_BYTES = 8 << 20


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
    faults = [Fault(str(key), "is not a key of a trust list") for key in document.keys() - _DOCUMENT]
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
    lists: list[x509.CertificateRevocationList] = []
    texts = document.get("revocation_lists", [])
    if not isinstance(texts, list):
        faults.append(Fault("revocation_lists", "is not a list"))
        texts = []
    for number, text in enumerate(texts):
        try:
            lists.append(read_revocation_list(str(text).encode("utf-8")))
        except SigningFault as error:
            faults += [Fault(f"revocation_lists[{number}]", f.what, f.repair) for f in error.faults]
    if faults:
        raise SigningFault(faults)
    trust = TrustList(tuple(entries))
    for number, each in enumerate(lists):
        try:
            trust = trust.with_revocation_list(each)
        except SigningFault as error:
            faults += [Fault(f"revocation_lists[{number}]", f.what, f.repair) for f in error.faults]
    if faults:
        raise SigningFault(faults)
    return trust


def _read_entry(place: str, item: Mapping[str, object]) -> tuple[TrustEntry | None, list[Fault]]:
    texts = ("fingerprint", "certificate", "name", "role", "kind", "status", "added_by", "reason")
    times, faults = _plain_faults(place, item, needed=_KEYS, optional=_OPTIONAL, texts=texts)
    history: list[TrustState] = []
    states = item.get("history", [])
    if not isinstance(states, list):
        faults.append(Fault(f"{place}.history", "is not a list"))
        states = []
    for number, state in enumerate(states):
        read, found = _read_state(f"{place}.history[{number}]", state)
        faults += found
        history += [read] if read is not None else []
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
            reason=str(item.get("reason", "")),
            history=tuple(history),
        )
    except SigningFault as error:
        return None, [Fault(f"{place}.{f.where}", f.what, f.repair) for f in error.faults]
    return entry, []


def _read_state(place: str, item: object) -> tuple[TrustState | None, list[Fault]]:
    if not isinstance(item, dict):
        return None, [Fault(place, "is not an object")]
    texts = ("name", "role", "status", "added_by", "reason")
    times, faults = _plain_faults(place, item, needed=_STATE_KEYS, optional={"reason"}, texts=texts)
    if faults:
        return None, faults
    try:
        state = TrustState(
            name=item["name"],
            role=item["role"],
            status=item["status"],
            since=times["since"],
            until=times["until"],
            added=times["added"],
            added_by=item["added_by"],
            reason=item.get("reason", ""),
        )
    except SigningFault as error:
        return None, [Fault(f"{place}.{f.where}", f.what, f.repair) for f in error.faults]
    return state, []


def _plain_faults(
    place: str, item: Mapping[str, object], *, needed: tuple[str, ...], optional: set[str], texts: tuple[str, ...]
) -> tuple[dict[str, datetime | None], list[Fault]]:
    unknown = item.keys() - set(needed) - optional
    faults = [Fault(f"{place}.{key}", "is not a key of an entry") for key in unknown]
    faults += [Fault(f"{place}.{key}", "is missing") for key in needed if key not in item]
    times: dict[str, datetime | None] = {}
    for key in ("since", "until", "added"):
        try:
            times[key] = _read_time(item.get(key))
        except ValueError as error:
            faults.append(Fault(f"{place}.{key}", str(error), "write 2030-05-31T08:00:00+02:00 or null"))
    faults += [Fault(f"{place}.{key}", "is not text") for key in texts if not isinstance(item.get(key, ""), str)]
    return times, faults


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


def _without_repeats(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    collected: dict[str, Any] = {}
    for key, value in pairs:
        if key in collected:
            raise ValueError(f"the key {key!r} stands twice")
        collected[key] = value
    return collected
