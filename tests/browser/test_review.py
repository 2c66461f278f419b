"""The review of a signed report in a real JupyterLab: five answers, pages, countersignature, and what must not happen."""

from __future__ import annotations

import nbformat
import pytest
from axe_playwright_python.sync_playwright import Axe
from review_desk import PASSPHRASE, Desk, desk

from diagnb.proof import verify_report
from diagnb.signing import load_trust

pytestmark = pytest.mark.browser

OPEN = ("%load_ext diagnb", '%diagnb review "claim 0117.pdf"')


class Review:
    """The review view in the browser, as a warranty administrator uses it."""

    def __init__(self, lab, folder: str) -> None:
        self.lab, self.page = lab, lab.page
        place = lab.server.folder / folder
        place.mkdir(exist_ok=True)
        self.desk: Desk = desk(place)
        self.notebook = lab.server.notebook(*OPEN, folder=folder)

    def begin(self) -> Review:
        self.lab.open(self.notebook)
        self.lab.run_all()
        self.page.wait_for_selector(".dn-review .dn-overall")
        return self

    def choose(self, label: str, text: str) -> None:
        self.page.get_by_label(label, exact=True).select_option(label=text)

    def press(self, label: str) -> None:
        self.page.locator(".dn-review button:visible", has_text=label).first.click()

    def draw(self) -> None:
        pad = self.page.locator(".dn-pad")
        pad.scroll_into_view_if_needed()
        box = pad.bounding_box()
        self.page.mouse.move(box["x"] + 100, box["y"] + 100)
        self.page.mouse.down()
        for step in range(20):
            self.page.mouse.move(box["x"] + 100 + 12 * step, box["y"] + 100 + 20 * (step % 3))
        self.page.mouse.up()

    def said(self) -> str:
        return self.page.locator(".dn-live").inner_text()


def test_a_report_is_opened_read_countersigned_and_verified(lab):
    review = Review(lab, "desk one ä").begin()
    page = review.page
    assert "Trustworthy" in page.locator(".dn-overall").inner_text()
    answers = page.locator(".dn-answers tbody tr")
    assert answers.count() == 5
    assert [answers.nth(i).locator("td").first.inner_text() for i in range(5)] == ["✓ yes"] * 5
    assert "R. Example (technician)" in answers.nth(1).inner_text()
    picture = page.locator(".dn-page img")
    picture.wait_for()
    assert page.evaluate("() => document.querySelector('.dn-page img').decode().then(() => document.querySelector('.dn-page img').naturalWidth)") > 1000  # fmt: skip
    assert "page 1 of 9" in picture.get_attribute("alt")
    page.get_by_label("Page", exact=True).select_option("9")
    page.wait_for_function("() => document.querySelector('.dn-page img').alt.includes('page 9 of 9')")
    assert page.locator("text=Record inside, recomputed here").is_visible()
    assert page.locator("text=Claim readiness").first.is_visible()

    review.choose("Key of the reviewer", "reviewer")
    review.press("Countersign")
    page.wait_for_function("() => document.querySelector('.dn-live').textContent.includes('passphrase: is missing')")
    page.get_by_label("Passphrase of the key").fill(PASSPHRASE.decode())
    review.choose("My signature means", "I verified this report and accept the claim")
    review.draw()
    review.press("Countersign")
    review.press("Yes, countersign now")
    page.wait_for_function(
        "() => document.querySelector('.dn-live').textContent.includes('Countersigned and verified')"
    )
    page.wait_for_function("() => document.querySelector('.dn-answers').textContent.includes('M. Sample (reviewer)')")
    assert page.locator(".dn-live").get_attribute("aria-live") == "polite"
    assert page.get_by_label("Passphrase of the key").input_value() == ""
    assert page.locator("text=Every place for a signature is taken").is_visible()

    cells = page.locator(".jp-Cell").count()
    page.wait_for_timeout(1000)
    for key in ("d", "d", "x"):
        page.keyboard.press(key)
    assert page.locator(".jp-Cell").count() == cells
    assert page.evaluate("() => document.activeElement.classList.contains('dn-live')")

    made = review.desk.folder / "claim 0117-countersigned.pdf"
    trust = load_trust(review.desk.folder / "keys" / "trust.json")
    found = verify_report(made, trust=trust, expected=("Technician", "Reviewer"))
    assert found.trustworthy, found.reasons
    assert found.signatures[1].reason == "I verified this report and accept the claim"
    assert made.read_bytes().startswith(review.desk.report.read_bytes())

    lab.command("docmanager:save")
    page.wait_for_function("() => !window.jupyterapp.shell.currentWidget.context.model.dirty")
    stored = (lab.server.folder / review.notebook).read_text(encoding="utf-8")
    assert PASSPHRASE.decode() not in stored
    state = page.evaluate(
        """async () => {
          const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;
          const future = kernel.requestExecute({code: 'import ipywidgets, json; print(str(ipywidgets.Widget.get_manager_state()))', store_history: false});
          let text = '';
          future.onIOPub = (m) => { if (m.header.msg_type === 'stream') text += m.content.text; };
          await future.done;
          return text;
        }"""
    )
    assert "Passphrase of the key" in state
    assert PASSPHRASE.decode() not in state
    assert lab.errors == []
    assert lab.foreign == []


