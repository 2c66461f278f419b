"""What a claim needs is said at its field, at its step, in the review and in the question before signing."""

from __future__ import annotations

import pytest


def rows_of(bench, step: str) -> dict[str, dict]:
    bench.sheet.show(step)
    return {row["key"]: row for row in bench.sheet.grids[step].rows if "key" in row}


def remarks(bench, severity: str) -> list[str]:
    return [r.code for _, r in bench.model.review().remarks if r.severity == severity]


def test_vin_and_odometer_are_marked_and_their_step_is_not_done_without_them(bench):
    bench.fill()
    rows = rows_of(bench, "vehicle")
    for key in ("vehicle.vin", "vehicle.odometer"):
        assert rows[key]["detail"] == "needed for a claim"
        bench.model.put(key, "")
    assert "leave blank" not in rows["vehicle.vin"]["hint"]
    bench.sheet.show("review")
    assert bench.sheet.steps.buttons["vehicle"].description == "! Vehicle and complaint (2 needed for a claim)"


def test_the_current_that_proves_the_load_is_not_called_unneeded(bench):
    bench.fill()
    test = bench.model.add("tests", procedure="lamp-socket-voltage", phase="as found")
    row = rows_of(bench, "found")[f"tests.{test}.readings.lamp_current"]
    assert row["detail"].endswith("needed for a claim")
    assert "not needed" not in row["hint"]


def test_the_sign_step_and_its_question_name_what_would_reject(bench):
    bench.fill()
    bench.sheet.show("sign")
    signing = bench.sheet.signing
    count = len(bench.model.review().rejecting)
    assert f"{count} remarks would get this claim rejected" in signing.state.value
    signing.make.click()
    signing.pad.strokes = [[[1, 1], [9, 9]]]
    signing.sign.click()
    record, evaluation = bench.model.frozen()
    said = bench.model.rejections(record, evaluation)
    assert len(said) == count
    assert all(remark.message in signing.question.value for remark in said)


def test_a_given_value_wants_its_source_offers_the_usual_one_and_review_names_the_test(bench):
    bench.fill()
    for _ in range(2):
        bench.sheet._add_test("cranking-voltage", "found", "")
    tests = bench.model.tests()[1:]
    for test in tests:
        bench.type(f"tests.{test}.given.air_temperature", "8")
    row = bench.row(f"tests.{tests[0]}.given.air_temperature.source")
    assert row["needed"]
    assert row["fix"] == {"label": "Use “read on a thermometer”", "text": "read on a thermometer"}
    said = [f.what for f in bench.model.review().faults if f.where.endswith(".source")]
    assert len(said) == 2
    assert all(f"({bench.model.test_name(test)})" in text for test, text in zip(tests, said, strict=True))
    bench.type(f"tests.{tests[0]}.given.air_temperature.source", row["fix"]["text"])
    assert not [f for f in bench.model.faults() if f.where == f"tests.{tests[0]}.given.air_temperature.source"]


@pytest.mark.parametrize("text", ["same", "Same.", "as above", "--", "?"])
def test_what_names_no_document_is_no_source(bench, text):
    bench.fill()
    limit = "tests.t1.limits.feed_drop"
    bench.model.put_all({f"{limit}.use": "own", f"{limit}.upper": "0.3", f"{limit}.source": text})
    assert [f.where for f in bench.model.faults()] == [f"{limit}.source"]
    assert rows_of(bench, "found")[f"{limit}.source"]["fault"]
    bench.model.put(f"{limit}.source", "invented manual, p. 12")
    assert not bench.model.faults()


def test_the_source_of_a_limit_is_needed_only_beside_a_limit(bench):
    bench.fill()
    test = bench.model.add("tests", procedure="fuse-current-estimate", phase="as found")
    limit = f"tests.{test}.limits.branch_current"
    assert rows_of(bench, "found")[f"{limit}.source"]["needed"] is False
    bench.model.put(f"{limit}.upper", "50")
    assert rows_of(bench, "found")[f"{limit}.source"]["needed"] is True


