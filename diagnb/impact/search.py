"""What a change concerns: the layouts whose sheets it alters, and the stored tests of those layouts as matrices."""

from __future__ import annotations

import json
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.archive import tables as db
from diagnb.archive.store import Archive
from diagnb.errors import fault
from diagnb.impact.change import Change, InstrumentError, Window
from diagnb.impact.columns import Layout
from diagnb.impact.serials import unknown_serial
from diagnb.meters import read_sheet
from diagnb.procedures import read_procedure
from diagnb.quantities import unit

Array = Any
PART = 100_000
"""Rows that are judged together."""
_DOCUMENTS = 50
_READ = ("seq", "place", "layout", "numbers", "verdicts", "test")


@dataclass(frozen=True)
class Part:
    """Rows of one layout: where they come from, their numbers, and how they were judged."""

    layout: Layout
    seq: Array
    place: Array
    test: Array
    numbers: Array
    at_slot: Array
    old: Array
    verdict: Array


class Search:
    """Finds what a change concerns."""

    def __init__(self, archive: Archive, change: Change, window: Window, all_revisions: bool) -> None:
        self.archive, self.change, self.window, self.all_revisions = archive, change, window, all_revisions
        self.database = archive.database
        self.sheets: dict[str, tuple[str, dict[str, Any]]] = {
            row[0]: (row[1], json.loads(row[2]))
            for row in self.database.execute(db.whole_table("sheet", "digest", "kind", "document"))
        }
        self.layouts: dict[str, Layout] = {}
        # What is not needed is not read: of a million rows, each column counts.
        self.read = (
            *_READ,
            *(("at",) if window.since or window.until else ()),
            *(("serials",) if isinstance(change, InstrumentError) else ()),
        )

    def concerned(self) -> list[str]:
        """Digests of the layouts that the change can concern; their sheets as they read afterwards are kept."""
        if isinstance(self.change, InstrumentError):
            self._check_instrument(self.change)
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

    def titles(self) -> tuple[tuple[str, str], ...]:
        """What the sheets of the archive call procedures, their results and instruments: see :class:`Impact`."""
        found: dict[str, str] = {}
        for kind, plain in self.sheets.values():
            if kind == "meter":
                found[f"meter {plain['id']}"] = str(plain["title"])
                continue
            found[plain["id"]] = str(plain["title"])
            found |= {f"{plain['id']}/{d['name']}": str(d["title"]) for d in plain["derived"]}
        return tuple(sorted(found.items()))

    def _check_instrument(self, change: InstrumentError) -> None:
        """A fault where the stored readings know no such instrument, or it no such function: "nothing changes" would
        be an answer to another question."""
        with closing(self._readings_of(change.serial)) as rows:
            known = next(rows, None) is not None
        if not known:
            raise unknown_serial(self.archive, change.serial)
        if not change.function and not change.offset:
            return
        functions = self._functions(change.serial)
        if change.function and change.function not in functions:
            raise fault(f"instrument {change.serial}", f"has no function {change.function!r}", f"it has {', '.join(functions)}")  # fmt: skip
        reached = {f: u for f, u in functions.items() if change.function in ("", f)}
        if change.offset and all(unit(u).dimension != unit(change.offset_unit).dimension for u in reached.values()):
            units = ", ".join(f"{f} in {u}" for f, u in reached.items())
            raise fault("offset", f"is in {change.offset_unit}, which no function of this instrument shows", f"it has {units}")  # fmt: skip

    def _readings_of(self, serial: str) -> Generator[tuple[Any, ...], None, None]:
        """Entry number, layout and serial numbers of the tests with an instrument."""
        text = json.dumps(serial, ensure_ascii=False)
        with closing(self.database.stream(db.tests_of(None, "seq", "layout", "serials", serial=text))) as rows:
            for seq, layout, serials in rows:
                if serial in json.loads(serials):
                    yield seq, layout, serials

    def _functions(self, serial: str) -> dict[str, str]:
        """Functions and their units of every accuracy sheet that the stored readings name for a serial number."""
        # Tests with the same layout and instruments have the same sheets: one of them is enough.
        first = {(layout, serials): seq for seq, layout, serials in self._readings_of(serial)}
        layouts = dict(self.database.execute(db.whole_table("layout", "digest", "document")))
        found: dict[str, str] = {}
        unclear: set[int] = set()
        for (digest, serials), seq in first.items():
            document, slots = json.loads(layouts[digest]), json.loads(serials)
            meters = {r["meter"] for r in document.get("readings", ()) if slots[r["slot"]] == serial}
            meters = meters or (set(document["meters"]) if len(document["meters"]) == 1 else set())
            for meter in sorted(meters):
                found |= {entry["name"]: entry["unit"] for entry in self.sheets[meter][1]["functions"]}
            unclear |= set() if meters else {seq}
        for some in some_of(sorted(unclear), _DOCUMENTS):
            for (text,) in self.database.execute(db.chosen("revision", "seq", some, "document")):
                plain = json.loads(text)
                for name in sorted({i["meter"] for i in plain["instruments"] if i["serial"] == serial}):
                    found |= {entry["name"]: entry["unit"] for entry in plain["meters"][name]["functions"]}
        return found

    def _rows(self, layouts: list[str]) -> list[tuple[Any, ...]]:
        """Test rows that may be concerned, in no order."""
        serial = json.dumps(self.change.serial, ensure_ascii=False) if isinstance(self.change, InstrumentError) else ""
        everything = len(layouts) == len(self.database.execute(db.whole_table("layout", "digest")))
        if everything or len(layouts) > 500:
            rows = self.database.columns(db.tests_of(None, *self.read, serial=serial))
            return rows if everything else [row for row in rows if row[2] in self.layouts]
        return self.database.columns(db.tests_of(layouts, *self.read, serial=serial)) if layouts else []

    def parts(self, layouts: list[str]) -> Iterator[Part]:
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
            column = dict(zip(self.read, zip(*rows, strict=True), strict=True))
            packed, verdicts, tests = column["numbers"], column["verdicts"], column["test"]
            seq, place, time = np.array(column["seq"]), np.array(column["place"]), np.array(column.get("at", ()))
            at_slot = self._concerned_slots(column.get("serials", ()), len(seq))
            keep = at_slot.any(axis=1) if isinstance(self.change, InstrumentError) else np.ones(len(seq), dtype=bool)
            if current is not None:
                keep &= np.isin(seq, current)
            keep &= (time >= since) if since is not None else True
            keep &= (time <= until) if until is not None else True
            chosen = np.flatnonzero(keep)
            if not chosen.size:
                continue
            if np.any((np.diff(seq) < 0) | ((np.diff(seq) == 0) & (np.diff(place) < 0))):
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
                yield Part(
                    layout, seq[cut], place[cut], names[cut], matrix[cut, : layout.width], at_slot[cut],
                    matrix[cut, layout.width :], old[cut],
                )  # fmt: skip

    def _concerned_slots(self, serials: Sequence[str], count: int) -> Array:
        """Of every test, which of its instruments are the one that was found wrong: (n, most instruments)."""
        if not isinstance(self.change, InstrumentError):
            return np.zeros((count, 1), dtype=bool)
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
        for some in some_of(sorted(places), _DOCUMENTS):
            rows = self.database.execute(db.chosen("revision", "seq", some, "seq", "document"))
            yield [(seq, text.encode(), places[seq]) for seq, text in sorted(rows)]


def some_of(values: list[Any], size: int) -> Iterator[list[Any]]:
    """``size`` of them at a time."""
    for start in range(0, len(values), size):
        yield values[start : start + size]
