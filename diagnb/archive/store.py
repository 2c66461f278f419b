"""The archive: records in, never changed, found again.

A save is acknowledged when :meth:`Archive.add` returns; from then on it survives the death of the program. Adding
the same revision again changes nothing, so whoever got no answer may simply try again.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnb.archive import tables as db
from diagnb.archive.chain import Entry, Head, digest_of_rows, link
from diagnb.archive.database import Database, Writer
from diagnb.archive.doubt import Doubt, doubts_in
from diagnb.archive.fault import ArchiveFault, archive_fault
from diagnb.archive.rows import (
    RESULT_COLUMNS,
    REVISION_FACTS,
    Prepared,
    prepare,
    tests_digest,
    utc,
)
from diagnb.errors import Fault
from diagnb.record import Record, read_json, read_record

LISTED = ("seq", "record", "revision", "digest", "added", *REVISION_FACTS)


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one revision: its entry number, and whether it is new or was there already."""

    record: str
    revision: int
    seq: int
    new: bool


@dataclass(frozen=True, slots=True)
class Revision:
    """One stored revision: what it can be found by. ``facts`` has the columns of REVISION_FACTS."""

    seq: int
    record: str
    revision: int
    digest: str
    added: str
    facts: Mapping[str, Any]

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"seq": self.seq, "record": self.record, "revision": self.revision, "digest": self.digest, "added": self.added, **self.facts}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Attached:
    """A file that belongs to a revision: an attachment of the record, or an issued report."""

    seq: int
    revision: int
    kind: str
    name: str
    sha256: str
    added: str


class Archive:
    """One open archive. Make it with :func:`open_archive`; close it, or use it as a context."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close it; whatever was acknowledged is on disk already."""
        self.database.close()

    @property
    def name(self) -> str:
        """Its address, without a password."""
        return self.database.name

    def add(
        self, record: Record | Prepared, *, moment: dt.datetime, by: str = "", files: Mapping[str, bytes] | None = None
    ) -> Added:
        """Keep one revision with its results; durable when this returns.

        ``moment`` (with zone) is when, ``by`` who adds it; ``files`` are the contents of attachments by name. Raises
        :class:`ArchiveFault` where this revision is there with another content, where it replaces something else
        than what is stored, or where the store can't be written; then nothing of it is kept.
        """
        ready = record if isinstance(record, Prepared) else prepare(record)
        outcome = self.add_many([ready], moment=moment, by=by, files=files)[0]
        if isinstance(outcome, Fault):
            raise ArchiveFault(outcome)
        return outcome

    def add_many(
        self,
        batch: Sequence[Prepared],
        *,
        moment: dt.datetime,
        by: str = "",
        files: Mapping[str, bytes] | None = None,
        doubts: Mapping[tuple[str, int], Doubt] | None = None,
    ) -> list[Added | Fault]:
        """Keep many revisions in one transaction; what can't be kept is a fault in its place, the rest is kept.

        ``doubts`` names by record and revision what speaks against the report that a new revision was taken from.
        """
        if moment.utcoffset() is None:
            raise archive_fault("moment", "has no time zone", "give it one, for example UTC")
        contents = {hashlib.sha256(data).hexdigest(): data for data in (files or {}).values()}
        with self.database.writing() as writer:
            return _Batch(writer, utc(moment), by, contents, doubts or {}).add(batch)

    def attach(
        self,
        record: str,
        revision: int,
        *,
        name: str,
        content: bytes,
        kind: str = "report",
        moment: dt.datetime,
        doubt: Doubt | None = None,
    ) -> bool:
        """Keep a file with a stored revision: an issued report, or an attachment that came later.

        ``doubt`` is what speaks against it. False when it was there already. Raises :class:`ArchiveFault` when there is no such revision.
        """
        sha256 = hashlib.sha256(content).hexdigest()
        with self.database.writing() as writer:
            if (record, revision) not in writer.digests([record]):
                raise archive_fault(f"{record}, revision {revision}", "is not in the archive", "add the record first")
            known = self.database.execute(db.attachments_of(record, revision), writer.connection)
            if any(row[2] == kind and row[4] == sha256 for row in known):
                return False
            body = {"kind": kind, "record": record, "revision": revision, "name": name, "sha256": sha256, "added": utc(moment), **(doubt.to_plain() if doubt else {})}  # fmt: skip
            entry = link(writer.head(), body)
            writer.insert_new("content", [(sha256, len(content), content)])
            writer.insert("entry", [_entry_row(entry)])
            writer.insert("attached", [_attached_row(entry.seq, body)])
        return True

    def document(self, record: str, revision: int | None = None) -> bytes:
        """The canonical bytes of a revision, the latest when none is named. Checked against the stored digest."""
        rows = self.database.execute(db.one_revision(record, revision, "document", "digest", "revision"))
        if not rows:
            what = record if revision is None else f"{record}, revision {revision}"
            raise archive_fault(what, "is not in the archive", "see diagnb archive list")
        data = rows[0][0].encode()
        if hashlib.sha256(data).hexdigest() != rows[0][1]:
            raise archive_fault(
                f"{record}, revision {rows[0][2]}", "is not what was stored", "run diagnb archive audit"
            )
        return bytes(data)

    def get(self, record: str, revision: int | None = None) -> Record:
        """A revision as a record, the latest when none is named."""
        return read_record(read_json(self.document(record, revision), record))

    def list(
        self, *, record: str = "", claim: str = "", vin: str = "", unit: str = "", latest: bool = True
    ) -> tuple[Revision, ...]:
        """Stored revisions that match, in the order in which they were added; only the latest of each by default."""
        wanted = db.revisions(*LISTED, record=record, claim=claim, vin=vin, unit=unit, latest=latest)
        return tuple(
            Revision(row[0], row[1], row[2], row[3], row[4], dict(zip(LISTED[5:], row[5:], strict=True)))
            for row in self.database.execute(wanted)
        )

    def days(self, seqs: Iterable[int]) -> dict[int, str]:
        """The day (ISO) on which each of these entries' records was made, in the record's own time zone; the fact
        ``created`` is in UTC, where that may be another day."""
        wanted = sorted(set(seqs))
        found: dict[int, str] = {}
        for start in range(0, len(wanted), 900):
            statement = db.own_days(wanted[start : start + 900], sqlite=self.database.sqlite)
            found |= {row[0]: row[1] for row in self.database.execute(statement)}
        return found

    def history(self, record: str) -> tuple[Revision, ...]:
        """Every revision of one record, oldest first."""
        return tuple(sorted(self.list(record=record, latest=False), key=lambda r: r.revision))

    def attached(self, record: str, revision: int | None = None) -> tuple[Attached, ...]:
        """Files kept with a record, or with one revision of it."""
        return tuple(Attached(*row) for row in self.database.execute(db.attachments_of(record, revision)))

    def doubts(self) -> dict[tuple[str, int, str], Doubt]:
        """What was kept although it does not prove itself: by record, revision and SHA-256 of the report ("" for a revision
        that was taken from such a report)."""
        return doubts_in([row[0] for row in self.database.execute(db.bodies_with("unproved"))])

    def content(self, sha256: str) -> bytes:
        """A kept file by its digest, checked against it."""
        rows = self.database.execute(db.chosen("content", "sha256", [sha256], "bytes"))
        if not rows:
            raise archive_fault(sha256, "is not in the archive")
        data = bytes(rows[0][0])
        if hashlib.sha256(data).hexdigest() != sha256:
            raise archive_fault(sha256, "is not what was stored", "run diagnb archive audit")
        return data

    def head(self) -> Head:
        """Number and hash of the last entry: write it down elsewhere, and nothing can be cut off unseen."""
        with self.database.reading() as connection:
            return db.head(connection)

    def results(self, *, after: int = 0, until: int | None = None) -> Iterator[tuple[Any, ...]]:
        """Result rows (entry number, then the columns of RESULT_COLUMNS) above an entry number, in their order."""
        for row in self.database.stream(db.table_rows("result", "seq", *RESULT_COLUMNS, after=after, until=until)):
            yield tuple(row)


