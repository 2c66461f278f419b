"""A real JupyterLab, isolated from the user's settings, and a real headless Chromium."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nbformat
import pytest

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip


def chromium() -> str:
    """The path of the installed Chromium."""
    for name in ("chromium", "chromium-browser"):
        found = shutil.which(name)
        if found:
            return found
    pytest.fail("no Chromium found; install one (Debian: apt-get install chromium)")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Server:
    """One running JupyterLab on its own folder."""

    address: str
    folder: Path
    process: subprocess.Popen[bytes]
    notebooks: int = field(default=0)

    def notebook(self, *cells: str, folder: str = "") -> str:
        """Write a notebook with these code cells, in the server's folder or one below it; returns its name."""
        self.notebooks += 1
        name = f"{folder}{'/' if folder else ''}visit-{self.notebooks}.ipynb"
        book = nbformat.v4.new_notebook()
        book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
        book.cells = [nbformat.v4.new_code_cell(cell) for cell in cells]
        nbformat.write(book, self.folder / name)
        return name

    def kill(self) -> None:
        """As a crash does it: no time to put anything away."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)


@contextmanager
def started(home: Path, folder: Path, *, comms: str, port: int = 0) -> Iterator[Server]:
    """A JupyterLab with its own settings; ``comms`` says on which thread widget messages come to the kernel."""
    port = port or free_port()
    environment = dict(os.environ)
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR", "HOME"):
        environment[name] = str(home / name.lower())
        Path(environment[name]).mkdir(exist_ok=True)
    environment.pop("JUPYTER_PLATFORM_DIRS", None)
    settings = home / "jupyter_config_dir" / "lab" / "user-settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True, exist_ok=True)
    for name, value in (("notification", {"fetchNews": "false"}), ("kernels-settings", {"commsOverSubshells": comms})):
        (settings / f"{name}.jupyterlab-settings").write_text(json.dumps(value), encoding="utf-8")
    log = (home / "server.log").open("wb")
    command = [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root", "--ip=127.0.0.1",
               f"--port={port}", "--ServerApp.port_retries=0", "--IdentityProvider.token=", "--ServerApp.password=",
               "--expose-app-in-browser", f"--ServerApp.root_dir={folder}"]  # fmt: skip
    process = subprocess.Popen(command, env=environment, stdout=log, stderr=subprocess.STDOUT, cwd=folder)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(240):
            if process.poll() is not None:
                pytest.fail("JupyterLab ended: " + (home / "server.log").read_text(encoding="utf-8")[-3000:])
            try:
                urllib.request.urlopen(f"{address}/api/status", timeout=2).close()
                break
            except OSError:
                time.sleep(0.25)
        else:
            pytest.fail("JupyterLab did not start: " + (home / "server.log").read_text(encoding="utf-8")[-3000:])
        yield Server(address, folder, process)
    finally:
        process.terminate()
        process.wait(20)
        log.close()


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """As JupyterLab comes: the first widget message on the main thread, later ones on another."""
    home, folder = tmp_path_factory.mktemp("home"), tmp_path_factory.mktemp("workshop ä")
    with started(home, folder, comms="perCommTarget") as running:
        yield running


@pytest.fixture
def server_on_one_thread(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """All widget messages on the kernel's main thread."""
    home, folder = tmp_path_factory.mktemp("home"), tmp_path_factory.mktemp("workshop ä")
    with started(home, folder, comms="disabled") as running:
        yield running


