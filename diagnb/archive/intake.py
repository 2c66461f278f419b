"""Many records and reports into the archive: what does not fit is listed with its place, the rest is kept.

Nothing is dropped silently: every file, and every row of an old table, ends as added, known already, or a fault.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnb.archive import tables as db
from diagnb.archive.doubt import Doubt
from diagnb.archive.fault import ArchiveFault
from diagnb.archive.rows import RESULT_COLUMNS, Prepared, asks_for_verdict, prepare_document
from diagnb.archive.store import Archive
from diagnb.archive.workers import in_order
from diagnb.errors import Fault
from diagnb.record.door import MOST_BYTES

BATCH = 200
_REASON, _VERDICT = (list(RESULT_COLUMNS).index(name) for name in ("reason", "verdict"))
_NOT_OF_THE_VISIT = ("id", "revision", "replaces", "created", "schema", "meters", "procedures")


@dataclass(frozen=True, slots=True)
class Carried:
    """What a report carries: the record, what to say of it when it is kept ("" nothing), what speaks against it, and the
    attachments of which it shows a picture."""

    record: bytes
    remark: str = ""
    doubt: Doubt | None = None
    pictures: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Item:
    """One document on its way in: where it comes from, its bytes, and what is kept with it."""

    where: str
    document: bytes
    report: tuple[str, bytes] | None = None
    folder: Path | None = None
    carried: Carried | None = None


@dataclass
class Intake:
    """What became of everything that was brought.

    ``results`` counts the results of new revisions, ``to_judge`` those that a limit applies to and whose readings were
    taken, or whose limit is missing; ``unjudged`` those of them without a verdict, by reason code. ``pictured`` counts
    attachments that only the report shows: the camera's own file was not there.
    """

    added: int = 0
    known: int = 0
    files: int = 0
    results: int = 0
    to_judge: int = 0
    pictured: int = 0
    unjudged: Counter[str] = field(default_factory=Counter)
    nameless: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    remarks: list[Fault] = field(default_factory=list)

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "added": self.added, "known": self.known, "files": self.files,
            "faults": [{"where": f.where, "what": f.what, "repair": f.repair} for f in self.faults],
            "remarks": [{"where": f.where, "what": f.what, "repair": f.repair} for f in self.remarks],
            "results": self.results, "to_judge": self.to_judge, "pictured": self.pictured,
            "not_judged": [{"reason": reason, "results": n} for reason, n in sorted(self.unjudged.items())],
        }  # fmt: skip

    def count(self, ready: Prepared) -> None:
        """Take in what the evaluation of a new revision says."""
        self.results += len(ready.results)
        for row in ready.results:
            if asks_for_verdict(row):
                self.to_judge += 1
                self.unjudged.update([row[_REASON]] if row[_VERDICT] == "not judged" else [])
        if not (str(ready.facts["vin"]).strip() or str(ready.facts["unit"]).strip()):
            self.nameless.append(f"{ready.record}, revision {ready.revision}")


ReadReport = Callable[[Path], "Carried | Fault"]
"""From the path of a report to what it carries, or why it is not kept."""


def folder_files(folder: Path) -> list[Path]:
    """Everything below ``folder`` that may hold a record or a report, sorted."""
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.suffix.lower() in (".json", ".pdf"))


def read_items(paths: Iterable[Path], read_report: ReadReport, intake: Intake) -> Iterator[Item]:
    """Records and reports from files; what can't be read goes to the faults, what is no record to the remarks."""
    for path in paths:
        try:
            if path.stat().st_size > MOST_BYTES and path.suffix.lower() == ".json":
                intake.faults.append(Fault(str(path), "is larger than 64 MiB", "this is not a record"))
                continue
            data = path.read_bytes()
            if path.suffix.lower() == ".pdf":
                found = read_report(path)
                if isinstance(found, Fault):
                    intake.faults.append(found)
                    continue
                yield Item(str(path), found.record, (path.name, data), path.parent, found)
            elif b'"diagnb-record/' not in data[:MOST_BYTES]:
                intake.remarks.append(Fault(str(path), "is no record, left out"))
            else:
                yield Item(str(path), data, None, path.parent)
        except OSError as error:
            intake.faults.append(Fault(str(path), f"can't be read: {error.strerror or error}"))


def bring_in(
    archive: Archive,
    items: Iterable[Item],
    *,
    moment: dt.datetime,
    by: str = "",
    intake: Intake | None = None,
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
) -> Intake:
    """Check, evaluate and keep every item; returns what became of each.

    A visit that is there already under another id is a fault, because it would count twice. ``executor`` evaluates in
    parts elsewhere; ``progress`` is told how many items are done. Raises :class:`ArchiveFault` only where the store
    itself can't be written.
    """
    outcome = intake if intake is not None else Intake()
    waiting: list[Item] = []

    def passed() -> Iterator[tuple[bytes, str]]:
        for item in items:
            waiting.append(item)
            yield item.document, item.where

    batch: list[tuple[Item, Prepared]] = []
    later: set[str] = set()
    door = _Visits(archive)
    for done, ready in enumerate(in_order(_prepare, passed(), executor), 1):
        item = waiting.pop(0)
        if isinstance(ready, tuple):
            outcome.faults += [Fault(f"{item.where}: {f.where}", f.what, f.repair) for f in ready]
        else:
            twin = door.twin(ready)
            if twin:
                outcome.faults.append(Fault(item.where, f"is the same visit as {twin}", "keep one of the two"))
            else:
                batch.append((item, ready))
                later.update([ready.record] if ready.revision > 1 else [])
        if len(batch) >= BATCH:
            _keep(archive, batch, moment, by, outcome)
            batch = []
        if progress:
            progress(done)
    _keep(archive, batch, moment, by, outcome)
    outcome.remarks += _gaps(archive, sorted(later))
    outcome.remarks += _nameless(outcome.nameless)
    return outcome


