"""The code-free page as a tablet in the bay meets it: ``diagnb form``, a real server, a real Chromium."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import to_step
from entry_server import Started, command_started

from diagnb.forms.journal import Journal

pytestmark = pytest.mark.browser

TABLET = {"width": 820, "height": 1180}
PASSWORD = "long enough for a bay"


def field(key: str) -> str:
    return f"[data-entry='{key}']"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def form_command(place: Path) -> Iterator[Started]:
    """``diagnb form`` on a folder that is not there yet, with a blank and an umlaut in its name."""
    with command_started("form", place / "Prüf stand", home=place) as started:
        yield started


@pytest.fixture
def tablet(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport=TABLET, has_touch=True, ignore_https_errors=True, accept_downloads=True)
    context.set_default_timeout(30_000)
    yield context.new_page()
    context.close()


def opened(page: Any, started: Started, query: str = "") -> Any:
    started.watch(page)
    page.goto(started.address + query)
    page.wait_for_selector(field("order.number"), timeout=60_000)
    return page


def saved(page: Any) -> None:
    page.wait_for_function(
        "() => [...document.querySelectorAll('.dn-bar')].every((bar) => ['saved', 'locked'].includes(bar.dataset.state))"
    )


def journal(started: Started, name: str) -> dict[str, str]:
    return dict(Journal.read(started.folder / ".diagnb" / "drafts" / f"{name}.jsonl").values)


def test_a_row_is_filled_the_verdict_appears_and_the_journal_has_it(tablet: Any, form_command: Started) -> None:
    page = opened(tablet, form_command, "&sheet=visit-1")
    page.fill(field("order.number"), "RO-4711")
    page.select_option(field("vehicle.system_voltage"), "12")
    to_step(page, "Circuit")
    page.select_option(field("circuit.class"), "ordinary")
    page.fill(field("conditions.ambient_degc"), "21,5")
    to_step(page, "Instruments")
    page.locator("button:visible", has_text="Add an instrument").click()
    page.select_option(field("instruments.m1.meter"), "handheld-6000")
    page.fill(field("instruments.m1.calibrated"), "2026-01-10")
    page.fill(field("instruments.m1.due"), "2099-01-10")
    to_step(page, "As found")
    page.locator(".widget-dropdown select:visible").select_option(label="P09 Feed-side voltage drop")
    page.locator("button:visible", has_text="Add this test").click()
    page.wait_for_selector(f"{field('tests.t1.readings.drop')}:focus")
    page.keyboard.type("350 mV")
    page.fill(field("tests.t1.readings.load_current"), "4,80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    assert page.locator(".dn-result:visible .dn-verdict").first.inner_text() == "✗ fail"
    saved(page)
    kept = journal(form_command, "visit-1")
    assert kept["tests.t1.readings.drop"] == "350 mV"
    assert kept["tests.t1.readings.load_current"] == "4,80"
    assert form_command.foreign == []
    assert form_command.errors == []


def test_a_reload_goes_on_with_the_same_sheet_and_may_write(tablet: Any, form_command: Started) -> None:
    page = opened(tablet, form_command, "&sheet=visit-2")
    page.fill(field("order.number"), "RO-2")
    saved(page)
    page.reload()
    page.wait_for_selector(field("order.number"), timeout=60_000)
    assert page.input_value(field("order.number")) == "RO-2"
    assert page.is_enabled(field("order.number"))
    page.fill(field("order.site"), "Halle 3")
    saved(page)
    assert journal(form_command, "visit-2")["order.site"] == "Halle 3"


def test_a_window_that_died_leaves_its_sheet_to_the_next_at_the_step_of_the_last_entry(
    browser: Any, tablet: Any, form_command: Started
) -> None:
    first = opened(tablet, form_command, "&sheet=visit-6")
    to_step(first, "Circuit")
    first.fill(field("circuit.name"), "left low beam")
    saved(first)
    first.close(run_before_unload=False)
    context = browser.new_context(viewport=TABLET)
    page = context.new_page()
    page.goto(form_command.address + "&sheet=visit-6")
    page.wait_for_selector(field("circuit.name"), timeout=60_000)
    assert page.locator("text=Read only").count() == 0
    page.fill(field("circuit.description"), "battery, fuse, lamp")
    saved(page)
    context.close()
    assert journal(form_command, "visit-6")["circuit.description"] == "battery, fuse, lamp"


def test_a_scan_replaces_what_a_field_holds_and_one_beside_every_field_is_said(
    tablet: Any, form_command: Started
) -> None:
    page = opened(tablet, form_command, "&sheet=visit-7")
    page.fill(field("vehicle.vin"), "1M8GDM9AXKP042788")
    for vin in ("1M8GDM9AXKP042788", "11111111111111111"):
        page.focus(field("vehicle.vin"))
        page.keyboard.press("End")
        page.keyboard.type(vin, delay=3)
        page.keyboard.press("Enter")
        page.wait_for_selector(f"{field('vehicle.unit')}:focus")
        assert page.input_value(field("vehicle.vin")) == vin
    page.evaluate("() => { document.activeElement.blur(); document.querySelector('.dn-root').scrollTop = 400; }")
    page.wait_for_timeout(300)
    page.keyboard.type("4711-12", delay=3)
    page.keyboard.press("Enter")
    page.wait_for_selector(".dn-trouble >> text=“4711-12” came from a bar-code reader while no field was chosen")
    form, said = (page.locator(place).bounding_box() for place in (".dn-root", ".dn-trouble"))
    assert page.evaluate("() => document.querySelector('.dn-root').scrollTop") == 400
    assert form["y"] < said["y"] < said["y"] + said["height"] < form["y"] + form["height"]  # in sight where one is
    saved(page)
    assert journal(form_command, "visit-7")["vehicle.vin"] == "11111111111111111"


def test_the_page_shows_no_code_and_no_error_and_fits_a_tablet(tablet: Any, form_command: Started) -> None:
    page = opened(tablet, form_command, "&sheet=visit-3")
    text = page.locator("body").inner_text()
    for word in ("%diagnb", "load_ext", "get_ipython", "Traceback", "Error"):
        assert word not in text
    assert page.locator(".jp-InputArea:visible, .jp-CodeMirrorEditor:visible").count() == 0
    assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")
    small = page.evaluate(
        "() => [...document.querySelectorAll('.dn-root button, .dn-root input, .dn-root select, nav a')]"
        ".filter((n) => n.offsetParent).filter((n) => n.getBoundingClientRect().height < 47.5).map((n) => n.outerHTML)"
    )
    assert small == []
    assert form_command.foreign == []
    assert form_command.errors == []


def test_another_record_is_begun_and_the_first_one_found_again(tablet: Any, form_command: Started) -> None:
    page = opened(tablet, form_command, "&sheet=visit-4")
    page.fill(field("order.number"), "RO-4")
    saved(page)
    page.locator("nav a", has_text="Begin another record").click()
    page.wait_for_selector(".dn-sub >> text=/Sheet 20/")
    assert page.input_value(field("order.number")) == ""
    drafts = form_command.folder / ".diagnb" / "drafts"
    fresh = page.url.rpartition("sheet=")[2]
    assert not (drafts / f"{fresh}.jsonl").exists()
    summary = page.locator("nav summary", has_text="unsigned sheet")
    place = summary.bounding_box()
    assert place["y"] < page.locator(".dn-root").bounding_box()["y"]
    assert place["height"] >= 47.5
    summary.click()
    assert page.locator("nav a", has_text=fresh).count() == 0
    page.fill(field("order.site"), "Bay 2")
    saved(page)
    assert journal(form_command, fresh)["order.site"] == "Bay 2"
    assert journal(form_command, fresh)["record.id"] == fresh
    page.locator("nav a", has_text="RO-4 (visit-4)").click()
    page.wait_for_selector(".dn-sub >> text=/visit-4/")
    assert page.input_value(field("order.number")) == "RO-4"


def test_others_reach_the_page_with_the_password_over_an_encrypted_line_only(tablet: Any, tmp_path: Path) -> None:
    options = ("--listen", "127.0.0.1", "--password-fd", "0")
    with command_started("form", tmp_path / "Bucht 2", home=tmp_path, options=options, given=PASSWORD) as started:
        assert started.address.startswith("https://")
        said = " ".join(started.said)
        certificate = started.folder / ".diagnb" / "page-certificate.pem"
        assert fingerprint(certificate) in said
        assert "Whoever also knows the password can read and change the unsigned sheets" in said
        assert PASSWORD not in said
        assert PASSWORD not in " ".join(process_arguments(started.process.pid))
        if os.name == "posix":
            assert (started.folder / ".diagnb" / "page-key.pem").stat().st_mode & 0o077 == 0
        page = tablet
        started.watch(page)
        page.goto(started.address)
        assert page.locator(field("order.number")).count() == 0
        page.fill("input[type=password]", "something else")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=/invalid/i")
        page.fill("input[type=password]", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_selector(field("order.number"), timeout=60_000)
        page.fill(field("order.number"), "RO-5")
        saved(page)
        assert started.foreign == []
        ours = [cookie for cookie in page.context.cookies() if cookie["name"].startswith("username-")]
        assert ours
        assert all(cookie["secure"] and cookie["httpOnly"] for cookie in ours)


def fingerprint(certificate: Path) -> str:
    """As OpenSSL says it."""
    command = ["openssl", "x509", "-in", str(certificate), "-noout", "-fingerprint", "-sha256"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip().split("=")[1]


def process_arguments(process: int) -> list[str]:
    """What anybody on this machine sees of the command line."""
    shown = Path(f"/proc/{process}/cmdline")
    return shown.read_bytes().decode().split("\0") if shown.exists() else []
