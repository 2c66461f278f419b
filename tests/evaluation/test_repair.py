"""Whether a record shows that the repair worked: said on the first page, in the reader's language."""

from __future__ import annotations

import copy
import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from diagnb.evaluation import Repair, evaluate, repair_of
from diagnb.record import load_record
from diagnb.report import Options
from diagnb.report.blocks import Notice
from diagnb.report.compose import compose
from diagnb.report.wording import LANGUAGES, load_wording

RECORDS = Path(__file__).parents[1] / "data" / "records"
GROUND = json.loads((RECORDS / "P10.json").read_text(encoding="utf-8"))


def repair(document: dict[str, Any]) -> Repair:
    record = load_record(document)
    return repair_of(record, evaluate(record))


def test_what_failed_as_found_and_passes_as_left_shows_the_repair() -> None:
    found = repair(GROUND)
    assert (found.failed, found.shown) == (2, True)


def test_a_test_that_was_not_repeated_and_one_that_only_conditionally_passes_do_not() -> None:
    document = copy.deepcopy(GROUND)
    document["tests"] = document["tests"][:3]
    document["tests"][2]["readings"][0]["texts"] = ["100.0 mV"]
    found = repair(document)
    assert not found.shown
    assert [r.name for _, r in found.not_passed] == ["ground_drop"]
    assert [(t, r.name) for t, r in found.not_repeated] == [("2", "signal_ground_drop")]


def test_where_nothing_failed_there_is_no_repair_to_show() -> None:
    document = copy.deepcopy(GROUND)
    document["tests"] = [t for t in document["tests"] if t["phase"] == "as left"]
    for test in document["tests"]:
        test.pop("repeats_test", None)
        test["phase"] = "as found"
    assert (repair(document).failed, repair(document).shown) == (0, False)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_first_box_of_the_report_says_it_first(language: str) -> None:
    wording = load_wording(language)
    options = Options(moment=dt.datetime(2026, 6, 1, tzinfo=dt.UTC), language=language)

    def first_line(document: dict[str, Any]) -> str:
        record = load_record(document)
        notice = next(b for b in compose(record, evaluate(record), wording, options) if isinstance(b, Notice))
        return notice.text.splitlines()[0]

    assert first_line(GROUND) == wording.say("text.repair-shown", count=2)
    document = copy.deepcopy(GROUND)
    document["tests"] = document["tests"][:3]
    said = first_line(document)
    assert said.startswith(wording.say("text.repair-not-shown", open=1, failed=2, names="").split(":")[0])
    assert wording.say("text.repair-not-repeated", title="").strip() in said
