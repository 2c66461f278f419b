"""A copy of a record without some of its fields that still proves all the others.

Every field of a record gets a hash of its own, over a salt and its value; a Merkle tree (RFC 9162) over all places and
hashes gives one head, which stands in the original report. A redacted copy carries the salts of the fields that it
shows and the hashes of those that it does not, so anybody can work out the same head. The salts come from one secret
that only the original report holds: without it a removed name can't be found by trying names. Places are not secret;
the head counts them, so no field can be left out unseen.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import rfc8785

from diagnb.audit.tree import head_of, leaf_hash
from diagnb.errors import Fault, InputFault, fault
from diagnb.record import Record, digest, plain, read_record

SCHEMA = "diagnb-digests/1"
REMOVED = "[redacted]"
"""What stands where a field was removed."""

PERSONAL: tuple[str, ...] = (
    "people[*].name",
    "people[*].qualification",
    "order.customer",
    "complaint",
)
"""What is removed when nothing else is asked for: names and qualifications of people, the customer, the complaint."""

GROUPS: Mapping[str, tuple[str, ...]] = {
    "personal": PERSONAL,
    "vin": ("vehicle.vin[*]",),
    "vin-tail": ("vehicle.vin[11:17]",),
    "site": ("order.site", "order.number", "vehicle.unit"),
}
"""Short names for fields that are often removed together."""

_VIN, _VIN_HEAD, _VIN_TAIL = "vehicle.vin", "vehicle.vin[0:11]", "vehicle.vin[11:17]"
_WHOLE = re.compile(r"(meters|procedures)\.[^\[]+")
_FRAME = ("redaction",)
_NEVER = ("schema", "id", "revision", "status", "demonstration", "created")
_NEVER_IN = ("meters.", "procedures.", "replaces.digest", "replaces.revision", "replaces.changes[")
_STEP = re.compile(r"\[[^\]]*\]|[^.\[\]]+")
_SECRET = re.compile(r"[0-9a-f]{64}")
_SHORTEST_MENTION = 4


@dataclass(frozen=True)
class DigestList:
    """The salted hash of every field by its place."""

    hashes: Mapping[str, bytes]

    @cached_property
    def head(self) -> str:
        """How many fields, a colon, and the Merkle root over places and hashes in the order of the places."""
        return str(head_of(leaf_hash(_canonical([p, self.hashes[p].hex()])) for p in sorted(self.hashes)))

    def to_plain(self) -> dict[str, Any]:
        """As JSON, the file ``digests.json`` of an original report."""
        return {"schema": SCHEMA, "head": self.head, "hashes": {p: self.hashes[p].hex() for p in sorted(self.hashes)}}


def digest_list(record: Record, secret: str) -> DigestList:
    """The digest list of an original record. ``secret``: 64 hexadecimal digits of the report's own chance."""
    key = _key(secret)
    return record.once(("digest list", secret), lambda: _digest_list(record, key))


def _digest_list(record: Record, key: bytes) -> DigestList:
    return DigestList({place: field_hash(salt_of(key, place), value) for place, value in fields(record).items()})


def salt_of(key: bytes, place: str) -> bytes:
    """The salt of one field: HMAC-SHA256 of its place. One salt says nothing about the others, or about the key."""
    return hmac.new(key, place.encode("utf-8"), hashlib.sha256).digest()


def field_hash(salt: bytes, value: Any) -> bytes:
    """The salted hash of one field: SHA-256 over the salt (32 bytes) and the value in canonical form (RFC 8785)."""
    written = _canonical(value) if isinstance(value, str) else rfc8785.dumps(value)
    return hashlib.sha256(salt + written).digest()