def _nameless(found: Sequence[str]) -> list[Fault]:
    """One remark for all records that name no vehicle."""
    if not found:
        return []
    where = "; ".join(found[:3]) + (f" and {len(found) - 3:,} more" if len(found) > 3 else "")
    return [Fault(where, "names no vehicle: VIN and unit are missing or blank, and a fleet study will set it aside", "write the unit or VIN in a new revision")]  # fmt: skip


def _gaps(archive: Archive, records: Sequence[str]) -> Iterator[Fault]:
    """A remark for every record whose earlier revisions are not all there, once everything is in."""
    there: dict[str, set[int]] = {}
    for start in range(0, len(records), BATCH):
        wanted = db.chosen("revision", "record", records[start : start + BATCH], "record", "revision")
        for record, revision in archive.database.execute(wanted):
            there.setdefault(record, set()).add(revision)
    for record, found in sorted(there.items()):
        missing = [str(n) for n in range(1, max(found)) if n not in found]
        if missing:
            shown = ", ".join(missing[:20])
            yield Fault(record, f"revision {max(found)} is kept, revision {shown} is not in the archive", "add it too, or keep a note of why it is missing")  # fmt: skip


def _prepare(work: tuple[bytes, str]) -> Prepared | tuple[Fault, ...]:
    return prepare_document(*work, carried=False)


def _keep(
    archive: Archive, batch: Sequence[tuple[Item, Prepared]], moment: dt.datetime, by: str, outcome: Intake
) -> None:
    if not batch:
        return
    ordered = sorted(batch, key=lambda pair: (pair[1].record, pair[1].revision))
    files: dict[str, bytes] = {}
    for item, ready in ordered:
        for name, sha256 in ready.attachments.items():
            content = _beside(item.folder, name, sha256)
            if content is None and item.carried and name in item.carried.pictures:
                outcome.pictured += 1
            elif content is None:
                outcome.remarks.append(Fault(item.where, f"the attachment {name} is not beside it; its digest is kept"))
            else:
                files[sha256] = content
    doubts = {(r.record, r.revision): i.carried.doubt for i, r in ordered if i.carried and i.carried.doubt}
    # Where the record itself, or a report that proves it, is in the batch too, it does not rest on this one.
    proved = {(r.record, r.revision) for i, r in ordered if not (i.carried and i.carried.doubt)}
    doubts = {key: doubt for key, doubt in doubts.items() if key not in proved}
    added = archive.add_many([ready for _, ready in ordered], moment=moment, by=by, files=files, doubts=doubts)
    stored = archive.doubts() if any(isinstance(result, Fault) for result in added) else {}
    for (item, ready), result in zip(ordered, added, strict=True):
        if isinstance(result, Fault):
            doubt = stored.get((ready.record, ready.revision, ""))
            said = f"; what is stored came from a report that does not prove itself ({doubt})" if doubt else ""
            outcome.faults.append(Fault(item.where, f"{result.where} {result.what}{said}", result.repair))
            continue
        outcome.added += result.new
        if result.new:
            outcome.count(ready)
        outcome.known += not result.new
        if item.report is not None:
            name, content = item.report
            doubt = item.carried.doubt if item.carried else None
            try:
                kept = archive.attach(
                    ready.record, ready.revision, name=name, content=content, moment=moment, doubt=doubt
                )
            except ArchiveFault as error:
                outcome.faults += error.faults
                continue
            outcome.files += kept
            if kept and item.carried and item.carried.remark:
                outcome.remarks.append(Fault(item.where, item.carried.remark))


def _beside(folder: Path | None, name: str, sha256: str) -> bytes | None:
    for place in (folder, folder / "attachments") if folder else ():
        path = place / name
        if path.is_file():
            data = path.read_bytes()
            if hashlib.sha256(data).hexdigest() == sha256:
                return data
    return None


class _Visits:
    """Knows which visits are there, by everything in them but their names."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self.seen: dict[str, str] = {}
        self.asked: set[str] = set()

    def twin(self, ready: Prepared) -> str:
        """The id of another record of the same visit, or ""."""
        if json.loads(ready.document).get("tests") is None:
            return ""
        vin = str(ready.facts["vin"]) or str(ready.facts["unit"])
        if vin and vin not in self.asked:
            self.asked.add(vin)
            names = {"vin": vin} if ready.facts["vin"] else {"unit": vin}
            wanted = db.revisions("record", "document", vin=names.get("vin", ""), unit=names.get("unit", ""))
            for record, document in self.archive.database.execute(wanted):
                self.seen.setdefault(_visit(document.encode()), record)
        other = self.seen.setdefault(_visit(ready.document), ready.record)
        return "" if other == ready.record else other


def _visit(document: bytes) -> str:
    plain = {k: v for k, v in json.loads(document).items() if k not in _NOT_OF_THE_VISIT}
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()
