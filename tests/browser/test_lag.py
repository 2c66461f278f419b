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


def test_a_verdict_that_lags_is_said_to_be_worked_out_while_the_entry_is_saved(lab):
    form = Form(lab).begin()
    page = form.page
    form.fill()
    form.add_test()
    page.keyboard.type("350 mV")
    page.fill(field("tests.t1.readings.load_current"), "4.80")
    page.wait_for_selector("[data-verdict='fail']:visible")
    page.wait_for_selector(".dn-result:visible:not(.dn-awaited)")
    page.evaluate(
        "async (code) => { const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;"
        " await kernel.requestExecute({code, store_history: false}).done; }",
        SLOW,
    )
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
