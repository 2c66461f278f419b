"""Over the whole archive, without touching a record: which results move, which verdicts change, which reports must be
re-examined.

Tests of one layout are judged again as columns; the few that need Monte Carlo, or that no array can hold, from their
documents. Rows are cut into parts of one fixed size, so the numbers are the same wherever they are worked out.
"""

from __future__ import annotations

import gc
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np

from diagnb.archive import database as db
from diagnb.archive.store import Archive
from diagnb.archive.workers import in_order
from diagnb.conformity import WORDS
from diagnb.errors import Fault, fault
from diagnb.impact.change import Change, InstrumentError, Window
from diagnb.impact.columns import Judged, Layout, judge_columns
from diagnb.impact.exact import judge_documents
from diagnb.meters import read_sheet
from diagnb.procedures import read_procedure

Array = Any
PART = 100_000
"""Rows that are judged together."""
_DOCUMENTS = 50
_SAME, _SAME_SPREAD = 1e-9, 1e-4
"""Relative differences up to which a value, and an expanded uncertainty (read from a table), have not moved."""
_READ = ("seq", "place", "layout", "at", "serials", "numbers", "verdicts", "test")


class ChangedResult(NamedTuple):
    """One result whose verdict changes. Values and U in ``unit``; None without a value."""

    claim: str
    record: str
    revision: int
    vin: str
    vehicle: str
    test: str
    procedure: str
    result: str
    unit: str
    old_value: float | None
    old_expanded: float | None
    old_verdict: str
    new_value: float | None
    new_expanded: float | None
    new_verdict: str


@dataclass(frozen=True, slots=True)
class Reexamine:
    """One revision with changed verdicts, and the issued reports of it that the archive keeps (name, digest)."""

    claim: str
    record: str
    revision: int
    changed: int
    into_fail: int
    out_of_fail: int
    reports: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Impact:
    """What a change does. ``transitions`` counts results by (old, new) verdict, all examined ones."""

    change: Change
    window: Window
    head: str
    tests: int
    results: int
    moved: int
    from_documents: int
    transitions: tuple[tuple[str, str, int], ...]
    changed: tuple[ChangedResult, ...]
    reexamine: tuple[Reexamine, ...]
    not_judged_again: tuple[Fault, ...]

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "schema": "diagnb-impact/1", "change": self.change.to_plain(), "window": self.window.to_plain(),
            "archive_head": self.head, "tests": self.tests, "results": self.results, "moved": self.moved,
            "judged_from_documents": self.from_documents,
            "transitions": [{"old": a, "new": b, "results": n} for a, b, n in self.transitions],
            "changed": [c._asdict() for c in self.changed],
            "reexamine": [
                {
                    "claim": r.claim, "record": r.record, "revision": r.revision, "changed": r.changed,
                    "into_fail": r.into_fail, "out_of_fail": r.out_of_fail,
                    "reports": [{"name": n, "sha256": s} for n, s in r.reports],
                }
                for r in self.reexamine
            ],
            "not_judged_again": [{"where": f.where, "what": f.what} for f in self.not_judged_again],
        }  # fmt: skip


def last_calibration(archive: Archive, serial: str, found: str) -> str:
    """The latest day of calibration (ISO) before the day ``found`` that any stored record states for a serial number.

    Raises :class:`~diagnb.errors.InputFault` when there is none: then it must be handed in.
    """
    days: set[str] = set()
    seqs = {
        row[0]
        for row in archive.database.execute(db.whole_table("test", "seq", "serials"))
        if serial in json.loads(row[1])
    }
    for some in _some(sorted(seqs), 500):
        for (text,) in archive.database.execute(db.chosen("revision", "seq", some, "document")):
            days |= {
                i["calibrated"]
                for i in json.loads(text)["instruments"]
                if i["serial"] == serial and i.get("calibrated")
            }
    before = sorted(day for day in days if day < found)
    if not before:
        known = (
            "no stored reading was taken with it" if not seqs else "no record states its calibration before that day"
        )
        raise fault(f"instrument {serial}", known, "give the day of its last good calibration: --since")
    return before[-1]


