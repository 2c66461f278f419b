"""Slips of the unit and undo as a technician meets them: key by key in a real browser."""

from __future__ import annotations

import pytest
from test_visit import Form, field

pytestmark = pytest.mark.browser

DROP = field("tests.t1.readings.drop")
CURRENT = field("tests.t1.readings.load_current")


def typed(page, text: str) -> None:
    """A text typed over what stands in the reading, then the field left by Tab."""
    page.click(DROP)
    page.keyboard.press("Control+A")
    page.keyboard.type(text, delay=30)
    page.keyboard.press("Tab")


def test_undo_takes_back_one_entry_and_a_question_of_the_unit_is_answered_with_no(lab):
    form = Form(lab).begin()
    page = form.page
    form.fill()
    form.add_test()
    for text in ("350 mV", "0.42", "0.43"):
        typed(page, text)
        form.saved()
    for before in ("0.42", "350 mV"):
        form.press("Undo")
        page.wait_for_function("([where, text]) => document.querySelector(where).value === text", arg=[DROP, before])
    assert page.locator(".dn-note[data-tone='stop']").count() == 0
    form.press("Redo")
    page.wait_for_selector(f"{DROP}:focus")
    page.evaluate(  # with the reading still in focus, as when its focus comes late
        "() => [...document.querySelectorAll('.dn-foot button')].find((button) => button.textContent === 'Undo').click()"
    )
    page.wait_for_function("([where, text]) => document.querySelector(where).value === text", arg=[DROP, "350 mV"])
    typed(page, "3.30")
    page.wait_for_selector("text== 3.30 V; unusual here: -0.5 to 3 V is usual")
    assert page.locator(".dn-fix:visible").count() == 0
    typed(page, "148")
    page.wait_for_selector("text=Waiting for an answer")
    assert page.is_disabled(CURRENT)
    page.locator(".dn-deny:visible").click()
    page.wait_for_selector(".dn-note[data-tone='stop']")
    assert "high voltage" in page.locator(f".dn-reading:has({DROP}) .dn-message").inner_text()
    form.press("Undo")
    page.locator(".dn-fix:visible").click()
    page.wait_for_function("(where) => document.querySelector(where).value === '148 mV'", arg=DROP)
    page.wait_for_function("(where) => !document.querySelector(where).disabled", arg=CURRENT)
