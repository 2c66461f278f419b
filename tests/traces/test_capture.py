"""From a feature to the record, its evaluation, its report: nothing of the uncertainty is lost on the way."""

from __future__ import annotations

import copy
import hashlib
import json
from datetime import UTC, datetime

import example_motor
import numpy as np
import pytest
from simulated_recorder import SHEET, Recorder, accuracy, motor

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.meters import load_meter
from diagnb.quantities import parse_indication
from diagnb.record import canonical_bytes, digest, load_record, read_record
from diagnb.report import render_report
from diagnb.traces import (
    attachment_from_trace,
    column_accuracy,
    inrush_peak,
    longest_dip,
    read_trace,
    reading_from_feature,
    ripple_frequency,
    ripple_peak_to_peak,
    same_file,
    wake_up_duty,
    window_of,
)

MOMENT = datetime(2026, 3, 18, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def plain():
    return example_motor.plain()


def trace_of(time, values, unit="A", **column):
    text = f"t (s),x ({unit})\n" + "\n".join(f"{t:.6f},{x:.6g}" for t, x in zip(time, values, strict=True))
    spec = {"column": "x", "unit": unit} | column
    return read_trace(text.encode(), {"schema": "diagnb-trace/1", "columns": [spec]}), text.encode()


def captured(feature, trace, **changes):
    given = {
        "feature": feature,
        "trace": trace,
        "column": "x",
        "sheet": SHEET,
        "instrument": "S1",
        "name": "r",
        "attachment": "a.csv",
    }
    return reading_from_feature(**(given | changes))


def test_the_stored_example_is_what_its_script_makes(plain):
    stored = json.loads(example_motor.RECORD.read_text(encoding="utf-8"))
    assert stored["attachments"] == plain["attachments"]
    assert [r["texts"] for r in stored["tests"][0]["readings"]] == [r["texts"] for r in plain["tests"][0]["readings"]]
    assert same_file(example_motor.csv(), stored["tests"][0]["readings"][0]["trace"]["sha256"])


def test_the_example_evaluates_with_noise_in_its_budget(plain):
    record = load_record(plain)
    ratio = evaluate(record).test("1").result("inrush_ratio")
    assert ratio.verdict.verdict == "pass"
    assert ratio.value == pytest.approx(178.5 / 31.4)
    names = " ".join(row.source for row in ratio.budget)
    for source in ("noise at the peak", "between samples at the peak", "scatter of the mean", "gain", "offset"):
        assert source in names


def test_without_its_contributions_the_uncertainty_would_be_too_small(plain):
    bare = copy.deepcopy(plain)
    for reading in bare["tests"][0]["readings"]:
        reading["trace"].pop("contributions", None)
    with_noise = evaluate(load_record(plain)).test("1").result("inrush_ratio").standard_uncertainty
    without = evaluate(load_record(bare)).test("1").result("inrush_ratio").standard_uncertainty
    assert with_noise > without


def test_the_report_shows_file_feature_window_and_picture(plain, tmp_path):
    import subprocess

    record = load_record(plain)
    for language, word in (
        ("en", "inrush peak"),
        ("de", "Einschaltspitze"),
        ("fr", "pointe d'appel"),
        ("es", "pico de arranque"),
    ):
        pdf = render_report(record, evaluate(record), moment=MOMENT, language=language)
        (tmp_path / "r.pdf").write_bytes(pdf)
        text = subprocess.run(
            ["pdftotext", "-layout", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True
        ).stdout
        assert word in text
        assert example_motor.FILE in text
        assert record.attachments[0].sha256[:38] in text
        assert render_report(record, evaluate(record), moment=MOMENT, language=language) == pdf


def test_a_record_without_traces_keeps_its_digest(plain):
    bare = copy.deepcopy(plain)
    for reading in bare["tests"][0]["readings"]:
        del reading["trace"]
    assert b'"trace"' not in canonical_bytes(load_record(bare))
    assert digest(load_record(bare)) != digest(load_record(plain))


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda d: d.update(attachments=[]), "tests[0].readings[0].trace.attachment"),
        (lambda d: d["attachments"][0].update(sha256="0" * 64), "tests[0].readings[0].trace.sha256"),
        (lambda d: _first(d).update(unit="bananas"), "tests[0].readings[0].trace.unit"),
        (lambda d: _first(d).update(contribution_unit="V"), "tests[0].readings[0].trace.contribution_unit"),
        (lambda d: _first(d).update(end="-5"), "tests[0].readings[0].trace"),
        (lambda d: _first(d).update(contribution_unit=""), "tests[0].readings[0].trace"),
        (lambda d: _first(d)["contributions"].append(_first(d)["contributions"][0]), "tests[0].readings[0].trace"),
    ],
)
def test_a_trace_that_does_not_fit_its_record_is_a_fault(plain, change, place):
    broken = copy.deepcopy(plain)
    change(broken)
    with pytest.raises(InputFault) as caught:
        load_record(broken)
    assert place in {f.where for f in caught.value.faults}


def _first(document):
    return document["tests"][0]["readings"][0]["trace"]