def test_a_fuse_search_says_which_fuse_prints_no_unit_for_a_factor_and_rejects_nothing(bench):
    bench.fill()
    test = bench.model.add("tests", procedure="fuse-current-estimate", phase="as found")
    bench.model.put_all({
        f"tests.{test}.readings.drop": "2.1 mV", f"tests.{test}.readings.drop.to_point": "F12, 10 A",
        f"tests.{test}.given.fuse_resistance": "7.4", f"tests.{test}.given.fuse_resistance.source": "table of the maker (invented)",
    })  # fmt: skip
    rows = rows_of(bench, "found")
    assert rows[f"tests.{test}.readings.drop.to_point"]["label"] == "Which fuse"
    assert ", F12, 10 A, as found" in bench.model.test_name(test)
    assert bench.model.record().tests[1].readings[0].to_point == "F12, 10 A"
    spread = rows[f"tests.{test}.given.fuse_spread"]
    assert (spread["unit"], spread["hint"][:23]) == ("", "1 ± 0.2 when left blank")
    assert "limit-missing" not in remarks(bench, "rejects")
    assert "limit-missing" in remarks(bench, "note")


def test_a_too_coarse_way_of_measuring_says_what_to_take_instead(bench):
    bench.fill()
    bench.model.put("vehicle.system_voltage", "24")
    (said,) = [t for t in bench.sheet.rows.before_the_test("t1", bench.model.procedure("t1")) if "are coarse" in t]
    assert "V and 0.364 V would stay conditional" in said
    assert "Better: take “Drop measured directly, source + to load +” instead" in said


def test_remarks_of_one_kind_stand_once_with_the_tests_that_they_are_about(bench):
    bench.fill()
    bench.sheet._repeat()
    (left,) = bench.model.tests("as left")
    bench.model.put_all({f"tests.{left}.readings.drop": "48.0 mV", f"tests.{left}.readings.load_current": "4.80"})
    many = remarks(bench, "weakens").count("generic-default")
    assert many > 1
    bench.sheet.show("review")
    rows = [r for r in bench.sheet.grids["review"].rows if "generic default" in r.get("label", "")]
    assert len(rows) == 1
    assert rows[0]["detail"].startswith(f"{many - 1} more of this kind: ")
    assert f"“{bench.model.test_name(left)}”" in rows[0]["detail"]


def test_a_condition_answered_with_not_met_gets_into_record_and_report(bench):
    bench.fill()
    told = bench.type("tests.t1.conditions.0", "no")
    (row,) = (row for row in told["rows"] if row["key"] == "tests.t1.conditions.0" and "caution" in row)
    assert "Deviations" in row["caution"]
    bench.type("tests.t1.conditions.1", "yes")
    record = bench.model.record()
    (test,) = record.tests
    assert test.conditions_not_met == ("load on at its normal current",)
    assert test.conditions_met == ("all voltages taken at the same moment",)
    assert any(r.code == "condition-not-met" for r in bench.model.review().rejecting)
    bench.sheet.show("review")
    bench.type("tests.t1.deviations", "the lamp was fed from a bench supply")
    assert not any(r.code == "condition-not-met" for r in bench.model.review().rejecting)


def test_two_tests_of_one_procedure_can_be_told_apart_also_as_left(bench):
    for key, text in bench.visit.items():
        bench.model.put(key, text)
    bench.sheet.show("found")
    for _ in range(2):
        bench.sheet._add_test("battery-open-circuit-voltage", "found", "")
    bench.model.put("tests.t1.note", "left battery of the pair")
    for test, volts in (("t1", "12.61 V"), ("t2", "12.58 V")):
        bench.model.put(f"tests.{test}.readings.open_circuit_voltage", volts)
        bench.model.put(f"tests.{test}.given.electrolyte_temperature", "-4")
    bench.sheet.show("found")
    headings = [row["label"] for row in bench.sheet.grids["found"].rows if row["kind"] == "heading"]
    assert any(label.endswith(", left battery of the pair, as found") for label in headings)
    assert any(label.endswith(", no. 2, as found") for label in headings)
    bench.sheet.show("review")
    assert "as found, left battery of the pair" in bench.sheet.table.value
    first, _ = bench.model.repeat_as_left()
    assert bench.model.text(f"tests.{first}.note") == "left battery of the pair"
    assert bench.model.text(f"tests.{first}.given.electrolyte_temperature") == ""
