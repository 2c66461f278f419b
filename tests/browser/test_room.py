"""How much of the screen is left for the fields, on a small laptop and on a tablet held upright."""

from __future__ import annotations

import datetime as dt

import pytest
from conftest import to_step
from test_loss import begun, prepared

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library

pytestmark = pytest.mark.browser

SIZES = {"laptop": {"width": 1280, "height": 800}, "tablet": {"width": 820, "height": 1180}}
ROOM = """() => {
  const box = (where) => document.querySelector(where).getBoundingClientRect();
  const [form, head, steps, foot] = ['.dn-root', '.dn-head', '.dn-steps', '.dn-foot'].map(box);
  const beside = steps.right <= box('.dn-screen').left;
  const whole = Math.min(form.bottom, innerHeight) - form.top;
  const places = [...document.querySelectorAll('.dn-screen [data-entry]')].filter((n) => n.offsetParent).map((n) => n.getBoundingClientRect());
  return {
    share: (whole - head.height - foot.height - (beside ? 0 : steps.height)) / whole,
    seen: places.filter((b) => b.top >= form.top && b.bottom <= foot.top).length,
  };
}"""
BARS = """() => [...document.querySelectorAll('.dn-root, .dn-root *')].filter((n) => {
  const style = getComputedStyle(n);
  const down = /auto|scroll/.test(style.overflowY) && n.scrollHeight > n.clientHeight;
  const across = /auto|scroll/.test(style.overflowX) && n.scrollWidth > n.clientWidth;
  return n.offsetParent && n.tagName !== 'TEXTAREA' && (down || across);
}).map((n) => n.className)"""


@pytest.mark.parametrize("size", SIZES)
def test_the_fields_have_most_of_the_height_and_one_bar_scrolls_them(lab, size):
    prepared(lab.server.folder, f"room-{size}")
    lab.page.set_viewport_size(SIZES[size])
    page = begun(lab, f"room-{size}").page
    for step in ("Vehicle", "Circuit", "Instruments", "As found"):
        to_step(page, step)
        page.wait_for_selector(f".dn-steps .dn-here:has-text('{step}')")
        page.wait_for_timeout(300)
        room = page.evaluate(ROOM)
        assert room["share"] > 0.65, (step, room)
        assert room["seen"] >= (1 if step == "As found" else 3), (step, room)
        bars = page.evaluate(BARS)
        assert len(bars) == 1, bars
        assert "dn-root" in bars[0]


def test_the_list_of_steps_unfolds_and_folds_again_when_a_step_is_chosen(lab):
    prepared(lab.server.folder, "fold")
    lab.page.set_viewport_size(SIZES["tablet"])
    page = begun(lab, "fold").page
    fold = page.locator(".dn-fold")
    steps = page.locator(".dn-steps button:visible")
    assert steps.count() == 2
    fold.focus()
    page.keyboard.press("Enter")
    assert fold.get_attribute("aria-expanded") == "true"
    assert steps.count() == 11
    page.locator(".dn-steps button:visible", has_text="Circuit").click()
    page.wait_for_selector(".dn-steps .dn-here:has-text('Circuit')")
    assert steps.count() == 2
    assert fold.get_attribute("aria-expanded") == "false"
    page.set_viewport_size({"width": 1600, "height": 1000})
    page.wait_for_function(
        "() => [...document.querySelectorAll('.dn-steps button')].filter((n) => n.offsetParent).length === 10"
    )


TYPE = """() => {
  const picture = [...document.querySelectorAll('.dn-figure svg')].find((n) => n.checkVisibility());
  const scale = picture.getBoundingClientRect().width / picture.viewBox.baseVal.width;
  return Math.min(...[...picture.querySelectorAll('text')].map((n) => scale * parseFloat(getComputedStyle(n).fontSize)));
}"""


@pytest.mark.parametrize("size", SIZES)
def test_the_voltage_profile_can_be_read_and_moved_by_key(lab, size):
    journal = Journal.open(prepared(lab.server.folder, f"profile-{size}"))
    model = FormModel(journal, sheet="s", library=load_library(), clock=lambda: dt.datetime.now(dt.UTC))
    test = model.add("tests", procedure="path-test", phase="as found")
    model.put_all({f"tests.{test}.readings.node_n{n}": f"{12.7 - n / 10:.2f}" for n in range(1, 5)})
    model.release()
    lab.page.set_viewport_size(SIZES[size])
    page = begun(lab, f"profile-{size}").page
    to_step(page, "As found")
    drawing = page.locator(".dn-figure .dn-drawing")
    drawing.locator("svg").wait_for()
    assert page.evaluate(TYPE) >= 11
    box, form = drawing.bounding_box(), page.locator(".dn-root").bounding_box()
    assert box["x"] + box["width"] <= form["x"] + form["width"]
    if size == "tablet":
        drawing.focus()
        page.keyboard.press("ArrowRight")
        page.wait_for_function("() => document.querySelector('.dn-figure .dn-drawing').scrollLeft > 0")
