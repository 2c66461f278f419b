"""Photos and recorded traces on the sheet: kept by their hash beside the journal, read as guessed or as corrected."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import os
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.forms.file_store import FileStore
from diagnb.record import load_record, plain


def trace_file(decimal: str = ".") -> bytes:
    """An invented inrush: 40 A that fall to 5 A, 2000 samples of 0.1 ms."""
    time = np.arange(2000) * 1e-4
    current = np.where(time < 0.01, 0.0, 5 + 35 * np.exp(-(time - 0.01) / 0.02))
    lines = ["time (s);motor current (A)"] + [
        f"{t:.4f};{x:.3f}".replace(".", decimal) for t, x in zip(time, current, strict=True)
    ]
    return "\n".join(lines).encode()


def photo_file(colour: str = "red") -> bytes:
    image = Image.new("RGB", (900, 600), colour)
    exif = image.getexif()
    exif[0x010E] = "taken at a secret place"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def with_recorder(model) -> str:
    return model.add("instruments", meter="recorder-12bit", serial="R-1", calibrated="2026-01-10", due="2027-01-10")


def motor_test(model) -> str:
    return model.add("tests", procedure="motor-inrush", phase="as found")


def peak_of(model, test: str) -> str:
    return next(s.name for s in model.specs(test) if s.function == "dc current")


def test_a_trace_is_read_as_guessed_and_every_guess_is_a_field(model):
    name = model.attach("motor start.csv", trace_file())
    assert model.text(f"attachments.{name}.delimiter") == "semicolon"
    assert model.text(f"attachments.{name}.unit") == "A"
    assert model.text(f"attachments.{name}.time_column") == "1"
    view = model.trace_view(name)
    assert len(view.trace.time) == 2000
    assert "Choose the recorder" in view.missing


def test_a_decimal_comma_is_guessed_and_a_wrong_field_is_said(model):
    name = model.attach("motor.csv", trace_file(","))
    assert model.text(f"attachments.{name}.decimal") == ","
    model.put(f"attachments.{name}.column", "9")
    with pytest.raises(InputFault):
        model.trace_view(name)
    model.put(f"attachments.{name}.column", "2")
    model.put(f"attachments.{name}.unit", "mA")
    assert model.trace_view(name).trace.columns[0].largest == pytest.approx(0.04, rel=1e-3)


def test_a_feature_becomes_a_reading_of_the_record_with_the_hash_of_its_file(model):
    recorder = with_recorder(model)
    test = motor_test(model)
    peak = peak_of(model, test)
    data = trace_file()
    name = model.attach("motor.csv", data)
    for part, text in {"instrument": recorder, "feature": "inrush-peak", "reading": f"{test}.{peak}"}.items():
        model.put(f"attachments.{name}.{part}", text)
    key = model.take_trace(name)
    assert model.text(key).startswith("40.0")
    for spec in model.specs(test):
        if not model.text(f"tests.{test}.readings.{spec.name}"):
            model.put(f"tests.{test}.readings.{spec.name}", "5.00" if spec.unit == "A" else "12.00")
    outcome, faults = model.evaluated(test)
    assert not faults
    record = model.record()
    reading = next(r for r in record.tests[0].readings if r.name == peak)
    assert reading.trace.sha256 == hashlib.sha256(data).hexdigest() == record.attachments[0].sha256
    assert reading.trace.points
    assert reading.instrument == recorder
    assert evaluate(load_record(json.loads(json.dumps(plain(record))))).to_plain() == evaluate(record).to_plain()
    model.put(key, "41 A")
    assert next(r for r in model.record().tests[0].readings if r.name == peak).trace is None
    model.undo()
    assert next(r for r in model.record().tests[0].readings if r.name == peak).trace is not None
    assert outcome is not None


def test_a_removed_file_comes_back_by_undo(model):
    name = model.attach("lamp.jpg", photo_file())
    assert list(model.photos()) == ["lamp.jpg"]
    model.remove("attachments", name)
    assert model.photos() == {}
    assert model.record().attachments == ()
    model.undo()
    assert model.photos()["lamp.jpg"] == photo_file()


def test_two_photos_of_one_name_stay_apart_and_one_content_is_attached_once(model):
    model.attach("photo.jpg", photo_file("red"))
    model.attach("photo.jpg", photo_file("blue"))
    assert sorted(model.photos()) == ["photo-2.jpg", "photo.jpg"]
    with pytest.raises(InputFault, match="attached already"):
        model.attach("again.jpg", photo_file("red"))


@pytest.mark.parametrize("data", [b"", b"\x00\x01\x02", b"\xff\xd8 no picture", b"hello world", b"%PDF-1.7"])
def test_what_is_neither_a_photo_nor_a_table_of_numbers_is_refused_and_leaves_nothing(model, data):
    before = dict(model.values)
    with pytest.raises(InputFault):
        model.attach("file.bin", data)
    assert dict(model.values) == before
    assert not model.files.folder.exists()


def test_files_are_there_when_the_sheet_is_opened_again_and_an_altered_one_is_said(model, open_model):
    model.attach("lamp.jpg", photo_file())
    again = open_model()
    assert again.photos() == {"lamp.jpg": photo_file()}
    kept = next(again.files.folder.iterdir())
    kept.write_bytes(kept.read_bytes()[:-1])
    with pytest.raises(InputFault, match="altered"):
        again.photos()


def test_a_file_named_by_the_journal_survives_a_kernel_that_is_killed(tmp_path):
    (tmp_path / "lamp.jpg").write_bytes(photo_file())
    program = """
