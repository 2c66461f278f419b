"""The two ways in: one click on a card of JupyterLab's launcher, and ``diagnb lab`` that shows the cards anywhere."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest
from entry_server import Started, command_started

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
FIELD = "[data-entry='order.number']"


@pytest.fixture(scope="module")
def lab_command(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Started]:
    """``diagnb lab`` on a folder that is not there yet, with a blank and an umlaut in its name."""
    place = tmp_path_factory.mktemp("entry")
    with command_started("lab", place / "Prüf stand", home=place) as started:
        yield started


@pytest.fixture
def page(browser: Any, lab_command: Started) -> Iterator[Any]:
    """The launcher of that JupyterLab."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(30_000)
    opened = context.new_page()
    lab_command.watch(opened)
    opened.goto(lab_command.address.replace("/?", "/lab?reset&"))
    yield opened
    context.close()


def launcher(page: Any) -> None:
    page.wait_for_selector("#jp-main-dock-panel", timeout=60_000)
    if not page.locator(".jp-LauncherCard:visible").count():
        page.keyboard.press("Control+Shift+L")
    page.wait_for_selector(".jp-LauncherCard:visible")


def card(page: Any, title: str) -> Any:
    return page.locator(".jp-LauncherCard:visible", has=page.locator(f"text=/^{title}$/")).first


def test_one_click_on_the_card_and_the_form_is_on_screen(page: Any, lab_command: Started) -> None:
    launcher(page)
    icon = card(page, "New circuit record").locator("img")
    assert icon.get_attribute("src").endswith("kernelspecs/diagnb/logo-svg.svg")
    assert icon.evaluate("(node) => node.naturalWidth") > 0
    card(page, "New circuit record").click()
    page.wait_for_selector(FIELD)
    page.fill(FIELD, "RO-1")
    page.wait_for_selector(".dn-bar[data-state='saved']:visible")
    (written,) = lab_command.folder.glob("circuit-record-*.ipynb")
    assert re.fullmatch(r"circuit-record-\d{8}-\d{6}\.ipynb", written.name)
    (journal,) = (lab_command.folder / ".diagnb" / "drafts").glob("*.jsonl")
    page.wait_for_function(
        "async (name) => { const answer = await fetch(`/api/contents/${name}`); const book = await answer.json();"
        " return JSON.stringify(book).includes('%diagnb form 2'); }",
        arg=written.name,
    )
    book = nbformat.read(written, as_version=4)
    assert book.metadata.kernelspec.name == "diagnb"
    assert f"%diagnb form {journal.stem}" in book.cells[-1].source
    assert '"v":"RO-1"' in journal.read_text(encoding="utf-8")
    assert not page.locator(".jp-Cell .jp-InputArea-editor:visible", has_text="load_ext").count()
    assert not page.locator(".jp-LauncherCard:visible").count()
    # The cell itself in focus, beside the form: neither deleting nor cutting takes the form away.
    page.locator(".jp-Notebook .jp-CodeCell").last.click(position={"x": 3, "y": 3})
    page.keyboard.press("Escape")
    for keys in ("d", "d", "x"):
        page.keyboard.press(keys)
    page.wait_for_timeout(300)
    assert page.input_value(FIELD) == "RO-1"
    assert lab_command.foreign == []
    assert lab_command.errors == []


def test_a_second_click_begins_another_record_in_the_folder_that_is_open(page: Any, lab_command: Started) -> None:
    below = lab_command.folder / "Halle Süd 3"
    below.mkdir()
    launcher(page)
    page.locator(".jp-DirListing-item", has_text=below.name).dblclick()
    page.wait_for_function(
        "(name) => document.querySelector('.jp-BreadCrumbs').innerText.includes(name)", arg=below.name
    )
    page.keyboard.press("Control+Shift+L")
    page.wait_for_selector(f".jp-Launcher-cwd:visible >> text={below.name}")
    page.locator(f".jp-Launcher:visible:has-text('{below.name}')").locator(
        ".jp-LauncherCard", has_text="New circuit record"
    ).first.click()
    page.wait_for_selector(FIELD)
    assert page.input_value(FIELD) == ""
    assert len(list(below.glob("circuit-record-*.ipynb"))) == 1
    assert len(list((below / ".diagnb" / "drafts").glob("*.jsonl"))) == 1


def test_the_kernel_card_opens_a_notebook_that_knows_the_magic(page: Any, lab_command: Started) -> None:
    launcher(page)
    card(page, "Circuit diagnosis").click()
    page.wait_for_selector(".jp-Notebook .cm-content")
    page.locator(".jp-Notebook .cm-content").first.click()
    page.keyboard.type("%diagnb form")
    page.wait_for_selector("text=Circuit diagnosis | Idle")
    page.keyboard.press("Shift+Enter")
    page.wait_for_selector(FIELD)
    assert lab_command.foreign == []


def test_the_starter_beside_the_card_is_the_shipped_one() -> None:
    from diagnb.shipped import cards_directory, templates_directory

    beside = cards_directory() / "labextensions" / "diagnb" / "static" / "circuit-test.ipynb"
    assert beside.read_bytes() == (templates_directory() / "notebooks" / "circuit-test.ipynb").read_bytes()


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Python of an environment where the wheel, built here, is installed; other packages come from this one."""
    place = tmp_path_factory.mktemp("wheel")
    run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(place)], cwd=ROOT)
    (wheel,) = place.glob("*.whl")
    with zipfile.ZipFile(wheel) as content:
        names = content.namelist()
    assert any(n.endswith("data/share/jupyter/kernels/diagnb/kernel.json") for n in names)
    assert any(n.endswith("data/share/jupyter/labextensions/diagnb/package.json") for n in names)
    environment = place / "environment"
    run([sys.executable, "-m", "venv", "--without-pip", str(environment)])
    python = environment / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    run([sys.executable, "-m", "pip", "--python", str(python), "install", "--no-deps", "--no-index", str(wheel)])
    borrow(environment, python)
    return python


def borrow(environment: Path, python: Path) -> None:
    """Let the new environment see this one's packages (not its diagnb) and its labextensions."""
    home = run([str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]).strip()
    here = run([sys.executable, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]).strip()
    (Path(home) / "borrowed.pth").write_text(here + "\n", encoding="utf-8")
    for kind in ("labextensions", "lab", "nbconvert"):
        target = environment / "share" / "jupyter" / kind
        shutil.copytree(Path(sys.prefix) / "share" / "jupyter" / kind, target, dirs_exist_ok=True,
                        ignore=lambda _folder, names: [n for n in names if n == "diagnb"])  # fmt: skip


def run(command: list[str], **options: Any) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout


def test_the_installed_wheel_brings_both_cards_to_any_jupyterlab(installed: Path, browser: Any, tmp_path: Path) -> None:
    where = run([str(installed), "-c", "import diagnb; print(diagnb.__file__)"], cwd=tmp_path)
    assert str(installed.parents[1]) in where
    with command_started("plain", tmp_path / "bay 1", home=tmp_path, python=installed) as started:
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        opened = context.new_page()
        started.watch(opened)
        opened.goto(started.address.replace("...", "t"))  # the server does not print a token it was given
        launcher(opened)
        assert card(opened, "Circuit diagnosis").count() == 1
        card(opened, "New circuit record").click()
        opened.wait_for_selector(FIELD, timeout=30_000)
        context.close()
        assert started.foreign == []
