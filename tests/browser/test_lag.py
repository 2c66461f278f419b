"""While the kernel works a result out, the form must not show the last one as that of the new text."""

from __future__ import annotations

import pytest
from test_visit import Form, field

pytestmark = pytest.mark.browser

DROP = field("tests.t1.readings.drop")
SLOW = """\
import time
from diagnb.forms.model import FormModel
at_once = FormModel._evaluate
def late(self, *entries, **options):
    time.sleep(1.5)
    return at_once(self, *entries, **options)
FormModel._evaluate = late
"""


BUSY = """\
import time
from diagnb.forms.model import FormModel
kept_at_once = FormModel.keep
def kept_late(self, *entry, **options):
    time.sleep(3.5)
    return kept_at_once(self, *entry, **options)
FormModel.keep = kept_late
"""


def run_beside(page, code: str) -> None:
    """Run code in the form's kernel, in no cell."""
    page.evaluate(
        "async (code) => { const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;"
        " await kernel.requestExecute({code, store_history: false}).done; }",
        code,
    )


def test_a_kernel_that_is_behind_is_not_called_dead(lab):
    form = Form(lab).begin()
    page = form.page
    page.fill(field("order.number"), "RO-1")
    form.saved()
    run_beside(page, BUSY)
    page.locator(field("order.site")).press_sequentially("Bay")
    page.wait_for_selector(".dn-bar[data-state='browser']:visible")
    said = page.locator(".dn-bar:visible").first
    assert "kept in this browser only so far" in said.inner_text()
    assert "still at work" in said.inner_text()
    form.saved()
    assert page.input_value(field("order.site")) == "Bay"


def test_a_verdict_that_lags_is_said_to_be_worked_out_while_the_entry_is_saved(lab):
    form = Form(lab).begin()
    page = form.page
    form.fill()
    form.add_test()
    page.keyboard.type("350 mV")
    page.fill(field("tests.t1.readings.load_current"), "4.80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    page.wait_for_selector(".dn-result:visible:not(.dn-awaited)")
    run_beside(page, SLOW)
    page.click(DROP)
    page.keyboard.press("Control+A")
    page.keyboard.type("48.0 mV")
    form.saved()  # the journal does not wait for the evaluation
    result = page.locator(".dn-result:visible").first
    assert result.get_attribute("data-verdict") == "fail"
    assert result.get_attribute("aria-busy") == "true"
    page.wait_for_function(
        "() => { const node = [...document.querySelectorAll('.dn-result')].find((one) => one.offsetParent);"
        " const said = getComputedStyle(node, '::after');"
        " return said.content.includes('working it out') && said.visibility === 'visible'"
        " && getComputedStyle(node.querySelector('.dn-verdict')).opacity < 0.5; }"
    )
    page.wait_for_selector("[data-verdict='pass']:visible")
    page.wait_for_selector(".dn-result[aria-busy='false']:visible")
    assert page.evaluate("() => getComputedStyle(document.querySelector('.dn-result .dn-verdict')).opacity") == "1"
    page.wait_for_selector(".dn-message[data-state='back']:not(.dn-awaited):text-is('0.0480 V'):visible")
