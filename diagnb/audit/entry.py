"""One line of the audit log: what was done, when, by whom, to which record. Schema ``diagnb-log/1``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_args

from diagnb.audit.tree import leaf_hash
from diagnb.errors import Fault, InputFault, fault

SCHEMA: Literal["diagnb-log/1"] = "diagnb-log/1"
Action = Literal["issue", "amend", "void", "redact", "sign", "verify", "trust", "torn-line"]
ACTIONS: tuple[str, ...] = get_args(Action)
"""What a line can say. ``torn-line``: the line before it was never finished and lies in a file of its own."""

FIRST = "0" * 64
"""What the first line has in place of the hash of the line before it."""

MOST_TEXT = 2000
MOST_LINE = 64 * 1024
_TEXTS = ("actor", "record", "digest", "replaces", "root", "file", "file_sha256", "signer", "fingerprint", "reason", "outcome", "remark")  # fmt: skip
_KEYS = {"schema", "seq", "time", "action", "revision", "previous", *_TEXTS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What is to be written down. Empty parts are left out of the line.

    ``digest`` and ``replaces`` are the SHA-256 of a record and of the one it replaces, ``root`` the head of its
    list of salted field hashes, ``file_sha256`` that of a report file. When a signed file is signed further,
    ``replaces`` is the SHA-256 of the file as it was before.
    """

    action: Action
    actor: str
    record: str = ""
    revision: int = 0
    digest: str = ""
    replaces: str = ""
    root: str = ""
    file: str = ""
    file_sha256: str = ""
    signer: str = ""
    fingerprint: str = ""
    reason: str = ""
    outcome: str = ""
    remark: str = ""

    def __post_init__(self) -> None:
        faults = [
            Fault(name, f"is longer than {MOST_TEXT} characters", "shorten it")
            for name in _TEXTS
            if len(getattr(self, name)) > MOST_TEXT
        ]
        if self.action not in ACTIONS:
            faults.append(Fault("action", f"{self.action!r} is not known", f"use one of: {', '.join(ACTIONS)}"))
        if not self.actor.strip():
            faults.append(Fault("actor", "is missing", "say who did it"))
        if not 0 <= self.revision < 2**53:
            faults.append(Fault("revision", f"{self.revision} is not a revision"))
        if faults:
            raise InputFault(faults)


@dataclass(frozen=True, slots=True)
class Entry:
    """A line as it stands in the log: an event with its place, its time and the hash of the line before it."""

    seq: int
    time: datetime
    event: Event
    previous: str

    def line(self) -> bytes:
        """The line without its end, in the canonical form of RFC 8785: keys sorted, no blanks, UTF-8."""
        import rfc8785

        event = {name: getattr(self.event, name) for name in ("action", *_TEXTS)}
        plain: dict[str, Any] = {"schema": SCHEMA, "seq": self.seq, "time": self.time.isoformat()}
        plain |= {name: _sound(text) for name, text in event.items() if text}
        if self.event.revision:
            plain["revision"] = self.event.revision
        plain["previous"] = self.previous
        return rfc8785.dumps(plain)

    def hash(self) -> bytes:
        """The leaf hash of the line; the next line carries it in hexadecimal."""
        return leaf_hash(self.line())


def read_line(line: bytes, *, where: str = "line") -> Entry:
    """The entry of one line. Raises :class:`InputFault` unless it is exactly what :meth:`Entry.line` writes."""
    if len(line) > MOST_LINE:
        raise fault(where, f"is longer than {MOST_LINE} bytes")
    try:
        plain = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        raise fault(where, "is not JSON") from None
    if not isinstance(plain, dict) or plain.get("schema") != SCHEMA:
        raise fault(where, f"is not of schema {SCHEMA}", "it may come from a newer version")
    refuse_unknown(plain, _KEYS, where)
    texts = {name: plain.get(name, "") for name in ("action", *_TEXTS)}
    seq, revision, previous = plain.get("seq"), plain.get("revision", 0), plain.get("previous")
    if (
        not all(isinstance(text, str) for text in (*texts.values(), plain.get("time"), previous))
        or type(seq) is not int
        or type(revision) is not int
    ):
        raise fault(where, "has a part of the wrong kind")
    try:
        time = datetime.fromisoformat(plain["time"])
    except ValueError:
        raise fault(where, "has a time that can't be read") from None
    if time.utcoffset() is None:
        raise fault(where, "has a time without a zone")
    entry = Entry(seq, time, Event(revision=revision, **texts), str(previous))
    if entry.line() != line:
        raise fault(where, "is not in canonical form")
    return entry


def refuse_unknown(plain: Mapping[str, Any], known: Iterable[str], where: str) -> None:
    """Raises :class:`InputFault` naming every key that is not known."""
    unknown = sorted(set(plain) - set(known))
    if unknown:
        raise InputFault([Fault(f"{where}.{key}", "is an unknown key") for key in unknown])


def _sound(text: str) -> str:
    """Text without lone surrogates: a file name may carry them, JSON can't."""
    return text.encode("utf-8", "replace").decode("utf-8")
