"""Path tests: a trailer with dim lamps (invented), eight nodes from the battery to its ground."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import GTC
import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.evaluation import TestResult, evaluate
from diagnb.evaluation.wires import wire_resistance
from diagnb.meters import load_sheet, sheet_files
from diagnb.procedures import load_procedure, read_procedure
from diagnb.readiness import check
from diagnb.record import canonical_bytes, json_schema, load_record, plain
from diagnb.record.document import Wire
from diagnb.shipped import templates_directory

EXAMPLE = json.loads((Path(__file__).parents[1] / "data" / "records" / "path-test.json").read_text(encoding="utf-8"))
Change = Callable[[dict[str, Any]], None]


def document(*changes: Change, tests: int = 1) -> dict[str, Any]:
    """The example with its first ``tests`` tests, the path of the first one changed."""
    made = copy.deepcopy(EXAMPLE)
    made["tests"] = made["tests"][:tests]
    made["findings"] = []
    for change in changes:
        change(made)
    return made


def path_of(made: dict[str, Any]) -> dict[str, Any]:
    return made["tests"][0]["path"]  # type: ignore[no-any-return]


def node(number: int, **changes: Any) -> Change:
    """Node ``number`` with other parts; None takes a part away."""

    def change(made: dict[str, Any]) -> None:
        entry = path_of(made)["nodes"][number - 1]
        for key, value in changes.items():
            entry.pop(key, None)
            if value is not None:
                entry[key] = value

    return change


def without(*keys: str) -> Change:
    def change(made: dict[str, Any]) -> None:
        for key in keys:
            path_of(made).pop(key)

    return change


def nodes_only(made: dict[str, Any]) -> None:
    """Node voltages alone: nothing read directly across a span, no second look at the source."""
    path_of(made).pop("source_voltage")
    for entry in path_of(made)["nodes"]:
        entry.pop("drop", None)


def outcome(*changes: Change) -> TestResult:
    return evaluate(load_record(document(*changes))).tests[0]


def display(volts: float) -> dict[str, Any]:
    return {"texts": [f"{volts * 1000:.1f} mV"], "instrument": "M1"}


# -- the example ---------------------------------------------------------------------------------------------------


def test_the_right_span_is_named_with_its_excess_and_probability() -> None:
    found = outcome()
    profile = found.profile
    assert profile is not None
    assert (profile.failing, profile.span(profile.failing).title) == ("span_6", "lamp - → frame stud")
    assert profile.excess == pytest.approx(1.312 - 0.1482 - 0.2)
    assert profile.probability is not None and profile.probability > 0.999
    worst = found.result("span_6_drop")
    assert worst.verdict.verdict == "fail"
    assert worst.limit is not None and (worst.limit.upper, worst.limit.tag) == (0.2, "common practice")
    others = [found.result(f"span_{i}_drop").verdict.verdict for i in (1, 2, 3, 4, 7)]
    assert others == ["pass"] * 5


def test_every_span_has_drop_resistance_expected_drop_and_ratio() -> None:
    found = outcome()
    current = 6.42
    for i, drop in ((1, 0.0412), (3, 0.1189), (6, 1.1638), (7, 0.1481)):
        assert found.result(f"span_{i}_drop").value == pytest.approx(drop)
        assert found.result(f"span_{i}_resistance").value == pytest.approx(1000 * drop / current)
        expected = found.result(f"span_{i}_expected")
        ratio = found.result(f"span_{i}_ratio")
        assert ratio.value == pytest.approx(drop / (expected.value or 0))
    assert "span_2_expected" not in [r.name for r in found.results]
    assert found.result("span_2_drop").limit.upper == 0.3  # type: ignore[union-attr]


def test_the_load_is_no_span_that_can_fail() -> None:
    found = outcome()
    load = found.result("span_5_drop")
    assert (load.value, load.reason) == (pytest.approx(10.61), "no-limit")
    assert "span_5_resistance" not in [r.name for r in found.results]


def test_the_repaired_path_has_no_span_over_its_limit() -> None:
    found = evaluate(load_record(document(tests=2))).tests[1]
    assert found.profile is not None
    assert (found.profile.failing, found.profile.excess, found.profile.adds_up) == ("", None, True)


def test_the_profile_carries_measured_and_expected_voltages() -> None:
    profile = outcome().profile
    assert profile is not None
    values = [p.value for p in profile.points]
    assert values == pytest.approx([12.61, 12.57, 12.47, 12.35, 11.92, 1.312, 0.1482, 0.0001])
    feed, ground = profile.points[:5], profile.points[5:]
    assert feed[0].expected == pytest.approx(12.61)
    assert [p.expected or 0 for p in feed] == sorted((p.expected or 0 for p in feed), reverse=True)
    assert feed[1].expected == feed[2].expected, "a sound switch drops nothing"
    assert ground[-1].expected == pytest.approx(0.0001)
    assert ground[0].expected == pytest.approx(0.206, abs=0.001), "from the far end upwards"


# -- uncertainty ---------------------------------------------------------------------------------------------------


def shared_meter(made: dict[str, Any]) -> None:
    """The same meter, its gain stated as common to all readings of one range."""
    sheet = copy.deepcopy(dict(load_sheet(sheet_files()["handheld-6000"]).plain))
    for function in sheet["functions"]:
        if function["name"] == "dc voltage":
            function["common_fraction"] = 1
    made["meters"] = {"handheld-6000": sheet}


def rectangle(value: float, half: float) -> Any:
    return GTC.ureal(value, half / math.sqrt(3))


def test_correlated_uncertainty_against_gtc() -> None:
    """Two nodes on one range share gain and offset; the current is shared by all spans and the expected drops."""
    found = outcome(nodes_only, shared_meter)
    gain, offset = rectangle(0, 0.005), rectangle(0, 1.5 * 0.01)

    def on_60_volts(value: float) -> Any:
        return value * (1 + gain) + offset + rectangle(0, 0.005)

    current = 6.42 + rectangle(0, 0.02 * 6.42 + 8 * 0.01)
    nodes = [on_60_volts(v) for v in (12.61, 12.57, 12.47, 12.35, 11.92)]
    for i in range(4):
        drop = nodes[i] - nodes[i + 1]
        mine = found.result(f"span_{i + 1}_drop")
        assert mine.value == pytest.approx(GTC.value(drop), rel=1e-9)
        assert mine.standard_uncertainty == pytest.approx(GTC.uncertainty(drop), rel=1e-9)
        resistance = found.result(f"span_{i + 1}_resistance")
        assert resistance.standard_uncertainty == pytest.approx(1000 * GTC.uncertainty(drop / current), rel=1e-9)
    assert found.result("span_1_drop").standard_uncertainty < 0.005, "unshared it would be 0.067 V"  # type: ignore[operator]
    solid = 1 / (58e6 * 2.5e-6) * (1 + 0.00393 * 1) * 9
    wire = (solid * 1.05 + rectangle(0, 0.05 * solid)) * (1 + rectangle(0, 0.05))
    wire = wire * (1 + 0.00393 / (1 + 0.00393 * 1) * rectangle(0, 10))
    expected = wire * current
    mine = found.result("span_4_expected")
    assert mine.value == pytest.approx(GTC.value(expected), rel=1e-9)
    assert mine.standard_uncertainty == pytest.approx(GTC.uncertainty(expected), rel=1e-6)
    ratio = (nodes[3] - nodes[4]) / expected
    assert found.result("span_4_ratio").standard_uncertainty == pytest.approx(GTC.uncertainty(ratio), rel=1e-6)


def test_the_sum_of_neighbouring_drops_knows_what_they_share() -> None:
    """From node to node the readings in between cancel: the stretch is as good as its two ends."""
    found = outcome(nodes_only, shared_meter, node(3, texts=["OL"]))
    gain = rectangle(0, 0.005)
    ends = (12.57 - 12.35) * gain + rectangle(0, 0.005) - rectangle(0, 0.005)
    stretch = found.result("stretch_2_4_drop")
    assert stretch.value == pytest.approx(0.22)
    assert stretch.standard_uncertainty == pytest.approx(GTC.uncertainty(ends), rel=1e-9)


def test_without_a_stated_share_the_worse_end_is_taken() -> None:
    found = outcome(nodes_only)
    assert found.result("span_1_drop").standard_uncertainty == pytest.approx(0.0515, rel=0.01)
    assert any(row.assumption == "taken as independent" for row in found.result("span_1_drop").budget)
    advice = [a.code for a in found.result("span_3_drop").advice]
    assert found.result("span_3_drop").reason == "meets-limit-unproved"
    assert "direct-reading" in advice, "read across, the same span would be settled"


def test_stated_intervals_hold_the_truth_and_the_fault_is_found() -> None:
    """Simulated meters inside their specification walk simulated paths with one bad span each."""
    chance = np.random.default_rng(20260414)
    held = total = named = 0
    # Neither current nor wires: only drops are looked at, and nothing needs a long Monte Carlo run.
    record = document(nodes_only, without("current"), *(node(i, wire=None) for i in range(1, 8)))
    walks = 150
    for _ in range(walks):
        made = copy.deepcopy(record)
        truth = [0.0] * 8
        bad = int(chance.integers(1, 8))
        bad = 6 if bad == 5 else bad
        drops = {i: chance.uniform(0.01, 0.06) for i in (1, 2, 3, 4, 6, 7)} | {bad: chance.uniform(0.9, 1.5)}
        truth[0] = chance.uniform(12.2, 12.8)
        for i in (1, 2, 3, 4):
            truth[i] = truth[i - 1] - drops[i]
        for i in (7, 6):
            truth[i - 1] = truth[i] + drops[i]
        place = chance.uniform(-1, 1)
        for entry, value in zip(path_of(made)["nodes"], truth, strict=True):
            step = 0.01 if value > 6 else 0.001 if value > 0.6 else 0.0001
            shown = value * (1 + place * 0.005) + place * 1.5 * step
            entry["texts"] = [f"{round(shown / step) * step:.{-round(math.log10(step))}f} V"]
        found = evaluate(load_record(made)).tests[0]
        for i, drop in drops.items():
            low, high = found.result(f"span_{i}_drop").interval or (0, 0)
            held += low <= drop <= high
            total += 1
        assert found.profile is not None
        named += found.profile.failing == f"span_{bad}"
    assert named == walks
    assert held / total >= 0.95


# -- expected drop -------------------------------------------------------------------------------------------------


def test_expected_resistance_against_published_cables() -> None:
    """Case W12: 6 m of 2.5 mm² have at most 45.6 mΩ at 20 °C (ISO 6722-1); W09: copper at 65 °C."""
    cold = wire_resistance(Wire(area_mm2="2.5", length_m="6", conductor_degc="20"), "wire")
    assert cold.value == pytest.approx(6 / (58e6 * 2.5e-6) * 1.05)
    low, high = cold.expanded(0.95).interval
    assert low < 0.0456 < high
    warm = wire_resistance(Wire(area_mm2="2.5", length_m="6", conductor_degc="65"), "wire")
    assert warm.value / cold.value == pytest.approx(15.65 / 13.3, rel=1e-3)


def test_expected_resistance_of_a_gauge_against_the_wire_tables() -> None:
    """Case W04: AWG 18 has 6.385 Ω per 1000 ft of solid copper at 20 °C; 4/0 has 0.0490 Ω."""
    for gauge, ohm in (("18", 6.385), ("4/0", 0.0490)):
        found = wire_resistance(Wire(awg=gauge, length_m="304.8", conductor_degc="20"), "wire")
        assert found.value == pytest.approx(ohm * 1.05, rel=0.002)


def test_half_widths_as_stated() -> None:
    stated = Wire(
        area_mm2="10", length_m="4", length_half_width_m="0", conductor_degc="20", temperature_half_width_k="0"
    )
    parts = {c.source: c.contribution for c in wire_resistance(stated, "w").components}
    assert list(parts) == ["w: lay of the strands"]
    usual = {c.source: c.contribution for c in wire_resistance(
        Wire(area_mm2="10", length_m="4", conductor_degc="20"), "w").components}  # fmt: skip
    r = 4 / (58e6 * 10e-6) * 1.05
    assert usual["w: length of the wire"] == pytest.approx(0.05 * r / math.sqrt(3))
    assert usual["w: temperature of the wire"] == pytest.approx(0.0393 * r / math.sqrt(3), rel=1e-3)


def test_resistance_of_a_bad_joint_by_hand() -> None:
    """Case E01: 0.3 V at 20 A are 15.0 mΩ."""

    def change(made: dict[str, Any]) -> None:
        path_of(made)["current"]["texts"] = ["20.00 A"]

    found = outcome(change, node(2, drop=display(0.3)))
    assert found.result("span_2_resistance").value == pytest.approx(15.0)


# -- sum check -----------------------------------------------------------------------------------------------------


def test_the_sum_check_closes_and_names_its_gap() -> None:
    check_ = outcome().result("sum_check")
    assert check_.value == pytest.approx(12.60 - 0.0412 - 0.0964 - 0.1189 - 0.431 - 10.61 - 1.3119)
    assert abs(check_.value or 1) < (check_.expanded_uncertainty or 0)


def test_a_load_read_wrong_does_not_add_up() -> None:
    found = outcome(node(5, drop={"texts": ["9.61 V"], "instrument": "M1"}))
    assert found.profile is not None and found.profile.adds_up is False
    advice = found.result("sum_check").advice[0]
    assert advice.code == "sum-does-not-close"
    assert advice.numbers["u_gap"] == pytest.approx(0.99, abs=0.01)
    remarks = check(
        record := load_record(document(node(5, drop={"texts": ["9.61 V"], "instrument": "M1"}))), evaluate(record)
    )
    assert "drops-do-not-add-up" in [r.code for r in remarks]


@pytest.mark.parametrize("last", ["source ground", "other"])
def test_nothing_read_independently_says_nothing_about_the_sum(last: str) -> None:
    found = outcome(nodes_only, node(8, kind=last))
    assert found.profile is not None and found.profile.adds_up is None
    assert found.result("sum_check").reason == "reading-missing"
    assert found.result("sum_check").detail == "Source voltage, read again after the last node"


# -- what is missing -----------------------------------------------------------------------------------------------


def test_without_the_current_drops_are_judged_and_resistances_are_not() -> None:
    found = outcome(without("current"))
    assert found.result("span_6_drop").verdict.verdict == "fail"
    assert found.result("span_6_resistance").reason == "reading-missing"
    assert found.result("span_6_resistance").detail == "Load current"
    assert found.result("span_6_expected").reason == "reading-missing"
    assert found.missing == ("current",)
    record = load_record(document(without("current")))
    assert "drop-without-current" in [r.code for r in check(record, evaluate(record))]


def test_a_node_over_range_is_bridged() -> None:
    found = outcome(node(7, texts=["OL"]))
    for i in (6, 7):
        assert found.result(f"span_{i}_drop").reason == "over-range"
        assert found.result(f"span_{i}_drop").detail == "frame stud"
    stretch = found.result("stretch_6_8_drop")
    assert stretch.value == pytest.approx(1.312 - 0.0001)
    assert stretch.limit is not None and stretch.limit.upper == pytest.approx(0.4)
    assert stretch.verdict.verdict == "fail"
    assert found.profile is not None and found.profile.failing == "stretch_6_8"
    assert (stretch.advice[0].code, stretch.advice[0].words["node"]) == ("halve-here", "frame stud")
    assert found.profile.points[6].refusal == "over-range"
    assert found.profile.adds_up is True, "the sum goes over the bridge"


def test_a_node_of_an_overdue_meter_is_bridged() -> None:
    def second_meter(made: dict[str, Any]) -> None:
        made["instruments"].append({**made["instruments"][0], "id": "M2", "serial": "H6-9", "due": "2026-01-01"})
        path_of(made)["nodes"][6]["instrument"] = "M2"

    found = outcome(second_meter)
    assert found.result("span_6_drop").reason == "meter-overdue"
    assert found.result("stretch_6_8_drop").verdict.verdict == "fail"
    assert found.profile is not None and found.profile.points[6].refusal == "meter-overdue"
    record = load_record(document(second_meter))
    assert "meter-overdue" in [r.code for r in check(record, evaluate(record))]


def test_halving_goes_to_the_middle_of_what_was_not_probed() -> None:
    """Only the source, the feed of the load and the ground side were read: three nodes of the feed side are open."""
    open_nodes = [node(i, texts=None, instrument=None, drop=None, limit=None) for i in (2, 3, 4)]
    found = outcome(*open_nodes, node(1, drop=None), node(5, texts=["9.92 V"], drop=None), without("source_voltage"))
    stretch = found.result("stretch_1_5_drop")
    assert stretch.value == pytest.approx(2.69)
    assert stretch.limit is not None and stretch.limit.upper == pytest.approx(0.2 + 0.3 + 0.2 + 0.2)
    assert found.profile is not None and found.profile.failing == "stretch_1_5"
    advice = stretch.advice[0]
    assert (advice.code, dict(advice.words)) == (
        "halve-here", {"node": "light switch output", "first": "battery +", "second": "lamp +"}
    )  # fmt: skip
    assert not [
        r for r in found.results if r.name.endswith("_drop") and r.name.startswith("span") and r.name < "span_5"
    ]
    assert found.profile.points[3].expected == pytest.approx(12.61 - 0.035 - 0.1167, abs=1e-3), "wires are still known"


def test_a_switch_can_not_be_halved() -> None:
    found = outcome(node(2, drop={"texts": ["2.400 V"], "instrument": "M1"}))
    advice = found.result("span_2_drop").advice[0]
    assert (advice.code, advice.words["second"]) == ("fault-is-here", "light switch output")


def test_a_wire_that_drops_what_it_must_is_too_thin() -> None:
    found = outcome(
        node(7, texts=["0.1 mV"]), node(6, texts=["60.0 mV"]), node(4, limit={"upper": "0.3", "unit": "V", "source": "sheet"})
    )  # fmt: skip
    assert found.profile is not None and found.profile.failing == "span_4"
    assert found.result("span_4_drop").advice[0].code == "wire-too-thin"


# -- limits --------------------------------------------------------------------------------------------------------


def test_a_stated_limit_replaces_the_default_of_one_span() -> None:
    used = outcome().result("span_4_drop").limit
    assert used is not None and (used.upper, used.stated_by) == (0.6, "user")
    millivolts = outcome(node(4, limit={"upper": "400", "unit": "mV", "source": "sheet 7"})).result("span_4_drop")
    assert millivolts.limit is not None and millivolts.limit.upper == pytest.approx(0.4)
    assert millivolts.verdict.verdict == "fail"


def test_a_limit_for_all_spans_of_a_kind() -> None:
    def change(made: dict[str, Any]) -> None:
        made["tests"][0]["limits"] = [{"result": "wire_drop", "upper": "0.1", "unit": "V", "source": "fleet sheet 3"}]

    found = outcome(change)
    assert [found.result(f"span_{i}_drop").verdict.verdict for i in (1, 3, 4, 7)] == ["pass", "fail", "pass", "fail"]


def test_a_shop_procedure_may_ask_for_the_limit() -> None:
    own = copy.deepcopy(dict(load_procedure("path-test").plain))
    for entry in own["limits"]:
        if entry["result"] == "switch_drop":
            del entry["upper"]
            entry["required"] = True

    def change(made: dict[str, Any]) -> None:
        made["procedures"] = {"path-test": own}

    assert outcome(change).result("span_2_drop").reason == "limit-missing"


# -- doors ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (node(3, texts=["12.4711 V"]), "tests[0].path.nodes[2].texts"),
        (node(3, texts=["6.42 A"]), "tests[0].path.nodes[2]"),
        (node(3, instrument="M9"), "tests[0].path.nodes[2].instrument"),
        (node(3, drop={"texts": ["much"], "instrument": "M1"}), "tests[0].path.nodes[2].drop.texts"),
        (node(3, name="Fuse output"), "tests[0].path.nodes[2].name"),
        (node(3, instrument=None), "tests[0].path.nodes[2]"),
        (node(3, wire={"length_m": "6", "conductor_degc": "20"}), "tests[0].path.nodes[2].wire"),
        (node(3, wire={"awg": "99", "length_m": "6", "conductor_degc": "20"}), "tests[0].path.nodes[2].wire.awg"),
        (node(3, wire={"area_mm2": "6", "length_m": "6000", "conductor_degc": "20"}), "tests[0].path.nodes[2].wire.length_m"),
        (node(3, wire={"area_mm2": "6", "length_m": "6", "conductor_degc": "900"}), "tests[0].path.nodes[2].wire.conductor_degc"),
        (node(4, limit={"upper": "0.6", "unit": "A", "source": "sheet"}), "tests[0].path.nodes[3].limit.unit"),
        (node(4, limit={"upper": "-1", "unit": "V", "source": "sheet"}), "tests[0].path.nodes[3].limit.upper"),
        (node(4, limit={"upper": "1", "unit": "V", "source": ""}), "tests[0].path.nodes[3].limit.source"),
        (node(8, wire={"area_mm2": "6", "length_m": "6", "conductor_degc": "20"}), "tests[0].path.nodes[7].wire"),
        (node(5, limit={"upper": "1", "unit": "V", "source": "sheet"}), "tests[0].path.nodes[4]"),
        (node(4, kind="load feed"), "tests[0].path"),
        (node(1, kind="load ground"), "tests[0].path"),
        (lambda d: path_of(d).update(current={**path_of(d)["current"], "texts": ["6.42 V"]}), "tests[0].path.current"),
        (lambda d: path_of(d).update(nodes=path_of(d)["nodes"][:1]), "tests[0].path.nodes"),
        (lambda d: path_of(d).update(reference_point=""), "tests[0].path.reference_point"),
        (lambda d: d["tests"][0].pop("path"), "tests[0].path"),
        (lambda d: d["tests"][0].update(procedure="feed-side-drop"), "tests[0].path"),
        (lambda d: d["tests"][0].update(readings=[path_of(d)["current"]]), "tests[0].readings"),
        (lambda d: d["tests"][0].update(colour="red"), "tests[0].colour"),
    ],
)  # fmt: skip
def test_the_door_names_the_place(change: Change, where: str) -> None:
    with pytest.raises(InputFault) as caught:
        load_record(document(change))
    assert any(f.where.startswith(where) for f in caught.value.faults), [str(f) for f in caught.value.faults]


def test_a_path_procedure_needs_its_names() -> None:
    own = copy.deepcopy(dict(load_procedure("path-test").plain))
    own["derived"] = [d for d in own["derived"] if d["name"] not in ("load_drop", "stretch_drop")]
    own["given"] = []
    with pytest.raises(InputFault) as caught:
        read_procedure(own)
    text = " ".join(f.what for f in caught.value.faults)
    assert "has no load_drop" in text
    assert "has no stretch_drop" in text


def test_old_records_keep_their_canonical_form() -> None:
    demonstration = load_record(templates_directory() / "demo-record.json")
    assert all("path" not in test for test in plain(demonstration)["tests"])
    assert b'"kind"' not in canonical_bytes(demonstration)
    assert "path" not in evaluate(demonstration).to_plain()["tests"][0]


def test_the_path_survives_its_canonical_form_and_stands_in_the_schema() -> None:
    record = load_record(document(tests=2))
    again = load_record(canonical_bytes(record))
    assert canonical_bytes(again) == canonical_bytes(record)
    assert evaluate(again).to_plain() == evaluate(record).to_plain()
    assert {"PathReadings", "PathNode", "Wire", "SpanLimit", "SpanReading"} <= set(json_schema()["$defs"])


def test_the_evaluation_as_json_holds_the_path() -> None:
    found = evaluate(load_record(document())).to_plain()["tests"][0]["path"]
    json.dumps(found, allow_nan=False)
    assert found["failing"] == "span_6"
    assert found["adds_up"] is True
    assert [p["name"] for p in found["points"]][:2] == ["battery +", "fuse output"]


def test_where_outside_power_is_forbidden_a_path_is_not_judged() -> None:
    def change(made: dict[str, Any]) -> None:
        made["circuit"]["class"] = "control module or data network"
        made["tests"][0]["powered_by"] = "outside"

    assert outcome(change).result("span_6_drop").reason == "circuit-class-forbids"
