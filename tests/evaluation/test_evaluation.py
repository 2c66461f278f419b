"""From a small record to its verdicts: what somebody in a bay would notice."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import pytest

from diagnb.conformity import REASONS
from diagnb.errors import InputFault
from diagnb.evaluation import Evaluation, Result, evaluate
from diagnb.meters import load_sheet, sheet_files
from diagnb.procedures import load_procedure
from diagnb.record import load_record
from diagnb.shipped import templates_directory

NOW = "2026-03-02T10:00:00+01:00"
DEMO: dict[str, Any] = json.loads((templates_directory() / "demo-record.json").read_text(encoding="utf-8"))


def record(*tests: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A small record with three instruments in date, at 23 °C."""
    made = {
        "schema": "diagnb-record/1", "id": "small", "created": NOW, "order": {"number": "1", "opened": NOW},
        "vehicle": {"system_voltage": "12"}, "circuit": {"name": "c", "class": "ordinary"},
        "people": [{"id": "tech", "name": "R. Example", "role": "technician"}], "conditions": {"ambient_degc": "23"},
        "instruments": [
            {"id": i, "meter": m, "serial": "1", "due": "2026-09-01"}
            for i, m in (("M1", "handheld-6000"), ("A1", "dc-clamp"), ("T1", "coarse-circuit-tester"))
        ],
        "tests": [{"id": str(n), "phase": "as found", "time": NOW, "by": "tech", **t} for n, t in enumerate(tests, 1)],
    }  # fmt: skip
    return {**made, **changes}


def test_of(
    procedure: str, given: dict[str, tuple[str, str]] | None = None, **readings: str | list[str]
) -> dict[str, Any]:
    instruments = {"load_current": "A1", "motor_current": "A1", "draw": "M1"}
    return {
        "procedure": procedure,
        "readings": [
            {"name": n, "texts": [t] if isinstance(t, str) else t, "instrument": instruments.get(n, "M1")}
            for n, t in readings.items()
        ],
        "given": {n: {"value": v, "unit": u, "source": "s", "half_width": "1"} for n, (v, u) in (given or {}).items()},
    }


test_of.__test__ = False  # type: ignore[attr-defined]


def ground(drop: str | list[str], current: str = "60.0 A", **more: Any) -> dict[str, Any]:
    return {**test_of("ground-side-drop", drop=drop, load_current=current), **more}


def result(document: dict[str, Any], name: str, test: str = "1") -> Result:
    return evaluate(load_record(document)).test(test).result(name)


@pytest.mark.parametrize(
    ("drop", "word"),
    [
        ("50.0 mV", "pass"), ("99.0 mV", "pass"), ("99.6 mV", "conditional pass"), ("100.0 mV", "conditional pass"),
        ("100.1 mV", "conditional fail"), ("100.5 mV", "conditional fail"), ("101.2 mV", "fail"), ("1.420 V", "fail"),
    ],
)  # fmt: skip
def test_a_drop_against_its_limit_of_100_mv(drop: str, word: str) -> None:
    assert result(record(ground(drop)), "ground_drop").verdict.verdict == word


def test_the_evidence_of_a_verdict_is_whole() -> None:
    found = result(record(ground("50.0 mV")), "ground_drop").to_plain()
    limit = 0.05 * 0.005 + 2 * 0.0001
    assert found["value"] == pytest.approx(0.05)
    assert found["standard_uncertainty"] == pytest.approx(limit / math.sqrt(3))
    assert found["coverage_factor"] == pytest.approx(0.95 * math.sqrt(3))
    assert found["interval"] == pytest.approx([0.05 - 0.95 * limit, 0.05 + 0.95 * limit])
    assert found["degrees_of_freedom"] is None
    assert found["limit"]["source"] == "common practice for a power ground"
    assert found["limit"]["tag"] == "common practice"
    assert (found["rule"], found["method"], found["unit"]) == ("guarded-95", "linear", "V")
    assert [row["share"] for row in found["budget"]] == [1.0]
    json.dumps(found, allow_nan=False)


def test_a_slip_of_the_prefix_changes_the_verdict() -> None:
    assert result(record(ground("48.6 mV")), "ground_drop").verdict.verdict == "pass"
    assert result(record(ground("48.6 V")), "ground_drop").value == pytest.approx(48.6)
    assert result(record(ground("48.6 V")), "ground_drop").verdict.verdict == "fail"


