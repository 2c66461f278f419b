"""As found against as left: pairs of tests, and the change of each value with what both share counted once."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import GTC
import pytest

from diagnb.evaluation import Pair, evaluate
from diagnb.evaluation.pairs import paired_tests
from diagnb.record import load_record
from diagnb.shipped import templates_directory

DEMO = json.loads((templates_directory() / "demo-record.json").read_text(encoding="utf-8"))
PATH = json.loads((Path(__file__).parents[1] / "data" / "records" / "path-test.json").read_text(encoding="utf-8"))


def pairs(document: dict[str, Any]) -> dict[str, Pair]:
    return {p.name: p for p in evaluate(load_record(document)).pairs}


def test_the_demonstration_shows_an_improvement() -> None:
    found = pairs(DEMO)["ground_drop"]
    assert (found.before, found.after, found.improvement) == ("3", "5", "improved")
    assert found.change == pytest.approx(0.061375 - 1.41875)
    assert found.ratio == pytest.approx(0.061375 / 1.41875)
    assert found.interval[0] < found.change < found.interval[1]
    assert found.probability is not None and found.probability > 0.999


def test_what_both_share_cancels_as_in_gtc() -> None:
    """One clamp: its gain stands in both currents. Two ranges of one voltmeter share nothing."""
    document = copy.deepcopy(PATH)
    for name, function in (("dc-clamp", "dc current"), ("handheld-6000", "dc voltage")):
        record = load_record(PATH)
        sheet = copy.deepcopy(record.meters[name])
        for entry in sheet["functions"]:
            if entry["name"] == function:
                entry["common_fraction"] = 1
        document.setdefault("meters", {})[name] = sheet
    found = pairs(document)["span_1_resistance"]

    def rectangle(half: float) -> Any:
        return GTC.ureal(0, half / math.sqrt(3))

    clamp, gain, offset = rectangle(0.02), rectangle(0.005), rectangle(1.5 * 0.0001)

    def resistance(volts: float, amps: float) -> Any:
        drop = volts * (1 + gain) + offset + rectangle(0.00005)
        return drop / (amps * (1 + clamp) + rectangle(7.5 * 0.01) + rectangle(0.005))

    change = resistance(0.0508, 7.94) - resistance(0.0412, 6.42)
    assert found.change == pytest.approx(1000 * GTC.value(change), rel=1e-6)
    assert found.standard_uncertainty == pytest.approx(1000 * GTC.uncertainty(change), rel=1e-6)
    assert found.improvement == "", "no limit says which way is better"


def test_a_worse_value_is_not_called_better() -> None:
    found = pairs(PATH)
    assert found["span_6_drop"].improvement == "improved"
    assert found["span_1_drop"].improvement == "not shown"
    assert found["span_1_drop"].change > 0
    low, high = found["span_6_drop"].ratio_interval or (0, 0)
    assert low < 0.0915 / 1.1638 < high
    assert not [name for name in found if name.endswith(("_expected", "_ratio", "sum_check"))]


def test_where_larger_is_better_the_direction_turns() -> None:
    document = copy.deepcopy(DEMO)
    earlier = next(t for t in document["tests"] if t["procedure"] == "battery-open-circuit-voltage")
    later = copy.deepcopy(earlier) | {"id": "8", "phase": "as left", "time": "2026-03-02T15:00:00+01:00"}
    later["readings"][0]["texts"] = ["12.80 V"]
    document["tests"].append(later)
    found = [p for p in evaluate(load_record(document)).pairs if p.after == "8"]
    judged = {p.name: p.improvement for p in found if p.improvement}
    assert judged
    assert set(judged.values()) == {"improved"}


def test_tests_belong_together_by_name_or_by_procedure_and_points() -> None:
    record = load_record(DEMO)
    assert [(a.id, b.id) for a, b in paired_tests(record)] == [("3", "5")], "test 6 was read between other points"
    document = copy.deepcopy(PATH)
    del document["tests"][1]["repeats_test"]
    assert [(a.id, b.id) for a, b in paired_tests(load_record(document))] == [("1", "2")]
    document["tests"][1]["path"]["nodes"][1]["name"] = "elsewhere"
    assert not list(paired_tests(load_record(document)))


def test_a_value_that_may_be_zero_has_a_change_but_no_ratio() -> None:
    document = copy.deepcopy(PATH)
    for test in document["tests"]:
        test["path"]["nodes"][6]["drop"] = {"texts": ["0.1 mV"], "instrument": "M1"}
    found = pairs(document)["span_7_drop"]
    assert found.ratio is None
    assert found.ratio_interval is None
    assert found.change == 0
    assert found.improvement == "not shown"


def test_a_value_without_one_of_the_two_has_no_pair() -> None:
    document = copy.deepcopy(PATH)
    document["tests"][1]["path"]["nodes"][6]["texts"] = ["OL"]
    assert "span_6_drop" not in pairs(document)


def test_pairs_travel_with_the_evaluation_and_only_where_there_are_any() -> None:
    plain = evaluate(load_record(DEMO)).to_plain()
    json.dumps(plain, allow_nan=False)
    assert {p["name"] for p in plain["pairs"]} >= {"ground_drop", "ground_resistance"}
    document = copy.deepcopy(DEMO)
    document["tests"], document["findings"] = document["tests"][:2], []
    assert "pairs" not in evaluate(load_record(document)).to_plain()
