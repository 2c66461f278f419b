"""Gathers what was judged again, part by part, into an answer."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np

from diagnb.archive import tables as db
from diagnb.conformity import WORDS
from diagnb.errors import Fault
from diagnb.impact.answer import ChangedResult, Impact, Reexamine, order_of_move
from diagnb.impact.columns import NOT_JUDGED, Judged, Layout
from diagnb.impact.search import Part, Search, some_of
from diagnb.impact.standing import JUDGED, NOT_ASKED, OUTSIDE, standings

Array = Any
_SAME, _SAME_SPREAD = 1e-9, 1e-4
"""Relative differences up to which a value, and an expanded uncertainty (read from a table), have not moved."""


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


class Outcome:
    """Gathers what was judged again."""

    def __init__(self, search: Search) -> None:
        self.search = search
        self.counts = np.zeros((len(WORDS), len(WORDS)), dtype=np.int64)
        self.tests, self.concerned, self.moved, self.documents = 0, 0, 0, 0
        self.rows: list[_Changed] = []
        self.exact: dict[tuple[int, int], tuple[Part, int]] = {}
        self.faults: list[tuple[tuple[int, int], str]] = []
        self.standing: Counter[str] = Counter()
        self.unjudged: set[int] = set()
        self.titles: dict[tuple[int, int], list[str]] = {}

    def take(self, part: Part, judged: Judged) -> None:
        self.tests += len(part.seq)
        exact = np.ones(len(part.seq), dtype=bool) if part.layout.document["exact"] else judged.exact
        for i in np.flatnonzero(exact):
            self.exact[int(part.seq[i]), int(part.place[i])] = (part, int(i))
        rest = np.flatnonzero(~exact)
        for rows, its_own in _alike(part.at_slot, rest):
            found = standings(part.layout, self.search.change, its_own)
            self._compare(part, rows, judged.value[rows], judged.expanded[rows], judged.verdict[rows], found)

    def take_documents(self, found: Iterable[tuple[int, dict[int, Any]]]) -> None:
        for seq, places in found:
            for place, rows in places.items():
                part, i = self.exact[seq, place]
                names = len(part.layout.document["results"])
                if isinstance(rows, str) or len(rows) != names:
                    self.faults.append(((seq, place), rows if isinstance(rows, str) else "gives other results after the change than were stored: compare the two by hand"))  # fmt: skip
                    continue
                self.documents += 1
                self.titles[seq, place] = [row[4] for row in rows]
                new = np.array([row[:3] for row in rows], dtype=float).reshape(1, names, 3)
                standing = [row[3] for row in rows]
                self._compare(part, np.array([i]), new[:, :, 0], new[:, :, 1], new[:, :, 2].astype(np.uint8), standing)

    def _compare(
        self, part: Part, at: Array, value: Array, expanded: Array, verdict: Array, standing: Sequence[str]
    ) -> None:
        """Take in tests ``at`` whose results have these standings."""
        old, was = part.old[at], part.verdict[at]
        before, spread = old[:, 0::2], old[:, 1::2]
        same = np.isclose(before, value, rtol=_SAME, atol=0.0, equal_nan=True)
        same &= np.isclose(spread, expanded, rtol=_SAME_SPREAD, atol=0.0, equal_nan=True)
        self.moved += int(np.count_nonzero(~same))
        self._stand(standing, part.seq[at], verdict)
        differs = was != verdict
        asked = np.array([one not in (NOT_ASKED, OUTSIDE) for one in standing], dtype=bool)
        pairs = (was.astype(np.int64) * len(WORDS) + verdict)[differs | asked]
        self.counts += np.bincount(pairs, minlength=len(WORDS) ** 2).reshape(self.counts.shape)
        tests, results = np.nonzero(differs)
        if tests.size:
            numbers = (before, spread, value, expanded)
            self.rows.append(
                _Changed(
                    part.layout, part.seq[at][tests], part.place[at][tests], part.test[at][tests], results,
                    was[tests, results], verdict[tests, results], tuple(n[tests, results] for n in numbers),
                )
            )  # fmt: skip

    def _stand(self, found: Sequence[str], seq: Array, verdict: Array) -> None:
        """Count what ``found`` says of each result of a test, for the tests of the entries ``seq``."""
        for at, one in enumerate(found):
            if one == OUTSIDE:
                continue
            self.concerned += len(seq)
            if one == NOT_ASKED:
                continue
            open_ = verdict[:, at] == NOT_JUDGED
            # With a value and a limit, only a zone wider than the limit is left as a reason.
            self.standing["not-capable" if one == JUDGED else one] += int(np.count_nonzero(open_))
            self.standing[JUDGED] += int(np.count_nonzero(~open_))
            self.unjudged.update(seq[open_].tolist())

    def impact(self) -> Impact:
        search = self.search
        wanted = {int(s) for part in self.rows for s in part.seq} | {seq for (seq, _), _ in self.faults}
        about = self._about(wanted | self.unjudged)
        phases = self._phases({int(s) for part in self.rows for s in part.seq})
        words = np.array(WORDS, dtype=object)
        keyed: list[tuple[bool, int, int, int, ChangedResult]] = []
        for part in self.rows:
            symbols = part.layout.document["results"]
            titled = {spec.name: spec.title for spec in part.layout.procedure.derived}
            seqs, tests, results = part.seq.tolist(), part.test.tolist(), part.result.tolist()
            heads = [about[s] for s in seqs]
            old, old_u, new, new_u = (_listed(n) for n in part.numbers)
            claims, records, revisions, vins, vehicles = zip(*heads, strict=True)
            found = [phases.get((s, t), "as found") for s, t in zip(seqs, tests, strict=True)]
            own = [self.titles.get((s, p)) for s, p in zip(seqs, part.place.tolist(), strict=True)]
            columns = (
                claims, records, revisions, vins, vehicles, found, tests, [part.layout.procedure.id] * len(heads),
                [symbols[r][0] for r in results],
                [o[r] if o else titled.get(symbols[r][0], symbols[r][0]) for o, r in zip(own, results, strict=True)],
                [symbols[r][1] for r in results],
                old, old_u, words[part.was].tolist(), new, new_u, words[part.now].tolist(),
            )  # fmt: skip
            changed_here = map(ChangedResult._make, zip(*columns, strict=True))
            later = [phase != "as left" for phase in found]
            keyed.extend(zip(later, seqs, part.place.tolist(), results, changed_here, strict=True))
        keyed.sort(key=itemgetter(0, 1, 2, 3))
        changed = tuple(row[4] for row in keyed)
        moves: dict[int, list[tuple[str, str, str, int]]] = {}
        counted = Counter((row[1], row[4].phase, row[4].old_verdict, row[4].new_verdict) for row in keyed)
        for (seq, *move), n in counted.items():
            moves.setdefault(seq, []).append((*move, n))  # type: ignore[arg-type]
        reports = self._reports({about[seq][1] for seq in moves})
        reexamine = []
        for seq, own_moves in moves.items():
            claim, record, revision = about[seq][:3]
            into = sum(n for _, _, after, n in own_moves if after == "fail")
            out = sum(n for _, before, _, n in own_moves if before == "fail")
            own_moves.sort(key=order_of_move)
            issued = reports.get((record, revision), ())
            total = sum(n for *_, n in own_moves)
            reexamine.append(Reexamine(claim, record, revision, total, into, out, issued, tuple(own_moves)))
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
            search.change, search.window, str(search.archive.head()), self.tests, self.standing[JUDGED], self.moved,
            self.documents, transitions, changed, tuple(reexamine), faults,
            sum(self.standing.values()),
            tuple(sorted((one, n) for one, n in self.standing.items() if n and one != JUDGED)),
            tuple(about[seq][:3] for seq in sorted(self.unjudged)),
            self.concerned, search.titles(),
        )  # fmt: skip

    def _name(self, seq: int, place: int) -> str:
        part, i = self.exact[seq, place]
        return str(part.test[i])

    def _phases(self, seqs: set[int]) -> dict[tuple[int, str], str]:
        """Phase of the tests (entry, test) of these entries that are not as found."""
        if len(seqs) > 5000:
            rows: Iterable[Any] = self.search.database.columns(db.other_phases("as found"))
        else:
            parts = (db.other_phases("as found", some) for some in some_of(sorted(seqs), 900))
            rows = (row for part in parts for row in self.search.database.execute(part))
        return {(row[0], row[1]): row[2] for row in rows if row[0] in seqs}

    def _about(self, seqs: set[int]) -> dict[int, tuple[Any, ...]]:
        """Claim, record, revision, VIN and unit of these entries."""
        names = ("seq", "claim", "record", "revision", "vin", "unit")
        if len(seqs) > 5000:
            rows = self.search.database.columns(db.whole_table("revision", *names))
            return {row[0]: row[1:] for row in rows if row[0] in seqs}
        some = some_of(sorted(seqs), 900)
        return {row[0]: tuple(row[1:]) for part in some for row in self.search.database.execute(db.chosen("revision", "seq", part, *names))}  # fmt: skip

    def _reports(self, records: set[str]) -> dict[tuple[str, int], tuple[tuple[str, str], ...]]:
        found: dict[tuple[str, int], tuple[tuple[str, str], ...]] = {}
        for some in some_of(sorted(records), 900):
            statement = db.chosen("attached", "record", some, "seq", "record", "revision", "kind", "name", "sha256")
            for _, record, revision, kind, name, sha256 in sorted(self.search.database.execute(statement)):
                if kind == "report":
                    found[record, revision] = (*found.get((record, revision), ()), (name, sha256))
        return found


def _alike(at_slot: Array, rows: Array) -> Iterator[tuple[Array, tuple[bool, ...]]]:
    """``rows`` in groups of the tests in which the same of their instruments are the one found wrong."""
    if not rows.size:
        return
    chosen = at_slot[rows]
    if (chosen == chosen[0]).all():
        yield rows, tuple(chosen[0].tolist())
        return
    patterns, group = np.unique(chosen, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns.tolist()):
        yield rows[group.ravel() == number], tuple(pattern)


def _listed(numbers: Array) -> list[float | None]:
    """As a list, None where there is no value."""
    if not np.isnan(numbers).any():
        return numbers.tolist()  # type: ignore[no-any-return]
    return [None if math.isnan(n) else n for n in numbers.tolist()]