def test_a_derived_value_is_shown_in_its_unit() -> None:
    found = result(record(ground("61.2 mV", "72.3 A")), "ground_resistance")
    assert found.unit == "mΩ"
    assert found.value == pytest.approx(61.2 / 72.3)
    assert (found.verdict.verdict, found.reason) == ("not judged", "no-limit")


def test_repeats_enter_with_their_scatter_and_degrees_of_freedom() -> None:
    steady = result(record(ground(["61.2 mV", "61.2 mV", "61.2 mV", "61.2 mV"])), "ground_drop")
    loose = result(record(ground(["55.2 mV", "67.2 mV", "59.2 mV", "63.2 mV"])), "ground_drop")
    assert steady.value == pytest.approx(loose.value)
    assert steady.standard_uncertainty is not None
    assert loose.standard_uncertainty is not None
    assert loose.standard_uncertainty > 5 * steady.standard_uncertainty
    assert loose.degrees_of_freedom == pytest.approx(3, abs=0.1)
    assert loose.coverage_factor == pytest.approx(3.18, abs=0.05)


def test_the_direct_reading_is_used_when_it_is_there_and_advised_when_it_is_not() -> None:
    apart = test_of("feed-side-drop", source_voltage="24.62 V", load_feed_voltage="24.45 V", load_current="60.0 A")
    difference = result(record(apart), "feed_drop")
    assert difference.formula == "source_voltage - load_feed_voltage"
    assert difference.verdict.verdict == "not judged"
    assert difference.reason == "not-capable"
    codes = [a.code for a in difference.advice]
    assert codes[0] == "direct-reading"
    best = difference.advice[0]
    assert 100 < best.numbers["gain"] < 200
    assert best.settles
    both = test_of(
        "feed-side-drop", drop="170.0 mV", source_voltage="24.62 V", load_feed_voltage="24.45 V", load_current="60.0 A"
    )
    direct = result(record(both), "feed_drop")
    assert (direct.formula, direct.verdict.verdict) == ("drop", "pass")


def test_a_coarse_tester_is_not_capable_of_a_drop() -> None:
    test = ground("0.0 V")
    test["readings"][0]["instrument"] = "T1"
    found = result(record(test), "ground_drop")
    assert (found.verdict.verdict, found.reason) == ("not judged", "not-capable")
    assert any(a.code == "another-instrument" and a.words["with"].endswith("M1") for a in found.advice)


def test_cold_makes_a_pass_conditional() -> None:
    warm, cold = (record(ground("99.0 mV"), conditions={"ambient_degc": t}) for t in ("18", "-8"))
    assert result(warm, "ground_drop").verdict.verdict == "pass"
    found = result(cold, "ground_resistance")
    assert found.reason in ("temperature-outside-operating-range", "no-limit")
    assert result(cold, "ground_drop").verdict.verdict == "conditional pass"


def test_a_missing_temperature_is_assumed_the_worst() -> None:
    missing = result(record(ground("99.0 mV"), conditions={}), "ground_drop")
    coldest = result(record(ground("99.0 mV"), conditions={"ambient_degc": "-10"}), "ground_drop")
    assert missing.standard_uncertainty == pytest.approx(coldest.standard_uncertainty)
    outcome = evaluate(load_record(record(ground("99.0 mV"), conditions={}))).tests[0].readings[0]
    assert "whole-operating-range-assumed" in outcome.reading.assumptions


def test_a_test_may_state_its_own_temperature() -> None:
    own = result(record(ground("99.0 mV", ambient_degc="-9")), "ground_drop")
    assert own.verdict.verdict == "conditional pass"


def test_a_users_limit_replaces_the_default_and_keeps_its_source() -> None:
    stated = {"result": "ground_drop", "upper": "40", "unit": "mV", "source": "maker's manual, p. 3", "edition": "2024"}
    found = result(record(ground("61.2 mV", limits=[stated])), "ground_drop")
    assert found.verdict.verdict == "fail"
    assert found.limit is not None
    assert (found.limit.upper, found.limit.unit, found.limit.stated_by) == (0.04, "V", "user")
    assert found.limit.source == "maker's manual, p. 3"


