"""A whole visit in a real JupyterLab and a real Chromium, and what must survive when things die under it."""

from __future__ import annotations

import datetime as dt
import os
import signal
from pathlib import Path

import pytest
from conftest import to_step

from diagnb.proof import verify_report
from diagnb.signing import load_trust

pytestmark = pytest.mark.browser

OPEN = ("%load_ext diagnb", "%diagnb form")


def field(key: str) -> str:
    return f"[data-entry='{key}']"


class Form:
    """The form in the browser, as a technician uses it."""

    def __init__(self, lab) -> None:
        self.lab, self.page = lab, lab.page

    def begin(self, *cells: str) -> Form:
        self.notebook = self.lab.server.notebook(*(cells or OPEN))
        self.lab.open(self.notebook)
        self.lab.run_all()
        self.page.wait_for_selector(field("order.number"))
        return self

    def sheet(self) -> str:
        """The name of the sheet, from the cell that carries it."""
        text = self.page.locator(".jp-Cell .cm-content").nth(1).inner_text()
        assert text.startswith("%diagnb form ")
        return text.split()[-1]

    def step(self, title: str) -> None:
        to_step(self.page, title)

    def press(self, label: str) -> None:
        self.page.locator("button:visible", has_text=label).first.click()

    def saved(self) -> None:
        self.page.wait_for_function(
            "() => [...document.querySelectorAll('.dn-bar')].every((bar) => ['saved', 'locked'].includes(bar.dataset.state))"
        )

    def fill(self, **_: str) -> None:
        page = self.page
        page.fill(field("order.number"), "RO-4711")
        page.select_option(field("vehicle.system_voltage"), "12")
        page.fill(field("vehicle.unit"), "U-7")
        page.fill(field("complaint"), "Left low beam dim, worse in rain")
        self.step("Circuit")
        page.fill(field("circuit.name"), "left low beam, feed side")
        page.select_option(field("circuit.class"), "ordinary")
        page.fill(field("conditions.ambient_degc"), "21,5")
        self.step("Instruments")
        page.fill(field("people.technician.name"), "Ann Example")
        self.press("Add an instrument")
        page.select_option(field("instruments.m1.meter"), "handheld-6000")
        page.fill(field("instruments.m1.serial"), "S-1")
        page.fill(field("instruments.m1.calibrated"), "2026-01-10")
        page.fill(field("instruments.m1.due"), "2099-01-10")

    def add_test(self, title: str = "P09 Feed-side voltage drop") -> None:
        self.step("As found")
        self.page.locator(".widget-dropdown select:visible").select_option(label=title)
        self.press("Add this test")
        self.page.wait_for_selector(f"{field('tests.t1.readings.drop')}:focus")

    def verdict(self) -> str:
        return self.page.locator(".dn-result:visible .dn-verdict").first.inner_text()


@pytest.fixture
def form(lab) -> Form:
    return Form(lab)


def kernel_process(lab) -> int:
    """The process number of the one kernel that the page talks to, asked of the kernel itself."""
    return lab.page.evaluate(
        """async () => {
          const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;
          const future = kernel.requestExecute({code: 'import os; print(os.getpid())', store_history: false});
          let text = '';
          future.onIOPub = (m) => { if (m.header.msg_type === 'stream') text += m.content.text; };
          await future.done;
          return parseInt(text);
        }"""
    )


