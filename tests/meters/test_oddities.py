"""Slips in an accuracy sheet that are no faults: said when a sheet is checked, never in the shipped ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnb.cli import main
from diagnb.meters import load_sheet, oddities, sheet_files

SHEET = """
schema = "diagnb-meter/1"
id = "odd"
title = "An invented meter"
source = "invented"
operating_degc = [0, 50]
calibration_months = 12
[[functions]]
name = "dc voltage"
unit = "V"
ranges = [{ full_scale = "6 V", percent = 0.5, counts = 2 }, { full_scale = "60.00 V", percent = 50, counts = 2 }]
[[functions]]
name = "dc volts"
unit = "V"
ranges = [{ full_scale = "6.000 V", percent = 0.5, counts = 2 }]
"""


def test_lost_digits_a_wide_limit_and_an_unread_function_are_pointed_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(SHEET, encoding="utf-8")
    assert [f.where for f in oddities(load_sheet(path))] == [
        "functions[0].ranges[0].full_scale", "functions[0].ranges[0]", "functions[0].ranges[1]",
    ]  # fmt: skip
    assert main(["meter", "check", str(path)]) == 0
    said = capsys.readouterr().out
    assert "6 V shows 6 steps only" in said
    assert "50 % of the range" in said
    assert "no procedure reads 'dc volts'" in said


@pytest.mark.parametrize("name", sorted(sheet_files()))
def test_the_shipped_sheets_have_none(name: str) -> None:
    assert oddities(load_sheet(sheet_files()[name])) == ()