def test_a_zero_is_taken_off_on_the_same_range() -> None:
    test = test_of("network-termination-resistance", resistance="60.3 Ω")
    test["readings"][0]["zero"] = "0.3 Ω"
    assert result(record(test), "termination_resistance").value == pytest.approx(60.0)


CLASSES = ("ordinary", "control module or data network", "restraint", "high voltage")


def _with_sheet(low: bool) -> dict[str, Any]:
    """A ground-side record whose meter states its accuracy only above 30 mV."""
    plain = copy.deepcopy(dict(load_sheet(sheet_files()["handheld-6000"]).plain))
    plain["functions"][0]["ranges"][0]["above"] = "30.0 mV"
    return {**record(ground("20.0 mV" if low else "40.0 mV")), "meters": {"handheld-6000": plain}}


def _with_rule(rule: str, drop: str) -> dict[str, Any]:
    plain = copy.deepcopy(dict(load_procedure("ground-side-drop").plain))
    plain["limits"][0]["rule"] = rule
    return {**record(ground(drop)), "procedures": {"ground-side-drop": plain}}


def _fed(circuit: str) -> dict[str, Any]:
    plain = copy.deepcopy(dict(load_procedure("ground-side-drop").plain))
    plain["energise"] = "allowed"
    return {
        **record(ground("50.0 mV"), circuit={"name": "c", "class": circuit}), "procedures": {"ground-side-drop": plain},
    }  # fmt: skip


def _due(due: str | None) -> dict[str, Any]:
    made = record(ground("50.0 mV"))
    made["instruments"][0]["due"] = due
    return made


def _outside_table() -> dict[str, Any]:
    plain = copy.deepcopy(dict(load_procedure("battery-open-circuit-voltage").plain))
    plain["tables"][0]["outside"] = "refuse"
    test = test_of(
        "battery-open-circuit-voltage", {"electrolyte_temperature": ("27", "°C")}, open_circuit_voltage="11.20 V"
    )
    return {**record(test), "procedures": {"battery-open-circuit-voltage": plain}}


def _hot(high: str) -> dict[str, Any]:
    test = test_of("ground-side-drop", drop=high, load_current="60.0 A")
    return record(test)


REACHED: dict[str, tuple[dict[str, Any], str]] = {
    "conformance-proved": (record(ground("50.0 mV")), "ground_drop"),
    "meets-limit-unproved": (record(ground("99.6 mV")), "ground_drop"),
    "exceeds-limit-unproved": (record(ground("100.5 mV")), "ground_drop"),
    "nonconformance-proved": (record(ground("200.0 mV")), "ground_drop"),
    "simple-acceptance-met": (_with_rule("simple", "100.0 mV"), "ground_drop"),
    "simple-acceptance-not-met": (_with_rule("simple", "100.1 mV"), "ground_drop"),
    "not-capable": (
        record(test_of("feed-side-drop", source_voltage="24.62 V", load_feed_voltage="24.45 V", load_current="60.0 A")),
        "feed_drop",
    ),
    "no-limit": (record(ground("50.0 mV")), "ground_resistance"),
    "limit-missing": (
        record(test_of("key-off-draw", {"battery_capacity": ("225", "A·h")}, draw="48.6 mA")), "key_off_draw",
    ),
    "reading-missing": (record(test_of("feed-side-drop", load_current="60.0 A")), "feed_drop"),
    "over-range": (record(ground("OL")), "ground_drop"),
    "over-range-beyond-limit": (record(test_of("network-termination-resistance", resistance="OL")), "termination_resistance"),
    "over-range-meets-limit": (record(test_of("network-wire-to-ground", high_reading="> 60 kΩ")), "high_to_ground"),
    "not-stable": (record(ground("not stable")), "ground_drop"),
    "meter-overdue": (_due("2026-03-01"), "ground_drop"),
    "calibration-unknown": (_due(None), "ground_drop"),
    "temperature-outside-operating-range": (
        record(ground("50.0 mV"), conditions={"ambient_degc": "-11"}), "ground_drop",
    ),
    "below-stated-level": (_with_sheet(low=True), "ground_drop"),
    "divisor-holds-zero": (record(ground("50.0 mV", "0.03 A")), "ground_resistance"),
    "no-value": (_outside_table(), "state_of_charge"),
    "qualified-person-missing": (_hot("400.0 V"), "ground_drop"),
    "circuit-class-forbids": (_fed("restraint"), "ground_drop"),
}  # fmt: skip


