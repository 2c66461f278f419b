"""Claim readiness: every code triggered alone, by one change to a record that has no remark."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import diagnb.readiness
from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.procedures import load_procedure, procedure_files
from diagnb.readiness import Remark, check, read_policy, shipped_evidence
from diagnb.record import load_record
from diagnb.shipped import templates_directory

DEMO: dict[str, Any] = json.loads((templates_directory() / "demo-record.json").read_text(encoding="utf-8"))
POINTS = {"from_point": "pump - terminal", "to_point": "battery - post", "load_state": "ramp rising"}


def ready() -> dict[str, Any]:
    """A claim without a remark: the fault proved, repaired, measured again, everything stated."""
    made = copy.deepcopy(DEMO)
    made["conditions"]["ambient_degc"] = "23"
    limit = {"result": "ground_drop", "upper": "0.1", "unit": "V", "source": "maker's manual, p. 12", "edition": "2025"}
    by_id = {t["id"]: t for t in made["tests"]}
    made["tests"] = [by_id["3"], by_id["5"]]
    for test in made["tests"]:
        test["limits"] = [dict(limit)]
    made["findings"] = []
    made["attachments"] = [{"name": "strap.jpg", "sha256": "0" * 64, "media_type": "image/jpeg", "size": 1000}]
    return made


def remarks(document: dict[str, Any]) -> tuple[Remark, ...]:
    record = load_record(document)
    return check(record, evaluate(record))


def test_a_ready_claim_has_no_remark() -> None:
    assert remarks(ready()) == ()


Change = Callable[[dict[str, Any]], None]


def put(*path: Any) -> Change:
    *steps, last, value = path

    def change(document: dict[str, Any]) -> None:
        place: Any = document
        for step in steps:
            place = place[step]
        place[last] = value

    return change


def drop(*path: Any) -> Change:
    *steps, last = path

    def change(document: dict[str, Any]) -> None:
        place: Any = document
        for step in steps:
            place = place[step]
        del place[last]

    return change


def both(*changes: Change) -> Change:
    def change(document: dict[str, Any]) -> None:
        for one in changes:
            one(document)

    return change


def fed(document: dict[str, Any]) -> None:
    plain = copy.deepcopy(dict(load_procedure("ground-side-drop").plain))
    plain["energise"] = "allowed"
    document["procedures"] = {"ground-side-drop": plain}
    document["circuit"]["class"] = "restraint"


def without_limit(document: dict[str, Any]) -> None:
    document["tests"].append(copy.deepcopy(next(t for t in DEMO["tests"] if t["id"] == "7")))
    del document["tests"][-1]["limits"]


def path_that_does_not_add_up(document: dict[str, Any]) -> None:
    limit = {"upper": "1", "unit": "V", "source": "maker's sheet (invented)"}
    meter = document["instruments"][0]["id"]

    def node(name: str, kind: str, text: str, across: str, **more: Any) -> dict[str, Any]:
        drop = {"texts": [across], "instrument": meter}
        return {"name": name, "kind": kind, "texts": [text], "instrument": meter, "drop": drop, **more}

    test = copy.deepcopy(document["tests"][1])
    current = next(r for r in test["readings"] if r["name"] == "load_current")
    document["tests"].append(
        {"id": "9", "procedure": "path-test", "phase": "as left", "time": test["time"], "by": test["by"], "path": {
            "reference_point": "battery -", "current": current, "nodes": [
                node("battery +", "source", "24.60 V", "100.0 mV", limit=limit),
                node("pump +", "load feed", "24.50 V", "21.00 V"),
                node("pump -", "load ground", "100.0 mV", "100.0 mV", limit=limit),
                {"name": "battery -", "kind": "source ground", "texts": ["0.0 mV"], "instrument": meter}]}}
    )  # fmt: skip


MV = ["100.0 mV", "100.1 mV", "99.9 mV", "100.0 mV"]
CASES: dict[str, tuple[Change, str, str]] = {
    "no-as-found-reading": (put("tests", 0, "phase", "isolating"), "rejects", "tests"),
    "conditional-claimed-as-fail": (put("tests", 0, "readings", 0, "texts", ["100.4 mV"]), "rejects", "tests"),
    "no-fault-proved": (put("tests", 0, "readings", 0, "texts", ["61.4 mV"]), "rejects", "tests"),
    "drop-without-current": (drop("tests", 0, "readings", 1), "rejects", "tests[0].readings"),
    "drops-do-not-add-up": (path_that_does_not_add_up, "weakens", "tests[2].path"),
    "limit-missing": (without_limit, "rejects", "tests[2].limits"),
    "generic-default": (drop("tests", 1, "limits"), "weakens", "tests[1].limits"),
    "as-left-not-met": (put("tests", 1, "readings", 0, "texts", ["500.0 mV"]), "rejects", "tests[1]"),
    "conditional-pass": (put("tests", 1, "readings", 0, "texts", MV), "weakens", "tests[1]"),
    "not-judged": (put("tests", 1, "readings", 0, "texts", ["OL"]), "weakens", "tests[1]"),
    "no-as-left-reading": (put("tests", 1, "phase", "isolating"), "rejects", "tests[0]"),
    "as-left-differs": (put("tests", 1, "readings", 0, "from_point", "elsewhere"), "weakens", "tests[0]"),
    "calibration-unknown": (drop("instruments", 0, "due"), "rejects", "instruments[0]"),
    "meter-overdue": (put("instruments", 0, "due", "2026-03-01"), "rejects", "instruments[0]"),
    "instrument-unnamed": (put("instruments", 0, "serial", ""), "weakens", "instruments[0]"),
    "no-causal-part": (put("parts", 0, "causal", False), "rejects", "parts"),
    "part-unidentified": (put("parts", 0, "lot", ""), "rejects", "parts[0]"),
    "part-not-kept": (put("parts", 0, "kept_at", ""), "weakens", "parts[0]"),
    "vin-missing": (put("vehicle", "vin", ""), "rejects", "vehicle.vin"),
    "vin-check-digit": (put("vehicle", "vin", "1D9BUS2A7SA000118"), "weakens", "vehicle.vin"),
    "odometer-missing": (drop("vehicle", "odometer"), "rejects", "vehicle.odometer"),
    "order-missing": (put("order", "number", ""), "rejects", "order.number"),
    "complaint-missing": (put("complaint", " "), "rejects", "complaint"),
    "cause-missing": (put("cause", ""), "rejects", "cause"),
    "correction-missing": (put("correction", ""), "rejects", "correction"),
    "dates-out-of-order": (put("order", "opened", "2026-03-02T09:10:00+01:00"), "rejects", "tests[0].time"),
    "coverage-missing": (drop("coverage"), "note", "coverage"),
    "outside-coverage": (put("coverage", "ends", "2026-03-01"), "rejects", "coverage"),
    "code-not-saved": (put("codes", 0, "saved", False), "weakens", "codes[0]"),
    "condition-not-met": (put("tests", 0, "conditions_not_met", ["load on"]), "rejects", "tests[0].conditions_not_met"),
    "temperature-missing": (put("conditions", {}), "weakens", "tests[0].ambient_degc"),
    "single-signature": (drop("people", 1), "weakens", "people"),
    "caution-not-shown": (put("cautions_shown", []), "weakens", "tests[0]"),
    "qualified-person-missing": (put("tests", 0, "readings", 0, "texts", ["400.0 V"]), "rejects", "tests[0]"),
    "fed-though-measure-only": (fed, "rejects", "tests[0]"),
    "void-record": (
        both(
            put("status", "void"),
            put("revision", 2),
            put("replaces", {"revision": 1, "digest": "a" * 64, "reason": "another bus (invented)"}),
        ),
        "rejects",
        "status",
    ),
    "no-photo": (put("attachments", []), "note", "parts[0]"),
    "evidence-for-part": (put("parts", 0, "description", "Starter motor 24 V, 6 kW"), "weakens", "parts[0]"),
    "written-late": (put("created", "2026-03-20T15:40:00+01:00"), "weakens", "created"),
}  # fmt: skip

ALONG_WITH = {
    "drop-without-current": {"not-judged"},
    "calibration-unknown": {"not-judged", "no-fault-proved"},
    "meter-overdue": {"not-judged", "no-fault-proved"},
    "limit-missing": {"caution-not-shown"},
    "qualified-person-missing": {"not-judged", "no-fault-proved"},
    "fed-though-measure-only": {"not-judged", "no-fault-proved"},
}
"""What one change brings along of necessity: what can't be judged proves no fault."""


