"""Every "Go there" leads to a field that is on the screen, and to the one that it talks about."""

from __future__ import annotations

import pytest


def go(bench, label: str) -> tuple[str, str]:
    """Press "Go there" beside the remark that holds these words; returns the step and the field in focus."""
    bench.sheet.show("review")
    row = next(r for r in bench.sheet.grids["review"].rows if r["kind"] == "action" and label in r["label"])
    bench.sent.clear()
    bench.act(row["key"])
    return bench.sheet.here, bench.sent[-1]["key"]


def in_coverage(bench) -> None:
    for name, text in (("policy", "P"), ("begins", "2020-01-01"), ("ends", "2021-01-01"), ("distance_limit", "1000")):
        bench.model.put(f"coverage.{name}", text)


@pytest.mark.parametrize(
    ("label", "step", "field"),
    [
        ("generic default", "found", "tests.t1.limits.feed_drop.use"),
        ("neither serial number nor lot", "correct", "parts.p2.serial"),
        ("outside the coverage", "vehicle", "coverage.begins"),
        ("beyond the coverage's distance", "vehicle", "coverage.distance_limit"),
        ("cause is not stated", "correct", "cause"),
        ("overdue for calibration", "instruments", "instruments.m1.due"),
    ],
)
def test_go_there_leads_to_the_field_that_is_meant(bench, label, step, field):
    bench.fill()
    in_coverage(bench)
    bench.model.add("parts", action="installed", number="P-1", description="fuse holder")
    bench.model.add("parts", action="removed", number="P-2", description="fuse holder", causal="yes")
    if "overdue" in label:
        bench.model.put("instruments.m1.due", "2026-02-01")
    assert go(bench, label) == (step, field)


def test_a_missing_current_leads_to_the_field_of_the_current(bench):
    bench.fill()
    bench.type("tests.t1.readings.load_current", "")
    assert go(bench, "has no load current") == ("found", "tests.t1.readings.load_current")


def test_a_limit_to_be_stated_leads_to_its_value(bench):
    bench.fill()
    bench.sheet._add_test("contact-drop", "found", "")
    bench.type("tests.t2.readings.drop", "12.0 mV")
    bench.sheet.show("review")
    for row in bench.sheet.grids["review"].rows:
        if row["kind"] == "action" and "has no limit" in row["label"]:
            step, field = go(bench, row["label"])
            assert step == "found"
            assert ".limits." in field


def test_every_way_of_an_empty_sheet_and_of_a_full_one_ends_at_a_field_on_the_screen(bench):
    for fill in (lambda: None, bench.fill, lambda: bench.model.put("vehicle.vin", "")):
        fill()
        bench.sheet.show("review")
        for row in [r for r in bench.sheet.grids["review"].rows if r["kind"] == "action"]:
            bench.sent.clear()
            bench.act(row["key"])
            focus = [m["key"] for m in bench.sent if m["k"] == "focus"][-1]
            fields = [r["key"] for r in bench.sheet.grids[bench.sheet.here].rows if "text" in r]
            assert focus in fields or row["key"].partition(".")[2].partition(".")[2].startswith("step."), row


def test_remarks_call_tests_and_instruments_as_people_do(bench):
    bench.fill()
    bench.type("tests.t1.readings.load_current", "")
    bench.model.put("instruments.m1.due", "2026-02-01")
    said = " ".join(f"{r.message} {r.repair}" for _, r in bench.model.review().remarks)
    assert "“Feed-side voltage drop, as found” has no load current" in said
    assert "S-1” was overdue" in said
    assert " t1" not in said
    assert " m1" not in said


def test_a_fault_names_the_reading_by_its_title(bench):
    bench.fill()
    bench.model.put("tests.t1.readings.load_current.instrument", "m1")
    bench.model.put("tests.t1.readings.load_current", "35.2")
    (found,) = bench.model.faults()
    assert "load_current" not in found.what
