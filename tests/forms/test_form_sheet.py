"""The form's widgets without a kernel: what a browser sends comes in, what it is told goes out."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path

import pytest
from ipywidgets import Widget

from diagnb.forms.rows import STEPS
from diagnb.proof import verify_report
from diagnb.record import canonical_bytes
from diagnb.signing import load_key, load_trust


def fill(bench) -> None:
    bench.fill()


def test_a_key_press_is_on_disk_before_the_browser_is_told_so(bench):
    bench.sheet.show("vehicle")
    answer = bench.type("order.number", "RO-4711", seq=7)
    assert answer["ack"] == {"view": "v", "key": "order.number", "seq": 7, "version": bench.model.journal.number}
    assert b"RO-4711" in bench.model.journal.path.read_bytes()
    assert answer["rows"][0]["version"] == bench.model.journal.number
    assert bench.row("order.number")["text"] == "RO-4711"


def test_a_text_overtaken_by_a_later_one_never_takes_its_place(bench):
    """A kernel with several threads may hand over two key presses in the wrong order."""
    bench.sheet.show("vehicle")
    grid = bench.sheet.grids["vehicle"]
    edit = {"k": "edit", "view": "v", "key": "order.number"}
    bench.type("order.number", "RO-471", seq=7)
    bench.type("order.number", "RO-4711 A", seq=9)
    bench.sent.clear()
    grid._handle_custom_msg({**edit, "text": "RO-4711", "seq": 8}, [])
    assert bench.sent == []
    assert bench.model.text("order.number") == bench.row("order.number")["text"] == "RO-4711 A"
    again = bench.type("order.number", "RO-4711 A", seq=9)  # the browser asks again while no answer has come
    assert again["ack"]["seq"] == 9
    grid._handle_custom_msg({**edit, "view": "another window", "text": "RO-9", "seq": 1}, [])
    assert bench.model.text("order.number") == "RO-9"


def test_a_reading_brings_its_verdict_and_only_the_rows_that_changed(bench):
    fill(bench)
    answer = bench.type("tests.t1.readings.drop", "48.0 mV")
    changed = {row["key"] for row in answer["rows"]}
    assert {"tests.t1.readings.drop", "tests.t1.results.feed_drop", "tests.t1.results.feed_resistance"} <= changed
    assert all(key == "tests.t1.readings.drop" or key.startswith("tests.t1.results.") for key in changed)
    result = next(r for r in answer["rows"] if r["key"].endswith("feed_drop"))
    assert (result["said"], result["verdict"]) == ("✓ pass", "pass")
    assert result["value"].startswith("0.04800 ± ")
    assert result["picture"].startswith("<svg")
    assert 'role="img"' in result["picture"]


def test_an_entry_that_cannot_be_kept_is_refused_and_not_acknowledged(bench, monkeypatch):
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    answer = bench.type("order.number", "RO-1")
    assert answer["k"] == "refused"
    assert "No space left" in answer["reason"]


def test_a_fault_in_the_evaluation_is_said_and_the_entry_acknowledged(bench, monkeypatch):
    fill(bench)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no such luck")

    monkeypatch.setattr("diagnb.forms.model.evaluate_test", broken)
    answer = bench.type("tests.t1.readings.drop", "351 mV", seq=9)
    assert answer["ack"]["seq"] == 9
    assert "entries are saved" in bench.trouble
    assert b"351 mV" in bench.model.journal.path.read_bytes()
    assert "no such luck" in bench.log[-1]


@pytest.mark.parametrize("message", [None, [], "x", {}, {"k": "edit"}, {"k": "edit", "key": 3, "text": "x"}, {"k": "act", "key": None}, {"k": "act", "key": "go"}])  # fmt: skip
def test_a_message_that_makes_no_sense_changes_nothing(bench, message):
    before = bench.model.journal.number
    bench.sheet.grids["vehicle"]._handle_custom_msg(message, [])
    assert bench.model.journal.number == before


def test_markup_in_any_text_is_shown_as_text(bench):
    evil = '<img src=x onerror="alert(1)"><script>alert(2)</script>'
    fill(bench)
    for key in ("vehicle.unit", "circuit.name", "order.number", "people.technician.name", "tests.t1.note"):
        bench.model.put(key, evil)
    bench.model.put("tests.t1.limits.feed_drop.use", "own")
    bench.model.put("tests.t1.limits.feed_drop.upper", "0.3")
    bench.model.put("tests.t1.limits.feed_drop.source", evil)
    for spec in STEPS:
        bench.sheet.show(spec.id)
    shown = [bench.sheet.title.value, bench.sheet.table.value, bench.sheet.signing.state.value]
    shown += [row.get("picture", "") for grid in bench.sheet.grids.values() for row in grid.rows]
    bench.sheet.say(evil)
    for text in (*shown, bench.trouble):
        assert "<img src=x" not in text
        assert "<script" not in text


def test_the_step_list_says_what_is_done_and_what_is_missing(bench):
    descriptions = {step: button.description for step, button in bench.sheet.steps.buttons.items()}
    assert descriptions["vehicle"] == "! Vehicle and complaint (3 missing)"
    assert descriptions["found"] == "· As found"
    fill(bench)
    bench.sheet.show("review")
    descriptions = {step: button.description for step, button in bench.sheet.steps.buttons.items()}
    assert descriptions["vehicle"] == "✓ Vehicle and complaint"
    assert descriptions["found"] == "✓ As found"
    rejecting = len(bench.model.review().rejecting)
    assert rejecting > 0
    assert descriptions["review"] == f"! Review ({rejecting} would reject)"


def test_a_step_is_not_done_while_a_needed_reading_is_blank(bench):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test("feed-side-drop", "found", "")
    button = bench.sheet.steps.buttons["found"]
    assert button.description == "! As found (1 missing)"
    bench.sheet._soon.seconds = 0.01
    bench.type("tests.t1.readings.load_current", "4.80")
    bench.sheet._soon._timer.join(20)
    assert button.description == "! As found (1 missing)"
    assert bench.model.review().blank == ("tests.t1.readings.drop",)
    bench.type("tests.t1.readings.drop", "350 mV")
    bench.sheet._soon._timer.join(20)
    assert button.description == "✓ As found"
    bench.type("tests.t1.readings.drop", "")
    bench.sheet.show("review")
    row = next(r for r in bench.sheet.grids["review"].rows if r.get("label", "").startswith("Drop measured directly"))
    bench.act(row["key"])
    assert (bench.sheet.here, bench.sent[-1]["key"]) == ("found", "tests.t1.readings.drop")


def test_the_signing_question_says_what_would_get_the_claim_rejected(bench):
    fill(bench)
    bench.sheet.show("sign")
    bench.sheet.signing.make.click()
    bench.sheet.signing.pad.strokes = [[[1, 1], [9, 9]]]
    bench.sheet.signing.sign.click()
    asked = bench.sheet.signing.question.value
    rejecting = bench.model.review().rejecting
    assert f"{len(rejecting)} remarks would get this claim rejected" in asked
    assert all(remark.message in asked for remark in rejecting)
    assert "Sign all the same?" in asked


def test_next_and_back_walk_the_steps_and_stop_at_the_ends(bench):
    assert bench.sheet.back.disabled
    for _ in range(20):
        bench.sheet.next.click()
    assert bench.sheet.here == "sign"
    assert bench.sheet.next.disabled
    visible = [step for step, screen in bench.sheet.screens.items() if screen.layout.display != "none"]
    assert visible == ["sign"]


def test_review_leads_to_the_field_that_is_missing(bench):
    bench.sheet.show("review")
    row = next(r for r in bench.sheet.grids["review"].rows if r.get("label") == "Repair order is missing")
    bench.act(row["key"])
    assert bench.sheet.here == "vehicle"
    assert bench.sent[-1] == {"k": "focus", "key": "order.number"}


def test_review_says_what_would_get_the_claim_rejected(bench):
    fill(bench)
    bench.sheet.show("review")
    labels = [r["label"] for r in bench.sheet.grids["review"].rows if r["kind"] == "action"]
    assert any("cause is not stated" in label for label in labels)
    assert "✗ fail" in bench.sheet.table.value


def test_undo_goes_to_the_field_and_redo_brings_it_back(bench):
    bench.sheet.show("vehicle")
    for text in ("R", "RO", "RO-1"):
        bench.type("order.number", text)
    bench.sheet.show("circuit")
    bench.type("circuit.name", "lamp")
    bench.sheet.undo.click()
    assert bench.row("circuit.name")["text"] == ""
    bench.sheet.undo.click()
    assert bench.sheet.here == "vehicle"
    assert bench.row("order.number")["text"] == ""
    bench.sheet.redo.click()
    assert bench.row("order.number")["text"] == "RO-1"
    bench.sheet.undo.click()
    for _ in range(3):
        bench.sheet.undo.click()
    assert "nothing more to undo" in bench.trouble


def test_taking_a_test_off_removes_its_rows(bench):
    fill(bench)
    bench.act("remove.tests.t1")
    assert bench.sheet.grids["found"].rows == []
    bench.sheet.undo.click()
    assert bench.row("tests.t1.readings.drop", "found")["text"] == "350 mV"


def test_a_second_instrument_with_the_function_brings_the_choice(bench):
    fill(bench)
    assert bench.row("tests.t1.readings.load_current.instrument")["text"] == "m2"
    bench.type("tests.t1.readings.load_current.instrument", "m1")
    bench.type("tests.t1.readings.load_current", "4.80")
    assert bench.model.record().tests[0].readings[1].instrument == "m1"


def test_above_the_range_the_larger_instrument_is_named(bench):
    fill(bench)
    bench.type("tests.t1.readings.load_current.instrument", "m1")
    bench.type("tests.t1.readings.load_current", "35.2")
    said = bench.row("tests.t1.readings.load_current")["fault"]
    assert "above the range" in said
    assert "choose “Clamp-on current meter, DC, two ranges”" in said
    bench.type("tests.t1.readings.load_current.instrument", "m2")
    assert bench.row("tests.t1.readings.load_current")["fault"] == ""


def test_an_instrument_added_later_changes_no_reading_there_is(bench):
    for key, text in bench.visit.items():
        if not key.startswith("instruments.m2"):
            bench.model.put(key, text)
    bench.sheet._add_test("feed-side-drop", "found", "")
    bench.model.put("tests.t1.readings.load_current", "4.80")
    bench.model.add("instruments", meter="dc-clamp", serial="S-2", due="2027-01-10")
    assert bench.model.record().tests[0].readings[0].instrument == "m1"


def test_an_overdue_date_is_said_at_the_field_and_a_blank_one_is_missing(bench):
    fill(bench)
    bench.sheet.show("instruments")
    bench.type("instruments.m1.due", "2026-02-01")
    assert bench.row("instruments.m1.due")["caution"].startswith("overdue since 2026-02-01")
    bench.type("instruments.m1.due", "")
    assert bench.row("instruments.m1.due")["needed"]
    assert [fault.where for fault in bench.model.faults()] == ["instruments.m1.due"]


def test_the_form_says_before_the_first_reading_what_the_instruments_can_judge(bench):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    bench.sheet._add_test("feed-side-drop", "found", "")
    notes = [row["label"] for row in bench.sheet.grids["found"].rows if row["kind"] == "note"]
    assert any("can judge this limit" in text and "Feed-side voltage drop" in text for text in notes)
    bench.type("tests.t1.readings.drop", "350 mV")
    after = [row["label"] for row in bench.sheet.grids["found"].rows if row["kind"] == "note"]
    assert after == notes


def test_a_key_takes_the_passphrase_typed_and_a_second_one_is_asked_about(bench):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.passphrase.secret = "too short"
    step.make.click()
    assert "fewer than 12 characters" in step.said_at_key.value
    assert bench.office.key_files() == ()
    step.passphrase.secret = "long enough to keep"
    step.make.click()
    assert step.said_at_key.value == ""
    (first,) = bench.office.key_files()
    assert "long enough to keep" not in step.made.value
    load_key(first, b"long enough to keep")
    step.make.click()
    assert "There is a key for Ann Example already: ann-example.p12" in step.question_at_key.value
    assert bench.office.key_files() == (first,)
    step.keep.click()
    assert step.asking_at_key.layout.display == "none"
    step.make.click()
    step.another.click()
    assert len(bench.office.key_files()) == 2
    assert bench.office.keys_of("Ann") == ()


def test_the_rows_kept_for_a_later_view_are_those_of_now(bench):
    fill(bench)
    state = bench.sheet.grids["found"].get_state("rows")["rows"]
    assert next(r for r in state if r.get("key") == "tests.t1.readings.drop")["text"] == "350 mV"


def test_signing_makes_a_report_that_proves_itself(bench, clock):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    assert step.key.options == ()
    step.make.click()
    assert len(step.passphrase.secret) > 15
    step.sign.click()
    assert "signature: is missing" in step.said_at_sign.value
    step.pad.strokes = [[[100, 100], [200, 120], [300, 80]]]
    step.sign.click()
    assert bench.trouble == ""
    assert "(verdicts: as found 1 ✗ fail)" in step.question.value
    step.confirm.click()
    step.worker.join(30)
    assert bench.trouble == step.said_at_sign.value == step.said_at_key.value == "" and not bench.log, bench.log
    path = bench.folder / "RO-1-U-7-rec-1-r1.pdf"
    assert html_path(path) in step.result.value
    assert step.passphrase.secret == ""
    trust = load_trust(bench.folder / "keys" / "trust.json")
    proof = verify_report(path, trust=trust, moment=clock() + dt.timedelta(minutes=1))
    assert proof.trustworthy, proof.reasons
    assert proof.signatures[0].signer == "Ann Example"
    assert canonical_bytes(proof.record) == canonical_bytes(bench.model.record())
    assert all(grid.locked for grid in bench.sheet.grids.values())
    bench.sheet.show("vehicle")
    assert bench.type("order.number", "other")["k"] == "refused"
    sent: list = []
    step.save.send = lambda message, buffers=None: sent.append((message, buffers))
    step.save._handle_custom_msg({"k": "want"}, [])
    assert sent[0][0] == {"k": "file", "name": "RO-1-U-7-rec-1-r1.pdf", "mime": "application/pdf"}
    assert sent[0][1][0] == path.read_bytes()


def html_path(path: Path) -> str:
    import html

    return html.escape(str(path))


def test_a_typed_name_may_stand_for_the_drawing_but_only_the_technicians_own(bench):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    step.typed.send = lambda *_, **__: None
    step.typed._handle_custom_msg({"k": "edit", "view": "v", "key": "signature.typed_name", "text": "Somebody Else", "seq": 1}, [])  # fmt: skip
    step.sign.click()
    assert "“Somebody Else” is not the technician&#x27;s name" in step.said_at_sign.value
    step.typed._handle_custom_msg({"k": "edit", "view": "v", "key": "signature.typed_name", "text": "ann  example", "seq": 2}, [])  # fmt: skip
    step.sign.click()
    assert step.said_at_sign.value == ""
    step.refuse.click()
    assert bench.model.locked == ""


def test_a_wrong_passphrase_is_said_beside_the_button_and_the_sheet_stays_open(bench):
    fill(bench)
    revealed: list[dict] = []
    bench.sheet.shield.send = lambda message, buffers=None: revealed.append(message)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.passphrase.secret = "not the passphrase"
    step.sign.click()
    step.confirm.click()
    step.worker.join(30)
    said = step.said_at_sign.value
    assert "passphrase is wrong" in said
    assert 'role="alert" aria-live="assertive"' in said
    assert "not the passphrase" not in said + "".join(bench.log)
    assert bench.trouble == ""
    assert revealed[-1] == {"k": "place", "name": "dn-said-sign", "focus": False}
    step.passphrase.secret = "again not it"
    step.sign.click()
    assert step.said_at_sign.value == ""
    assert bench.model.locked == ""
    assert not list(bench.folder.glob("*.pdf"))


def test_a_missing_key_and_a_missing_name_are_said_beside_their_buttons(bench):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.sign.click()
    assert "no key is chosen" in step.said_at_sign.value
    bench.model.put("people.technician.name", "")
    step.make.click()
    assert "name is missing" in step.said_at_key.value
    assert step.said_at_sign.value == bench.trouble == ""
    bench.sheet.show("review")
    assert step.said_at_key.value == ""


def test_another_persons_key_cannot_sign_the_technicians_record(bench):
    fill(bench)
    path = bench.office.make_key(name="Bob Other", passphrase=b"long enough passphrase")
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.key.value = str(path)
    step.passphrase.secret = "long enough passphrase"
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.sign.click()
    step.confirm.click()
    step.worker.join(30)
    assert "belongs to Bob Other" in step.said_at_sign.value
    assert not list(bench.folder.glob("*.pdf"))


def test_no_passphrase_reaches_the_journal_or_the_log(bench):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    secret = step.passphrase.secret
    assert secret not in json.dumps(Widget.get_manager_state())
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.sign.click()
    step.confirm.click()
    step.worker.join(30)
    for path in bench.folder.rglob("*"):
        if path.is_file():
            assert secret.encode() not in path.read_bytes(), path
    assert step.passphrase.secret == ""


def test_an_incomplete_sheet_cannot_be_signed(bench):
    bench.sheet.show("sign")
    assert bench.sheet.signing.sign.disabled
    assert "missing or wrong" in bench.sheet.signing.state.value


def test_the_form_is_few_models_whatever_the_number_of_readings(bench):
    fill(bench)
    before = len(Widget.get_manager_state()["state"])
    for _ in range(40):
        bench.sheet._add_test("feed-side-drop", "found", "")
    assert len(Widget.get_manager_state()["state"]) == before


def test_a_second_form_takes_the_writing_over(bench, tmp_path, clock, visit):
    fill(bench)
    second = type(bench)(tmp_path, clock, visit)
    try:
        assert second.sheet.take.layout.display == ""
        assert bench.sheet.take.layout.display == "none"
        assert second.type("order.number", "x")["k"] == "refused"
        second.sheet.take.click()
        assert second.trouble == ""
        assert second.model.locked == ""
        assert second.sheet.grids["vehicle"].locked == ""
        assert second.type("order.number", "RO-2")["ack"]["key"] == "order.number"
        assert bench.model.locked.startswith("Read only")
        assert bench.sheet.grids["found"].locked
        assert second.row("tests.t1.readings.drop", "found")["text"] == "350 mV"
    finally:
        second.sheet.stop()


def test_a_form_that_nobody_looks_at_gives_the_sheet_away_and_one_that_is_seen_keeps_it(bench, tmp_path, clock, visit):
    fill(bench)
    shield = bench.sheet.shield
    answers = [True]

    def in_a_browser(message, buffers=None):
        if message == {"k": "seen"} and answers[0]:
            shield._handle_custom_msg({"k": "seen"}, [])

    shield.send = in_a_browser
    second = type(bench)(tmp_path, clock, visit)
    try:
        assert not second.model.journal.take_over(seconds=1.5, if_left=True)
        assert bench.model.locked == ""
        answers[0] = False
        assert second.model.journal.take_over(seconds=5, if_left=True)
        assert bench.model.locked.startswith("Read only")
        assert second.model.text("tests.t1.readings.drop") == "350 mV"
    finally:
        second.sheet.stop()


def test_a_sheet_goes_on_at_the_step_of_its_last_entry(bench, tmp_path, clock, visit):
    fill(bench)
    bench.sheet.stop()
    again = type(bench)(tmp_path, clock, visit)
    try:
        again.sheet.go_on()
        assert again.sheet.here == "found"
    finally:
        again.sheet.stop()


def test_the_browser_keeps_the_look_for_the_next_sheet(bench):
    kept = []
    bench.sheet.shield.send = lambda message, buffers=None: kept.append(message)
    bench.sheet.view.button.click()
    bench.sheet.size.button.click()
    assert kept[-1] == {"k": "look", "names": ["dn-bright", "dn-large"]}
    other = bench.sheet
    other.shield._handle_custom_msg({"k": "look", "names": ["dn-night", "dn-largest", "else"]}, [])
    assert {"dn-night", "dn-largest"} <= set(other.root._dom_classes)
    assert not {"dn-bright", "dn-large", "else"} & set(other.root._dom_classes)
    assert (other.view.button.description, other.size.button.description) == ("Day view", "Ordinary type")


def test_a_scan_without_a_field_is_said(bench):
    bench.sheet.keys._handle_custom_msg({"k": "stray", "text": "4711"}, [])
    assert "“4711” came from a bar-code reader while no field was chosen" in bench.trouble


def test_what_changed_after_the_question_is_not_signed_unseen(bench):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.sign.click()
    bench.model.put("complaint", "changed in another window")
    step.confirm.click()
    assert "has changed since the question was asked" in step.said_at_sign.value
    assert step.worker is None
    assert not list(bench.folder.glob("*.pdf"))
    step.sign.click()
    step.confirm.click()
    step.worker.join(30)
    assert bench.trouble == ""
    assert list(bench.folder.glob("*.pdf"))


def test_a_key_file_elsewhere_can_be_named(bench, tmp_path):
    fill(bench)
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    path = tmp_path / "stick ü" / "key.p12"
    path.parent.mkdir(mode=0o700)
    Path(step.key.value).rename(path)
    step.elsewhere.value = f'"{path}"'
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.sign.click()
    step.confirm.click()
    step.worker.join(30)
    assert bench.trouble == ""
    assert bench.model.journal.closed is not None


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    "view", [".dn-root.dn-day {", '[data-jp-theme-light="false"] .dn-root {', ".dn-root.dn-bright {"]
)
def test_every_text_stands_out_from_its_ground(view):
    """WCAG 2 contrast: 4.5 for text, 3 for edges of fields, in the light, dark and bright-sun views."""
    import re

    import diagnb.forms

    css = (Path(diagnb.forms.__file__).parent / "static" / "sheet.css").read_text(encoding="utf-8")
    block = css[css.index(view) :].split("}")[0]
    colours = dict(re.findall(r"--dn-([a-z-]+): (#[0-9a-f]{6})", block))

    def contrast(one: str, other: str) -> float:
        low, high = sorted((luminance(colours[one]), luminance(colours[other])))
        return (high + 0.05) / (low + 0.05)

    pairs = [
        ("ink", "ground"),
        ("ink", "raised"),
        ("soft", "ground"),
        ("soft", "raised"),
        ("accent", "ground"),
        ("on-accent", "accent"),
    ]
    pairs += [(word, ground) for word in ("pass", "maybe", "fail", "none") for ground in (f"{word}-ground", "ground")]
    pairs += [("soft", f"{word}-ground") for word in ("pass", "maybe", "fail", "none")]
    pairs += [("ink", f"{word}-ground") for word in ("pass", "maybe", "fail", "none")]
    assert {p: round(contrast(*p), 2) for p in pairs if contrast(*p) < 4.5} == {}
    assert contrast("edge", "ground") >= 3
    assert contrast("focus", "ground") >= 3
