"""Settings changed while a form is open count when its cell is run again."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from diagnb.notebook.opening import close_all, open_sheet
from diagnb.notebook.workplace import Workplace

VISIT = {
    "order.number": "RO-1", "vehicle.unit": "U-7", "vehicle.system_voltage": "12", "complaint": "dim",
    "circuit.name": "low beam", "circuit.class": "ordinary", "conditions.ambient_degc": "21",
    "instruments.m1.meter": "handheld-6000", "instruments.m1.serial": "S-1", "instruments.m1.calibrated": "2026-01-10",
    "instruments.m1.due": "2099-01-10", "people.technician.name": "Ann Example",
}  # fmt: skip
RESULT = "tests.t1.results.drop"


@pytest.fixture
def place(tmp_path: Path):
    yield Workplace(tmp_path, tmp_path / "keys", tmp_path / "keys" / "trust.json")
    close_all()


def judged(sheet) -> dict:
    return next(row for row in sheet.grids["found"].rows if row.get("kind") == "result" and row.get("verdict"))


def test_language_paper_and_keys_count_for_a_sheet_that_is_open(place, tmp_path):
    sheet = open_sheet(place, "s-1", clock=lambda: dt.datetime.now(dt.UTC))
    sheet.model.put_all(VISIT)
    sheet.model.add("tests", procedure="feed-side-drop", phase="as found")
    sheet.model.put_all({"tests.t1.readings.drop": "350 mV", "tests.t1.readings.load_current": "4.80"})
    sheet.show("found")
    assert judged(sheet)["said"] == "✗ fail"
    assert "0.35" in judged(sheet)["value"]

    elsewhere = tmp_path / "other keys"
    elsewhere.mkdir()
    (elsewhere / "ann-example.p12").write_bytes(b"invented")
    changed = replace(place, language="de", paper="Letter", keys=elsewhere, trust=elsewhere / "trust.json")
    assert open_sheet(changed, "s-1") is sheet
    row = judged(sheet)
    assert row["said"] == "✗ nicht bestanden"
    assert "0,35" in row["value"]
    assert "nicht bestanden" in row["picture"]
    assert "✗ fail" not in str(sheet.grids["found"].rows)
    sheet.show("review")
    assert "✗ nicht bestanden" in sheet.table.value
    assert (sheet.signing.office.language, sheet.signing.office.paper) == ("de", "Letter")
    sheet.show("sign")
    assert [label for label, _ in sheet.signing.key.options] == ["ann-example"]
    assert sheet.signing.office.trust == elsewhere / "trust.json"


def test_a_sheet_opened_again_with_the_same_settings_stays_as_it_is(place):
    sheet = open_sheet(place, "s-2")
    office = sheet.signing.office
    sheet.show("circuit")
    assert open_sheet(place, "s-2") is sheet
    assert sheet.here == "circuit"
    assert sheet.signing.office is office
