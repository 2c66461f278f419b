"""Keys: no shortcut of JupyterLab deletes, runs or converts the form's cell; the whole visit goes without a mouse."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from conftest import opened
from test_loss import begun, prepared
from test_visit import Form, field

pytestmark = pytest.mark.browser

SHORTCUTS = (
    "d", "d", "a", "b", "x", "c", "v", "Shift+V", "z", "Shift+Z", "m", "y", "r", "1", "Shift+M", "0", "0", "i", "i",
    "Shift+Enter", "Control+Enter", "Alt+Enter", "Control+s", "Control+Shift+-", "Control+Shift+ArrowUp",
    "Control+Shift+ArrowDown", "Shift+ArrowDown", "Shift+ArrowUp", "Shift+k", "Shift+j", "Shift+l", "o", "h",
    "ArrowUp", "ArrowDown", "Delete", "Backspace", "Control+a", "Control+x", "Escape",
)  # fmt: skip
"""JupyterLab's keys for cells, kernels and documents. Left out: those that close the window or leave the page, and Ctrl+Z, which undoes in the form."""

STATE = """() => {
  const book = window.jupyterapp.shell.currentWidget.content;
  return {
    cells: book.widgets.map((cell) => [cell.model.type, cell.model.sharedModel.getSource(), cell.model.executionCount]),
    active: book.activeCellIndex, forms: document.querySelectorAll('.dn-root').length,
    fields: document.querySelectorAll('.dn-root [data-entry]').length,
    asked: document.querySelectorAll('.jp-Dialog, dialog[open]').length,
    kernel: window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.id,
  };
}"""


@pytest.fixture(scope="module")
def form(server, browser) -> Iterator[Form]:
    prepared(server.folder, "keys")
    with opened(browser, server) as lab:
        form = begun(lab, "keys")
        lab.command("docmanager:save")
        yield form


def pressed(form: Form, name: str) -> None:
    """Press every shortcut; nothing of the notebook may change."""
    page = form.page
    before = page.evaluate(STATE)
    for key in SHORTCUTS:
        page.keyboard.press(key)
        assert page.evaluate(STATE) == before, (name, key, page.evaluate("() => document.activeElement.className"))
    page.wait_for_timeout(300)
    assert page.evaluate(STATE) == before, name


WIDGETS = {
    "text": ("Vehicle", field("order.site")),
    "lines": ("Vehicle", field("complaint")),
    "list in the grid": ("Vehicle", field("vehicle.system_voltage")),
    "reading": ("As found", field("tests.t1.readings.drop")),
    "button in the grid": ("As found", ".dn-small:visible"),
    "text beside the grid": ("As found", ".dn-screen .widget-text input:visible"),
    "list beside the grid": ("As found", ".dn-screen .widget-dropdown select:visible"),
    "button of a step": ("Vehicle", ".dn-steps button"),
    "button at the foot": ("Vehicle", ".dn-foot button:enabled"),
    "heading": ("Vehicle", ".dn-heading:visible"),
    "passphrase": ("Sign", ".dn-secret input"),
}


def test_no_shortcut_reaches_the_notebook(form):
    for name, (step, place) in WIDGETS.items():
        form.step(step)
        form.page.wait_for_selector(f".dn-steps .dn-here:has-text('{step}')")
        form.page.locator(place).first.focus()
        pressed(form, name)


def test_no_shortcut_reaches_the_notebook_after_a_click_on_what_takes_no_focus(form):
    page = form.page
    form.step("As found")
    page.fill(field("tests.t1.readings.drop"), "350 mV")
    page.fill(field("tests.t1.readings.load_current"), "4.80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    for name, step, place in (
        ("picture", "As found", ".dn-picture"),
        ("pad", "Sign", ".dn-pad"),
        ("title", "Sign", ".dn-title"),
        ("blank place", "Sign", ".dn-screen"),
    ):
        form.step(step)
        page.wait_for_selector(f".dn-steps .dn-here:has-text('{step}')")
        page.locator(f"{place}:visible").first.click(position={"x": 30, "y": 5})
        page.wait_for_timeout(50)
        assert page.evaluate("() => Boolean(document.activeElement.closest('.dn-root'))"), name
        pressed(form, name)


def test_the_same_keys_do_harm_beside_the_form(form):
    """What the tests above would see if a key got through."""
    page = form.page
    before = page.evaluate(STATE)
    page.locator(".jp-Cell .jp-InputPrompt").first.click()
    page.keyboard.press("Escape")
    page.keyboard.press("b")
    page.wait_for_function("() => window.jupyterapp.shell.currentWidget.content.widgets.length === 3")
    page.keyboard.press("d")
    page.keyboard.press("d")
    page.wait_for_function("() => window.jupyterapp.shell.currentWidget.content.widgets.length === 2")
    assert page.evaluate(STATE)["cells"] == before["cells"]