def test_refusals_are_said_and_write_nothing(lab):
    review = Review(lab, "desk two").begin()
    page = review.page
    for key, said in (("technician", "has signed this report already"), ("stranger", "is not on the trust list")):
        review.choose("Key of the reviewer", key)
        page.get_by_label("Passphrase of the key").fill(PASSPHRASE.decode())
        page.get_by_label("Or type your name").fill({"technician": "R. Example", "stranger": "S. Tranger"}[key])
        review.press("Countersign")
        review.press("Yes, countersign now")
        page.wait_for_function("(said) => document.querySelector('.dn-live').textContent.includes(said)", arg=said)
    broken = bytearray(review.desk.report.read_bytes())
    broken[len(broken) // 2] ^= 1
    review.desk.report.write_bytes(bytes(broken))
    lab.run_all()
    page.wait_for_selector(".dn-overall[data-word='no']")
    assert page.locator("text=the signed bytes have been changed").first.is_visible()
    assert page.locator("text=because it does not prove itself").is_visible()
    assert page.locator(".dn-review button:visible", has_text="Countersign").count() == 0
    assert page.locator("text=nobody vouches for this file").is_visible()
    assert [p.name for p in review.desk.folder.glob("*.pdf")] == ["claim 0117.pdf"]


def test_two_columns_when_wide_one_on_a_tablet_large_targets_and_no_key_reaches_the_notebook(lab):
    review = Review(lab, "desk three").begin()
    page = review.page
    lab.hide_side_bar()
    places = (
        """() => [...document.querySelectorAll('.dn-two > *')].map((n) => Math.round(n.getBoundingClientRect().left))"""
    )
    page.set_viewport_size({"width": 1500, "height": 950})
    page.wait_for_function("() => { const c = [...document.querySelectorAll('.dn-two > *')].map((n) => n.getBoundingClientRect()); return c[1].left > c[0].right - 1 && c[1].top < c[0].bottom; }")  # fmt: skip
    page.set_viewport_size({"width": 820, "height": 1180})
    page.wait_for_function("() => { const c = [...document.querySelectorAll('.dn-two > *')].map((n) => n.getBoundingClientRect()); return c[1].top >= c[0].bottom - 1; }")  # fmt: skip
    assert len(set(page.evaluate(places))) == 1
    assert (
        page.evaluate("() => { const r = document.querySelector('.dn-review'); return r.scrollWidth - r.clientWidth; }")
        <= 1
    )
    small = page.evaluate(
        "() => [...document.querySelectorAll('.dn-review :is(button, select, input, summary)')].filter((n) => n.offsetParent)"
        ".map((n) => [n.textContent || n.type, n.getBoundingClientRect().height]).filter(([, height]) => height < 47.5)"
    )
    assert small == []
    unlabelled = page.evaluate(
        "() => [...document.querySelectorAll('.dn-review :is(select, input)')].filter((n) => n.offsetParent && (!n.labels || !n.labels.length)).length"
    )
    assert unlabelled == 0
    for theme in ("JupyterLab Light", "JupyterLab Dark"):
        page.evaluate("(theme) => window.jupyterapp.commands.execute('apputils:change-theme', {theme})", theme)
        page.wait_for_function(
            "(light) => document.body.dataset.jpThemeLight === light", arg=str("Light" in theme).lower()
        )
        found = Axe().run(page, context=".dn-root", options={"resultTypes": ["violations", "passes"]}).response
        assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found["violations"]] == []
        assert len(found["passes"]) > 10
    cells = page.locator(".jp-Cell").count()
    for target in ("Next page", "Countersign"):
        page.locator(".dn-review button:visible", has_text=target).first.focus()
        for key in ("d", "d", "b", "x", "Shift+Enter"):
            page.keyboard.press(key)
    page.get_by_label("My signature means").focus()
    page.keyboard.press("d")
    page.keyboard.press("d")
    assert page.locator(".jp-Cell").count() == cells
    page.get_by_label("Page", exact=True).focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.textContent") == "Next page"
    page.get_by_label("Key of the reviewer").focus()
    visited = []
    for _ in range(5):
        page.keyboard.press("Tab")
        visited.append(
            page.evaluate(
                "() => { const n = document.activeElement; return n.labels?.[0]?.textContent || n.textContent; }"
            )
        )
    assert visited == [
        "Or a key file elsewhere",
        "Passphrase of the key",
        "My signature means",
        "Or type your name",
        "Countersign",
    ]


