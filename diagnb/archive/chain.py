"""Tamper evidence: every entry of a store carries the hash of the one before it.

The hash of the last entry stands for everything that was ever added. Whoever has written it down elsewhere (in a
signed report, in a letter) sees later whether anything was changed, taken out or cut off.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

ROOT = "0" * 64
"""What stands in place of the hash before the first entry."""


_sorted_text = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode
_row_text = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its number from 1, its body (canonical text), the hash before it and its own hash."""

    seq: int
    body: str
    previous: str
    hash: str


@dataclass(frozen=True, slots=True)
class Head:
    """Number and hash of the last entry; number 0 and :data:`ROOT` for an empty store."""

    seq: int
    hash: str

    def __str__(self) -> str:
        return f"{self.seq}:{self.hash}"


def canonical_text(plain: Mapping[str, Any]) -> str:
    """A body as text: keys sorted, no blanks. Only texts, whole numbers, lists and objects stand in it."""
    return _sorted_text(plain)


def digest_of_rows(rows: Iterable[Sequence[Any]]) -> str:
    """SHA-256 over rows of texts, numbers and None, in their order; numbers by their shortest decimal form."""
    whole = hashlib.sha256()
    for row in rows:
        whole.update(_row_text(row).encode() + b"\n")
    return whole.hexdigest()


def link(head: Head, body: Mapping[str, Any]) -> Entry:
    """The entry that follows ``head``."""
    text = canonical_text(body)
    return Entry(head.seq + 1, text, head.hash, _hash(head.seq + 1, head.hash, text))


def holds(entry: Entry) -> bool:
    """Whether the entry's own hash is that of its number, body and predecessor."""
    return entry.hash == _hash(entry.seq, entry.previous, entry.body)


def _hash(seq: int, previous: str, text: str) -> str:
    return hashlib.sha256(f"{seq}\n{previous}\n{text}".encode()).hexdigest()
