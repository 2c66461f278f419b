"""``diagnb trace`` on a file as a recorder writes it: read, features taken, one into a record that is then judged."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnb.cli import main
from diagnb.evaluation import evaluate
from diagnb.meters import load_meter
from diagnb.record import load_record
from diagnb.traces import KINDS, load_trace, same_file, take_feature


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """An invented switch-on of a motor: 32 A running, a peak of some 180 A; semicolons and decimal commas."""
    time = np.arange(0, 4, 0.001)
    since = np.clip(time - 0.1, 0, None)
    wave = 0.4 * np.sin(2 * np.pi * 61.3 * time) + np.random.default_rng(3).normal(0, 0.05, time.size)
    current = (time >= 0.1) * ((31.4 + 178 * np.exp(-since / 0.09)) * (1 - np.exp(-since / 0.004)) + wave)
    rows = [f"{1e3 * t:.0f};{i:.1f};{25.9 - 0.02 * i:.2f}" for t, i in zip(time, current, strict=True)]
    path = tmp_path / "Prüfung 1.csv"
    path.write_bytes("\r\n".join(["Time (ms);Motor (A);Supply (V)", *rows]).replace(".", ",").encode("latin-1"))
    return path


def run(*arguments: object) -> int:
    return main([str(a) for a in arguments])


def test_a_description_that_was_guessed_reads_the_same_file_again(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("trace", "describe", file) == 0
    said = capsys.readouterr().out
    assert 'decimal = ","' in said
    kept = file.with_suffix(".toml")
    kept.write_text(said, encoding="utf-8")
    assert run("trace", "show", file, "--description", kept, "--column", "Motor", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    rows = {row["feature"]: row for row in shown["features"]}
    assert rows["inrush-peak"]["value"] == pytest.approx(178, abs=4)
    low, high = rows["running-value"]["interval"]
    assert low < 31.4 < high
    assert set(rows) == {name for name, kind in KINDS.items() if not kind.threshold}
    assert all("refused" in row or row["expanded_uncertainty"] > 0 for row in rows.values())


def test_several_columns_a_missing_threshold_and_an_unknown_feature_are_said(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("trace", "show", file) == 2
    assert "name one of Motor, Supply" in capsys.readouterr().err
    assert run("trace", "show", file, "--column", "Supply", "--feature", "longest-dip") == 1
    assert "needs a threshold" in capsys.readouterr().out
    assert run("trace", "show", file, "--column", "Supply", "--feature", "health") == 1
    assert "'health' is unknown" in capsys.readouterr().out
    assert run("trace", "show", file, "--column", "Supply", "--from", "3 s", "--to", "2 s") == 2
    assert "is no window" in capsys.readouterr().err


def test_every_kind_is_taken_and_names_itself(file: Path) -> None:
    trace, sheet = load_trace(file), load_meter("recorder-12bit").sheet
    for name, kind in KINDS.items():
        column, threshold = ("Supply", "24 V") if kind.threshold or name == "cranking-minimum" else ("Motor", "100 A")
        feature = take_feature(
            name, trace=trace, column=column, sheet=sheet, ambient_degc=20, threshold=threshold if kind.threshold else "",
            window=(2.0, 4.0) if kind.title.startswith("ripple") else (0.0, 2.0),
        )  # fmt: skip
        assert feature.id == name
        assert feature.standard_uncertainty > 0, name


def test_a_picture_is_drawn_with_the_points_used(file: Path) -> None:
    picture = file.with_name("motor.svg")
    assert run("trace", "show", file, "--column", "Motor", "--feature", "inrush-peak", "--picture", picture) == 0
    assert picture.read_text(encoding="utf-8").startswith("<svg")


def test_a_feature_goes_into_the_record_and_is_judged_there(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record: dict[str, Any] = {
        "schema": "diagnb-record/1", "id": "T-1", "demonstration": True, "created": "2026-03-18T10:05:00+01:00",
        "order": {"number": "RO-1", "opened": "2026-03-18T08:10:00+01:00"},
        "vehicle": {"unit": "Unit 314 (invented)", "system_voltage": "24"},
        "circuit": {"name": "lift-gate motor", "class": "ordinary"},
        "people": [{"id": "tech", "name": "R. Example", "role": "technician"}],
        "instruments": [{"id": "S1", "meter": "recorder-12bit", "serial": "RC-00009",
                         "calibrated": "2025-11-10", "due": "2026-11-09"}],
        "conditions": {"ambient_degc": "21"},
        "tests": [{"id": "1", "procedure": "motor-inrush", "phase": "as found", "time": "2026-03-18T08:40:00+01:00",
                   "by": "tech", "readings": [{"name": "running_reading", "texts": ["30 A"], "instrument": "S1",
                                                "function": "dc current", "range": "200.0 A"}]}],
    }  # fmt: skip
    path = file.with_name("record.json")
    path.write_text(json.dumps(record), encoding="utf-8")
    took = ("trace", "take", file, path, "--test", "1", "--instrument", "S1")
    assert run(*took, "--column", "Motor", "--feature", "inrush-peak", "--reading", "peak_reading") == 0
    assert run(*took, "--column", "Motor", "--feature", "running-value", "--reading", "running_reading") == 0
    assert run(*took, "--column", "Supply", "--feature", "cranking-minimum", "--reading", "voltage_at_peak") == 0
    capsys.readouterr()
    kept = load_record(path)
    assert [r.name for r in kept.tests[0].readings] == ["peak_reading", "running_reading", "voltage_at_peak"]
    assert len(kept.attachments) == 1
    source = kept.tests[0].readings[0].trace
    assert source is not None
    assert same_file(file.read_bytes(), source.sha256)
    ratio = evaluate(kept).test("1").result("inrush_ratio")
    assert ratio.value == pytest.approx(178 / 31.4, rel=0.05)
    before = path.read_bytes()
    assert run(*took, "--column", "Motor", "--feature", "inrush-peak", "--reading", "no_such_reading") == 2
    assert run(*took[:-1], "S9", "--column", "Motor", "--feature", "inrush-peak", "--reading", "peak_reading") == 2
    assert "is no instrument of the record" in capsys.readouterr().err
    file.write_bytes(file.read_bytes() + b"\r\n4000;31,4;25,3")
    assert run(*took, "--column", "Motor", "--feature", "inrush-peak", "--reading", "peak_reading") == 2
    assert path.read_bytes() == before
