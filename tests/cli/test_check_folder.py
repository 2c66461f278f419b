"""``diagnb check`` on a folder, as an office does it: a line each, what stands there twice, a table for a spreadsheet."""

from __future__ import annotations

import copy
import csv
import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from diagnb.cli import main

EXAMPLES = Path(__file__).parents[1] / "data" / "records"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A good record, the same job under another id, the same record again, one without as-left tests, a broken file."""
    good: dict[str, Any] = json.loads((EXAMPLES / "P10.json").read_text(encoding="utf-8"))
    other = copy.deepcopy(good) | {"id": "OTHER"}
    other["order"]["number"] = "=1+1"
    short: dict[str, Any] = json.loads((EXAMPLES / "P09.json").read_text(encoding="utf-8"))
    short["tests"] = short["tests"][:1]
    for name, document in (("a", good), ("b", other), ("c", good), ("d", short)):
        (tmp_path / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")
    (tmp_path / "e.json").write_text("{", encoding="utf-8")
    (tmp_path / "note.txt").write_text("not looked at", encoding="utf-8")
    return tmp_path


def test_a_folder_gets_a_line_each_and_a_sum(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder), "--csv", str(folder / "ready.csv")]) == 1
    said = capsys.readouterr().out.splitlines()
    states = {
        Path(line.split(": ")[0]).name: line.split(": ")[1].split("  ")[0]
        for line in said
        if line.startswith(str(folder))
    }
    assert states["a.json"].startswith("weak")
    assert states["c.json"].startswith("weak"), "a countersigned copy beside its original is one claim"
    assert {states[f"{n}.json"] for n in "bde"} == {"WOULD BE REJECTED"}
    text = "\n".join(said)
    assert "readings-twice  b.json: a.json holds the same readings" in text
    assert "no-as-left-reading" in text
    assert said[-1] == "5 files: 3 would be rejected, 2 weak, 0 ready"
    rows = list(csv.DictReader((folder / "ready.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert [Path(r["file"]).name for r in rows] == ["a.json", "b.json", "c.json", "d.json", "e.json"]
    assert "record-twice" in rows[2]["codes"]
    assert rows[1]["repair order"] == "'=1+1"
    assert (rows[4]["record"], rows[4]["codes"]) == ("", "unreadable")


def test_one_file_is_answered_as_before(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder / "d.json"), "--json"]) == 1
    assert {"code", "severity", "where", "message", "repair"} == set(json.loads(capsys.readouterr().out)[0])
    assert main(["check", str(folder / "e.json")]) == 2
    (folder / "none").mkdir()
    assert main(["check", str(folder / "none")]) == 2
    assert "neither a record nor a report" in capsys.readouterr().err


def test_json_of_several_names_each_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder / "a.json"), str(folder / "d.json"), "--json"]) == 1
    assert [Path(r["file"]).name for r in json.loads(capsys.readouterr().out)] == ["a.json", "d.json"]


def altered(document: dict[str, Any], **parts: Any) -> dict[str, Any]:
    return copy.deepcopy(document) | parts


def test_a_second_claim_made_a_little_different_is_seen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good: dict[str, Any] = json.loads((EXAMPLES / "P10.json").read_text(encoding="utf-8"))
    content = altered(good, complaint="another complaint under the same id and revision")
    later = altered(good, id="LATER", order=good["order"] | {"number": "RO-1"})
    later["created"] = "2099-01-01T12:00:00+01:00"
    for test in later["tests"]:
        test["time"] = (dt.datetime.fromisoformat(test["time"]) + dt.timedelta(days=3)).isoformat()
    later["vehicle"]["vin"] = ""
    later["vehicle"]["unit"] = "another one"
    digit = altered(good, id="DIGIT")
    digit["tests"][0]["readings"][0]["texts"] = [
        t[:-4] + "9" + t[-3:] for t in digit["tests"][0]["readings"][0]["texts"]
    ]
    for name, document in (("a", good), ("b", content), ("c", later), ("d", digit)):
        (tmp_path / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")
    main(["check", str(tmp_path), "--json"])
    codes = {
        Path(r["file"]).stem: {e["code"]: e["severity"] for e in r["remarks"]}
        for r in json.loads(capsys.readouterr().out)
    }
    assert codes["b"]["record-twice"] == "rejects"
    assert codes["c"]["readings-alike"] == "weakens" and "readings-twice" not in codes["c"]
    assert codes["d"]["order-twice"] == "weakens"
    assert not any(code.endswith(("-twice", "-alike")) for code in codes["a"])