def test_every_reason_code_is_reached_by_a_record() -> None:
    assert set(REACHED) == set(REASONS)


@pytest.mark.parametrize("reason", sorted(REACHED))
def test_a_reason_is_reached(reason: str) -> None:
    document, name = REACHED[reason]
    found = result(document, name)
    assert found.reason == reason
    if reason in ("over-range", "not-stable", "meter-overdue", "reading-missing", "limit-missing", "not-capable"):
        assert found.advice, "what would settle it is said"


@pytest.mark.parametrize("circuit", CLASSES)
def test_outside_power_is_for_ordinary_circuits_only(circuit: str) -> None:
    assert (result(_fed(circuit), "ground_drop").reason == "circuit-class-forbids") is (circuit != "ordinary")


def test_an_overdue_meter_is_judged_by_the_day_of_the_test() -> None:
    assert result(_due("2026-03-02"), "ground_drop").verdict.verdict == "pass"
    assert result(_due("2026-03-01"), "ground_drop").verdict.verdict == "not judged"


def test_a_small_current_is_sampled_and_a_smaller_one_refused() -> None:
    large = result(record(ground("50.0 mV", "60.0 A")), "ground_resistance")
    small = result(record(ground("10.0 mV", "1.20 A")), "ground_resistance")
    assert (large.method, large.triggers) == ("linear", ())
    assert "divisor-uncertain" in small.triggers
    assert small.interval is not None
    assert small.value is not None
    assert small.interval[0] < 10.0 / 1.2 < small.interval[1]
    assert result(record(ground("10.0 mV", "0.05 A")), "ground_resistance").value is None


def test_a_result_is_never_clipped_at_a_physical_limit() -> None:
    found = result(record(ground("-0.1 mV")), "ground_drop")
    assert found.value == pytest.approx(-0.0001)
    assert found.interval is not None
    assert found.interval[0] < -0.0001


def test_what_fails_upstream_is_named_downstream() -> None:
    outcome = evaluate(load_record(record(ground("OL")))).tests[0]
    assert [r.reason for r in outcome.results] == ["over-range", "over-range"]
    assert outcome.result("ground_resistance").detail


def same(a: Evaluation, b: Evaluation) -> bool:
    return json.dumps(a.to_plain()) == json.dumps(b.to_plain())


def test_evaluation_is_a_pure_function_of_the_record() -> None:
    first, second = (evaluate(load_record(DEMO)) for _ in range(2))
    assert same(first, second)
    assert first.record_digest == second.record_digest


def test_the_order_of_readings_does_not_matter() -> None:
    turned = copy.deepcopy(DEMO)
    for test in turned["tests"]:
        test["readings"].reverse()
    a, b = evaluate(load_record(DEMO)), evaluate(load_record(turned))
    for test in a.tests:
        for one in test.results:
            other = b.test(test.id).result(one.name)
            assert (one.verdict.verdict, one.reason) == (other.verdict.verdict, other.reason)
            if one.value is not None:
                assert other.value == pytest.approx(one.value, rel=1e-12)
                assert other.standard_uncertainty == pytest.approx(one.standard_uncertainty, rel=1e-3)


def test_the_unit_written_does_not_matter() -> None:
    a = result(record(ground("0.0612 V")), "ground_drop")
    b = result(record(ground("61.2 mV")), "ground_drop")
    assert a.value == pytest.approx(b.value, rel=1e-15)
    assert a.standard_uncertainty == pytest.approx(b.standard_uncertainty, rel=1e-12)


def test_the_demonstration_tells_its_story() -> None:
    found = evaluate(load_record(DEMO))
    assert found.test("3").result("ground_drop").verdict.verdict == "fail"
    assert found.test("5").result("ground_drop").verdict.verdict == "pass"
    assert found.test("2").result("feed_drop").reason == "not-capable"
    assert found.test("6").result("feed_drop").verdict.verdict == "pass"
    shares = [row.share for row in found.test("5").result("ground_resistance").budget]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)


def test_a_record_that_is_broken_does_not_reach_evaluation() -> None:
    with pytest.raises(InputFault):
        load_record(record(ground("61.2 V?")))
