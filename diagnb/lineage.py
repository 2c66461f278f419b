"""A report against what stands around it: the report that it replaces, the original of a copy, the shop's log."""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from diagnb.audit import Entry, Head, LogCheck, Tree, check_lines, leaf_hash, lines_of, read_head
from diagnb.errors import InputFault, SigningFault
from diagnb.record import Record, differences, digest
from diagnb.redaction import digest_list, fields, same_results
from diagnb.signing import MADE_HERE, load_trust

LogState = Literal["not checked", "current", "superseded", "void", "not in the log", "log differs", "log broken"]

REASONS: dict[str, str] = {
    "replaced-report-missing": "this report replaces nothing, but an earlier report was given",
    "replaced-report-differs": "the report given is not the one that this report replaces",
    "replaced-report-unproved": "the report that this one replaces does not prove itself",
    "changes-differ": "the list of changes is not what differs between the two records",
    "redaction-broken": "what the redacted copy shows does not give its digest list head",
    "original-differs": "the report given is not the original of this redacted copy",
    "original-unproved": "the original of this redacted copy does not prove itself",
    "not-redacted": "this report is no redacted copy, but an original was given",
    "digest-list-differs": "the attached digest list is not that of the embedded record",
    "photo-differs": "a photo in the report is not the one that it names",
    "attachment-unexpected": "the report carries a file that reports never carry",
    "log-broken": "the shop's log is broken",
    "log-differs": "the log head printed in this report is not a head of the log: the log was changed",
    "not-in-log": "the shop's log does not say that this report was issued",
    "void": "the record was declared void later",
    "signature-cut-off": "the shop's log knows of a further signature that this file lacks",
}
"""Reasons that speak against a report."""

NOTES: dict[str, str] = {
    "superseded": "a later revision replaces this report",
    "void-notice": "this report declares its record void",
    "redacted-copy": "a redacted copy; compare its digest list head with the original's to be sure of both",
    "log-head-missing": "the report carries no log head, so the log proves its issue but not when",
}
"""What must be seen, but does not speak against a report."""


def against_replaced(record: Record, earlier: Record) -> tuple[str, ...]:
    """What speaks against ``record`` being the revision that replaces ``earlier``, with the changes it lists."""
    replaces = record.replaces
    if replaces is None:
        return ("replaced-report-missing",)
    if (record.id, replaces.revision, replaces.digest) != (earlier.id, earlier.revision, digest(earlier)):
        return ("replaced-report-differs",)
    # earlier versions wrote whole entries as JSON
    written = (differences(earlier, record, as_json=as_json) for as_json in (False, True))
    if record.redaction is None and replaces.changes not in written:
        return ("changes-differ",)
    return ()


def against_original(copy: Record, original: Record, salt: str) -> tuple[str, ...]:
    """What speaks against ``copy`` being a redacted copy of ``original``, whose report was made with ``salt``."""
    redaction = copy.redaction
    if redaction is None:
        return ("not-redacted",)
    if redaction.of != digest(original) or not salt:
        return ("original-differs",)
    try:
        whole = digest_list(original, salt)
        same = whole.head == redaction.head and all(
            whole.hashes.get(place, b"").hex() == found for place, found in redaction.removed.items()
        )
        shown, before = fields(copy), fields(original)
        same = same and all(before.get(place) == value for place, value in shown.items() if place in redaction.salts)
        same = same and same_results(original, copy)
    except InputFault:
        return ("original-differs",)
    return () if same else ("original-differs",)


