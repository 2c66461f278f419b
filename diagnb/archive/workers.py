"""Where bulk work is done: here, in a pool of processes, or on a cluster; the same results to the byte.

The only file that knows Dask. Whatever runs elsewhere is a plain function of this package, so the workers need the
package installed, and nothing of the caller's. A scheduler runs what it is sent: name only one that you trust.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from diagnb.archive.fault import archive_fault
from diagnb.errors import missing_package

Work = TypeVar("Work")
Outcome = TypeVar("Outcome")
_AHEAD = 64
"""Pieces that are handed out before the first answer is waited for."""


@dataclass(frozen=True, slots=True)
class Encryption:
    """TLS towards a scheduler: the authority's certificate, and the client's own certificate and key."""

    authority: Path
    certificate: Path
    key: Path


@contextmanager
def workers(
    *, processes: int | None = None, scheduler: str = "", encryption: Encryption | None = None
) -> Iterator[Executor]:
    """An executor: a pool of ``processes`` (as many as there are cores), or the cluster behind ``scheduler``.

    ``scheduler`` is an address, ``tcp://host:8786`` or ``tls://host:8786``. Raises
    :class:`~diagnb.errors.MissingPackage` without the extra ``cluster``, and :class:`ArchiveFault` when nobody answers.
    """
    if not scheduler:
        # Spawned, not forked: the same everywhere, and no lock of a parent's thread is inherited.
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(processes, mp_context=context, initializer=_end_with_parent) as pool:
            yield pool
        return
    try:
        import distributed
    except ImportError as missing:
        raise missing_package("distributed", "cluster") from missing
    package: Any = distributed
    security = None
    if encryption is not None:
        security = package.Security(
            tls_ca_file=str(encryption.authority), tls_client_cert=str(encryption.certificate),
            tls_client_key=str(encryption.key), require_encryption=True,
        )  # fmt: skip
    try:
        client = package.Client(scheduler, security=security, timeout=10)
    except (OSError, ValueError, TypeError) as error:
        raise archive_fault(
            scheduler, f"no scheduler answers: {error}", "look at its address, and at the TLS files"
        ) from error
    try:
        # Every piece is a function of its arguments alone, so it may be done twice when a worker is lost.
        yield client.get_executor(pure=False, retries=5)
    finally:
        client.close()


def _end_with_parent() -> None:
    """End this worker when whoever started it is gone, killed without a word included: else it would wait for work for
    ever. Nothing is lost: a worker only works out, and writes nothing."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()


def in_order(
    function: Callable[[Work], Outcome], pieces: Iterable[Work], executor: Executor | None = None
) -> Iterator[Outcome]:
    """The outcome of every piece, in the order of the pieces; here when there is no executor.

    Only so many pieces are under way at a time, so a million of them need no more memory than some.
    """
    if executor is None:
        yield from map(function, pieces)
        return
    waiting: deque[Any] = deque()
    try:
        for piece in pieces:
            waiting.append(executor.submit(function, piece))
            if len(waiting) >= _AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for left in waiting:
            left.cancel()
