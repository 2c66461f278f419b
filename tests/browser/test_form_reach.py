"""What a technician reaches in the form: a path test by keyboard, a trace, the stop above 60 V, undo, a scanner."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from test_loss import begun, prepared
from test_visit import Form, field

from diagnb.forms.journal import Journal

pytestmark = pytest.mark.browser

VOLTAGES = ("12.61", "12.57", "12.47", "11.92", "148 mV", "0.1 mV")
PATH = "Path test: voltage profile along a loaded circuit"


def seen(form: Form, name: str, place: str = ".dn-title") -> None:
    """Pictures of both widths, where a folder for them is named."""
    folder = os.environ.get("DIAGNB_SHOTS")
    if not folder:
        return
    for width in (1280, 820):
        form.page.set_viewport_size({"width": width, "height": 1400})
        form.page.evaluate("(place) => { document.querySelector(place).scrollIntoView(); }", place)
        form.page.wait_for_timeout(200)
        form.page.screenshot(path=str(Path(folder) / f"{name}-{width}.png"))
    form.page.set_viewport_size({"width": 1280, "height": 900})


def values(form: Form, name: str) -> dict[str, str]:
    form.saved()
    return dict(Journal.read(form.lab.server.folder / ".diagnb" / "drafts" / f"{name}.jsonl").values)


def trace_file(folder: Path) -> Path:
    lines = ["time (s);motor current (A)"]
    lines += [f"{i / 1e4:.4f};{0 if i < 100 else 5 + 35 * 0.995 ** (i - 100):.3f}" for i in range(2000)]
    path = folder / "motor start.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def scan(form: Form, text: str, end: str) -> None:
    """As a scanner does it: all characters at once, then the end of the line."""
    form.page.keyboard.type(text, delay=3)
    form.page.keyboard.press(end)


def test_a_technician_gets_through_a_path_test_a_trace_a_stop_and_a_slip(lab, tmp_path):
    prepared(lab.server.folder, "reach")
    form = begun(lab, "reach")
    page = form.page
    lab.hide_side_bar()

    # a scanner: one field gets it all, the next one has the focus, no button is pressed
    form.step("Vehicle")
    page.locator(field("vehicle.vin")).fill("")
    page.locator(field("vehicle.vin")).focus()
    scan(form, "I1M8GDM9AXKP042788 ", "Tab")
    page.wait_for_selector(f"{field('vehicle.unit')}:focus")
    page.get_by_text("1M8GDM9AXKP042788: 17 characters, the check digit fits").wait_for()
    page.locator(".dn-steps button", has_text="Vehicle").focus()
    scan(form, "4711 12", "Enter")
    assert "Vehicle" in page.locator(".dn-steps .dn-here").inner_text()
    assert values(form, "reach")["vehicle.vin"] == "I1M8GDM9AXKP042788"

    # the path test by keyboard alone, from the voltage of the first node to the load current
    form.step("As found")
    page.locator(".widget-dropdown select:visible").select_option(label=PATH)
    form.press("Add this test")
    page.wait_for_selector(f"{field('tests.t2.readings.node_n1')}:focus")
    for text in VOLTAGES:
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    page.wait_for_selector(f"{field('tests.t2.readings.current')}:focus")
    page.keyboard.type("6.42")
    page.locator(".dn-figure .dn-said", has_text="switch, output → load +").wait_for()
    page.wait_for_selector(".dn-compact[data-verdict='fail']")
    assert page.locator(".dn-drawing svg").count() == 1
    assert "Halve the span" in page.locator(".dn-figure .dn-said").inner_text()
    page.locator("[data-block='tests.t2.path.n3.node'] button", has_text="Add a node below").click()
    page.wait_for_selector(f"{field('tests.t2.path.n7.name')}:focus")
    page.keyboard.type("connector C4")
    form.saved()
    seen(form, "path-nodes", "[data-block='tests.t2.path.n1.node']")
    seen(form, "path-profile", ".dn-figure")
    assert values(form, "reach")["tests.t2.path.order"] == "n1 n2 n3 n7 n4 n5 n6"

    # undo by key, outside text that is being edited: the test that was taken off comes back
    page.locator("button:visible", has_text="Take this test off the sheet").last.click()
    page.wait_for_function("() => !document.querySelector(\"[data-entry='tests.t2.readings.current']\")")
    page.locator(".dn-foot button", has_text="Back").focus()
    page.keyboard.press("Control+z")
    page.wait_for_selector(field("tests.t2.readings.current"))
    assert page.input_value(field("tests.t2.readings.node_n1")) == VOLTAGES[0]
    page.keyboard.press("Control+y")
    page.wait_for_function("() => !document.querySelector(\"[data-entry='tests.t2.readings.current']\")")
    page.locator(".dn-foot button", has_text="Undo").click()
    page.wait_for_selector(field("tests.t2.readings.current"))

    # a recorded trace is attached, with what was guessed as fields
    form.step("Traces and photos")
    with page.expect_file_chooser() as chooser:
        form.press("Attach photos or recorded traces")
    chooser.value.set_files(trace_file(tmp_path))
    page.get_by_text("is attached and on disk").wait_for()
    assert page.input_value(field("attachments.a1.delimiter")) == "semicolon"
    assert page.input_value(field("attachments.a1.unit")) == "A"
    page.wait_for_selector("[data-entry='attachments.a1.instrument']")
    seen(form, "trace")
    kept = values(form, "reach")["attachments.a1.sha256"]
    assert (lab.server.folder / ".diagnb" / "drafts" / "reach.files" / kept).is_file()

    # above 60 V the form stops until a qualified person is named
    form.step("As found")
    page.fill(field("tests.t1.readings.drop"), "96.4 V")
    page.locator(".dn-note[data-tone='stop']").wait_for()
    assert page.locator(field("tests.t1.readings.load_current")).is_disabled()
    form.press("Add this test")
    page.locator(".dn-trouble", has_text="qualified person").wait_for()
    seen(form, "stop", ".dn-note[data-tone='stop']")
    page.locator(field("people.qualified.name")).locator("visible=true").fill("Quin Example")
    page.locator(field("people.qualified.qualification")).locator("visible=true").fill(
        "high-voltage course 3 (invented)"
    )
    page.wait_for_function("() => !document.querySelector(\".dn-note[data-tone='stop']\")")
    assert page.locator(field("tests.t1.readings.load_current")).is_enabled()
    page.fill(field("tests.t1.readings.load_current"), "4.80")
    assert values(form, "reach")["tests.t1.readings.load_current"] == "4.80"
    assert lab.errors == []
