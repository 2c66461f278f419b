"""Nothing that was acknowledged is lost: one real fault after the other, and what is there afterwards.

Each test adds its row to a table that is printed at the end of the run: entries typed, found again, acknowledged before
the fault, and acknowledged and lost, which must be none.
"""

from __future__ import annotations

import datetime as dt
import errno
import os
import random
import shutil
import signal
import subprocess
from pathlib import Path

import pytest
from conftest import Lab, Loss, kill_browser, opened, own_browser, started
from test_visit import Form, field, kernel_process

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library

NOW = dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.UTC)
VISIT = {
    "order.number": "RO-1",
    "vehicle.unit": "U-7",
    "vehicle.system_voltage": "12",
    "complaint": "left low beam dim",
    "circuit.name": "left low beam, feed side",
    "circuit.class": "ordinary",
    "people.technician.name": "Lou Example",
    "conditions.ambient_degc": "21",
    "instruments.m1.meter": "handheld-6000",
    "instruments.m1.serial": "S-1",
    "instruments.m1.calibrated": "2026-01-10",
    "instruments.m1.due": "2099-01-10",
}
DROP, CURRENT = "tests.t1.readings.drop", "tests.t1.readings.load_current"


def prepared(folder: Path, name: str) -> Path:
    """A sheet with an invented visit and one test without readings, as a technician left it; its journal."""
    path = folder / ".diagnb" / "drafts" / f"{name}.jsonl"
    model = FormModel(Journal.open(path), sheet=name, library=load_library(), clock=lambda: dt.datetime.now(dt.UTC))
    model.begin({"record.id": f"rec-{name}"})
    model.put_all(VISIT)
    model.add("tests", procedure="feed-side-drop", phase="as found")
    model.release()
    return path


def begun(lab: Lab, sheet: str, *, folder: str = "") -> Form:
    """The form on a prepared sheet."""
    form = Form(lab)
    form.notebook = lab.server.notebook("%load_ext diagnb", f"%diagnb form {sheet}", folder=folder)
    lab.open(form.notebook)
    again(form)
    return form


def again(form: Form) -> None:
    """Run the notebook, and wait for the form."""
    form.lab.run_all()
    form.page.wait_for_function(
        "() => document.querySelectorAll(\"[data-entry='order.number']\").length === 1", timeout=60_000
    )
    form.step("Vehicle")  # a sheet goes on at the step of its last entry
    form.page.wait_for_selector(".dn-steps .dn-here:has-text('Vehicle')")


def typed_into(form: Form, texts: dict[str, str]) -> None:
    """Type as a person does, each step of the form brought on screen first."""
    for key, text in texts.items():
        form.step("As found" if key.startswith("tests.") else "Vehicle and complaint") if not shows(form, key) else None
        form.page.fill(field(key), "")
        form.page.locator(field(key)).press_sequentially(text)


def in_kernel(lab: Lab, code: str) -> None:
    """Run code in the kernel of the page, outside its cells."""
    lab.page.evaluate(
        """async (code) => {
          const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;
          await kernel.requestExecute({code, store_history: false}).done;
        }""",
        code,
    )


def shows(form: Form, key: str) -> bool:
    return form.page.locator(field(key)).is_visible()


def acknowledged(form: Form) -> dict[str, str]:
    """The entries beside which the form says "saved" at this moment."""
    return dict(
        form.page.evaluate(
            "() => [...document.querySelectorAll('.dn-root .dn-line')]"
            ".filter((line) => line.querySelector(\".dn-saved[data-state='saved']\"))"
            ".map((line) => line.querySelector('[data-entry]')).map((node) => [node.dataset.entry, node.value])"
        )
    )


def on_screen(form: Form) -> dict[str, str]:
    return dict(
        form.page.evaluate(
            "() => [...document.querySelectorAll('.dn-root [data-entry]')].map((node) => [node.dataset.entry, node.value])"
        )
    )


def bar(form: Form) -> str:
    return form.page.locator(".dn-bar:visible").first.inner_text()


def wait_for_bar(form: Form, state: str) -> None:
    form.page.wait_for_selector(f".dn-bar[data-state='{state}']:visible", timeout=20_000)


def dismiss(form: Form) -> None:
    """Close what JupyterLab asks or reports."""
    while form.page.locator(".jp-Dialog button").count():
        form.page.locator(".jp-Dialog button").last.click()
        form.page.wait_for_timeout(100)


BEFORE = {DROP: "350 mV", CURRENT: "4,80", "order.site": "Hall 3", "vehicle.odometer": "not a number"}
DURING = {"order.customer": "ä 12,6 Ω", "vehicle.vin": "1M8GDM9AXKP042788"}
TYPED = {**VISIT, **BEFORE, **DURING}