class Keyboard:
    """A technician without a mouse: Tab, typing, Enter."""

    def __init__(self, form: Form) -> None:
        self.form, self.page = form, form.page

    def here(self) -> dict:
        """Where the focus is: which part of the form, its place on screen, what it is."""
        return self.page.evaluate(
            """() => {
              const node = document.activeElement, box = node.getBoundingClientRect();
              const part = ['dn-head', 'dn-steps', 'dn-screen', 'dn-foot'].find((name) => node.closest('.' + name)) || '';
              const screen = document.querySelector('.dn-screen').getBoundingClientRect();
              return {part, entry: node.dataset.entry || '', text: node.tagName === 'BUTTON' ? node.textContent : '',
                label: node.labels && node.labels.length ? node.labels[0].textContent : '', y: Math.round(box.top - screen.top), x: Math.round(box.left)};
            }"""
        )

    def tab_to(self, wanted: str, *, back: bool = False) -> None:
        """Press Tab until the focus is on the field of this key or label, or the button of this text."""
        for _ in range(90):
            here = self.here()
            if here["part"] and (here["entry"] == wanted or (wanted in (here["text"] + here["label"]) and wanted)):
                return
            self.page.keyboard.press("Shift+Tab" if back else "Tab")
        raise AssertionError(f"Tab never came to {wanted!r}")

    def type(self, text: str) -> None:
        """Type as fingers do: anything faster is taken for a scanner."""
        self.page.keyboard.type(text, delay=60)

    def fill(self, key: str, text: str) -> None:
        self.tab_to(key)
        self.type(text)

    def choose(self, key: str, value: str) -> None:
        self.tab_to(key)
        for _ in range(60):
            if self.page.input_value(field(key)) == value:
                return
            self.page.keyboard.press("ArrowDown")
        raise AssertionError(f"{value!r} is not in the list {key}")

    def press(self, label: str, *, back: bool = False) -> None:
        self.tab_to(label, back=back)
        self.page.wait_for_timeout(200)
        self.page.keyboard.press("Enter")

    def next(self, title: str) -> None:
        """Go to the next step; the focus is at its beginning afterwards."""
        self.press("Next")
        self.page.wait_for_selector(f".dn-steps .dn-here:has-text('{title}')")
        self.page.wait_for_function("() => document.activeElement.closest('.dn-screen')")

    def focused(self, key: str) -> None:
        self.page.wait_for_selector(f"{field(key)}:focus")


def test_tab_goes_in_reading_order_through_every_step(form):
    page, keyboard = form.page, Keyboard(form)
    for step in ("Vehicle", "Circuit", "Instruments", "As found", "Correct", "Sign"):
        form.step(step)
        page.wait_for_selector(f".dn-steps .dn-here:has-text('{step}')")
        page.wait_for_timeout(150)  # the step puts the focus at its beginning
        page.evaluate("() => document.querySelector('.dn-steps button').focus()")
        stops = [keyboard.here()]
        while stops[-1]["part"] and len(stops) < 90:
            page.keyboard.press("Tab")
            stops.append(keyboard.here())
        parts = [stop["part"] for stop in stops if stop["part"]]
        assert list(dict.fromkeys(parts)) == ["dn-steps", "dn-screen", "dn-foot"]
        assert parts == sorted(parts, key=["dn-steps", "dn-screen", "dn-foot"].index)
        places = page.evaluate(
            "() => [...document.querySelectorAll('.dn-screen :is(button, input, select, textarea)')]"
            ".filter((n) => n.checkVisibility() && !n.disabled && n.offsetParent)"
            ".map((n) => { const b = n.getBoundingClientRect(); return [Math.round(b.top), Math.round(b.left)]; })"
        )
        assert parts.count("dn-screen") == len(places) >= 3
        for (top, left), (later_top, later_left) in pairwise(places):
            assert later_top > top + 10 or (abs(later_top - top) <= 40 and later_left > left), (step, top, later_top)


def test_a_whole_visit_goes_by_keyboard_alone(lab):
    """The last one here: its end shuts every kernel down."""
    form = Form(lab).begin()
    page, keyboard = form.page, Keyboard(form)
    page.evaluate("() => document.querySelector('.dn-steps button').focus()")
    keyboard.fill("order.number", "RO-4711")
    keyboard.fill("vehicle.unit", "U-7")
    keyboard.choose("vehicle.system_voltage", "12")
    keyboard.fill("complaint", "Left low beam dim")
    keyboard.next("Circuit")
    keyboard.fill("circuit.name", "left low beam, feed side")
    keyboard.choose("circuit.class", "ordinary")
    keyboard.fill("conditions.ambient_degc", "21,5")
    keyboard.next("Instruments")
    keyboard.fill("people.technician.name", "Kay Example")
    keyboard.press("Add an instrument")
    keyboard.focused("instruments.m1.meter")
    keyboard.choose("instruments.m1.meter", "handheld-6000")
    keyboard.fill("instruments.m1.serial", "S-1")
    keyboard.fill("instruments.m1.calibrated", "2026-01-10")
    keyboard.fill("instruments.m1.due", "2099-01-10")
    keyboard.next("As found")
    keyboard.fill("Find a test", "P09")
    page.wait_for_selector(".dn-screen .widget-dropdown select:visible:has-text('P09'):not(:has-text('P01'))")
    keyboard.press("Add this test")
    keyboard.focused("tests.t1.readings.drop")
    keyboard.type("350 mV")
    keyboard.fill("tests.t1.readings.load_current", "4,80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    keyboard.next("Correct")
    keyboard.fill("cause", "corroded connector")
    keyboard.fill("correction", "connector replaced")
    keyboard.next("As left")
    keyboard.press("Repeat each as-found test")
    keyboard.focused("tests.t2.readings.drop")
    keyboard.type("48.0 mV")
    keyboard.fill("tests.t2.readings.load_current", "4.85")
    page.wait_for_selector("[data-verdict='pass']:visible")
    keyboard.next("Traces and photos")
    keyboard.next("Findings")
    keyboard.next("Review")
    keyboard.next("Sign")
    keyboard.press("Make a key for this technician")
    page.wait_for_selector("text=Write its passphrase down")
    keyboard.fill("signature.typed_name", "Kay Example")
    keyboard.press("Sign report")
    page.wait_for_selector("button:has-text('Not yet'):focus")
    keyboard.press("Yes, sign now", back=True)
    page.wait_for_selector("text=Signed. The report is at")
    assert page.locator(".jp-Cell").count() == 2
    assert lab.errors == []
