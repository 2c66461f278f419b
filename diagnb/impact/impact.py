"""Over the whole archive, without touching a record: which results move, which verdicts change, which reports must be
re-examined.

Tests of one layout are judged again as columns; the few that need Monte Carlo, or that no array can hold, from their
documents. Rows are cut into parts of one fixed size, so the numbers are the same wherever they are worked out.
"""

from __future__ import annotations

import gc
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any

from diagnb.archive import tables as db
from diagnb.archive.store import Archive
from diagnb.archive.workers import in_order
from diagnb.errors import fault
from diagnb.impact.answer import Impact
from diagnb.impact.change import Change, Window
from diagnb.impact.columns import Judged, Layout, judge_columns
from diagnb.impact.exact import judge_documents
from diagnb.impact.outcome import Outcome
from diagnb.impact.search import Search, some_of
from diagnb.impact.serials import unknown_serial

Array = Any


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
    for some in some_of(sorted(seqs), 500):
        for (text,) in archive.database.execute(db.chosen("revision", "seq", some, "document")):
            days |= {
                i["calibrated"]
                for i in json.loads(text)["instruments"]
                if i["serial"] == serial and i.get("calibrated")
            }
    before = sorted(day for day in days if day < found)
    if not before:
        if not seqs:
            raise unknown_serial(archive, serial)
        raise fault(f"instrument {serial}", f"no record states a calibration of it before {found}", "give the day of its last good calibration: --since")  # fmt: skip
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
        return _find(Search(archive, change, window or Window(), all_revisions), executor, progress)


@contextmanager
def _few_collections() -> Iterator[None]:
    """A million rows hold no circles, but the collector would walk through them again and again."""
    before = gc.get_threshold()
    gc.set_threshold(10_000_000)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _find(search: Search, executor: Executor | None, progress: Callable[[int, int], None] | None) -> Impact:
    change = search.change
    layouts = search.concerned()
    parts = list(search.parts(layouts))
    outcome = Outcome(search)
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