def settle(
    losses: list[Loss], fault: str, *, typed: dict[str, str], held: dict[str, str], back: dict[str, str]
) -> None:
    """The row of one fault: all that was typed must be back."""
    losses.append(Loss.of(fault, typed=typed, acknowledged=held, back=back))
    assert {key: back.get(key) for key in typed} == typed
    assert losses[-1].lost == 0


@pytest.mark.browser
def test_kernel_killed(lab, losses):
    prepared(lab.server.folder, "kernel")
    form = begun(lab, "kernel")
    typed_into(form, BEFORE)
    form.saved()
    process = kernel_process(lab)
    form.page.locator(field("order.customer")).press_sequentially("ä 12")
    os.kill(process, signal.SIGKILL)
    held = {key: text for key, text in acknowledged(form).items() if key not in DURING}  # one of these is half typed
    form.page.keyboard.type(",6 Ω")
    typed_into(form, {"vehicle.vin": DURING["vehicle.vin"]})
    wait_for_bar(form, "browser")
    assert "kept in this browser only" in bar(form)
    form.page.locator(".jp-Dialog button").first.wait_for()
    dismiss(form)
    lab.wait_for_kernel()
    again(form)
    form.saved()
    settle(losses, "kernel killed in mid-word", typed=TYPED, held=held, back=on_screen(form))


@pytest.mark.browser
def test_server_killed(browser, tmp_path, losses):
    home, folder = tmp_path / "home", tmp_path / "workshop ä"
    home.mkdir()
    folder.mkdir()
    prepared(folder, "server")
    with started(home, folder, comms="perCommTarget") as server, opened(browser, server) as lab:
        form = begun(lab, "server")
        typed_into(form, BEFORE)
        form.saved()
        held = acknowledged(form)
        server.kill()
        typed_into(form, DURING)
        wait_for_bar(form, "browser")
        port = int(server.address.rpartition(":")[2])
        with started(home, folder, comms="perCommTarget", port=port):
            lab.open(form.notebook)
            again(form)
            form.saved()
            back = on_screen(form)
            lab.shut_down()
        lab.page.goto("about:blank")
    settle(losses, "Jupyter server killed", typed=TYPED, held=held, back=back)


@pytest.mark.browser
def test_browser_killed_while_the_kernel_is_away(playwright, server, tmp_path, losses):
    prepared(server.folder, "browser")
    profile = tmp_path / "profile"
    lab = Lab(own_browser(playwright, profile).pages[0], server)
    form = begun(lab, "browser")
    typed_into(form, BEFORE)
    form.saved()
    held = acknowledged(form)
    os.kill(kernel_process(lab), signal.SIGKILL)
    typed_into(form, DURING)
    wait_for_bar(form, "browser")
    assert "kept in this browser only" in bar(form)
    assert kill_browser(profile) > 3
    with own_browser(playwright, profile) as context:
        lab = Lab(context.pages[0], server)
        notebook = form.notebook
        form = Form(lab)
        form.notebook = notebook
        lab.open(form.notebook)
        again(form)
        form.page.wait_for_selector("text=taken over from this browser", state="attached")
        form.saved()
        back = on_screen(form)
        lab.shut_down()
    settle(losses, "browser killed while the kernel was away", typed=TYPED, held=held, back=back)


@pytest.mark.browser
def test_reload_second_tab_and_second_kernel(lab, losses):
    prepared(lab.server.folder, "tabs")
    form = begun(lab, "tabs")
    typed_into(form, BEFORE)
    form.saved()
    held = acknowledged(form)
    typed_into(form, {"vehicle.vin": DURING["vehicle.vin"]})
    lab.open(form.notebook)
    again(form)
    form.saved()
    typed = {**VISIT, **BEFORE, "vehicle.vin": DURING["vehicle.vin"]}
    settle(losses, "reload in mid-word", typed=typed, held=held, back=on_screen(form))

    lab.command("docmanager:save")
    other = Form(Lab(form.page.context.new_page(), lab.server))
    other.lab.open(form.notebook, workspace="second")
    other.page.wait_for_selector(field("order.number"))
    held = acknowledged(form)
    typed_into(other, {"order.customer": DURING["order.customer"]})
    typed_into(form, {"order.site": "Hall 4"})
    other.saved()
    form.saved()
    form.page.wait_for_function("() => document.querySelector(\"[data-entry='order.customer']\").value === 'ä 12,6 Ω'")
    other.page.wait_for_function("() => document.querySelector(\"[data-entry='order.site']\").value === 'Hall 4'")
    typed |= {"order.customer": DURING["order.customer"], "order.site": "Hall 4"}
    held = {key: text for key, text in held.items() if key != "order.site"}
    settle(losses, "two tabs typing at once", typed=typed, held=held, back={**on_screen(other), **on_screen(form)})
    other.page.close()

    held = acknowledged(form)
    second = begun(Lab(form.page.context.new_page(), lab.server), "tabs")
    second.page.wait_for_selector("text=Read only: this sheet is open for writing in another window or kernel.")
    assert second.page.is_disabled(field("order.site"))
    typed_into(form, {"vehicle.unit": "U-8"})
    form.saved()
    typed["vehicle.unit"] = held["vehicle.unit"] = "U-8"
    again(second)
    settle(losses, "second kernel on the same sheet", typed=typed, held=held, back=on_screen(second))
    second.page.close()