@pytest.fixture(scope="module")
def playwright() -> Iterator[Any]:
    """Ends with its module: while it runs, it holds an event loop on this thread."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="module")
def browser(playwright: Any) -> Iterator[Any]:
    started = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
    yield started
    started.close()


def own_browser(playwright: Any, profile: Path) -> Any:
    """A browser with a profile of its own, which the next one on this profile finds again."""
    return playwright.chromium.launch_persistent_context(
        str(profile), executable_path=chromium(), args=FLAGS, viewport={"width": 1280, "height": 900}
    )


def kill_browser(profile: Path) -> int:
    """Kill every process of the browser on this profile at once; returns how many there were."""
    processes = [int(p.name) for p in Path("/proc").glob("[0-9]*")]
    groups = {group for p in processes if _is_on(p, profile) and (group := _group_of(p)) not in (0, os.getpgid(0))}
    killed = sum(_group_of(p) in groups for p in processes)
    for group in groups:
        os.killpg(group, signal.SIGKILL)
    return killed


def _is_on(process: int, profile: Path) -> bool:
    try:
        return f"--user-data-dir={profile}".encode() in Path(f"/proc/{process}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False


def _group_of(process: int) -> int:
    try:
        return os.getpgid(process)
    except OSError:
        return 0


class Lab:
    """One page of JupyterLab, and what a person does in it."""

    def __init__(self, page: Any, server: Server) -> None:
        self.page = page
        self.server = server
        self.errors: list[str] = []
        self.foreign: list[str] = []
        page.on("dialog", lambda dialog: dialog.accept())
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", self._note_request)

    def _note_request(self, request: Any) -> None:
        if not request.url.startswith((self.server.address, "data:", "blob:", "ws://127.0.0.1")):
            self.foreign.append(request.url)

    def open(self, notebook: str, *, workspace: str = "w") -> None:
        self.page.goto(f"{self.server.address}/lab/workspaces/{workspace}/tree/{notebook}?reset")
        self.wait_for_kernel()

    def wait_for_kernel(self) -> None:
        self.page.wait_for_function(
            "() => { const w = window.jupyterapp && window.jupyterapp.shell.currentWidget;"
            " return w && w.sessionContext && w.sessionContext.session && w.sessionContext.session.kernel"
            " && w.sessionContext.session.kernel.status === 'idle'; }",
            timeout=60_000,
        )

    def command(self, name: str) -> None:
        self.page.evaluate("(name) => { window.jupyterapp.commands.execute(name); }", name)

    def run_all(self) -> None:
        self.command("notebook:run-all-cells")

    def hide_side_bar(self) -> None:
        self.page.evaluate("() => { window.jupyterapp.shell.collapseLeft(); }")

    def shut_down(self) -> None:
        self.page.evaluate("async () => { await window.jupyterapp.serviceManager.sessions.shutdownAll(); }")


def to_step(page: Any, title: str) -> None:
    """Press the button of a step; where the list of steps is folded, open it first."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)))")  # after a new size
    button = page.locator(".dn-steps button:not(.dn-fold)", has_text=title)
    if not button.is_visible():
        page.locator(".dn-fold").click()
    button.click()


@contextmanager
def opened(browser: Any, server: Server) -> Iterator[Lab]:
    """One page of this JupyterLab, shut down afterwards."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    context.set_default_timeout(30_000)
    lab = Lab(context.new_page(), server)
    yield lab
    if lab.page.evaluate("() => Boolean(window.jupyterapp)"):
        lab.shut_down()
    context.close()


@pytest.fixture
def lab(server: Server, browser: Any) -> Iterator[Lab]:
    with opened(browser, server) as page:
        yield page


@pytest.fixture
def lab_on_one_thread(server_on_one_thread: Server, browser: Any) -> Iterator[Lab]:
    with opened(browser, server_on_one_thread) as page:
        yield page


@dataclass(frozen=True)
class Loss:
    """What one fault cost: entries typed, found again, acknowledged before the fault, and lost of these."""

    fault: str
    typed: int
    back: int
    acknowledged: int
    lost: int

    @classmethod
    def of(cls, fault: str, *, typed: dict[str, str], acknowledged: dict[str, str], back: dict[str, str]) -> Loss:
        """From what was typed last into each field, what was acknowledged of it, and what stands there afterwards."""
        return cls(
            fault,
            len(typed),
            sum(back.get(key) == text for key, text in typed.items()),
            len(acknowledged),
            sum(back.get(key) != text for key, text in acknowledged.items()),
        )

    def __add__(self, other: Loss) -> Loss:
        return Loss(
            self.fault,
            self.typed + other.typed,
            self.back + other.back,
            self.acknowledged + other.acknowledged,
            self.lost + other.lost,
        )


_LOSSES: list[Loss] = []


@pytest.fixture
def losses() -> list[Loss]:
    """The loss table: each test adds its rows, and it is printed at the end."""
    return _LOSSES


def pytest_terminal_summary(terminalreporter: Any) -> None:
    if not _LOSSES:
        return
    terminalreporter.section("what was lost")
    terminalreporter.line("| fault | entries typed | back | acknowledged before | acknowledged and lost |")
    terminalreporter.line("|---|---|---|---|---|")
    for loss in _LOSSES:
        terminalreporter.line(
            f"| {loss.fault} | {loss.typed:,} | {loss.back:,} | {loss.acknowledged:,} | {loss.lost} |"
        )