def find_impact(
    archive: Archive,
    change: Change,
    *,
    window: Window | None = None,
    all_revisions: bool = False,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Impact:
    """Judge everything again that ``change`` concerns, the latest revisions only unless ``all_revisions``.

    ``executor`` takes the work in parts (a process pool, a cluster); without one it is done here. ``progress`` is
    told how many parts of how many are done. Raises :class:`~diagnb.errors.InputFault` where the change does not fit
    any stored procedure or sheet.
    """
    with _few_collections():
        return _find(_Search(archive, change, window or Window(), all_revisions), executor, progress)


@contextmanager
def _few_collections() -> Iterator[None]:
    """A million rows hold no circles, but the collector would walk through them again and again."""
    before = gc.get_threshold()
    gc.set_threshold(10_000_000)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _find(search: _Search, executor: Executor | None, progress: Callable[[int, int], None] | None) -> Impact:
    change = search.change
    layouts = search.concerned()
    parts = list(search.parts(layouts))
    outcome = _Outcome(search)
    done, total = 0, len(parts)
    for part, judged in zip(parts, in_order(judge_part, [(p.layout, p.numbers, p.at_slot, change) for p in parts], executor), strict=True):  # fmt: skip
        outcome.take(part, judged)
        done += 1
        if progress:
            progress(done, total)
    batches = list(search.documents(outcome.exact))
    total += len(batches)
    for found in in_order(judge_batch, [(batch, change) for batch in batches], executor):
        outcome.take_documents(found)
        done += 1
        if progress:
            progress(done, total)
    return outcome.impact()


def judge_part(work: tuple[Layout, Array, Array, Change]) -> Judged:
    """One part of rows; what an executor runs."""
    return judge_columns(*work)


def judge_batch(work: tuple[Sequence[tuple[int, bytes, Sequence[int]]], Change]) -> list[tuple[int, dict[int, Any]]]:
    """One batch of documents; what an executor runs."""
    return judge_documents(*work)


@dataclass(frozen=True)
class _Part:
    """Rows of one layout: where they come from, their numbers, and how they were judged."""

    layout: Layout
    seq: Array
    place: Array
    test: Array
    numbers: Array
    at_slot: Array
    old: Array
    verdict: Array


@dataclass(frozen=True)
class _Changed:
    """Results of one part whose verdict changes; all arrays (m,), ``numbers`` old value, U, new value, U."""

    layout: Layout
    seq: Array
    place: Array
    test: Array
    result: Array
    was: Array
    now: Array
    numbers: tuple[Array, ...]


class _Search:
    """Finds what a change concerns."""

    def __init__(self, archive: Archive, change: Change, window: Window, all_revisions: bool) -> None:
        self.archive, self.change, self.window, self.all_revisions = archive, change, window, all_revisions
        self.database = archive.database
        self.sheets: dict[str, tuple[str, dict[str, Any]]] = {
            row[0]: (row[1], json.loads(row[2]))
            for row in self.database.execute(db.whole_table("sheet", "digest", "kind", "document"))
        }
        self.layouts: dict[str, Layout] = {}

    def concerned(self) -> list[str]:
        """Digests of the layouts that the change can concern; their sheets as they read afterwards are kept."""
        after = {d: (kind, self.change.alter(kind, plain)) for d, (kind, plain) in self.sheets.items()}  # type: ignore[arg-type]
        touched = {
            d for d, (_, plain) in after.items() if plain is not self.sheets[d][1] and plain != self.sheets[d][1]
        }
        if not isinstance(self.change, InstrumentError) and not touched and self.sheets:
            raise fault(
                "change", "concerns no procedure and no accuracy sheet of this archive", "check its name and values"
            )
        procedures = {d: read_procedure(plain) for d, (kind, plain) in after.items() if kind == "procedure"}
        meters = {d: read_sheet(plain) for d, (kind, plain) in after.items() if kind == "meter"}
        for digest, text in self.database.execute(db.whole_table("layout", "digest", "document")):
            document = json.loads(text)
            uses = {document["procedure"], *document["meters"]}
            if isinstance(self.change, InstrumentError) or uses & touched:
                own = {d: meters[d] for d in document["meters"]}
                self.layouts[digest] = Layout(document, procedures[document["procedure"]], own)
        return sorted(self.layouts)

    def _rows(self, layouts: list[str]) -> list[tuple[Any, ...]]:
        """Test rows that may be concerned, in no order."""
        serial = json.dumps(self.change.serial, ensure_ascii=False) if isinstance(self.change, InstrumentError) else ""
        everything = len(layouts) == len(self.database.execute(db.whole_table("layout", "digest")))
        if everything or len(layouts) > 500:
            rows = self.database.columns(db.tests_of(None, *_READ, serial=serial))
            return rows if everything else [row for row in rows if row[2] in self.layouts]
        return self.database.columns(db.tests_of(layouts, *_READ, serial=serial)) if layouts else []

    def parts(self, layouts: list[str]) -> Iterator[_Part]:
        """Rows by layout, in the order of their entries, at most :data:`PART` at a time."""
        grouped: dict[str, list[Any]] = {name: [] for name in layouts}
        for row in self._rows(layouts):
            grouped[row[2]].append(row)
        current = None if self.all_revisions else self._current()
        since, until = (None if m is None else m.timestamp() for m in (self.window.since, self.window.until))
        for name in layouts:
            rows = grouped.pop(name)
            if not rows:
                continue
            seqs, places, _, at, serials, packed, verdicts, tests = zip(*rows, strict=True)
            seq, place, time = np.array(seqs), np.array(places), np.array(at)
            at_slot = self._concerned_slots(serials)
            keep = at_slot.any(axis=1) if isinstance(self.change, InstrumentError) else np.ones(len(seq), dtype=bool)
            if current is not None:
                keep &= np.isin(seq, current)
            keep &= (time >= since) if since is not None else True
            keep &= (time <= until) if until is not None else True
            chosen = np.flatnonzero(keep)
            if not chosen.size:
                continue
            chosen = chosen[np.lexsort((place[chosen], seq[chosen]))]
            layout = self.layouts[name]
            results = len(layout.document["results"])
            width = layout.width + 2 * results
            matrix = np.frombuffer(b"".join(packed), dtype="<f8").reshape(len(seq), width)[chosen] if width else np.zeros((chosen.size, 0))  # fmt: skip
            old = np.frombuffer("".join(verdicts).encode(), dtype=np.uint8).reshape(len(seq), results)[chosen] - 48
            seq, place, at_slot = seq[chosen], place[chosen], at_slot[chosen]
            names = np.array(tests, dtype=object)[chosen]
            for start in range(0, chosen.size, PART):
                cut = slice(start, start + PART)
                yield _Part(
                    layout, seq[cut], place[cut], names[cut], matrix[cut, : layout.width], at_slot[cut],
                    matrix[cut, layout.width :], old[cut],
                )  # fmt: skip

    def _concerned_slots(self, serials: Sequence[str]) -> Array:
        """Of every test, which of its instruments are the one that was found wrong: (n, most instruments)."""
        if not isinstance(self.change, InstrumentError):
            return np.zeros((len(serials), 1), dtype=bool)
        codes = {text: i for i, text in enumerate(dict.fromkeys(serials))}
        lists = [json.loads(text) for text in codes]
        table = np.zeros((len(codes), max(1, *map(len, lists))), dtype=bool)
        for i, found in enumerate(lists):
            for slot, serial in enumerate(found):
                table[i, slot] = serial == self.change.serial
        return table[np.array([codes[text] for text in serials])]

    def _current(self) -> Array:
        """The latest revisions; a record that was declared void asserts nothing any more."""
        rows = self.database.columns(db.revisions("seq", "status", latest=True))
        return np.array([seq for seq, status in rows if status != "void"], dtype=np.int64)

    def documents(self, exact: Iterable[tuple[int, int]]) -> Iterator[list[tuple[int, bytes, list[int]]]]:
        """The documents of the tests that must be judged from them, some at a time."""
        places: dict[int, list[int]] = {}
        for seq, place in sorted(exact):
            places.setdefault(seq, []).append(place)
        for some in _some(sorted(places), _DOCUMENTS):
            rows = self.database.execute(db.chosen("revision", "seq", some, "seq", "document"))
            yield [(seq, text.encode(), places[seq]) for seq, text in sorted(rows)]


class _Outcome:
    """Gathers what was judged again."""

    def __init__(self, search: _Search) -> None:
        self.search = search
        self.counts = np.zeros((len(WORDS), len(WORDS)), dtype=np.int64)
        self.tests, self.results, self.moved, self.documents = 0, 0, 0, 0
        self.rows: list[_Changed] = []
        self.exact: dict[tuple[int, int], tuple[_Part, int]] = {}
        self.faults: list[tuple[tuple[int, int], str]] = []

    def take(self, part: _Part, judged: Judged) -> None:
        self.tests += len(part.seq)
        exact = np.ones(len(part.seq), dtype=bool) if part.layout.document["exact"] else judged.exact
        for i in np.flatnonzero(exact):
            self.exact[int(part.seq[i]), int(part.place[i])] = (part, int(i))
        rest = np.flatnonzero(~exact)
        if not rest.size:
            return
        self._compare(part, rest, judged.value[rest], judged.expanded[rest], judged.verdict[rest])

    def take_documents(self, found: Iterable[tuple[int, dict[int, Any]]]) -> None:
        for seq, places in found:
            for place, rows in places.items():
                part, i = self.exact[seq, place]
                names = len(part.layout.document["results"])
                if isinstance(rows, str) or len(rows) != names:
                    self.faults.append(
                        ((seq, place), rows if isinstance(rows, str) else "has other results after the change")
                    )
                    continue
                self.documents += 1
                new = np.array(rows, dtype=float).reshape(1, names, 3)
                self._compare(part, np.array([i]), new[:, :, 0], new[:, :, 1], new[:, :, 2].astype(np.uint8))

    def _compare(self, part: _Part, at: Array, value: Array, expanded: Array, verdict: Array) -> None:
        old, was = part.old[at], part.verdict[at]
        before, spread = old[:, 0::2], old[:, 1::2]
        self.results += verdict.size
        same = np.isclose(before, value, rtol=_SAME, atol=0.0, equal_nan=True)
        same &= np.isclose(spread, expanded, rtol=_SAME_SPREAD, atol=0.0, equal_nan=True)
        self.moved += int(np.count_nonzero(~same))
        self.counts += np.bincount((was.astype(np.int64) * len(WORDS) + verdict).ravel(), minlength=len(WORDS) ** 2).reshape(self.counts.shape)  # fmt: skip
        tests, results = np.nonzero(was != verdict)
        if tests.size:
            numbers = (before, spread, value, expanded)
            self.rows.append(
                _Changed(
                    part.layout, part.seq[at][tests], part.place[at][tests], part.test[at][tests], results,
                    was[tests, results], verdict[tests, results], tuple(n[tests, results] for n in numbers),
                )
            )  # fmt: skip

    def impact(self) -> Impact:
        search = self.search
        about = self._about({int(s) for part in self.rows for s in part.seq} | {seq for (seq, _), _ in self.faults})
        words = np.array(WORDS, dtype=object)
        keyed: list[tuple[int, int, int, ChangedResult]] = []
        for part in self.rows:
            symbols = part.layout.document["results"]
            heads = [about[s] for s in part.seq.tolist()]
            old, old_u, new, new_u = (_listed(n) for n in part.numbers)
            claims, records, revisions, vins, vehicles = zip(*heads, strict=True)
            columns = (
                claims, records, revisions, vins, vehicles, part.test.tolist(), [part.layout.procedure.id] * len(heads),
                [symbols[r][0] for r in part.result.tolist()], [symbols[r][1] for r in part.result.tolist()],
                old, old_u, words[part.was].tolist(), new, new_u, words[part.now].tolist(),
            )  # fmt: skip
            changed_here = map(ChangedResult._make, zip(*columns, strict=True))
            keyed.extend(zip(part.seq.tolist(), part.place.tolist(), part.result.tolist(), changed_here, strict=True))
        keyed.sort(key=itemgetter(0, 1, 2))
        changed = tuple(row[3] for row in keyed)
        counted: dict[int, list[int]] = {}
        for seq, _, _, one in keyed:
            counts = counted.setdefault(seq, [0, 0, 0])
            counts[0] += 1
            counts[1] += one.new_verdict == "fail"
            counts[2] += one.old_verdict == "fail"
        reports = self._reports({about[seq][1] for seq in counted})
        reexamine = []
        for seq, (total, into, out) in counted.items():
            claim, record, revision = about[seq][:3]
            reexamine.append(Reexamine(claim, record, revision, total, into, out, reports.get((record, revision), ())))
        transitions = tuple(
            (WORDS[i], WORDS[j], int(self.counts[i, j]))
            for i in range(len(WORDS))
            for j in range(len(WORDS))
            if self.counts[i, j]
        )
        faults = tuple(
            Fault(f"{about[seq][1]}, revision {about[seq][2]}, test {self._name(seq, place)}", what)
            for (seq, place), what in sorted(self.faults)
        )
        return Impact(
            search.change, search.window, str(search.archive.head()), self.tests, self.results, self.moved,
            self.documents, transitions, changed, tuple(reexamine), faults,
        )  # fmt: skip

    def _name(self, seq: int, place: int) -> str:
        part, i = self.exact[seq, place]
        return str(part.test[i])

    def _about(self, seqs: set[int]) -> dict[int, tuple[Any, ...]]:
        """Claim, record, revision, VIN and unit of these entries."""
        names = ("seq", "claim", "record", "revision", "vin", "unit")
        if len(seqs) > 5000:
            rows = self.search.database.columns(db.whole_table("revision", *names))
            return {row[0]: row[1:] for row in rows if row[0] in seqs}
        some = _some(sorted(seqs), 900)
        return {row[0]: tuple(row[1:]) for part in some for row in self.search.database.execute(db.chosen("revision", "seq", part, *names))}  # fmt: skip

    def _reports(self, records: set[str]) -> dict[tuple[str, int], tuple[tuple[str, str], ...]]:
        found: dict[tuple[str, int], tuple[tuple[str, str], ...]] = {}
        for some in _some(sorted(records), 900):
            statement = db.chosen("attached", "record", some, "seq", "record", "revision", "kind", "name", "sha256")
            for _, record, revision, kind, name, sha256 in sorted(self.search.database.execute(statement)):
                if kind == "report":
                    found[record, revision] = (*found.get((record, revision), ()), (name, sha256))
        return found


def _listed(numbers: Array) -> list[float | None]:
    """As a list, None where there is no value."""
    if not np.isnan(numbers).any():
        return numbers.tolist()  # type: ignore[no-any-return]
    return [None if math.isnan(n) else n for n in numbers.tolist()]


def _some(values: list[Any], size: int) -> Iterator[list[Any]]:
    for start in range(0, len(values), size):
        yield values[start : start + size]
