"""Hundreds of reports verified in processes of their own: bounded time and memory a file, answers in order.

A file that takes too long, or makes its process break, costs that process and gets an answer like any other.
"""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from diagnb.errors import DiagnbError, fault
from diagnb.proof import REASONS, TECHNICIAN, Verification, unanswered

SECONDS_PER_FILE = 60.0
BYTES_PER_PROCESS = 4 * 2**30
_START_SECONDS = 120.0
_MOST_FAILED_STARTS = 3
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
COLUMNS = (
    "file", "trustworthy", "state", "repair order", "VIN", "unit", "as found", "as left", "record", "revision",
    "signed by", "signed at", "reviewer", "why", "trust list", "valid until", "time stamped", "intact", "trusted",
    "later changes", "pages", "results", "differing", "log", "relations", "reasons", "notes", "sha256",
)  # fmt: skip

_QUALIFIED = frozenset({"demonstration-only"})
"""Notes without which a plain yes in the table would mislead."""


@dataclass(frozen=True, slots=True)
class Job:
    """One file to verify and the trust list to use; without one nobody is trusted."""

    report: Path
    trust: Path | None = None


def verify_many(
    jobs: Sequence[Job],
    *,
    moment: datetime,
    expected: tuple[str, ...] = (TECHNICIAN,),
    processes: int = 2,
    seconds: float = SECONDS_PER_FILE,
    progress: Callable[[int, Verification], None] | None = None,
) -> list[Verification]:
    """The answers about all files in the order of ``jobs``, without their records.

    ``seconds`` bounds each file, ``processes`` how many are looked at at once. ``progress`` is called with the number
    of files done and the newest answer. Raises nothing for the content of the files; InputFault when no process can be
    started.
    """
    answers: dict[int, Verification] = {}
    waiting = list(range(len(jobs)))[::-1]
    workers: list[_Worker] = []
    failed = 0
    try:
        while len(answers) < len(jobs):
            while len(workers) < min(max(1, processes), len(jobs) - len(answers)):
                workers.append(_Worker(moment, expected))
            for worker in workers:
                if worker.ready and worker.number is None and waiting:
                    worker.give(waiting.pop(), jobs, seconds)
            busy = [w for w in workers if w.number is not None or not w.ready]
            first = min(w.deadline for w in busy) - time.monotonic()
            heard = set(map(id, wait([w.connection for w in busy], timeout=min(max(0.0, first), 1.0) + 0.01)))
            for worker in busy:
                number, starting = worker.number, not worker.ready
                if id(worker.connection) in heard:
                    answer = worker.take()
                elif time.monotonic() > worker.deadline:
                    answer = "took-too-long"
                else:
                    continue
                if isinstance(answer, str):
                    worker.stop()
                    workers.remove(worker)
                failed = failed + 1 if starting and isinstance(answer, str) else 0
                if failed > _MOST_FAILED_STARTS:
                    raise fault(
                        "processes", "can't be started here", "verify the files one by one, or in smaller groups"
                    )
                if number is not None and answer is not None:
                    label = str(jobs[number].report)
                    answers[number] = unanswered(label, answer) if isinstance(answer, str) else answer
                    if progress is not None:
                        progress(len(answers), answers[number])
    finally:
        for worker in workers:
            worker.stop()
    return [answers[number] for number in range(len(jobs))]


class _Worker:
    """One process and the line to it. It says when it is ready; only then the time of a file begins to count."""

    def __init__(self, moment: datetime, expected: tuple[str, ...]) -> None:
        context = get_context("spawn")
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, moment, expected), daemon=True)
        self.process.start()
        theirs.close()
        self.ready = False
        self.number: int | None = None
        self.deadline = time.monotonic() + _START_SECONDS

    def give(self, number: int, jobs: Sequence[Job], seconds: float) -> None:
        self.number = number
        self.deadline = time.monotonic() + seconds
        with suppress(OSError):  # a process that died meanwhile is noticed when its answer is taken
            self.connection.send(jobs[number])

    def take(self) -> Verification | str | None:
        """The answer, or why there is none; None when the process has only said that it is ready."""
        try:
            answer: Verification | None = self.connection.recv()
        except (EOFError, OSError):
            return "verification-stopped"
        self.ready, self.number = True, None
        return answer

    def stop(self) -> None:
        self.connection.close()
        if self.process.is_alive():
            self.process.kill()
        self.process.join()
        self.process.close()