def _canonical(value: str | list[str]) -> bytes:
    """What RFC 8785 gives for texts alone, from the standard library's faster writer."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode("utf-8")


def fields(record: Record) -> dict[str, Any]:
    """Every field of the record by its place, such as ``tests[2].readings[0].texts[1]``.

    An accuracy sheet, a procedure and a change of an amendment are one field each. A VIN of 17 characters is two,
    so that the serial number at its end can be removed alone.
    """
    found: dict[str, Any] = {}
    removed = record.redaction.removed if record.redaction else {}
    for place, value in _leaves({k: v for k, v in plain(record).items() if k not in _FRAME}, ""):
        pieces = _vin_pieces(value, removed) if place == _VIN and isinstance(value, str) else [(place, value)]
        for name, piece in pieces:
            if name in found:
                raise fault(name, "is the place of two fields")
            found[name] = piece
    return found


def redact(record: Record, *, secret: str, remove: Sequence[str] = PERSONAL) -> Record:
    """The record without the fields that ``remove`` names, with the proof of all others.

    ``remove`` holds places, with ``*`` for any index or key (``people[*].name``, ``findings[*].text``) or names of
    :data:`GROUPS`. Changes of an amendment that lie at a removed place go too. Raises :class:`InputFault` when
    nothing matches, or a field can't go because results, identity or the form of the record rest on it.
    """
    if record.redaction is not None:
        raise fault("record", "is a redacted copy already", "make the copy from the original report")
    values = fields(record)
    chosen = _chosen(values, remove, record)
    key = _key(secret)
    proof = {
        "of": digest(record),
        "head": digest_list(record, secret).head,
        "removed": {p: field_hash(salt_of(key, p), values[p]).hex() for p in sorted(chosen)},
        "salts": {p: salt_of(key, p).hex() for p in sorted(values) if p not in chosen},
    }
    copy = _copy(plain(record), proof, chosen)
    if not check_redaction(copy):
        raise fault("fields", "can't be removed one by one here", "remove fewer of them")
    if not same_results(record, copy):
        raise fault("fields", "results rest on a removed field", "leave readings, limits and conditions in")
    return copy


def check_redaction(record: Record) -> bool:
    """Whether the fields shown and the hashes of those removed give the head that a redacted copy states.

    True means: nothing was changed, moved, added or left out since that head was worked out. Whether the head is the
    original's, only the original, its printed head or the shop's log can say.
    """
    redaction = record.redaction
    if redaction is None:
        return True
    hashes = {place: bytes.fromhex(found) for place, found in redaction.removed.items()}
    if set(hashes) & set(redaction.salts):
        return False
    try:
        for place, value in fields(record).items():
            if place in redaction.removed:
                if value != REMOVED:
                    return False
            else:
                hashes[place] = field_hash(bytes.fromhex(redaction.salts[place]), value)
    except (KeyError, InputFault):
        return False
    return len(hashes) == len(redaction.removed) + len(redaction.salts) and DigestList(hashes).head == redaction.head


def same_results(original: Record, copy: Record) -> bool:
    """Whether both records give the same results, number by number and verdict by verdict."""
    from diagnb.evaluation import evaluate

    first, second = evaluate(original).to_plain(), evaluate(copy).to_plain()
    own = {"record_digest", "engine"}
    return {k: v for k, v in first.items() if k not in own} == {k: v for k, v in second.items() if k not in own}


def mentions(original: Record, copy: Record) -> tuple[tuple[str, str], ...]:
    """Where the copy still says a removed value: (place where it still stands, place that was removed).

    Values of fewer than four characters are not looked for; accuracy sheets and procedures are not searched.
    """
    if copy.redaction is None:
        return ()
    values = fields(original)
    wanted = []
    for place in copy.redaction.removed:
        value = values.get(place)
        if isinstance(value, str) and len(value.strip()) >= _SHORTEST_MENTION:
            wanted.append((place, value.strip().casefold()))
    found = []
    for place, value in fields(copy).items():
        if place in copy.redaction.removed or place.startswith(("meters.", "procedures.")):
            continue
        text = (value if isinstance(value, str) else repr(value)).casefold()
        found += [(place, gone) for gone, wording in wanted if wording in text]
    return tuple(found)


def names_signer(original: Record, copy: Record, name: str) -> bool:
    """Whether a signature by this name would tell what the copy removed: the name of a person of the record."""
    removed = copy.redaction.removed if copy.redaction else {}
    folded = " ".join(name.split()).casefold()
    return any(
        f"people[{index}].name" in removed and " ".join(person.name.split()).casefold() == folded
        for index, person in enumerate(original.people)
    )


def _key(secret: str) -> bytes:
    if not _SECRET.fullmatch(secret):
        raise fault("salt", "is not 64 hexadecimal digits", "take secrets.token_hex(32)")
    return bytes.fromhex(secret)


def _leaves(value: Any, place: str) -> Iterator[tuple[str, Any]]:
    if _WHOLE.fullmatch(place) or not isinstance(value, Mapping | list) or not value:
        yield place, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _leaves(inner, f"{place}.{key}" if place else str(key))
    else:
        for index, inner in enumerate(value):
            yield from _leaves(inner, f"{place}[{index}]")


def _vin_pieces(vin: str, removed: Mapping[str, str]) -> list[tuple[str, str]]:
    if _VIN_HEAD in removed and _VIN_TAIL in removed:
        return [(_VIN_HEAD, vin), (_VIN_TAIL, vin)]
    if _VIN_TAIL in removed:
        head = vin.removesuffix(REMOVED)
        return [(_VIN_HEAD, head), (_VIN_TAIL, vin[len(head) :])]
    if _VIN_HEAD in removed:
        return [(_VIN_HEAD, vin[: len(REMOVED)]), (_VIN_TAIL, vin.removeprefix(REMOVED))]
    return [(_VIN_HEAD, vin[:11]), (_VIN_TAIL, vin[11:])] if len(vin) == 17 else [(_VIN, vin)]


def _chosen(values: Mapping[str, Any], remove: Sequence[str], record: Record) -> set[str]:
    grouped = {p for group in GROUPS.values() for p in group}
    patterns = [p for name in remove for p in GROUPS.get(name, (name,))]
    faults, chosen = [], set()
    for pattern in patterns:
        found = {place for place in values if _fits(pattern, place)}
        if pattern.startswith(f"{_VIN}["):
            found |= {place for place in values if place == _VIN}
        if not found and pattern not in grouped:
            faults.append(Fault(pattern, "is no field of this record", "name a place such as people[*].name"))
        chosen |= found
    for place in sorted(chosen):
        if place in _NEVER or place.startswith(_NEVER_IN):
            faults.append(Fault(place, "can't be removed: the copy would not be of the same record", "leave it in"))
    if not chosen and not faults:
        faults.append(Fault("fields", "none of these fields holds anything", "there is nothing to remove"))
    if faults:
        raise InputFault(faults)
    for index, change in enumerate(record.replaces.changes if record.replaces else ()):
        if any(_fits(pattern, change.where, whole=False) for pattern in patterns):
            chosen |= {p for p in (f"replaces.changes[{index}].{side}" for side in ("before", "after")) if p in values}
    return chosen


def _fits(pattern: str, place: str, *, whole: bool = True) -> bool:
    """Whether the pattern names the place; not ``whole``: or something inside it, or something that it lies in."""
    wanted, found = _STEP.findall(pattern), _STEP.findall(place)
    if whole and len(wanted) != len(found):
        return False
    return all(w == f or w == "*" or (w == "[*]" and f[0] == "[") for w, f in zip(wanted, found, strict=False))


def _copy(document: dict[str, Any], proof: dict[str, Any], chosen: set[str]) -> Record:
    """The document without the chosen fields: the mark in their place, or nothing where no text may stand."""
    dropped: set[str] = set()
    while True:
        try:
            return read_record(_without(document, chosen, dropped) | {"redaction": proof})
        except InputFault as error:
            more = {f.where for f in error.faults} & chosen - dropped
            if not more:
                raise InputFault(
                    [Fault(f.where, f"can't be removed: {f.what}", "leave this field in") for f in error.faults]
                ) from None
            dropped |= more


def _without(document: Mapping[str, Any], chosen: set[str], dropped: set[str]) -> dict[str, Any]:
    def walk(value: Any, place: str) -> Any:
        if place in chosen:
            return REMOVED
        if place == _VIN and chosen & {_VIN_HEAD, _VIN_TAIL}:
            if {_VIN_HEAD, _VIN_TAIL} <= chosen:
                return REMOVED
            return REMOVED + value[11:] if _VIN_HEAD in chosen else value[:11] + REMOVED
        if isinstance(value, Mapping):
            inside = {key: f"{place}.{key}" if place else str(key) for key in value}
            return {key: walk(value[key], inner) for key, inner in inside.items() if inner not in dropped}
        if isinstance(value, list):
            return [walk(inner, f"{place}[{index}]") for index, inner in enumerate(value)]
        return value

    return {key: walk(value, key) for key, value in document.items()}
