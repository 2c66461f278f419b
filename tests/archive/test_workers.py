"""Here, in a pool, on a cluster with a worker killed midway: the same results to the byte, nothing lost."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from nursery import model, variant
from stores import NOW

from diagnb.archive import Archive, ArchiveFault, open_archive
from diagnb.archive.intake import Item, bring_in
from diagnb.archive.workers import Encryption, in_order, workers
from diagnb.impact import InstrumentError, find_impact
from diagnb.record import Record, canonical_bytes

Make = Callable[..., Record]
WORK = 120


def slow_square(number: int) -> int:
    time.sleep(0.02)
    return number * number


def free_port() -> int:
    with contextlib.closing(socket.socket()) as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Cluster:
    """A real scheduler and workers, each a program of its own on loopback."""

    def __init__(self, folder: Path, count: int, security: list[str] | None = None) -> None:
        self.kind = "tls" if security else "tcp"
        self.address = f"{self.kind}://127.0.0.1:{free_port()}"
        self.log = (folder / "cluster.log").open("wb")
        port = self.address.rpartition(":")[2]
        environment = {
            **os.environ,
            "PYTHONPATH": str(Path(__file__).parent),
            "DASK_DISTRIBUTED__WORKER__DAEMON": "false",
        }
        common = [*(security or []), "--no-dashboard"]

        def start(program: str, *arguments: str) -> subprocess.Popen[bytes]:
            command = [sys.executable, "-m", f"distributed.cli.dask_{program}", *arguments, *common]
            return subprocess.Popen(command, cwd=folder, env=environment, stdout=self.log, stderr=self.log)

        self.scheduler = start("scheduler", "--host", f"{self.kind}://127.0.0.1", "--port", port)
        self.workers = [start("worker", self.address, "--nworkers", "1", "--nthreads", "1", "--no-nanny", "--host", f"{self.kind}://127.0.0.1") for _ in range(count)]  # fmt: skip

    def stop(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()
        self.log.close()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    found = Cluster(tmp_path, 2)
    yield found
    found.stop()


def test_order_is_kept_in_a_pool() -> None:
    with workers(processes=2) as pool:
        assert list(in_order(slow_square, range(30), pool)) == [n * n for n in range(30)]


PARENT = """
import os, sys, time
from diagnb.archive.workers import workers

if __name__ == "__main__":
    with workers(processes=2) as pool:
        pids = {pool.submit(os.getpid).result()}
        while len(pids) < 2:
            pids |= {f.result() for f in [pool.submit(time.sleep, 0.2), pool.submit(os.getpid)] if f.result()}
        print(*pids, flush=True)
        time.sleep(600)
"""


def test_workers_end_with_a_parent_that_was_killed(tmp_path: Path) -> None:
    """Nobody says goodbye: both workers must notice by themselves."""
    script = tmp_path / "parent.py"
    script.write_text(PARENT, encoding="utf-8")
    parent = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    try:
        pids = [int(word) for word in parent.stdout.readline().split()]  # type: ignore[union-attr]
        assert len(pids) == 2 and all(map(running, pids))
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()  # type: ignore[union-attr]
    end = time.monotonic() + 20
    while any(map(running, pids)) and time.monotonic() < end:
        time.sleep(0.1)
    assert not [pid for pid in pids if running(pid)]


def running(pid: int) -> bool:
    import psutil

    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_worker_killed_midway_loses_nothing(cluster: Cluster) -> None:
    found = []
    with workers(scheduler=cluster.address) as pool:
        for number, outcome in enumerate(in_order(slow_square, range(WORK), pool)):
            found.append(outcome)
            if number == WORK // 3:
                cluster.workers[0].send_signal(signal.SIGKILL)
    assert found == [n * n for n in range(WORK)]
    assert cluster.workers[0].wait(timeout=10) == -signal.SIGKILL


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_import_and_impact_are_the_same_to_the_byte_wherever_they_run_and_with_a_worker_lost(
    tmp_path: Path, cluster: Cluster, examples: list[Record]
) -> None:
    items = [Item(r.id, canonical_bytes(r)) for r in examples[:12]]
    change = InstrumentError("H6-00417", gain_percent=2.0)
    digests = {}
    ways: dict[str, dict[str, Any]] = {"here": {}, "pool": {"processes": 2}, "cluster": {"scheduler": cluster.address}}
    for name, way in ways.items():
        with contextlib.ExitStack() as stack:
            pool = stack.enter_context(workers(**way)) if way else None
            archive = stack.enter_context(open_archive(tmp_path / f"{name}.sqlite", moment=NOW, create=True))
            lost = cluster.workers[1] if name == "cluster" else None

            def progress(done: int, lost: subprocess.Popen[bytes] | None = lost) -> None:
                if lost is not None and done == 3:
                    lost.send_signal(signal.SIGKILL)

            assert bring_in(archive, items, moment=NOW, executor=pool, progress=progress).added == len(items)
            found = find_impact(archive, change, executor=pool)
            text = json.dumps(found.to_plain(), sort_keys=True)
            digests[name] = (str(archive.head()), hashlib.sha256(text.encode()).hexdigest())
    assert cluster.workers[1].wait(timeout=10) == -signal.SIGKILL
    assert len(set(digests.values())) == 1, digests


def test_parts_are_the_same_to_the_byte_in_a_pool(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnb.impact import search

    monkeypatch.setattr(search, "PART", 3)
    base = model()
    archive.add_many([variant(base, f"V-{n}") for n in range(16)], moment=NOW)
    change = InstrumentError("H6-00417", gain_percent=2.0)
    alone = find_impact(archive, change).to_plain()
    with workers(processes=2) as pool:
        assert find_impact(archive, change, executor=pool).to_plain() == alone


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_scheduler_that_asks_for_certificates(tmp_path: Path) -> None:
    import datetime as dt
    import ipaddress

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    key, start = ec.generate_private_key(ec.SECP256R1()), dt.datetime.now(dt.UTC)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "cluster (invented)")])
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(start - dt.timedelta(days=1)).not_valid_after(start + dt.timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    pem, secret = tmp_path / "cert.pem", tmp_path / "key.pem"
    pem.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    cluster = Cluster(tmp_path, 1, ["--tls-ca-file", str(pem), "--tls-cert", str(pem), "--tls-key", str(secret)])
    try:
        with workers(scheduler=cluster.address, encryption=Encryption(pem, pem, secret)) as pool:
            assert list(in_order(slow_square, range(5), pool)) == [0, 1, 4, 9, 16]
        with pytest.raises(ArchiveFault, match="no scheduler answers"), workers(scheduler=cluster.address):
            pass
    finally:
        cluster.stop()


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_scheduler_that_is_not_there_is_said() -> None:
    with pytest.raises(ArchiveFault, match="no scheduler answers"), workers(scheduler=f"tcp://127.0.0.1:{free_port()}"):
        pass
