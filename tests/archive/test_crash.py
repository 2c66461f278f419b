"""kill -9 while writing, many writers, a full disk: every acknowledged save is back, and equal."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from nursery import model, variant
from stores import NOW, new_database, own_server

from diagnb.archive import ArchiveFault, open_archive
from diagnb.archive.audit import audit

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 and fork are POSIX")
KILLS = 60
SERVER_KILLS = 56


class Nursery:
    """Forks writers; see nursery.py."""

    def __init__(self, folder: Path) -> None:
        program = Path(__file__).with_name("nursery.py")
        self.process = subprocess.Popen(
            [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.folder = folder
        assert self.process.stdout is not None and self.process.stdout.readline() == "ready\n"

    def start(self, url: str, name: str, count: int, **order: Any) -> int:
        whole = {"url": url, "name": name, "count": count, "acknowledged": str(self.folder / name), **order}
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write(json.dumps(whole) + "\n")
        self.process.stdin.flush()
        return int(self.process.stdout.readline())

    def acknowledged(self, name: str) -> int:
        path = self.folder / name
        return path.read_bytes().partition(b"!")[0].count(b".") if path.exists() else 0

    def said(self, name: str) -> str:
        path = self.folder / name
        return path.read_bytes().partition(b"!")[2].decode() if path.exists() else ""

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def nursery(tmp_path: Path) -> Iterator[Nursery]:
    (tmp_path / "acknowledged").mkdir()
    found = Nursery(tmp_path / "acknowledged")
    yield found
    found.stop()


def until(holds: Callable[[], Any], within: float = 60, every: float = 0.001) -> None:
    """Wait for something to hold."""
    end = time.monotonic() + within
    while not holds():
        assert time.monotonic() < end, "it never came"
        time.sleep(every)


def gone(process: int) -> bool:
    """Wait until a writer has ended."""
    import psutil

    until(lambda: not psutil.pid_exists(process))
    return True


def verify(url: str, acknowledged: dict[str, int]) -> tuple[int, int]:
    """All acknowledged are there and equal; returns how many those are, and how many more were committed."""
    base = model()
    total, unsaid = 0, 0
    with open_archive(url, moment=NOW) as archive:
        found = audit(archive)
        assert found.sound, found.findings
        stored = {r.record for r in archive.list()}
        for name, count in acknowledged.items():
            for number in range(count):
                wanted = variant(base, f"{name}-{number}")
                assert archive.document(wanted.record) == wanted.document
            total += count
            more = variant(base, f"{name}-{count}")
            unsaid += more.record in stored
            # Nobody got an answer, so it is tried again: no harm, whichever way it went.
            assert archive.add(more, moment=NOW).new == (more.record not in stored)
        assert found.revisions == total + unsaid
        assert found.results == (total + unsaid) * len(base.results)
        rows = sum(1 for _ in archive.results())
        assert rows == (total + unsaid + sum(f"{n}-{c}" not in stored for n, c in acknowledged.items())) * len(
            base.results
        )
    return total, unsaid


def test_killed_writers_lose_nothing_that_was_acknowledged(url: str, nursery: Nursery) -> None:
    chance = random.Random(7)
    acknowledged = {}
    kills = 0
    while kills < KILLS:
        name = f"round{kills}"
        writer = nursery.start(url, name, 100_000)
        if kills > 5:
            # The first rounds die while the tables are made; the later ones after a few saves.
            until(lambda name=name: nursery.acknowledged(name))
        time.sleep(chance.uniform(0.0, 0.06))
        os.kill(writer, signal.SIGKILL)
        assert gone(writer)
        acknowledged[name] = nursery.acknowledged(name)
        kills += 1
    total, unsaid = verify(url, acknowledged)
    assert total > KILLS
    print(
        f"\n{url.partition(':')[0][:10]}: {kills} kills, {total} acknowledged, 0 lost, {unsaid} committed without an answer"
    )


def test_a_killed_server_loses_nothing_that_was_acknowledged(tmp_path: Path, nursery: Nursery) -> None:
    """kill -9 of PostgreSQL's own processes: mostly of the one that writes, sometimes of all of them."""
    import psutil

    with own_server() as own:
        url = new_database(own)
        open_archive(url, moment=NOW, create=True).close()
        start_again_sooner(url)
        acknowledged = {}
        chance = random.Random(8)
        for number in range(SERVER_KILLS):
            name = f"round{number}"
            writer = nursery.start(url, name, 100_000)
            until(lambda name=name: nursery.acknowledged(name) or nursery.said(name))
            time.sleep(chance.uniform(0.0, 0.04))
            postmaster = psutil.Process(own.get_pid())
            everything = number % 8 == 7
            for victim in [*postmaster.children(), postmaster] if everything else serving(postmaster):
                with contextlib.suppress(psutil.NoSuchProcess):
                    victim.kill()
            assert gone(writer)
            acknowledged[name] = nursery.acknowledged(name)
            if everything:
                # Where nobody reaps the dead, its number still looks taken, and the lock file in use.
                for left in (own.pgdata / "postmaster.pid", *own.pgdata.glob(".s.PGSQL.*")):
                    left.unlink(missing_ok=True)
                own.ensure_postgres_running()
            until(lambda: answers(url), every=0.02)
        total, unsaid = verify(url, acknowledged)
        print(
            f"\nPostgreSQL server: {SERVER_KILLS} kills, {total} acknowledged, 0 lost, {unsaid} committed without an answer"
        )


