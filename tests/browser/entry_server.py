"""Servers as a user starts them: ``diagnb lab``, ``diagnb form``, or JupyterLab by its own command."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, Queue
from typing import Any
from urllib.parse import urlsplit

from conftest import free_port


@dataclass
class Started:
    """A server that says where it is; ``foreign`` are requests to anywhere else, ``errors`` those of its pages."""

    address: str
    folder: Path
    said: list[str]
    process: subprocess.Popen[str]
    foreign: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def watch(self, page: Any) -> None:
        """Note every request of this page that leaves the loopback server, and every error of its scripts."""
        page.on("dialog", lambda dialog: dialog.accept())
        page.on("request", lambda request: self._note(request.url))
        page.on("websocket", lambda socket: self._note(socket.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))

    def _note(self, url: str) -> None:
        if not url.startswith(("data:", "blob:")) and urlsplit(url).netloc != urlsplit(self.address).netloc:
            self.foreign.append(url)


@contextmanager
def command_started(
    what: str,
    folder: Path,
    *,
    home: Path,
    options: Sequence[str] = (),
    given: str = "",
    python: Path | None = None,
) -> Iterator[Started]:
    """Start ``diagnb lab`` or ``diagnb form`` (or a "plain" JupyterLab) and wait until it says where it is."""
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR", "HOME"):
        environment[name] = str(home / f"home-{name.lower()}")
        Path(environment[name]).mkdir(exist_ok=True)
    environment.pop("JUPYTER_PATH", None)
    port, starter = free_port(), [str(python or sys.executable), "-m"]
    if what == "plain":
        folder.mkdir(parents=True)
        command = [*starter, "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--ip=127.0.0.1",
                   "--IdentityProvider.token=t", f"--ServerApp.root_dir={folder}"]  # fmt: skip
    else:
        command = [*starter, "diagnb", what, str(folder), "--no-browser", "--port", str(port), *options]
    process = subprocess.Popen(
        command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, encoding="utf-8", cwd=home,
    )  # fmt: skip
    assert process.stdin
    process.stdin.write(given)
    process.stdin.close()
    lines: Queue[str] = Queue()
    reader = threading.Thread(target=_read, args=(process.stdout, lines), daemon=True)
    reader.start()
    said: list[str] = []
    try:
        yield Started(_address(process, lines, said, port), folder, said, process)
    finally:
        process.terminate()
        process.wait(30)
        reader.join(30)
        assert process.stdout
        process.stdout.close()


def _read(stream: Any, lines: Queue[str]) -> None:
    for line in stream:
        lines.put(line.rstrip())


def _address(process: subprocess.Popen[str], lines: Queue[str], said: list[str], port: int) -> str:
    """The first address printed, once something answers there; what was printed goes to ``said``."""
    for _ in range(300):
        try:
            said.append(lines.get(timeout=0.2))
            continue
        except Empty:
            pass
        found = re.search(rf"https?://[^\s/]*:{port}/\S*", "\n".join(said))
        if found:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return found[0]
        if process.poll() is not None:
            break
        time.sleep(0.1)
    raise AssertionError("the server did not start: " + "\n".join(said))
