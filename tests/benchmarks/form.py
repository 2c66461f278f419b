"""How long a technician waits: python tests/benchmarks/form.py [--tests N]

A real JupyterLab by ``diagnb lab`` and a real Chromium, on loopback, each entry flushed to the disk: from the key to the
verdict on screen, from the step's button to all its rows on screen, from the card to the form on screen. Wall clock, so
other work on the machine shows. Nothing here asserts a time. Invented.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

import nbformat
from conftest import FLAGS, chromium, to_step
from entry_server import Started, command_started
from playwright.sync_api import sync_playwright

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library

FIELD = "[data-entry='order.number']"
VISIT = {
    "order.number": "RO-1", "vehicle.unit": "U-7", "vehicle.system_voltage": "12", "complaint": "left low beam dim",
    "circuit.name": "left low beam, feed side", "circuit.class": "ordinary", "conditions.ambient_degc": "21",
    "people.technician.name": "Ann Example", "instruments.m1.meter": "handheld-6000", "instruments.m1.serial": "S-1",
    "instruments.m1.calibrated": "2026-01-10", "instruments.m1.due": "2099-01-10",
}  # fmt: skip
CLOCK = """() => {
  window.waits = [];
  let pressed = 0;
  document.addEventListener('keydown', () => { pressed = performance.now(); }, true);
  const value = [...document.querySelectorAll('.dn-result')].find((node) => node.offsetParent).querySelector('.dn-value');
  new MutationObserver(() => { if (pressed) { window.waits.push(performance.now() - pressed); pressed = 0; } })
    .observe(value, { childList: true, characterData: true, subtree: true });
}"""


def prepared(folder: Path, name: str, tests: int) -> None:
    """A sheet with so many tests, and a notebook that opens it."""
    model = FormModel(
        Journal.open(folder / ".diagnb" / "drafts" / f"{name}.jsonl"),
        sheet=name, library=load_library(), clock=lambda: dt.datetime.now(dt.UTC),
    )  # fmt: skip
    model.begin({"record.id": f"rec-{name}"})
    model.put_all(VISIT)
    for _ in range(tests):
        model.add("tests", procedure="feed-side-drop", phase="as found")
    model.release()
    book = nbformat.v4.new_notebook()
    book.metadata["kernelspec"] = {"name": "diagnb", "display_name": "Circuit diagnosis", "language": "python"}
    book.cells = [nbformat.v4.new_code_cell(f"%diagnb form {name}")]
    nbformat.write(book, folder / f"{name}.ipynb")


def in_kernel(folder: Path, tests: int) -> tuple[float, float, int]:
    """The kernel's share in CPU milliseconds: one entry among 30 tests (median of 30), and all rows of the many tests."""
    from diagnb.forms.sheet import Sheet
    from diagnb.notebook.present import ReportPresenter
    from diagnb.notebook.workplace import Workplace

    def shown(name: str, number: int) -> Sheet:
        prepared(folder, name, number)
        model = FormModel(
            Journal.open(folder / ".diagnb" / "drafts" / f"{name}.jsonl"),
            sheet=name, library=load_library(), clock=lambda: dt.datetime.now(dt.UTC),
        )  # fmt: skip
        office = Workplace(folder, folder / "keys", folder / "trust.json").office()
        return Sheet(model, presenter=ReportPresenter("en"), office=office, log=print, pause=0)

    def enter(sheet: Sheet, name: str, text: str) -> float:
        message = {"k": "edit", "key": f"tests.t1.readings.{name}", "text": text, "view": "v", "seq": 1}
        start = time.process_time()
        sheet.grids["found"]._received(None, message, [])
        return 1000 * (time.process_time() - start)

    few = shown("kernel-few", 30)
    few.show("found")
    enter(few, "load_current", "4,80")
    spent = statistics.median(enter(few, "drop", f"3{number % 10}0 mV") for number in range(30))
    few.stop()
    many = shown("kernel-many", tests)
    start = time.process_time()
    many.show("found")
    whole = 1000 * (time.process_time() - start)
    count = len(many.grids["found"].rows)
    many.stop()
    return spent, whole, count


def opened(page: Any, server: Started, name: str) -> None:
    """The notebook of this sheet, run."""
    page.goto(server.address.replace("/?", f"/lab/tree/{name}.ipynb?reset&"))
    page.wait_for_selector("text=Circuit diagnosis | Idle", timeout=90_000)
    page.locator(".jp-Notebook .cm-content").first.click()
    page.keyboard.press("Shift+Enter")
    page.wait_for_selector(".dn-steps", timeout=90_000)
    to_step(page, "Vehicle")  # a sheet goes on at the step of its last entry
    page.wait_for_selector(FIELD, timeout=90_000)