def test_a_value_without_limit_beside_one_with_a_limit_only_weakens() -> None:
    made = ready()
    made["tests"].append(copy.deepcopy(next(t for t in DEMO["tests"] if t["id"] == "7")))
    made["tests"][-1]["limits"] = made["tests"][-1]["limits"][:1]
    (remark,) = (r for r in remarks(made) if r.code == "limit-missing")
    assert remark.severity == "weakens"


def test_a_condition_that_did_not_hold_and_is_explained_only_weakens() -> None:
    made = ready()
    made["tests"][0] |= {
        "conditions_not_met": ["load on"],
        "deviations": "the pump stalled; measured with the test lamp",
    }
    (remark,) = remarks(made)
    assert (remark.code, remark.severity) == ("condition-not-met", "weakens")
    assert "load on" in remark.message


def test_every_code_of_the_source_stands_here() -> None:
    source = "".join(p.read_text(encoding="utf-8") for p in Path(diagnb.readiness.__file__).parent.glob("rules*.py"))
    codes = set(re.findall(r'Remark\(\s*f?"([a-z{][a-z-{}]*)"', source)) - {"{name}-missing"}
    assert codes <= set(CASES), f"not triggered: {codes - set(CASES)}"


@pytest.mark.parametrize("code", sorted(CASES))
def test_one_change_triggers_one_code(code: str) -> None:
    change, severity, where = CASES[code]
    document = ready()
    if code == "single-signature":
        document["tests"][0]["limits"][0].pop("entered_by", None)
    change(document)
    found = remarks(document)
    mine = [r for r in found if r.code == code]
    assert mine, [r.code for r in found]
    assert (mine[0].severity, mine[0].where) == (severity, where)
    assert mine[0].message
    assert mine[0].repair
    assert {r.code for r in found} - {code} <= ALONG_WITH.get(code, set())


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (put("vehicle", "in_service", "2026-03-03"), "vehicle.in_service"),
        (put("created", "2026-03-02T14:00:00+01:00"), "tests[1].time"),
        (put("tests", 0, "time", "2026-03-02T14:30:00+01:00"), "tests[0].time"),
    ],
)
def test_dates_that_can_not_be_true_together(change: Change, where: str) -> None:
    document = ready()
    change(document)
    assert where in [r.where for r in remarks(document) if r.code == "dates-out-of-order"]