class SmallDisk:
    """A file system of one megabyte at ``place``; where mounting isn't allowed, a kernel that may write no further.

    Both are refusals of the system itself: "no space left" and "file too large".
    """

    def __init__(self, place: Path, lab: Lab) -> None:
        self.place, self.lab = place, lab
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", "size=1m,mode=0700", "tmpfs", str(place)]
        may = shutil.which("mount") is not None and os.geteuid() == 0
        self.is_mounted = may and subprocess.run(command, capture_output=True, check=False).returncode == 0

    def fill(self, journal: Path) -> str:
        """Take the last byte there is; returns what the system will say."""
        if not self.is_mounted:
            in_kernel(
                self.lab,
                f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({journal.stat().st_size + 30}, -1))",
            )
            return "File too large"
        with (self.place / "ballast").open("wb", buffering=0) as ballast:
            for size in (65536, 1):
                try:
                    while ballast.write(bytes(size)) == size:
                        continue
                except OSError as error:
                    assert error.errno == errno.ENOSPC, error
        return "No space left on device"

    def free(self) -> None:
        """Make room again."""
        if self.is_mounted:
            (self.place / "ballast").unlink()
        else:
            in_kernel(self.lab, "resource.setrlimit(resource.RLIMIT_FSIZE, (-1, -1))")

    def close(self) -> None:
        if self.is_mounted:
            subprocess.run(["umount", "-l", str(self.place)], check=True)


@pytest.mark.browser
def test_disk_full(lab, losses):
    folder = lab.server.folder / "full"
    folder.mkdir()
    disk = SmallDisk(folder / ".diagnb", lab)
    try:
        path = prepared(folder, "disk")
        form = begun(lab, "disk", folder="full")
        typed_into(form, BEFORE)
        form.saved()
        said = disk.fill(path)
        during = {**DURING, "complaint": "left low beam dim, worse in rain and when cold"}
        typed_into(form, during)
        wait_for_bar(form, "browser")
        form.page.wait_for_timeout(1600)  # as long as it takes to try again
        held = acknowledged(form)
        assert "not saved" in bar(form)
        assert said in bar(form)
        assert "kept in this browser only" in bar(form)
        assert "complaint" not in held
        assert form.page.locator(".dn-saved:visible", has_text="not saved").count() > 0
        disk.free()
        form.saved()
        lab.shut_down()
        lab.open(form.notebook)
        again(form)
        settle(losses, "disk full, then space again", typed={**TYPED, **during}, held=held, back=on_screen(form))
        assert form.page.locator("text=left out").count() == 0
        lab.shut_down()
    finally:
        disk.close()


@pytest.mark.browser
def test_closed_after_signing(lab, losses):
    folder = lab.server.folder
    path = prepared(folder, "closed")
    form = begun(lab, "closed")
    typed_into(form, {**BEFORE, "vehicle.odometer": "183 412", **DURING})
    form.saved()
    held = acknowledged(form)
    form.step("Sign and export")
    form.press("Make a key for this technician")
    form.page.wait_for_selector("text=Write its passphrase down")
    form.page.fill(field("signature.typed_name"), "Lou Example")
    form.saved()
    form.press("Sign report")
    form.press("Yes, sign now")
    form.page.wait_for_selector("text=Signed. The report is at")
    signed = path.read_bytes()
    form.step("Vehicle")
    assert bar(form).startswith("Signed and closed.")
    assert form.page.locator(".dn-root [data-entry]:enabled").count() == 0
    form.page.evaluate(
        "() => { const node = document.querySelector(\"[data-entry='order.site']\");"
        " node.disabled = false; node.focus(); node.select(); }"
    )
    form.page.keyboard.type("Hall 9")
    form.page.wait_for_selector("text=is signed and closed")
    assert path.read_bytes() == signed
    lab.open(form.notebook)
    again(form)
    form.page.wait_for_selector("text=This browser still holds “Hall 9”.")
    typed = {**TYPED, "vehicle.odometer": "183 412"}
    settle(losses, "typed after signing (refused, said)", typed=typed, held=held, back=on_screen(form))