def key_to_verdict(page: Any, server: Started, keys: int) -> list[float]:
    """Milliseconds from the key to the changed value beside the verdict, 30 tests in the sheet."""
    opened(page, server, "keys")
    to_step(page, "As found")
    page.fill("[data-entry='tests.t1.readings.load_current']", "4,80")
    page.fill("[data-entry='tests.t1.readings.drop']", "350 mV")
    page.wait_for_selector("[data-verdict='fail']:visible")
    page.wait_for_timeout(1500)
    page.evaluate(CLOCK)
    box = page.locator("[data-entry='tests.t1.readings.drop']")
    for number in range(keys):
        box.evaluate("(node, at) => { node.focus(); node.setSelectionRange(at, at + 1); }", 1)
        page.keyboard.press(str(number % 9))
        page.wait_for_timeout(250)
    return list(page.evaluate("() => window.waits"))


def rows_on_screen(page: Any, server: Started) -> tuple[int, float]:
    """How many rows, and milliseconds from the click on the step until the last is laid out."""
    opened(page, server, "rows")
    page.wait_for_timeout(3000)
    spent = page.evaluate(
        """async () => {
          const button = [...document.querySelectorAll('.dn-steps button')].find((node) => node.textContent.includes('As found'));
          const start = performance.now();
          button.click();
          for (;;) {
            await new Promise(requestAnimationFrame);
            const lines = [...document.querySelectorAll('.dn-line')].filter((node) => node.offsetParent);
            if (lines.length > 100) return [lines.length, performance.now() - start];
          }
        }"""
    )
    return int(spent[0]), float(spent[1])


def card_to_form(page: Any, server: Started) -> float:
    """Milliseconds from the click on the card to the first field of the form, a kernel started in between."""
    page.goto(server.address.replace("/?", "/lab?reset&"))
    card = page.locator(".jp-LauncherCard:visible", has_text="New circuit record").first
    card.wait_for(timeout=90_000)
    page.wait_for_timeout(1000)
    start = time.perf_counter()
    card.click()
    page.wait_for_selector(FIELD, timeout=90_000)
    return 1000 * (time.perf_counter() - start)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=42, help="tests in the sheet with many rows")
    parser.add_argument("--keys", type=int, default=60)
    parser.add_argument("--cards", type=int, default=3)
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="diagnb-benchmark-"))
    folder = home / "Prüf stand"
    entry, whole, made = in_kernel(home / "kernel", options.tests)
    print("| work | measured | beside it |\n|---|---|---|")
    print(f"| kernel, CPU: one entry among 30 tests, judged and on disk | {entry:.1f} ms |  |")
    print(f"| kernel, CPU: a step with {made} rows | {whole:.0f} ms |  |", flush=True)
    prepared(folder, "keys", 30)
    prepared(folder, "rows", options.tests)
    lines = []
    with command_started("lab", folder, home=home) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        measured: dict[str, Any] = {}
        for name, work in (
            ("keys", lambda page: key_to_verdict(page, server, options.keys)),
            ("rows", lambda page: rows_on_screen(page, server)),
            *((f"card {n}", lambda page: card_to_form(page, server)) for n in range(options.cards)),
        ):
            context = browser.new_context(viewport={"width": 1280, "height": 900})
            measured[name] = work(context.new_page())
            context.close()
        browser.close()
    waits = sorted(measured["keys"])
    cards = [measured[f"card {n}"] for n in range(options.cards)]
    late = waits[min(len(waits) - 1, round(0.95 * len(waits)))]
    count, spent = measured["rows"]
    lines.append(
        f"| key → verdict on screen, 30 tests, median of {len(waits)} | {statistics.median(waits):.0f} ms | goal 40 ms |"
    )
    lines.append(f"| key → verdict on screen, 95th percentile | {late:.0f} ms | goal 80 ms |")
    lines.append(f"| step with {count} rows on screen | {spent:.0f} ms | goal 500 ms for 500 |")
    lines.append(
        f"| card → form on screen, kernel started, median of {len(cards)} | {statistics.median(cards):.0f} ms |  |"
    )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print("\n".join(lines))
    print(json.dumps({"load": round(load, 1), "processors": os.cpu_count()}))


if __name__ == "__main__":
    main()
