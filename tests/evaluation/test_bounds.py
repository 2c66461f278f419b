"""Displays over range: an open wire and a good insulation are proved by a display without a number."""

from __future__ import annotations

import copy
import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from diagnb.evaluation import Result, evaluate
from diagnb.record import load_record

RECORDS = Path(__file__).parents[1] / "data" / "records"
NETWORK, WIRES = (json.loads((RECORDS / f"{n}.json").read_text(encoding="utf-8")) for n in ("P22", "P24"))


def result(document: dict[str, Any], test: str, name: str, text: str, **more: Any) -> Result:
    document = copy.deepcopy(document)
    readings = next(t for t in document["tests"] if t["id"] == test)["readings"]
    reading = next((r for r in readings if r["name"] == name), readings[0])
    reading |= {"texts": [text], **more}
    return evaluate(load_record(document)).test(test).results[0]


def test_an_open_wire_is_a_fail_although_nobody_knows_its_resistance() -> None:
    found = result(NETWORK, "1", "resistance", "OL")
    assert (found.verdict.verdict, found.reason) == ("fail", "over-range-beyond-limit")
    assert found.value is None
    # The smallest range ends at 600.0 Ω; its accuracy limit there is 0.5 % and 2 counts.
    assert found.at_least == pytest.approx(600 - (0.005 * 600 + 0.2), abs=1.0)
    assert found.to_plain()["at_least"] == found.at_least


def test_a_good_insulation_is_a_pass_above_the_end_of_the_range() -> None:
    found = result(WIRES, "2", "insulation_reading", "OL")
    assert (found.verdict.verdict, found.reason) == ("pass", "over-range-meets-limit")
    assert found.at_least is not None
    assert found.at_least < 2.0
    stated = result(WIRES, "6", "insulation_reading", "OL", range="200.0 MΩ")
    assert stated.verdict.verdict == "pass"
    shown = result(WIRES, "6", "insulation_reading", "> 2000 MΩ")
    assert shown.verdict.verdict == "pass"
    assert shown.at_least == pytest.approx(2000, rel=0.06)


def test_where_the_end_of_the_range_settles_nothing_nothing_is_judged() -> None:
    # 10 MΩ are asked for; a display over range on the smallest one only says: above some 2 MΩ.
    found = result(WIRES, "6", "insulation_reading", "OL")
    assert (found.verdict.verdict, found.reason, found.at_least) == ("not judged", "over-range", None)
    # A voltage has two signs, so that its overflow proves nothing.
    volts = result(NETWORK, "3", "high_dominant", "OL")
    assert (volts.verdict.verdict, volts.reason) == ("not judged", "over-range")


def test_an_overdue_meter_proves_nothing_by_its_overflow() -> None:
    document = copy.deepcopy(NETWORK)
    for instrument in document["instruments"]:
        instrument["due"] = "2026-01-01"
    found = result(document, "1", "resistance", "OL")
    assert (found.verdict.verdict, found.reason) == ("not judged", "meter-overdue")


def test_what_depends_on_it_further_stays_without_a_verdict_and_pairs_leave_it_out() -> None:
    document = copy.deepcopy(NETWORK)
    document["tests"][0]["readings"][0]["texts"] = ["OL"]
    found = evaluate(load_record(document))
    assert found.test("1").result("end_resistors").reason == "over-range"
    assert not any(p.before == "1" for p in found.pairs)


def test_the_report_and_the_terminal_say_above_what() -> None:
    from diagnb.cli.lines import evaluation_lines
    from diagnb.report import render_report

    document = copy.deepcopy(NETWORK)
    document["tests"][0]["readings"][0]["texts"] = ["OL"]
    record = load_record(document)
    found = evaluate(record)
    assert "above 597 Ω" in "\n".join(evaluation_lines(found))
    for language in ("en", "de", "fr", "es"):
        moment = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
        assert render_report(record, found, moment=moment, language=language).startswith(b"%PDF-")