def test_from_the_first_reading_to_a_signed_report_that_proves_itself(form, lab, tmp_path):
    page = form.begin().page
    form.fill()
    form.add_test()
    page.keyboard.type("350")
    page.locator(".dn-fix:visible").wait_for()
    page.keyboard.press("Shift+Enter")
    page.locator(".dn-fix:visible").click()
    page.fill(field("tests.t1.readings.load_current"), "4,80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    assert form.verdict() == "✗ fail"
    assert page.locator(".dn-result:visible .dn-picture svg").first.get_attribute("role") == "img"
    form.saved()
    form.step("As left")
    form.press("Repeat each as-found test")
    page.wait_for_selector(f"{field('tests.t2.readings.drop')}:focus")
    page.keyboard.type("48.0 mV")
    page.fill(field("tests.t2.readings.load_current"), "4.85")
    page.wait_for_selector("[data-verdict='pass']:visible")
    form.step("Review")
    page.wait_for_selector("text=Claim readiness")
    form.step("Sign and export")
    form.press("Make a key for this technician")
    page.wait_for_selector("text=Write its passphrase down")
    pad = page.locator(".dn-pad")
    pad.scroll_into_view_if_needed()
    box = pad.bounding_box()
    page.mouse.move(box["x"] + 100, box["y"] + 100)
    page.mouse.down()
    for step in range(20):
        page.mouse.move(box["x"] + 100 + 12 * step, box["y"] + 100 + 20 * (step % 3))
    page.mouse.up()
    form.press("Sign report")
    form.press("Yes, sign now")
    page.wait_for_selector("text=Signed. The report is at")
    page.wait_for_selector(".dn-signed:focus")
    form.press("Correct it: begin a new revision")
    said = page.locator(".dn-said-revision .dn-trouble")
    said.wait_for()
    assert "say it in a sentence" in said.inner_text()
    page.wait_for_function(  # beside the button, in sight
        "() => { const b = document.querySelector('.dn-said-revision .dn-trouble').getBoundingClientRect();"
        " const foot = document.querySelector('.dn-foot').getBoundingClientRect(); return b.top > 0 && b.bottom <= foot.top; }"
    )
    with page.expect_download() as waiting:
        form.press("Save the report")
    download = tmp_path / "handed-over.pdf"
    waiting.value.save_as(download)
    folder: Path = lab.server.folder
    trust = load_trust(folder / "keys" / "trust.json")
    (written,) = [p for p in folder.glob("*.pdf") if p.name == waiting.value.suggested_filename]
    assert download.read_bytes() == written.read_bytes()
    proof = verify_report(download, trust=trust, moment=dt.datetime.now(dt.UTC) + dt.timedelta(minutes=1))
    assert proof.trustworthy, proof.reasons
    assert proof.record is not None
    assert [t.phase for t in proof.record.tests] == ["as found", "as left"]
    assert proof.record.tests[0].readings[0].texts == ("350 mV",)
    assert proof.record.conditions.ambient_degc == "21.5"
    assert page.locator(".dn-root").count() == 1
    assert page.locator(".jp-Cell").count() == 2
    form.step("As found")
    assert page.input_value(field("tests.t1.readings.drop")) == "350 mV"
    assert page.is_disabled(field("tests.t1.readings.drop"))
    assert lab.errors == []
    assert lab.foreign == []


def test_a_killed_kernel_costs_nothing_that_was_typed(form, lab):
    page = form.begin().page
    page.fill(field("order.number"), "RO-99")
    page.fill(field("vehicle.odometer"), "not a number")
    form.saved()
    process = kernel_process(lab)
    page.locator(field("complaint")).press_sequentially("dim since Mon")
    os.kill(process, signal.SIGKILL)
    page.locator(field("vehicle.unit")).press_sequentially("U-1")
    page.wait_for_selector(".dn-bar[data-state='browser']:visible", timeout=20_000)
    assert "kept in this browser only" in page.locator(".dn-bar:visible").first.inner_text()
    page.locator("dialog button, .jp-Dialog button").first.click(timeout=20_000)
    lab.wait_for_kernel()
    lab.run_all()
    page.wait_for_function(
        "() => { const all = [...document.querySelectorAll(\"[data-entry='order.number']\")]; return all.length === 1 && all[0].value === 'RO-99'; }",
        timeout=20_000,
    )
    form.saved()
    assert page.input_value(field("complaint")) == "dim since Mon"
    assert page.input_value(field("vehicle.unit")) == "U-1"
    assert page.input_value(field("vehicle.odometer")) == "not a number"
    journal = (lab.server.folder / ".diagnb" / "drafts" / f"{form.sheet()}.jsonl").read_text(encoding="utf-8")
    assert '"v":"U-1"' in journal
    assert '"v":"dim since Mon"' in journal


def test_a_reload_without_saving_the_notebook_costs_nothing(form, lab):
    page = form.begin().page
    page.locator(field("order.number")).press_sequentially("RO-7")
    form.saved()
    lab.open(form.notebook)
    lab.run_all()
    page.wait_for_selector(field("order.number"))
    assert page.input_value(field("order.number")) == "RO-7"


def test_keys_typed_at_a_list_or_button_do_not_reach_the_notebook(form, lab):
    page = form.begin().page
    for target in (field("vehicle.system_voltage"), ".dn-foot button:enabled", ".dn-steps button"):
        page.locator(target).first.focus()
        for key in ("d", "d", "b", "x", "0", "0", "Shift+Enter", "ArrowDown"):
            page.keyboard.press(key)
    page.locator(field("order.number")).focus()
    page.keyboard.press("Shift+Enter")
    page.keyboard.press("Control+Enter")
    page.wait_for_timeout(400)
    assert page.locator(".jp-Cell").count() == 2
    assert page.locator(".jp-Dialog, dialog[open]").count() == 0
    assert page.locator(".dn-root").count() == 1


def test_enter_and_arrows_walk_the_fields(form, lab):
    page = form.begin().page
    page.locator(field("order.number")).focus()
    page.keyboard.press("Enter")
    active = "() => document.activeElement.dataset.entry"
    assert page.evaluate(active) == "order.site"
    page.keyboard.press("ArrowDown")
    assert page.evaluate(active) == "order.customer"
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+Enter")
    assert page.evaluate(active) == "order.number"


def test_everything_can_be_touched_read_and_told_apart(form, lab):
    page = form.begin().page
    form.fill()
    form.add_test()
    page.keyboard.type("350 mV")
    page.wait_for_selector("[data-verdict='fail']:visible")
    small = page.evaluate(
        "() => [...document.querySelectorAll('.dn-root button, .dn-root input, .dn-root select, .dn-root textarea')]"
        ".filter((n) => n.offsetParent).map((n) => [n.textContent || n.dataset.entry, n.getBoundingClientRect().height, parseFloat(getComputedStyle(n).fontSize)])"
        ".filter(([, height, font]) => height < 47.5 || font < 16)"
    )
    assert small == []
    unlabelled = page.evaluate(
        "() => [...document.querySelectorAll('.dn-root [data-entry]')].filter((n) => !n.labels || !n.labels.length).length"
    )
    assert unlabelled == 0
    jumps = page.evaluate("() => document.querySelector('.dn-result:not(.dn-plain)').offsetHeight")
    page.fill(field("tests.t1.readings.drop"), "")
    page.wait_for_selector("[data-verdict='not judged']:visible")
    assert page.evaluate("() => document.querySelector('.dn-result:not(.dn-plain)').offsetHeight") == jumps


def test_the_browser_keeps_an_entry_that_the_kernel_has_newer_and_asks(form, lab):
    page = form.begin().page
    page.fill(field("order.number"), "RO-1")
    form.saved()
    stem = form.sheet()
    page.evaluate(
        "([key, value]) => localStorage.setItem(key, value)",
        [f"diagnb:{stem}:order.number", '{"text": "RO-2", "base": 0}'],
    )
    page.evaluate(
        "([key, value]) => localStorage.setItem(key, value)",
        [f"diagnb:{stem}:order.site", '{"text": "Hall 3", "base": 0}'],
    )
    lab.run_all()
    page.wait_for_selector("text=This browser still holds")
    assert page.input_value(field("order.number")) == "RO-1"
    assert page.input_value(field("order.site")) == "Hall 3"
    form.press("Use RO-2")
    form.saved()
    assert page.input_value(field("order.number")) == "RO-2"
    assert page.evaluate("() => Object.keys(localStorage).filter((k) => k.startsWith('diagnb:')).length") == 0


def test_two_windows_show_the_same_sheet(form, lab, browser, server):
    page = form.begin().page
    lab.command("docmanager:save")
    other = browser.new_context(viewport={"width": 820, "height": 1180}).new_page()
    second = type(lab)(other, server)
    second.open(form.notebook, workspace="second")
    other.wait_for_selector(field("order.number"), timeout=30_000)
    page.locator(field("order.number")).press_sequentially("RO-12")
    other.wait_for_function("() => document.querySelector(\"[data-entry='order.number']\").value === 'RO-12'")
    other.locator(field("vehicle.unit")).press_sequentially("U-5")
    page.wait_for_function("() => document.querySelector(\"[data-entry='vehicle.unit']\").value === 'U-5'")
    other.context.close()


def test_the_form_works_the_same_with_all_messages_on_one_thread(lab_on_one_thread):
    form = Form(lab_on_one_thread)
    page = form.begin().page
    form.fill()
    form.add_test()
    page.keyboard.type("350 mV")
    page.fill(field("tests.t1.readings.load_current"), "4.80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    form.saved()
    assert form.verdict() == "✗ fail"
