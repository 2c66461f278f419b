"""Proofs that travel without the log: this line stands in it; it only grew from this head to that one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from diagnb.audit.entry import Entry, read_line, refuse_unknown
from diagnb.audit.tree import (
    Head,
    consistency_path,
    head_of,
    inclusion_path,
    leaf_hash,
    read_head,
    verify_consistency,
    verify_inclusion,
)
from diagnb.errors import fault

SCHEMA = "diagnb-log-proof/1"
_MOST_STEPS = 128


@dataclass(frozen=True, slots=True)
class LogProof:
    """Either a line with its path under ``head``, or the path from an earlier head to ``head``."""

    kind: Literal["inclusion", "consistency"]
    head: Head
    path: tuple[bytes, ...]
    line: bytes = b""
    earlier: Head | None = None

    @property
    def entry(self) -> Entry:
        """The proved line, read. Raises :class:`InputFault` when it is no line of a log."""
        return read_line(self.line)

    def holds(self) -> bool:
        """Whether the path leads where it says. The head itself must be known from elsewhere, e.g. a report."""
        if self.kind == "consistency":
            return self.earlier is not None and verify_consistency(self.earlier, self.head, self.path)
        return verify_inclusion(leaf_hash(self.line), index=self.entry.seq, path=self.path, head=self.head)

    def to_plain(self) -> dict[str, Any]:
        """As JSON; :func:`read_proof` turns it back."""
        plain: dict[str, Any] = {"schema": SCHEMA, "kind": self.kind, "head": str(self.head)}
        if self.kind == "inclusion":
            plain["line"] = self.line.decode("utf-8")
        elif self.earlier is not None:
            plain["earlier"] = str(self.earlier)
        return plain | {"path": [step.hex() for step in self.path]}


def prove_inclusion(lines: Sequence[bytes], seq: int, *, head: Head | None = None) -> LogProof:
    """That line ``seq`` (counted from 0) stands under ``head``, by default the head over all ``lines``."""
    leaves = _leaves(lines, head)
    if not 0 <= seq < len(leaves):
        raise fault("line", f"{seq + 1} does not stand under a head of {len(leaves)} lines")
    return LogProof("inclusion", head_of(leaves), inclusion_path(leaves, seq), lines[seq])


def prove_consistency(lines: Sequence[bytes], earlier: Head, *, head: Head | None = None) -> LogProof:
    """That the log of ``earlier`` is the beginning of the log of ``head``, by default of all ``lines``."""
    leaves = _leaves(lines, head)
    if earlier.size > len(leaves) or head_of(leaves[: earlier.size]) != earlier:
        raise fault("earlier head", "is not a head of this log", "the log was changed, or it is another log")
    path = consistency_path(leaves, earlier.size) if earlier.size else ()
    return LogProof("consistency", head_of(leaves), path, earlier=earlier)


def read_proof(data: bytes) -> LogProof:
    """A proof from its JSON. Raises :class:`InputFault` for anything else."""
    try:
        plain = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError):
        raise fault("proof", "is not JSON") from None
    if not isinstance(plain, dict) or plain.get("schema") != SCHEMA:
        raise fault("proof", f"is not of schema {SCHEMA}")
    refuse_unknown(plain, {"schema", "kind", "head", "path", "line", "earlier"}, "proof")
    kind, path = plain.get("kind"), plain.get("path")
    if kind not in ("inclusion", "consistency") or not isinstance(path, list) or len(path) > _MOST_STEPS:
        raise fault("proof", "is neither an inclusion nor a consistency proof")
    try:
        steps = tuple(bytes.fromhex(step) for step in path)
        line = plain.get("line", "").encode("utf-8")
        head = read_head(plain["head"])
        earlier = read_head(plain["earlier"]) if "earlier" in plain else None
    except (TypeError, ValueError, KeyError, AttributeError):
        raise fault("proof", "has a part that can't be read") from None
    if any(len(step) != 32 for step in steps) or (kind == "inclusion") != bool(line):
        raise fault("proof", "has a part that can't be read")
    proof = LogProof(kind, head, steps, line, earlier)
    if line:
        read_line(line)
    return proof


def _leaves(lines: Sequence[bytes], head: Head | None) -> list[bytes]:
    if head is None:
        return [leaf_hash(line) for line in lines]
    if head.size > len(lines):
        raise fault("head", f"covers {head.size} lines, and the log has {len(lines)}", "is it the head of another log?")
    leaves = [leaf_hash(line) for line in lines[: head.size]]
    if head_of(leaves) != head:
        raise fault("head", "is not a head of this log", "the log was changed, or it is another log")
    return leaves
