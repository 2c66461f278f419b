"""Can everybody use the form: axe on every step, in every view and width; what is touched is large; type and view change."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from conftest import opened
from test_loss import CURRENT, DROP, begun, prepared
from test_visit import Form, field

pytestmark = pytest.mark.browser

STEPS = ("Vehicle", "Circuit", "Instruments", "As found", "Correct", "As left", "Traces", "Findings", "Review", "Sign")
VIEWS = ("", "Bright sun", "Night view")
WIDTHS = (1280, 820)
TALL = 4000
"""Pixels of height that show a whole step: axe judges the contrast only of what is on screen."""


@pytest.fixture(scope="module")
def form(server, browser) -> Iterator[Form]:
    """A sheet with every kind of row: a fault, verdicts, a part, a finding, a fault code, a remark."""
    prepared(server.folder, "eyes")
    with opened(browser, server) as lab:
        form = begun(lab, "eyes")
        lab.hide_side_bar()
        page = form.page
        page.fill(field("vehicle.odometer"), "not a number")
        form.step("As found")
        page.fill(field(DROP), "350 mV")
        page.fill(field(CURRENT), "4.80")
        page.wait_for_selector("[data-verdict='fail']:visible")
        form.step("As left")
        form.press("Repeat each as-found test")
        page.fill(field("tests.t2.readings.drop"), "48.0 mV")
        page.fill(field("tests.t2.readings.load_current"), "4.85")
        page.wait_for_selector("[data-verdict='pass']:visible")
        form.step("Correct")
        form.press("Add a part")
        page.wait_for_selector(field("parts.p1.number"))
        form.step("Findings")
        form.press("Add a finding")
        form.press("Add a fault code")
        page.wait_for_selector(field("codes.c1.text"))
        form.saved()
        # JupyterLab's page body has no height of its own, so axe would take all that it holds for hidden.
        page.evaluate("() => { document.body.style.height = '100vh'; }")
        page.evaluate(Axe().axe_script)
        yield form


def go(form: Form, step: str) -> None:
    """Bring a step on screen."""
    form.step(step)
    form.page.wait_for_selector(f".dn-steps .dn-here:has-text('{step}')")


def judged(form: Form, **options: object) -> dict:
    """What axe has to say of the form as it stands on screen, all of it."""
    return form.page.evaluate(
        """async (options) => {
          const found = await axe.run('.dn-root', {preload: false, selectors: false, ...options});
          const short = (all) => all.flatMap((rule) => rule.nodes.map((node) => ({
            rule: rule.id, impact: rule.impact, html: node.html.slice(0, 160),
            why: [...node.any, ...node.all, ...node.none].map((check) => check.message).join('; '),
          })));
          const contrast = found.passes.find((rule) => rule.id === 'color-contrast');
          return {bad: short(found.violations), open: short(found.incomplete), contrast: contrast ? contrast.nodes.length : 0};
        }""",
        options,
    )


def is_open(found: dict) -> bool:
    """Whether axe leaves a question: not at a sign without letters, nor in a picture, black on white in every view."""
    return "non-text characters" not in found["why"] and not found["html"].startswith("<text ")


def test_axe_finds_nothing_in_any_step_view_and_width(form):
    page, bad, measured = form.page, [], 0
    for view in VIEWS:
        if view:
            form.press(view)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": TALL})
            for step in STEPS:
                go(form, step)
                # Another view has other colours and nothing else.
                found = judged(form, **({"runOnly": ["color-contrast"]} if view else {}))
                bad += [(view, width, step, one) for one in found["bad"] + [o for o in found["open"] if is_open(o)]]
                assert found["contrast"] > 20, (view, width, step)
                measured += found["contrast"]
    form.press("Day view")
    page.set_viewport_size({"width": 1280, "height": 900})
    assert bad == []
    assert measured > 60 * 50


def test_axe_would_find_faint_text(form):
    go(form, "Vehicle")
    form.page.set_viewport_size({"width": 1280, "height": TALL})
    # A rule, not a style of one element: the step may be drawn anew at any moment.
    faint = form.page.add_style_tag(content=".dn-sub { color: #999 !important; background: #fff !important; }")
    found = judged(form, runOnly=["color-contrast"])
    faint.evaluate("(node) => node.remove()")
    assert [one["rule"] for one in found["bad"]] == ["color-contrast"]


def test_everything_that_takes_the_focus_is_large_enough_to_touch(form):
    """At least 48 px each way, in every step and width."""
    page, small = form.page, []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 1180})
        for step in STEPS:
            go(form, step)
            if page.locator(".dn-fold").is_visible():
                page.locator(".dn-fold").click()
            boxes = page.evaluate(
                "() => [...document.querySelectorAll('.dn-root :is(button, input:not([type=file]), select, textarea, a, summary, [tabindex=\"0\"])')]"
                ".filter((n) => n.checkVisibility({visibilityProperty: true}))"
                ".map((n) => { const box = n.getBoundingClientRect(); return [n.textContent || n.dataset.entry || n.id, box.width, box.height]; })"
            )
            assert len(boxes) > 12
            small += [(width, step, *box) for box in boxes if min(box[1:]) < 47.9]
    page.set_viewport_size({"width": 1280, "height": 900})
    assert small == []


ROOM = """() => {
  const around = document.querySelector('.jp-WindowedPanel-outer:has(.dn-root)').getBoundingClientRect();
  const foot = [...document.querySelectorAll('.dn-foot button')].map((n) => n.getBoundingClientRect());
  const fields = [...document.querySelectorAll('.dn-screen [data-entry]')].filter((n) => n.checkVisibility());
  return {
    narrow: fields.map((n) => [n.dataset.entry, n.getBoundingClientRect().width]).filter(([, width]) => width < 280),
    fields: fields.length, below: foot.filter((box) => box.bottom > around.bottom).length, buttons: foot.length,
  };
}"""


def test_beside_the_file_browser_fields_stay_wide_and_the_foot_in_sight(form):
    page = form.page
    page.evaluate("() => { window.jupyterapp.shell.expandLeft(); }")
    for width, height in ((820, 1180), (1280, 800)):
        page.set_viewport_size({"width": width, "height": height})
        for step in ("Vehicle", "Circuit", "Instruments", "As found", "Correct"):
            go(form, step)
            page.wait_for_timeout(300)
            room = page.evaluate(ROOM)
            assert room["fields"] >= 3
            assert (room["narrow"], room["below"], room["buttons"]) == ([], 0, 4), (width, step)
    form.lab.hide_side_bar()
    page.set_viewport_size({"width": 1280, "height": 900})


LOOK = """() => {
  const root = document.querySelector('.dn-root');
  const texts = [...root.querySelectorAll('*')].filter((n) => n.checkVisibility() && !n.closest('svg') &&
    ([...n.childNodes].some((c) => c.nodeType === 3 && c.data.trim()) || n.matches('input, select, textarea')));
  const edge = root.getBoundingClientRect().right;
  return {
    type: texts.map((n) => [n.className || n.tagName, parseFloat(getComputedStyle(n).fontSize)]),
    ground: getComputedStyle(root).backgroundColor, ink: getComputedStyle(root).color,
    outside: [...root.querySelectorAll('button, input, select, textarea, p, span, td')]
      .filter((n) => n.checkVisibility() && !n.closest('.dn-spoken') && n.getBoundingClientRect().right > edge + 1).map((n) => n.className),
    cut: [...root.querySelectorAll('button')].filter((n) => n.checkVisibility() && n.scrollWidth > n.clientWidth + 1).map((n) => n.textContent),
  };
}"""


def test_each_size_of_type_changes_every_text_and_cuts_none(form):
    page = form.page
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 1180})
        for step in ("As found", "Review", "Sign"):
            go(form, step)
            looks = []
            for button in ("Larger type", "Largest type", "Ordinary type"):
                form.press(button)
                page.wait_for_function("(b) => ![...document.querySelectorAll('.dn-looks button')].some((n) => n.textContent === b)", arg=button)  # fmt: skip
                looks.append(page.evaluate(LOOK))
            large, largest, ordinary = ({str(n): size for n, size in look["type"]} for look in looks)
            assert {n: round(large[n] / ordinary[n], 2) for n in ordinary} == dict.fromkeys(ordinary, 1.22)
            assert {n: round(largest[n] / ordinary[n], 2) for n in ordinary} == dict.fromkeys(ordinary, 1.5)
            assert min(ordinary.values()) >= 15
            assert [look["outside"] + look["cut"] for look in looks] == [[], [], []]
    page.set_viewport_size({"width": 1280, "height": 900})


def test_each_view_changes_what_is_seen_and_wins_over_the_notebooks_theme(form):
    page = form.page

    def seen() -> tuple[str, str]:
        page.wait_for_timeout(150)
        look = page.evaluate(LOOK)
        return look["ground"], look["ink"]

    def theme(light: bool) -> None:
        page.evaluate("(light) => { document.body.dataset.jpThemeLight = light; }", str(light).lower())

    day = seen()
    form.press("Bright sun")
    bright = seen()
    form.press("Night view")
    night = seen()
    theme(False)
    assert seen() == night
    form.press("Day view")
    assert seen() == day
    form.press("Bright sun")
    assert seen() == bright
    theme(True)
    form.press("Night view")
    assert seen() == night
    form.press("Day view")
    assert len({day, bright, night}) == 3