def _work(connection: Connection, moment: datetime, expected: tuple[str, ...]) -> None:
    from diagnb.proof import verify_report
    from diagnb.signing import TrustList, load_trust

    _limit_memory()
    lists: dict[Path, Any] = {}
    try:
        connection.send(None)
        while True:
            job = connection.recv()
            try:
                if job.trust is not None and job.trust not in lists:
                    lists[job.trust] = load_trust(job.trust)
                trust = lists[job.trust] if job.trust is not None else TrustList(())
                found = verify_report(job.report, trust=trust, moment=moment, expected=expected)
                answer = replace(found, record=None, evaluation=None, salt="")
            except DiagnbError:
                answer = unanswered(str(job.report), "trust-list-unreadable")
            except Exception:  # noqa: BLE001 - one file must not end the run
                answer = unanswered(str(job.report), "verification-stopped")
            connection.send(answer)
    except (EOFError, OSError, KeyboardInterrupt):
        return


def _limit_memory() -> None:
    try:
        import resource
    except ImportError:
        return
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = BYTES_PER_PROCESS if most == resource.RLIM_INFINITY else min(BYTES_PER_PROCESS, most)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, most))


def csv_text(found: Sequence[Verification]) -> str:
    """One row a file. A text that a spreadsheet would take for a formula gets an apostrophe before it; numbers stay."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for v in found:
        signers = "; ".join(f"{s.signer} ({s.role})" if s.signer else "unreadable" for s in v.signatures)
        times = "; ".join(s.signed_at.isoformat() if s.signed_at else "" for s in v.signatures)
        cells: tuple[str | int, ...] = (
            v.file, _yes(v.trustworthy), v.state, v.claim.order, v.claim.vin, v.claim.unit, v.claim.as_found, v.claim.as_left,
            v.record_id, v.revision or "", signers, times, "; ".join(reviewers(v)),
            "; ".join(REASONS.get(code, code) for code in (*v.reasons, *_QUALIFIED.intersection(v.notes))), v.trust_list,
            v.valid_until.isoformat() if v.valid_until else "",
            _yes(bool(v.signatures) and all(s.timestamped for s in v.signatures)),
            _yes(bool(v.signatures) and all(s.intact for s in v.signatures)),
            _yes(bool(v.signatures) and all(s.trusted for s in v.signatures)),
            _yes(v.later_changes), v.pages, v.results or "", len(v.differing) if v.results else "", v.log,
            "; ".join(v.relations), "; ".join(v.reasons), "; ".join(v.notes), v.digest,
        )  # fmt: skip
        writer.writerow([harmless(cell) if isinstance(cell, str) else cell for cell in cells])
    return out.getvalue()


def harmless(text: str) -> str:
    """A text cell that no spreadsheet takes for a formula, without control characters."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return f"'{clean}" if text.startswith(_RISKY) or clean.lstrip().startswith(_RISKY) else clean


def summary(found: Sequence[Verification]) -> dict[str, Any]:
    """Counts: files, those that count (trustworthy, neither replaced nor void), files for each state, reason, note."""
    states: dict[str, int] = {}
    reasons: dict[str, int] = {}
    notes: dict[str, int] = {}
    for v in found:
        states[v.state] = states.get(v.state, 0) + 1
        for code in v.reasons:
            reasons[code] = reasons.get(code, 0) + 1
        for code in v.notes:
            notes[code] = notes.get(code, 0) + 1
    return {
        "files": len(found),
        "trustworthy": sum(v.counts for v in found),
        "states": dict(sorted(states.items())),
        "reasons": dict(sorted(reasons.items())),
        "notes": dict(sorted(notes.items())),
    }


def reviewers(found: Verification) -> list[str]:
    """Who has signed as a reviewer, as far as the file says."""
    return [s.signer for s in found.signatures[1:] if s.intact]


def _yes(answer: bool) -> str:
    return "yes" if answer else "no"
