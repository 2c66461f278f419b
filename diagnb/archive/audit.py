"""Is the archive what was put into it? Every entry, row and file against its digest, and the chain against itself."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from typing import Any

from diagnb.archive import tables as db
from diagnb.archive.chain import ROOT, Head, digest_of_rows, holds
from diagnb.archive.doubt import doubt_in
from diagnb.archive.fault import ArchiveFault
from diagnb.archive.rows import (
    RESULT_COLUMNS,
    REVISION_FACTS,
    TEST_COLUMNS,
    asks_for_verdict,
    prepare_document,
    tests_digest,
)
from diagnb.archive.store import Archive
from diagnb.version import VERSION

REASONS: dict[str, str] = {
    "damaged": "the store's file is damaged",
    "unreadable": "a part of the store can't be read",
    "entry-missing": "an entry of the chain is missing",
    "entry-changed": "an entry is not what its own hash says",
    "chain-broken": "an entry does not follow the one before it",
    "cut-off": "entries up to a head that was written down elsewhere are missing",
    "other-history": "the head that was written down elsewhere belongs to another history",
    "row-removed": "a stored revision or attachment was taken out",
    "row-added": "a row is there that no entry accounts for",
    "document-changed": "a record is not the one that was stored",
    "facts-changed": "what a revision is found by was changed",
    "results-changed": "result rows were changed, taken out or added",
    "tests-changed": "test rows were changed, taken out or added",
    "content-missing": "an attachment's content is missing",
    "content-changed": "an attachment was replaced or changed",
    "sheet-changed": "a layout, procedure or accuracy sheet was changed or is missing",
    "replaces-other": "a revision replaces something else than what is stored",
    "recomputed-differs": "evaluating the record again gives other results",
    "clock-back": "the clock went back between two entries",
    "revision-gap": "an earlier revision is not in this archive",
    "kept-unproved": "kept without proof of signer or pages",
}
"""Every code with what it means. The last three are remarks: they do not speak against the store."""
REMARKS = frozenset({"clock-back", "revision-gap", "kept-unproved"})


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: its code, and where."""

    code: str
    where: str
    detail: str = ""

    @property
    def remark(self) -> bool:
        """Whether it does not speak against the store."""
        return self.code in REMARKS

    def __str__(self) -> str:
        return f"{self.where}: {REASONS[self.code]}" + (f" ({self.detail})" if self.detail else "") + f" [{self.code}]"