def open_archive(url: str | Path, *, moment: dt.datetime, create: bool = False) -> Archive:
    """Open an archive, and upgrade it when an earlier version wrote it; ``create`` makes one that is missing.

    ``url`` is a path, ``sqlite:///path`` or ``postgresql://user@host/name``; the file must not lie on a network share
    (use PostgreSQL there). Raises :class:`ArchiveFault` where it can't be opened, and
    :class:`~diagnb.errors.MissingPackage` without the extra ``archive``.
    """
    database = Database(url, create=create)
    try:
        _ready(database, create=create, made=utc(moment))
    except BaseException:
        database.close()
        raise
    return Archive(database)


def _ready(database: Database, *, create: bool, made: str) -> None:
    if not create and database.version() == 0:
        raise archive_fault(database.name, "holds no archive", "diagnb archive add makes one")
    database.migrate(made=made, fill=_fill)


class _Batch:
    """One transaction's worth of revisions."""

    def __init__(
        self,
        writer: Writer,
        added: str,
        by: str,
        contents: Mapping[str, bytes],
        doubts: Mapping[tuple[str, int], Doubt],
    ) -> None:
        self.writer, self.added, self.by, self.contents, self.doubts = writer, added, by, contents, doubts
        self.head = writer.head()
        self.rows: dict[str, list[tuple[Any, ...]]] = {}

    def add(self, batch: Sequence[Prepared]) -> list[Added | Fault]:
        known = self.writer.digests({ready.record for ready in batch})
        wanted = {sha for ready in batch for sha in ready.attachments.values() if sha not in self.contents}
        stored = self.writer.known("content", "sha256", wanted) if wanted else set()
        outcomes: list[Added | Fault] = []
        for ready in batch:
            key = (ready.record, ready.revision)
            if key in known:
                seq, digest = known[key]
                outcomes.append(Added(*key, seq, False) if digest == ready.digest else _other(ready))
                continue
            wrong = _not_what_it_replaces(ready, known)
            if wrong is not None:
                outcomes.append(wrong)
                continue
            seq = self._revision(ready, stored)
            known[key] = (seq, ready.digest)
            outcomes.append(Added(*key, seq, True))
        self._write(batch)
        return outcomes

    def _revision(self, ready: Prepared, stored: set[str]) -> int:
        doubt = self.doubts.get((ready.record, ready.revision))
        entry = self._entry(
            {
                "kind": "revision", "record": ready.record, "revision": ready.revision, "digest": ready.digest,
                "results": ready.results_digest, "tests": ready.tests_digest, "added": self.added, "by": self.by,
                "facts": digest_of_rows([[ready.facts.get(k) if k != "added_by" else self.by for k in REVISION_FACTS]]),
                **(doubt.to_plain() if doubt else {}),
            }
        )  # fmt: skip
        facts = (ready.facts.get(k) if k != "added_by" else self.by for k in REVISION_FACTS)
        own = (entry, ready.record, ready.revision, ready.digest, self.added)
        self._keep("revision", [(*own, *facts, ready.document.decode())])
        self._keep("result", [(entry, i, *row) for i, row in enumerate(ready.results)])
        self._keep("test", [(entry, i, *row) for i, row in enumerate(ready.tests)])
        for name, sha256 in ready.attachments.items():
            if sha256 in self.contents or sha256 in stored:
                body = {"kind": "attachment", "record": ready.record, "revision": ready.revision, "name": name, "sha256": sha256, "added": self.added}  # fmt: skip
                self._keep("attached", [_attached_row(self._entry(body), body)])
                if sha256 in self.contents:
                    self._keep("content", [(sha256, len(self.contents[sha256]), self.contents[sha256])])
        return entry

    def _entry(self, body: Mapping[str, Any]) -> int:
        entry = link(self.head, body)
        self.head = Head(entry.seq, entry.hash)
        self._keep("entry", [_entry_row(entry)])
        return entry.seq

    def _keep(self, table: str, rows: list[tuple[Any, ...]]) -> None:
        self.rows.setdefault(table, []).extend(rows)

    def _write(self, batch: Sequence[Prepared]) -> None:
        if not self.rows:
            return
        layouts = {d: t for ready in batch for d, t in ready.layouts.items()}
        sheets = {d: s for ready in batch for d, s in ready.sheets.items()}
        self.writer.insert_new("layout", list(layouts.items()))
        self.writer.insert_new("sheet", [(d, kind, text) for d, (kind, text) in sheets.items()])
        self.writer.insert_new("content", self.rows.pop("content", []))
        for table, rows in self.rows.items():
            self.writer.insert(table, rows)