# -- the journal itself, without a browser --------------------------------------------------------------------


def journal_of(path: Path, texts: dict[str, str]) -> bytes:
    """A journal with these entries, one line each; its bytes."""
    journal = Journal.open(path)
    for key, text in texts.items():
        journal.put(key, text, moment=NOW)
    journal.release()
    return path.read_bytes()


def opened_again(path: Path) -> tuple[dict[str, str], str]:
    """What stands in the journal, and what it says of its own state."""
    journal = Journal.open(path)
    values, damage = dict(journal.values), journal.damage
    journal.release()
    return values, damage


def test_last_line_torn_at_every_byte(tmp_path, losses):
    path = tmp_path / "s.jsonl"
    before = {"order.number": "RO-1", DROP: "12,6 Ω"}
    acknowledged_part = len(journal_of(path, before))
    path.unlink()
    whole = journal_of(path, {**before, "complaint": "zeile\nzwei"})
    tally = Loss("last line torn, at each of its bytes", 0, 0, 0, 0)
    for cut in range(acknowledged_part, len(whole) + 1):
        path.write_bytes(whole[:cut])
        values, damage = opened_again(path)
        is_whole = cut >= len(whole) - 1
        typed = {**before, "complaint": "zeile\nzwei"} if is_whole else before
        assert values == typed
        assert ("cut off" in damage) == (acknowledged_part < cut < len(whole) - 1)
        tally += Loss.of("", typed=typed, acknowledged=before, back=values)
    losses.append(tally)
    assert tally.lost == 0


def test_every_byte_of_the_journal_flipped(tmp_path, losses):
    path = tmp_path / "s.jsonl"
    typed = {"order.number": "RO-1", DROP: "12,6 Ω", "complaint": "dim"}
    whole = journal_of(path, typed)
    tally = Loss("one byte flipped, each byte of the file", 0, 0, 0, 0)
    for place in range(len(whole)):
        for flip in (0x01, 0x20, 0xFF, whole[place] ^ 0x0A):
            if flip:
                path.write_bytes(whole[:place] + bytes([whole[place] ^ flip]) + whole[place + 1 :])
                values, damage = opened_again(path)
                assert "put right from the checksum" in damage, (place, flip)
                tally += Loss.of("", typed=typed, acknowledged=typed, back=values)
    losses.append(tally)
    assert tally.lost == 0


def test_damage_of_more_than_a_byte_is_said_and_invents_nothing(tmp_path):
    path = tmp_path / "s.jsonl"
    typed = {"order.number": "RO-1", DROP: "12,6 Ω", "complaint": "dim"}
    whole = journal_of(path, typed)
    lines = whole.split(b"\n")
    chance = random.Random(20260305)
    for _ in range(400):
        hurt = bytearray(lines[1])
        for place in chance.sample(range(len(hurt)), chance.randint(2, 9)):
            hurt[place] ^= chance.randint(1, 255)
        path.write_bytes(b"\n".join([lines[0], bytes(hurt), *lines[2:]]))
        values, damage = opened_again(path)
        assert values in (typed, {k: v for k, v in typed.items() if k != DROP})
        assert "look through all entries" in damage


def test_clock_set_back(tmp_path, losses):
    moments = [dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.UTC)]

    def clock() -> dt.datetime:
        moments.append(moments[-1] + dt.timedelta(seconds=1))
        return moments[-1]

    def model() -> FormModel:
        return FormModel(Journal.open(tmp_path / "s.jsonl"), sheet="s", library=load_library(), clock=clock)

    first = model()
    first.begin({"record.id": "rec-s"})
    first.put_all(VISIT)
    first.add("tests", procedure="feed-side-drop", phase="as found")
    first.put(DROP, "350 mV")
    moments.append(moments[-1] - dt.timedelta(days=400))
    typed = {**VISIT, DROP: "35 mV", CURRENT: "4,80", "complaint": "after the clock was set back"}
    for key in (DROP, CURRENT, "complaint"):
        first.put(key, typed[key])
    first.undo()
    first.redo()
    first.release()
    second = model()
    losses.append(Loss.of("clock set back by 400 days", typed=typed, acknowledged=typed, back=dict(second.values)))
    assert losses[-1].lost == 0
    assert second.faults() == ()
    assert "dates-out-of-order" in [remark.code for _, remark in second.review().remarks]
    second.release()