def test_a_saved_notebook_reopened_untrusted_still_shows_table_and_picture(lab):
    cells = (
        "%load_ext diagnb",
        "from diagnb.shipped import templates_directory\nfrom diagnb import evaluate, load_record, verify_report\n"
        "evaluation = evaluate(load_record(templates_directory() / 'demo-record.json'))\nevaluation",
        '%diagnb review "claim 0117.pdf"',
    )
    review = Review(lab, "desk four")
    notebook = lab.server.notebook(*cells, folder="desk four")
    page = review.page
    lab.open(notebook)
    lab.run_all()
    page.wait_for_selector(".dn-review .dn-overall")
    lab.command("docmanager:save")
    page.wait_for_function("() => !window.jupyterapp.shell.currentWidget.context.model.dirty")
    lab.shut_down()
    path = lab.server.folder / notebook
    book = nbformat.read(path, as_version=4)
    for cell in book.cells:
        cell.metadata.pop("trusted", None)
    book.metadata["name"] = "another file, so that no stored signature fits"
    nbformat.write(book, path.with_name("sent by mail.ipynb"))
    lab.open("desk four/sent by mail.ipynb", workspace="second")
    page.wait_for_selector("text=Evaluation of record")
    trusted = page.evaluate(
        "() => [...window.jupyterapp.shell.currentWidget.content.model.cells].filter((c) => c.type === 'code' && c.trusted).length"
    )
    assert trusted == 0
    assert page.locator(".jp-OutputArea-output table tbody tr").count() > 5
    assert page.locator(".jp-OutputArea-output td >> text=✗ fail").first.is_visible()
    pictures = page.locator(".jp-OutputArea-output img[src^='data:image/svg+xml']")
    assert pictures.count() > 1
    assert pictures.first.get_attribute("alt")
    assert (
        page.evaluate(
            "() => document.querySelector(\".jp-OutputArea-output img[src^='data:image/svg+xml']\").naturalWidth"
        )
        > 0
    )
    page.locator("summary", has_text="The review above").click()
    assert page.locator("td:visible", has_text="Is every signed byte unchanged?").count() == 1


def test_without_the_library_that_draws_the_browsers_own_viewer_shows_the_file(lab):
    review = Review(lab, "desk five")
    hidden = "%load_ext diagnb\nimport diagnb.notebook.review\ndiagnb.notebook.review.can_draw = lambda: False"
    review.notebook = lab.server.notebook(hidden, OPEN[1], folder="desk five")
    page = review.begin().page
    frame = page.locator(".dn-page iframe")
    frame.wait_for()
    assert frame.get_attribute("src").startswith(f"blob:{lab.server.address}")
    assert frame.get_attribute("title") == "Report claim 0117.pdf"
    size = page.evaluate("() => fetch(document.querySelector('.dn-page iframe').src.split('#')[0]).then((r) => r.blob()).then((b) => [b.size, b.type])")  # fmt: skip
    assert size == [review.desk.report.stat().st_size, "application/pdf"]
    assert page.locator(".dn-pages-bar button:visible").count() == 0
    assert page.locator("text=Shown by the browser's own viewer").is_visible()