def _entry_row(entry: Entry) -> tuple[Any, ...]:
    return (entry.seq, entry.body, entry.previous, entry.hash)


def _attached_row(seq: int, body: Mapping[str, Any]) -> tuple[Any, ...]:
    return (seq, *(body[name] for name in ("record", "revision", "kind", "name", "sha256", "added")))


def _other(ready: Prepared) -> Fault:
    return Fault(
        f"{ready.record}, revision {ready.revision}", "is there already, with another content",
        "a correction is a new revision; nothing that is stored is changed",
    )  # fmt: skip


def _not_what_it_replaces(ready: Prepared, known: Mapping[tuple[str, int], tuple[int, str]]) -> Fault | None:
    """A fault where the revision that this one says it replaces is stored with another digest."""
    if ready.replaces is None:
        return None
    earlier = known.get((ready.record, ready.replaces[0]))
    if earlier is None or earlier[1] == ready.replaces[1]:
        return None
    return Fault(
        f"{ready.record}, revision {ready.revision}",
        f"replaces a revision {ready.replaces[0]} that is not the stored one",
        "take the stored revision and amend that",
    )


def _fill(database: Database, writer: Writer, version: int) -> None:
    """Version 2 brought the test rows; they follow from the documents that version 1 holds."""
    if version != 2:
        return
    rows, digests = [], {}
    wanted = db.table_rows("revision", "seq", "document")
    for seq, document in database.execute(wanted, writer.connection):
        ready = prepare(read_record(read_json(document.encode(), f"entry {seq}")))
        writer.insert_new("layout", list(ready.layouts.items()))
        writer.insert_new("sheet", [(d, kind, text) for d, (kind, text) in ready.sheets.items()])
        rows += [(seq, i, *row) for i, row in enumerate(ready.tests)]
        digests[str(seq)] = tests_digest(ready.tests)
    if digests:
        writer.insert("test", rows)
        writer.insert("entry", [_entry_row(link(writer.head(), {"kind": "upgrade", "to": 2, "tests": digests}))])