def test_distance_is_compared_across_units() -> None:
    document = ready()
    document["vehicle"]["odometer"] = {"value": "94000", "unit": "mile"}
    found = [r for r in remarks(document) if r.code == "outside-coverage"]
    assert [r.where for r in found] == ["vehicle.odometer"]
    document["vehicle"]["odometer"] = {"value": "93000", "unit": "mile"}
    assert remarks(document) == ()


def test_the_gravest_come_first() -> None:
    document = ready()
    both(drop("coverage"), put("parts", 0, "kept_at", ""), put("cause", ""))(document)
    assert [r.severity for r in remarks(document)] == ["rejects", "weakens", "note"]


def test_the_demonstration_has_no_ground_of_rejection_but_what_it_shows() -> None:
    codes = {r.code: r.severity for r in remarks(DEMO)}
    assert "meter-overdue" not in codes
    assert all(severity in ("rejects", "weakens", "note") for severity in codes.values())


def test_a_policy_changes_severities_and_asks_for_more() -> None:
    policy = read_policy(
        {
            "schema": "diagnb-policy/1", "title": "fleet (invented)", "days_until_late": 1,
            "change": {"part-not-kept": {"severity": "rejects", "why": "parts are always returned"}},
            "require": [{"path": "order.customer", "code": "customer-missing", "message": "no customer", "repair": "enter it"}],
        }
    )  # fmt: skip
    document = ready()
    both(put("parts", 0, "kept_at", ""), put("order", "customer", ""), put("created", "2026-03-05T10:00:00+01:00"))(
        document
    )
    record = load_record(document)
    found = {r.code: r.severity for r in check(record, evaluate(record), policy)}
    assert found == {"part-not-kept": "rejects", "customer-missing": "rejects", "written-late": "weakens"}
    with pytest.raises(InputFault, match="not a place of the record"):
        read_policy({"schema": "diagnb-policy/1", "title": "xyz", "require": [
            {"path": "order.colour", "code": "abc", "message": "mmm", "repair": "rrr"}]})  # fmt: skip
    with pytest.raises(InputFault, match="newer version"):
        read_policy({"schema": "diagnb-policy/2"})


@pytest.mark.parametrize(
    ("description", "procedures", "kind"),
    [
        ("Batterie 12 V 225 Ah", ["battery-load-test-half-cca"], "battery"),
        ("Anlasser", ["starter-cable-drop"], "starter"),
        ("démarreur", ["starter-feed-spans"], "starter"),
        ("Alternador 28 V", ["charging-circuit-drop"], "alternator"),
        ("ABS module", ["supply-dip", "signal-ground-drop"], "control module"),
    ],
)
def test_a_claim_for_a_part_is_asked_for_the_tests_that_rule_out_an_upstream_cause(
    description: str, procedures: list[str], kind: str
) -> None:
    def asked(done: list[str]) -> list[str]:
        document = ready()
        document["parts"][0]["description"] = description
        for number, procedure in enumerate(done):
            reading = load_procedure(procedure).readings[0]
            document["tests"].append(
                {"id": f"x{number}", "procedure": procedure, "phase": "as found", "time": "2026-03-02T09:30:00+01:00",
                 "by": "tech", "readings": [{"name": reading.name, "texts": [f"1.000 {reading.unit}"], "instrument": "M1"}]}
            )  # fmt: skip
        return [r.message for r in remarks(document) if r.code == "evidence-for-part"]

    (message,) = asked([])
    assert kind in message
    assert asked(procedures) == []


def test_the_shipped_kinds_name_procedures_that_ship_and_a_fleet_adds_its_own() -> None:
    for kind in shipped_evidence():
        assert {name for group in kind.tests for name in group} <= set(procedure_files())
    policy = read_policy(
        {"schema": "diagnb-policy/1", "title": "fleet (invented)", "part": [
            {"kind": "strap", "words": ["strap"], "tests": [["wire-resistance"]], "message": "a strap without its resistance",
             "repair": "measure it", "severity": "note"}]}
    )  # fmt: skip
    record = load_record(ready())
    assert [(r.code, r.message) for r in check(record, evaluate(record), policy)] == [
        ("evidence-for-part", "a strap without its resistance")
    ]
    assert not shipped_evidence()[0].names("batterylike box")