import datetime as dt, os, signal, sys
from pathlib import Path
from diagnb.forms.journal import Journal
from diagnb.forms.library import load_library
from diagnb.forms.model import FormModel
folder = Path(sys.argv[1])
model = FormModel(Journal.open(folder / "s.jsonl"), sheet="s", library=load_library(), clock=lambda: dt.datetime.now(dt.timezone.utc))
model.attach("lamp.jpg", (folder / "lamp.jpg").read_bytes())
os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
"""
    ended = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], env=dict(os.environ), check=False, timeout=120
    )
    assert ended.returncode != 0
    from diagnb.forms.journal import Journal

    values = Journal.read(tmp_path / "s.jsonl").values
    assert FileStore(tmp_path / "s.files").get(values["attachments.a1.sha256"]) == photo_file()


def test_the_store_keeps_one_copy_and_refuses_a_name_that_is_no_hash(tmp_path):
    store = FileStore(tmp_path / "files")
    name = store.put(b"x")
    assert store.put(b"x") == name
    assert [p.name for p in store.folder.iterdir()] == [name]
    with pytest.raises(InputFault):
        store.get("../../etc/passwd")


def pieces(button, name: str, data: bytes, size: int = 100_000) -> dict:
    sent: list[dict] = []
    button.send = lambda message, buffers=None: sent.append(message)
    parts = [data[i : i + size] for i in range(0, len(data), size)] or [b""]
    for at, part in enumerate(parts):
        button._handle_custom_msg(
            {"k": "piece", "file": "f", "name": name, "at": at, "of": len(parts)}, [memoryview(part)]
        )
    return sent[-1]


def test_a_file_comes_in_pieces_and_the_screen_shows_it(bench):
    bench.fill()
    bench.sheet.show("files")
    assert pieces(bench.sheet.attach, "lamp.jpg", photo_file(), 1000)["bad"] is False
    assert 'src="data:image/jpeg;base64,' in bench.row("attachments.a1.picture")["picture"]
    bench.type("attachments.a1.shows", "<b>corroded</b> pin")
    assert "&lt;b&gt;corroded" in bench.row("attachments.a1.picture")["picture"]
    assert pieces(bench.sheet.attach, "motor.csv", trace_file(), 5000)["bad"] is False
    assert bench.row("attachments.a2.picture")["picture"].startswith("<svg")
    refused = pieces(bench.sheet.attach, "notes.bin", b"\x00" * 10)
    assert refused["bad"] is True
    assert "not attached" in refused["text"]
    bench.act("remove.attachments.a1")
    assert bench.model.items("attachments") == ("a2",)


def test_the_thumbnail_and_the_report_carry_nothing_of_the_camera(bench):
    import base64

    bench.fill()
    bench.sheet.show("files")
    pieces(bench.sheet.attach, "lamp.jpg", photo_file())
    coded = bench.row("attachments.a1.picture")["picture"].partition("base64,")[2].partition('"')[0]
    assert b"secret place" not in base64.b64decode(coded)
    record, evaluation = bench.model.frozen()
    key = bench.office.make_key(name="Ann Example", passphrase=b"a long passphrase")
    issued = bench.office.issue(
        record=record, evaluation=evaluation, key_file=key, passphrase=b"a long passphrase", strokes=(),
        photos=bench.model.photos(),
    )  # fmt: skip
    assert b"secret place" not in issued.path.read_bytes()


def test_the_button_puts_the_feature_into_its_reading(bench):
    bench.fill()
    recorder = with_recorder(bench.model)
    test = motor_test(bench.model)
    bench.sheet.show("files")
    pieces(bench.sheet.attach, "motor.csv", trace_file())
    bench.act("use-trace.a1")
    assert "gives no reading yet" in bench.trouble
    bench.type("attachments.a1.instrument", recorder)
    bench.type("attachments.a1.feature", "inrush-peak")
    bench.type("attachments.a1.reading", f"{test}.{peak_of(bench.model, test)}")
    assert "not yet in the reading" in bench.row("attachments.a1.picture")["said"]
    bench.act("use-trace.a1")
    assert "it stands in the reading" in bench.row("attachments.a1.picture")["said"]
    assert not bench.trouble


def test_a_typed_reading_gives_way_to_a_trace_only_when_the_button_names_it(bench):
    bench.fill()
    recorder = with_recorder(bench.model)
    test = motor_test(bench.model)
    peak = f"tests.{test}.readings.{peak_of(bench.model, test)}"
    bench.type(peak, "38.5 A")
    name = bench.model.attach("motor.csv", trace_file())
    for part, text in {"instrument": recorder, "feature": "inrush-peak", "reading": f"{test}.{peak_of(bench.model, test)}"}.items():  # fmt: skip
        bench.model.put(f"attachments.{name}.{part}", text)
    bench.sheet.show("files")
    bench.act("use-trace.a1")
    assert "holds 38.5 A already" in bench.trouble
    assert bench.model.text(peak) == "38.5 A"
    row = next(r for r in bench.sheet.grids["files"].rows if r.get("key", "").startswith("replace-by-trace"))
    assert row["button"].startswith("Replace 38.5 A by 40")
    assert "as found" in row["label"]
    bench.act(row["key"])
    assert bench.model.text(peak).startswith("40")
    bench.sheet.undo.click()
    assert bench.model.text(peak) == "38.5 A"


def test_a_reading_from_a_recorder_after_the_repair_leaves_its_test_before_it(model, clock):
    test = motor_test(model)
    recorder = with_recorder(model)
    for spec in model.specs(test):
        if spec.name != peak_of(model, test):
            model.put(f"tests.{test}.readings.{spec.name}", "5.00" if spec.unit == "A" else "12.00")
    (left,) = model.repeat_as_left()
    clock.now += dt.timedelta(hours=1)
    for spec in model.specs(left):
        model.put(f"tests.{left}.readings.{spec.name}", "5.00" if spec.unit == "A" else "12.00")
    clock.now += dt.timedelta(hours=1)
    name = model.attach("motor.csv", trace_file())
    for part, text in {"instrument": recorder, "feature": "inrush-peak", "reading": f"{test}.{peak_of(model, test)}"}.items():  # fmt: skip
        model.put(f"attachments.{name}.{part}", text)
    model.take_trace(name)
    other = next(s for s in model.specs(test) if s.name != peak_of(model, test))
    model.put(f"tests.{test}.readings.{other.name}", "5.01" if other.unit == "A" else "12.01")
    record = model.record()
    found, after = record.tests
    assert found.time < after.time
    assert max(r.time for r in found.readings) < after.time
    assert "dates-out-of-order" not in [r.code for _, r in model.review().remarks]
    model.put(f"tests.{test}.time", "2026-03-05 23:00")
    (_, said), *_ = [
        (k, r) for k, r in model.review().remarks if r.code == "dates-out-of-order" and "as left" in r.message
    ]
    assert "as found, 2026-03-05 23:00" in said.message
    assert "(as left, 2026-03-05 10:3" in said.message


def test_a_recorded_trace_lies_beside_the_signed_report_under_its_own_name(bench):
    bench.fill()
    data = trace_file()
    bench.model.attach("motor start.csv", data)
    bench.model.attach("lamp.jpg", photo_file())
    step = bench.sheet.signing
    bench.sheet.show("sign")
    step.make.click()
    step.pad.strokes = [[[1, 1], [9, 9]]]
    step.sign.click()
    step.confirm.click()
    step.worker.join(60)
    assert step.said_at_sign.value == ""
    (report,) = bench.folder.glob("*.pdf")
    folder = report.with_name(f"{report.stem}-files")
    (kept,) = folder.iterdir()
    assert kept.read_bytes() == data
    named = [a.name for a in bench.model.record().attachments if a.media_type == "text/csv"]
    assert named == [kept.name]
    assert f"The recorded files lie in {folder.name}" in step.result.value
