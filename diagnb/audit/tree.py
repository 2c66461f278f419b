"""Merkle tree of a growing list: its head, proofs that an entry is in it and that it only grew (RFC 9162, 2.1).

SHA-256 throughout; a leaf is hashed after the octet 00, an inner node after 01, so neither can pass for the other.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from diagnb.errors import fault

EMPTY_ROOT = hashlib.sha256(b"").digest()
_HEAD = re.compile(r"(0|[1-9][0-9]{0,14}):([0-9a-f]{64})")


def leaf_hash(data: bytes) -> bytes:
    """Hash of one entry, 32 bytes (RFC 9162, 2.1.1)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of an inner node (RFC 9162, 2.1.1)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True, slots=True)
class Head:
    """How many entries, and the Merkle root over them: whoever holds it notices any change to them."""

    size: int
    root: bytes = field(repr=False)

    def __post_init__(self) -> None:
        if self.size < 0 or len(self.root) != 32 or (self.size == 0 and self.root != EMPTY_ROOT):
            raise fault("head", "is not a number of entries with a root of 32 bytes")

    def __str__(self) -> str:
        """As printed in reports: the number of entries, a colon, the root in hexadecimal."""
        return f"{self.size}:{self.root.hex()}"


def read_head(text: str) -> Head:
    """The head that ``str(head)`` wrote. Raises :class:`InputFault` on anything else."""
    found = _HEAD.fullmatch(text.strip())
    if found is None:
        raise fault("head", f"{text[:80]!r} is not a log head", "it looks like 42:9f86… with 64 hexadecimal digits")
    return Head(int(found[1]), bytes.fromhex(found[2]))


@dataclass(slots=True)
class Tree:
    """The tree while it grows: only the roots of its full subtrees are kept, at most one for each power of two."""

    size: int = 0
    _peaks: list[bytes] = field(default_factory=list)

    def add(self, leaf: bytes) -> None:
        """Take in the hash of the next leaf. O(log n)."""
        node, size = leaf, self.size
        while size & 1:
            node = node_hash(self._peaks.pop(), node)
            size >>= 1
        self._peaks.append(node)
        self.size += 1

    def head(self) -> Head:
        """The head over everything taken in so far. O(log n)."""
        if not self._peaks:
            return Head(0, EMPTY_ROOT)
        node = self._peaks[-1]
        for peak in reversed(self._peaks[:-1]):
            node = node_hash(peak, node)
        return Head(self.size, node)


def head_of(leaves: Iterable[bytes]) -> Head:
    """The head over these leaf hashes."""
    tree = Tree()
    for leaf in leaves:
        tree.add(leaf)
    return tree.head()


def inclusion_path(leaves: Sequence[bytes], index: int) -> tuple[bytes, ...]:
    """Audit path of leaf ``index`` in the tree over all ``leaves`` (hashes); RFC 9162, 2.1.3.1."""
    if not 0 <= index < len(leaves):
        raise fault("index", f"there is no entry {index} among {len(leaves)}")
    found: list[bytes] = []
    low, high = 0, len(leaves)
    while high - low > 1:
        middle = low + _split(high - low)
        if index < middle:
            found.append(head_of(leaves[middle:high]).root)
            high = middle
        else:
            found.append(head_of(leaves[low:middle]).root)
            low = middle
    return tuple(reversed(found))


def consistency_path(leaves: Sequence[bytes], size: int) -> tuple[bytes, ...]:
    """Proof that the first ``size`` leaves are the beginning of ``leaves``; RFC 9162, 2.1.4.1."""
    if not 0 < size <= len(leaves):
        raise fault("size", f"{size} is not between 1 and {len(leaves)}")
    found: list[bytes] = []
    low, high, whole = 0, len(leaves), True
    while size < high:
        middle = low + _split(high - low)
        if size <= middle:
            found.append(head_of(leaves[middle:high]).root)
            high = middle
        else:
            found.append(head_of(leaves[low:middle]).root)
            low, whole = middle, False
    if not whole:
        found.append(head_of(leaves[low:high]).root)
    return tuple(reversed(found))


def verify_inclusion(leaf: bytes, *, index: int, path: Sequence[bytes], head: Head) -> bool:
    """Whether the leaf hash stands at ``index`` under ``head``; RFC 9162, 2.1.3.2."""
    if not 0 <= index < head.size:
        return False
    fn, sn, root = index, head.size - 1, leaf
    for step in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            root = node_hash(step, root)
            while fn and not fn & 1:
                fn, sn = fn >> 1, sn >> 1
        else:
            root = node_hash(root, step)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and root == head.root


def verify_consistency(old: Head, new: Head, path: Sequence[bytes]) -> bool:
    """Whether the tree of ``new`` begins with the tree of ``old``; RFC 9162, 2.1.4.2."""
    if old.size == 0:
        return not path
    if old.size == new.size:
        return not path and old.root == new.root
    if old.size > new.size or not path:
        return False
    steps = list(path)
    if old.size & (old.size - 1) == 0:
        steps.insert(0, old.root)
    fn, sn = old.size - 1, new.size - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    first = second = steps[0]
    for step in steps[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            first, second = node_hash(step, first), node_hash(step, second)
            while fn and not fn & 1:
                fn, sn = fn >> 1, sn >> 1
        else:
            second = node_hash(second, step)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and first == old.root and second == new.root


def _split(count: int) -> int:
    """The largest power of two smaller than ``count``."""
    return 1 << (count - 1).bit_length() - 1