def serving(postmaster: Any) -> list[Any]:
    """The server's processes that serve a client."""
    return [p for p in postmaster.children() if "shop" in " ".join(p.cmdline())]


def start_again_sooner(url: str) -> None:
    """One flush of the whole file system at each recovery instead of one for each file; nothing else is changed."""
    import psycopg

    if sys.platform == "linux":
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute("ALTER SYSTEM SET recovery_init_sync_method = 'syncfs'")
            connection.execute("SELECT pg_reload_conf()")


def answers(url: str) -> bool:
    import psycopg

    try:
        psycopg.connect(url).close()
    except psycopg.OperationalError:
        return False
    return True


def test_eight_writers_at_once_keep_one_chain(url: str, nursery: Nursery) -> None:
    each, names = 40, [f"writer{n}" for n in range(8)]
    start = time.perf_counter()
    writers = [nursery.start(url, name, each) for name in names]
    assert all(gone(writer) for writer in writers)
    seconds = time.perf_counter() - start
    assert {name: nursery.acknowledged(name) for name in names} == dict.fromkeys(names, each)
    assert verify(url, dict.fromkeys(names, each))[0] == 8 * each
    print(f"\n8 writers: {8 * each / seconds:.0f} records/s")


def test_a_full_disk_refuses_clearly_and_keeps_what_was_acknowledged(tmp_path: Path, nursery: Nursery) -> None:
    url = str(tmp_path / "shop.sqlite")
    open_archive(url, moment=NOW, create=True).close()
    for number, room in enumerate((700_000, 1_500_000, 1_500_000)):
        writer = nursery.start(url, f"full{number}", 10_000, largest_file=room)
        assert gone(writer)
        assert "nothing of it was kept" in nursery.said(f"full{number}")
    counts = {f"full{n}": nursery.acknowledged(f"full{n}") for n in range(3)}
    assert counts["full0"] > 0
    verify(url, counts)


def test_a_postgresql_with_a_full_disk_refuses_and_keeps_what_was_acknowledged() -> None:
    """No file of the server may grow beyond 17 MB; attachments soon reach that."""
    import resource

    base, kept = model(), 0
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (17 * 2**20, before[1]))
    try:
        with own_server() as own:
            url = new_database(own)
            with open_archive(url, moment=NOW, create=True) as archive:
                archive.add(variant(base, "F-0"), moment=NOW)
                with pytest.raises(ArchiveFault, match="make room on the disk"):
                    for kept in range(20):
                        archive.attach(
                            "F-0", 1, name="photo", content=random.Random(kept).randbytes(3 * 2**20), moment=NOW
                        )
                archive.add(variant(base, "F-1"), moment=NOW)
                assert len(archive.attached("F-0")) == kept > 2
            verify(url, {"F": 2})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