def test_readings_have_the_digits_of_the_recorder():
    t = np.arange(0, 2, 1e-3)
    dip = np.where((t > 0.5) & (t < 0.7372), 7.0, 12.6)
    trace, _ = trace_of(t, dip, "V", range="20.00 V")
    known = column_accuracy(trace.column("x"), SHEET, ambient_degc=23)
    reading = captured(
        longest_dip(time=trace.time, values=trace.column("x").values, accuracy=known, threshold=9), trace
    )
    assert reading["texts"] == ["237.000 ms"] or reading["texts"] == ["0.23700 s"]
    assert reading["function"] == "time"
    assert reading["trace"]["parameters"]["threshold"] == "9 V"
    assert {c["source"] for c in reading["trace"]["contributions"]} == {"start between samples", "end between samples"}
    assert parse_indication(reading["texts"][0], unit="s").value == pytest.approx(0.237)


def test_ripple_and_shares_use_their_own_statement_of_the_sheet():
    t = np.arange(0, 0.2, 5e-5)
    trace, _ = trace_of(t, 14.0 + 0.3 * np.sin(2 * np.pi * 400 * t), "V", range="20.00 V")
    x = trace.column("x")
    known = column_accuracy(x, SHEET, ambient_degc=23, varying=True)
    reading = captured(ripple_peak_to_peak(time=trace.time, values=x.values, accuracy=known), trace)
    assert (reading["function"], reading["range"], reading["texts"]) == ("ac voltage", "20.00 V", ["0.60 V"])
    reading = captured(ripple_frequency(time=trace.time, values=x.values, accuracy=known), trace)
    assert reading["function"] == "frequency"
    assert parse_indication(reading["texts"][0], unit="Hz").value == pytest.approx(400, abs=0.5)
    t = np.arange(0, 100, 0.1)
    trace, _ = trace_of(t, np.where(t % 10 < 1, 0.8, 0.02), "A", range="2.000 A")
    known = column_accuracy(trace.column("x"), SHEET, ambient_degc=23)
    reading = captured(
        wake_up_duty(time=trace.time, values=trace.column("x").values, accuracy=known, threshold=0.2), trace
    )
    assert reading["function"] == "duty cycle"
    assert parse_indication(reading["texts"][0], unit="%").value == pytest.approx(0.1, abs=2e-3)


def test_a_range_that_nobody_stated_is_said():
    t = np.arange(0, 1, 1e-3)
    trace, _ = trace_of(t, 30 * np.exp(-t))
    known = column_accuracy(trace.column("x"), SHEET, ambient_degc=23)
    reading = captured(inrush_peak(time=trace.time, values=trace.column("x").values, accuracy=known), trace)
    assert reading["range"] == "200.0 A"
    assert "range-assumed" in reading["trace"]["remarks"]


def test_what_the_sheet_does_not_have_is_a_named_fault():
    t = np.arange(0, 1, 1e-3)
    trace, _ = trace_of(t, 30 * np.exp(-t))
    feature = inrush_peak(time=trace.time, values=trace.column("x").values, accuracy=accuracy("dc current", "200.0 A"))
    with pytest.raises(InputFault, match="no function"):
        captured(feature, trace, sheet=load_meter("coarse-circuit-tester").sheet)
    with pytest.raises(InputFault, match="above every range"):
        huge, _ = trace_of(t, 3000 * np.exp(-t))
        column_accuracy(huge.column("x"), SHEET)
    with pytest.raises(InputFault, match="no column"):
        captured(feature, trace, column="y")
    with pytest.raises(InputFault, match="no window"):
        window_of(trace, "2 s", "1 s")
    with pytest.raises(InputFault, match="outside the trace"):
        window_of(trace, "20 s", "30 s")
    assert window_of(trace, "20 ms", "0.5") == (0.02, 0.5)


def test_the_attachment_is_the_file():
    data = b"t,x\n1,2\n"
    entry = attachment_from_trace(data=data, name="a.csv", shows="x")
    assert entry["sha256"] == hashlib.sha256(data).hexdigest()
    assert entry["size"] == len(data)
    assert same_file(data, entry["sha256"])
    assert not same_file(data + b"\n", entry["sha256"])


def test_evaluated_readings_hold_the_truth(plain):
    """Recorder → trace → feature → reading → evaluation: 95 % of the intervals of the ratio hold the true ratio."""
    held, trials = 0, 60
    for seed in range(trials):
        rng = np.random.default_rng([5, seed])
        course, truth = motor(rng)
        known = accuracy("dc current", "200.0 A", 21)
        t, x = Recorder(rng, known).record(course, start=0, end=4, step=1e-3, noise=rng.uniform(0, 0.5))
        trace, data = trace_of(t, x, "A", name="motor current", range="200.0 A")
        document = copy.deepcopy(plain)
        document["attachments"] = [attachment_from_trace(data=data, name=example_motor.FILE)]
        readings = document["tests"][0]["readings"]
        took = {
            "trace": trace,
            "column": "motor current",
            "sheet": SHEET,
            "instrument": "S1",
            "attachment": example_motor.FILE,
        }
        values = trace.column("motor current").values
        from diagnb.traces import running_value

        peak = inrush_peak(time=trace.time, values=values, accuracy=known)
        running = running_value(time=trace.time, values=values, accuracy=known)
        readings[:2] = [
            reading_from_feature(feature=peak, name="peak_reading", **took),
            reading_from_feature(feature=running, name="running_reading", **took),
        ]
        readings[2].pop("trace")
        low, high = evaluate(read_record(_complete(document))).test("1").result("inrush_ratio").interval
        held += low <= truth["peak"] / truth["run"] <= high
    assert held >= 0.95 * trials - 2.33 * (trials * 0.95 * 0.05) ** 0.5


def _complete(document):
    from diagnb.record import complete

    return complete(document)