@dataclass(frozen=True, slots=True)
class Audit:
    """What an audit saw: how much, the head of the chain, and everything that does not fit. ``limited`` of the ``results``
    ask for a verdict (:func:`~diagnb.archive.rows.asks_for_verdict`)."""

    head: Head
    revisions: int
    results: int
    limited: int
    files: int
    recomputed: int
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing speaks against the store."""
        return all(f.remark for f in self.findings)

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "sound": self.sound, "head": str(self.head), "entries": self.head.seq, "revisions": self.revisions,
            "results": self.results,
            "limited": self.limited, "files": self.files, "recomputed": self.recomputed,
            "findings": [{"code": f.code, "where": f.where, "detail": f.detail, "remark": f.remark} for f in self.findings],
        }  # fmt: skip


def audit(
    archive: Archive,
    *,
    known: Head | None = None,
    recompute: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Audit:
    """Check everything; raises nothing for what it finds, damage included.

    ``known`` is a head that was written down elsewhere: without one, entries cut off at the end can't be noticed.
    ``recompute`` evaluates every record again and compares all results to the digit (same engine only).
    """
    return _Auditor(archive, recompute, progress or (lambda _: None)).run(known)


class _Auditor:
    def __init__(self, archive: Archive, recompute: bool, progress: Callable[[int], None]) -> None:
        self.database = archive.database
        self.recompute, self.progress = recompute, progress
        self.found: list[Finding] = []
        self.revisions: dict[int, dict[str, Any]] = {}
        self.attached: dict[int, dict[str, Any]] = {}
        self.tests: dict[int, str] = {}
        self.counts = {"revisions": 0, "results": 0, "limited": 0, "files": 0, "recomputed": 0}
        self.unasked: Counter[tuple[str, ...]] = Counter()
        self.head = Head(0, ROOT)

    def run(self, known: Head | None) -> Audit:
        for line in self.database.damage():
            self._find("damaged", "file", line)
        for step in (
            partial(self._chain, known),
            self._documents,
            self._results,
            self._test_rows,
            self._files,
            self._sheets,
        ):
            try:
                step()
            except ArchiveFault as error:
                self._find("unreadable", "store", error.faults[0].what)
        return Audit(self.head, **self.counts, findings=tuple(self.found))

    def _find(self, code: str, where: str, detail: str = "") -> None:
        self.found.append(Finding(code, where, detail))

    def _chain(self, known: Head | None) -> None:
        moment, seen_known = "", known is None or known.seq == 0
        for row in self.database.stream(db.entries()):
            entry = db.as_entry(row)
            place = f"entry {entry.seq}"
            if entry.seq != self.head.seq + 1:
                self._find("entry-missing", place, f"after entry {self.head.seq}")
            elif entry.previous != self.head.hash:
                self._find("chain-broken", place)
            if not holds(entry):
                self._find("entry-changed", place)
            if known is not None and entry.seq == known.seq:
                seen_known = True
                if entry.hash != known.hash:
                    self._find("other-history", place)
            self.head = Head(entry.seq, entry.hash)
            body = _body(entry.body)
            self._doubt(body)
            added = str(body.get("added", moment))
            if added < moment:
                self._find("clock-back", place, f"{moment}, then {added}")
            moment = added
            if body.get("kind") == "revision":
                self.revisions[entry.seq] = body
                self.tests[entry.seq] = str(body.get("tests", ""))
            elif body.get("kind") == "upgrade":
                self.tests |= {int(seq): digest for seq, digest in dict(body.get("tests", {})).items()}
            else:
                self.attached[entry.seq] = body
        for reasons, count in self.unasked.items():
            self._find("kept-unproved", f"{count:,} of the reports", ", ".join(reasons))
        if not seen_known and known is not None:
            self._find("cut-off", f"entry {known.seq}", f"the last one is {self.head.seq}")

    def _doubt(self, body: dict[str, Any]) -> None:
        """What was kept despite a reason is named; where no trust list was asked, so many of them are counted."""
        doubt = doubt_in(body)
        if doubt is None:
            return
        if doubt.despite:
            name = f", {body['name']}" if body.get("name") else ""
            self._find("kept-unproved", f"{body.get('record')}, revision {body.get('revision')}{name}", str(doubt))
        elif body.get("kind") == "report":
            self.unasked[doubt.reasons] += 1

    def _documents(self) -> None:
        columns = ("seq", "record", "revision", "digest", "added", *REVISION_FACTS, "document")
        left, stored = dict(self.revisions), {}
        replaced: list[tuple[str, int, str]] = []
        for row in self.database.stream(db.table_rows("revision", *columns)):
            seq, record, revision, digest, added, *rest = row
            self.counts["revisions"] += 1
            self.progress(self.counts["revisions"])
            place = f"{record}, revision {revision}"
            body = left.pop(seq, None)
            stored[record, revision] = digest
            if body is None:
                self._find("row-added", place)
                continue
            document = rest.pop().encode()
            same = body["record"] == record and body["revision"] == revision and body["digest"] == digest
            if not same or hashlib.sha256(document).hexdigest() != body["digest"]:
                self._find("document-changed", place)
            elif self.recompute and dict(zip(REVISION_FACTS, rest, strict=True))["engine"] == f"diagnb {VERSION}":
                self._recompute(document, place, body)
            if body["added"] != added or body["facts"] != digest_of_rows([rest]):
                self._find("facts-changed", place)
            replaces = dict(zip(REVISION_FACTS, rest, strict=True))["replaces"]
            if revision > 1:
                replaced.append((record, revision, replaces))
        for seq, body in left.items():
            self._find("row-removed", f"{body['record']}, revision {body['revision']}", f"entry {seq}")
        for record, revision, replaces in replaced:
            earlier = [stored.get((record, number)) for number in range(1, revision)]
            gaps = [str(number) for number, digest in enumerate(earlier, 1) if digest is None]
            if gaps:
                self._find("revision-gap", f"{record}, revision {revision}", f"revision {', '.join(gaps)}")
            elif replaces and replaces not in earlier:
                self._find("replaces-other", f"{record}, revision {revision}")

    def _recompute(self, document: bytes, place: str, body: dict[str, Any]) -> None:
        again = prepare_document(document, place)
        self.counts["recomputed"] += 1
        if isinstance(again, tuple):
            self._find("recomputed-differs", place, str(again[0]))
        elif again.results_digest != body["results"]:
            self._find("recomputed-differs", place)

    def _results(self) -> None:
        self._rows("result", RESULT_COLUMNS, {s: b["results"] for s, b in self.revisions.items()}, digest_of_rows, "results-changed")  # fmt: skip

    def _test_rows(self) -> None:
        self._rows("test", TEST_COLUMNS, self.tests, tests_digest, "tests-changed")

    def _rows(
        self, table: str, columns: Iterable[str], expected: dict[int, str], digest: Callable[[Any], str], code: str
    ) -> None:
        left = dict(expected)
        empty = digest(())
        stream = self.database.stream(db.table_rows(table, "seq", *columns))
        for seq, rows in groupby(stream, key=lambda row: row[0]):
            body = self.revisions.get(seq)
            place = f"{body['record']}, revision {body['revision']}" if body else f"entry {seq}"
            if digest(self._counted(table, rows)) != left.pop(seq, None):
                self._find(code if body else "row-added", place, f"table {table}")
        for seq, wanted in left.items():
            if wanted not in (empty, ""):
                body = self.revisions.get(seq, {"record": f"entry {seq}", "revision": "?"})
                self._find(code, f"{body['record']}, revision {body['revision']}", f"no row left in table {table}")

    def _counted(self, table: str, rows: Iterable[Any]) -> Iterator[tuple[Any, ...]]:
        for row in rows:
            if table == "result":
                self.counts["results"] += 1
                self.counts["limited"] += asks_for_verdict(row[1:])
            yield tuple(row[1:])

    def _files(self) -> None:
        left, needed = dict(self.attached), {}
        for row in self.database.stream(db.table_rows("attached", "seq", "record", "revision", "kind", "name", "sha256", "added")):  # fmt: skip
            seq, *values = row
            body = left.pop(seq, None)
            place = f"{values[0]}, revision {values[1]}, {values[3]}"
            needed[values[4]] = place
            if body is None:
                self._find("row-added", place)
            elif [body[k] for k in ("record", "revision", "kind", "name", "sha256", "added")] != values:
                self._find("facts-changed", place)
        for body in left.values():
            self._find("row-removed", f"{body.get('record')}, revision {body.get('revision')}, {body.get('name')}")
            needed.pop(body.get("sha256"), None)
        for sha256, size, data in self.database.stream(db.whole_table("content", "sha256", "size", "bytes"), size=50):
            self.counts["files"] += 1
            if hashlib.sha256(data).hexdigest() != sha256 or len(data) != size:
                self._find("content-changed", needed.get(sha256, sha256))
            needed.pop(sha256, None)
        for place in needed.values():
            self._find("content-missing", place)

    def _sheets(self) -> None:
        known: dict[str, set[str]] = {"layout": set(), "sheet": set()}
        for table, names in known.items():
            for digest, document in self.database.stream(db.whole_table(table, "digest", "document")):
                names.add(digest)
                if hashlib.sha256(document.encode()).hexdigest() != digest:
                    self._find("sheet-changed", f"{table} {digest[:16]}")
        used = {row[0] for row in self.database.stream(db.whole_table("test", "layout"))}
        for digest in sorted(used - known["layout"]):
            self._find("sheet-changed", f"layout {digest[:16]}", "missing")


def _body(text: str) -> dict[str, Any]:
    try:
        body = json.loads(text)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}


def parse_head(text: str) -> Head:
    """A head as :class:`Head` prints it. Raises :class:`ArchiveFault`."""
    from diagnb.archive.fault import archive_fault

    number, _, found = text.partition(":")
    if not number.isdigit() or len(found) != 64 or set(found) - set("0123456789abcdef"):
        raise archive_fault("head", f"{text[:80]!r} is not a head", "it looks like 42:0f3a… as the audit prints it")
    return Head(int(number), found)


__all__ = ["REASONS", "REMARKS", "Audit", "Finding", "audit", "parse_head"]
