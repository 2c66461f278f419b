"""Many records into many signed reports: a process for each core, every fault listed, nothing half written."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnb.cli.issuing import find_photos, issue
from diagnb.cli.secrets import passphrase
from diagnb.cli.signers import check_signer, signer
from diagnb.errors import DiagnbError, Fault, InputFault, fault

MOST_RECORDS = 1_000_000


@dataclass(frozen=True, slots=True)
class Done:
    """One record of the batch: bytes written, or its faults."""

    record: Path
    size: int
    faults: tuple[Fault, ...] = ()


def run_batch(options: argparse.Namespace) -> int:
    """Render and sign every ``*.json`` of a folder. Exit 0 when all were written, else 1."""
    records = _records(options)
    options.output.mkdir(parents=True, exist_ok=True)
    started = time.perf_counter()
    results: list[Done] = []
    for done in _all_done(records, options):
        results.append(done)
        _progress(len(results), len(records), sum(bool(d.faults) for d in results), time.perf_counter() - started)
    bad = sorted((d for d in results if d.faults), key=lambda d: d.record)
    for each in bad:
        for one in each.faults:
            print(f"diagnb: {each.record}: {one}", file=sys.stderr)
    spent = time.perf_counter() - started
    good = len(results) - len(bad)
    how = "signed" if options.key or options.token_library else "NOT signed (no --key)"
    print(f"{options.output}: {good} of {len(records)} reports written, {how}, {good / spent:.1f} a second")
    return 1 if bad else 0


def _records(options: argparse.Namespace) -> list[Path]:
    if not options.batch.is_dir():
        raise fault("--batch", f"{options.batch} is not a folder")
    records = sorted(p for p in options.batch.glob("*.json") if p.is_file())
    if not records:
        raise fault("--batch", f"{options.batch} holds no *.json", "records are files named *.json")
    if len(records) > MOST_RECORDS:
        raise fault("--batch", f"{options.batch} holds more than {MOST_RECORDS} records", "split the folder")
    return records


def _all_done(records: list[Path], options: argparse.Namespace) -> Iterator[Done]:
    processes = min(options.processes or os.cpu_count() or 1, len(records))
    if options.token_library or processes == 1:
        # a token serves one program at a time
        with signer(options, needed=False) as key:
            worker = Worker(options, key)
            for record in records:
                yield worker.done(record)
        return
    check_signer(options, needed=False)
    secret = b""
    if options.key:
        from diagnb.signing import load_key

        secret = passphrase(options, f"Passphrase of {options.key.name}")
        load_key(options.key, secret)  # a wrong passphrase is said once, here
    # spawned processes get the passphrase through a pipe: it stands in no argument and no environment
    pool = ProcessPoolExecutor(
        processes,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_start,
        initargs=(options, secret),
    )
    try:
        waiting: dict[Future[Done], Path] = {pool.submit(_work, record): record for record in records}
        for future in as_completed(waiting):
            try:
                yield future.result()
            except BrokenProcessPool:
                yield Done(waiting[future], 0, (Fault("", "was not made: its process ended", "try it by itself"),))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


class Worker:
    """One process of the batch with its key loaded once."""

    def __init__(self, options: argparse.Namespace, key: Any) -> None:
        from diagnb.signing import OnePassSigner

        self._options = options
        self._key = key
        self._quick = OnePassSigner(key) if key is not None and not options.timestamp_url else None

    def done(self, path: Path) -> Done:
        """Make one report; whatever goes wrong with this record is its own fault."""
        try:
            return Done(path, self._make(path))
        except DiagnbError as error:
            return Done(path, 0, error.faults)
        except OSError as error:
            return Done(path, 0, (Fault(str(error.filename or path), error.strerror or str(error)),))
        except Exception as error:  # noqa: BLE001 - one record must not end the batch
            return Done(path, 0, (Fault("", f"something went wrong inside: {type(error).__name__}: {error}"),))

    def _make(self, path: Path) -> int:
        from diagnb.record import load_record

        options = self._options
        record = load_record(path, folder=options.folder)
        pdf = issue(
            options,
            record,
            key=self._key,
            output=options.output / f"{path.stem}.pdf",
            meaning=options.meaning,
            photos=find_photos(record, options.photos, path.parent),
            quick=self._quick,
        )
        return len(pdf)


_workers: list[Worker] = []


def _start(options: argparse.Namespace, secret: bytes) -> None:
    from diagnb.signing import load_key

    _workers.append(Worker(options, load_key(options.key, secret) if options.key else None))


def _work(record: Path) -> Done:
    return _workers[0].done(record)


def _progress(done: int, total: int, bad: int, spent: float) -> None:
    if not sys.stderr.isatty():
        return
    filled = 30 * done // total
    bar = "#" * filled + "." * (30 - filled)
    faults = f", {bad} with faults" if bad else ""
    end = "\n" if done == total else ""
    print(f"\r[{bar}] {done} of {total}, {done / max(spent, 1e-9):.1f} a second{faults} ", end=end, file=sys.stderr)


def check_batch(options: argparse.Namespace) -> None:
    """Raise InputFault when a record and a folder are named, or neither."""
    faults = []
    if bool(options.record) == bool(options.batch):
        faults.append(Fault("report", "needs one record, or --batch with a folder of records", "give one of them"))
    if options.batch and options.technician:
        faults.append(Fault("--technician", "is of one record", "in a batch each record says who tested"))
    if options.processes is not None and not 1 <= options.processes <= 256:
        faults.append(Fault("--processes", f"is {options.processes}", "use 1 to 256"))
    if faults:
        raise InputFault(faults)