@dataclass(frozen=True, slots=True)
class LogAnswer:
    """What the log says about one report."""

    state: LogState
    reasons: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class ShopLog:
    """A log read once, to be asked about many reports."""

    found: LogCheck
    leaves: Sequence[bytes]
    owners: frozenset[str] = frozenset()
    """Names of the authorities whose log this is; a report under another one is not its business. Empty: not known."""
    _issued: dict[str, list[Entry]] = field(default_factory=dict)
    _replaced: set[str] = field(default_factory=set)
    _void: set[str] = field(default_factory=set)
    _signed_further: set[str] = field(default_factory=set)
    _marks: list[Tree] = field(default_factory=list)

    def __post_init__(self) -> None:
        tree = Tree()
        for index, leaf in enumerate(self.leaves):
            if index % _STEP == 0:
                self._marks.append(deepcopy(tree))
            tree.add(leaf)
        self._marks.append(deepcopy(tree))
        for entry in self.found.entries:
            event = entry.event
            if event.action == "sign" and event.replaces:
                self._signed_further.add(event.replaces)
            if event.action in ("issue", "amend", "void", "redact"):
                self._issued.setdefault(event.digest, []).append(entry)
                if event.replaces and event.action != "redact":
                    self._replaced.add(event.replaces)
                if event.action == "void":
                    self._void.add(event.record)

    def head_at(self, size: int) -> Head | None:
        """The head over the first ``size`` lines; None when there are fewer."""
        if not 0 <= size <= len(self.leaves):
            return None
        tree = deepcopy(self._marks[size // _STEP])
        for leaf in self.leaves[tree.size : size]:
            tree.add(leaf)
        return tree.head()

    def issued(self, digest: str) -> tuple[Entry, ...]:
        """The lines that say that the record with this SHA-256 was issued: one for each time it was rendered."""
        return tuple(self._issued.get(digest, ()))

    def answer(
        self,
        *,
        record: str,
        digest: str,
        head: str,
        digest_head: str = "",
        original: str = "",
        status: str = "",
        file_sha256: str = "",
    ) -> LogAnswer:
        """What the log says about a report: of the record ``record`` with SHA-256 ``digest``, with the log head
        ``head`` and the digest list head ``digest_head`` in it; ``original`` is the record that a copy was made of,
        ``file_sha256`` that of the whole file: a file that was signed further later has lost a signature.
        """
        if not self.found.good:
            return LogAnswer("log broken", ("log-broken",))
        pinned: Head | None = None
        if head:
            try:
                pinned = read_head(head)
            except InputFault:
                return LogAnswer("log differs", ("log-differs",))
            if self.head_at(pinned.size) != pinned:
                return LogAnswer("log differs", ("log-differs",))
        lines = [line for line in self.issued(digest) if pinned is None or line.seq < pinned.size]
        if not lines:
            return LogAnswer("not in the log", ("not-in-log",))
        if digest_head and all(line.event.root and line.event.root != digest_head for line in lines):
            return LogAnswer("log differs", ("log-differs",))
        if original and all(source.event.root != digest_head for source in self.issued(original)):
            return LogAnswer("not in the log", ("original-differs",))
        notes = () if head else ("log-head-missing",)
        if file_sha256 in self._signed_further:
            return LogAnswer("log differs", ("signature-cut-off",), notes)
        if record in self._void and status != "void":
            return LogAnswer("void", ("void",), notes)
        if {digest, original} & self._replaced:
            return LogAnswer("superseded", (), (*notes, "superseded"))
        return LogAnswer("current", (), notes)


_STEP = 1024


def read_shop_log(path: Path) -> ShopLog:
    """The log at ``path``, checked. Raises :class:`InputFault` when it can't be read at all."""
    lines = lines_of(path)
    found = check_lines(b"".join(line + b"\n" for line in lines))
    return ShopLog(found, [leaf_hash(line) for line in lines], _owners(path.with_name("trust.json")))


def _owners(trust_list: Path) -> frozenset[str]:
    """The authorities that were made for this shop, by the trust list that lies with its log."""
    try:
        entries = load_trust(trust_list).entries if trust_list.is_file() else ()
    except SigningFault:
        return frozenset()
    return frozenset(e.name for e in entries if e.kind == "authority" and e.added_by == MADE_HERE)
