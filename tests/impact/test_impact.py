"""Judged again as columns or from the document: the same verdicts; and only what the change concerns moves."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

from diagnb.archive import Archive, prepare
from diagnb.conformity import WORDS
from diagnb.errors import InputFault
from diagnb.evaluation import evaluate, evaluate_test
from diagnb.impact import (
    CoefficientChange,
    InstrumentError,
    LimitChange,
    ProcedureChange,
    RuleChange,
    SheetChange,
    Window,
    find_impact,
    last_calibration,
)
from diagnb.impact.document import impact_wording, moves_text, outcome_sentence
from diagnb.impact.exact import altered, judge_document
from diagnb.impact.standing import NOT_ASKED, OUTSIDE
from diagnb.record import Record, canonical_bytes, digest, load_record, plain

MOMENT = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
Visit = Callable[..., Record]


def stricter(procedure: str, **values: Any) -> LimitChange:
    whole = {"lower": None, "upper": None, "unit": "V", "source": "a bulletin (invented)", **values}
    return LimitChange(procedure=procedure, **whole)


CHANGES = [
    InstrumentError("H6-00417", gain_percent=2.0),
    InstrumentError("H6-00417", gain_percent=-3.0, function="dc voltage"),
    InstrumentError("H6-00417", offset=0.05, offset_unit="V"),
    RuleChange("simple"),
    RuleChange("guarded-U"),
    CoefficientChange("handheld-6000", 3.0),
    stricter("ground-side-drop", result="ground_drop", upper="0.05"),
    stricter("battery-open-circuit-voltage", result="voltage_at_table_temperature", lower="12.8"),
]


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: type(c).__name__)
def test_columns_and_documents_agree_over_every_procedure(
    example_archive: Archive, examples: list[Record], change: Any
) -> None:
    """The reference is the evaluation itself, on each record as it would read after the change."""
    try:
        found = find_impact(example_archive, change)
    except InputFault as error:
        pytest.fail(str(error))
    assert not found.not_judged_again
    expected, transitions, concerned = {}, Counter(), 0
    for record in examples:
        after = altered(record, change)
        for test, before in zip(record.tests, evaluate(record).tests, strict=True):
            if isinstance(change, InstrumentError) and change.serial not in {
                record.instrument(r.instrument).serial for r in test.taken
            }:
                continue
            again = evaluate_test(after, after.tests[record.tests.index(test)])
            for old, new in zip(before.results, again.results, strict=True):
                if old.verdict.verdict != new.verdict.verdict:
                    expected[record.id, test.id, old.name] = new
                    transitions[old.verdict.verdict, new.verdict.verdict] += 1
                concerned += 1
    got = {(c.record, c.test, c.result): c for c in found.changed}
    assert got.keys() == expected.keys()
    for key, new in expected.items():
        assert got[key].new_verdict == new.verdict.verdict
        if new.value is not None:
            assert math.isclose(got[key].new_value, new.value, rel_tol=1e-12)
            assert math.isclose(got[key].new_expanded, new.expanded_uncertainty, rel_tol=1e-9)
    assert {(a, b): n for a, b, n in found.transitions if a != b} == dict(transitions)
    assert found.concerned <= concerned
    assert found.from_documents < found.tests


def test_a_change_that_is_none_moves_nothing(example_archive: Archive, examples: list[Record]) -> None:
    """A deviation too small to see: every value and verdict is worked out again and is what was stored."""
    serials = {r.instrument(x.instrument).serial for r in examples for t in r.tests for x in t.taken}
    results = 0
    for serial in sorted(serials):
        found = find_impact(example_archive, InstrumentError(serial, gain_percent=1e-12))
        assert (found.moved, found.changed, found.reexamine) == (0, (), ())
        results += found.results
    judged = [x for r in examples for t in evaluate(r).tests for x in t.results if x.verdict.verdict != "not judged"]
    assert results >= len(judged) > 100


def test_a_meter_two_per_cent_high_turns_a_pass_into_a_fail(archive: Archive, visit: Visit) -> None:
    """The meter showed too little: drops that seemed to pass were beyond the limit of 0.1 V."""
    archive.add_many([prepare(visit("A", "98.5 mV")), prepare(visit("B", "50.0 mV")), prepare(visit("C", "98.5 mV", serial="H6-2"))], moment=MOMENT)  # fmt: skip
    archive.attach("A", 1, name="A.pdf", content=b"%PDF-A", moment=MOMENT)
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert [(c.record, c.result, c.old_verdict, c.new_verdict) for c in found.changed] == [
        ("A", "ground_drop", "pass", "fail")
    ]
    (only,) = found.reexamine
    assert (only.claim, only.record, only.into_fail, only.out_of_fail) == ("RO-A", "A", 1, 0)
    assert [name for name, _ in only.reports] == ["A.pdf"]
    assert math.isclose(found.changed[0].new_value, 0.0985 / 0.95)
    assert (found.tests, found.concerned, found.results, found.not_asked, found.moved) == (2, 4, 2, 2, 4)


def test_an_offset_reaches_only_its_own_dimension(archive: Archive, visit: Visit) -> None:
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    assert find_impact(archive, InstrumentError("H6-1", offset=0.01, offset_unit="A")).moved == 0
    assert find_impact(archive, InstrumentError("CL-1", offset=0.01, offset_unit="A")).moved == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            InstrumentError("H6-1", gain_percent=-5.0, function="dc volts"),
            r"no function 'dc volts' \(it has .*dc voltage",
        ),
        (InstrumentError("H6-9", gain_percent=-5.0), r"H6-9: no stored reading was taken with it .alike are H6-1\)"),
        (InstrumentError("h6 1", gain_percent=-5.0), r"h6 1: no stored reading was taken with it .alike are H6-1\)"),
        (InstrumentError("zzz", gain_percent=-5.0), r"zzz: no stored reading .* .the records have CL-1, H6-1\)"),
        (InstrumentError("CL-1", offset=0.1, offset_unit="V"), r"is in V, which no function .* \(it has .* in A"),
        (InstrumentError("H6-1", offset=0.1, offset_unit="A", function="dc voltage"), "is in A, which no function"),
    ],
)
def test_an_instrument_or_function_that_is_not_there_is_no_all_clear(
    archive: Archive, visit: Visit, change: InstrumentError, said: str
) -> None:
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    with pytest.raises(InputFault, match=said):
        find_impact(archive, change)
    assert find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0, function="dc voltage")).changed


def test_results_that_can_not_be_judged_are_not_cleared(archive: Archive, visit: Visit) -> None:
    """Nobody stated the calibration: no verdict before, none after, and that is no all-clear."""
    undated = [
        {k: v for k, v in i.items() if k not in ("calibrated", "due")} for i in plain(visit("A", "1 mV"))["instruments"]
    ]
    archive.add_many([prepare(visit(f"V-{n}", "98.5 mV", instruments=undated)) for n in range(3)], moment=MOMENT)
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert (found.changed, found.to_judge, found.unjudged) == ((), 3, (("calibration-unknown", 3),))
    assert found.nothing_judged and [record for _, record, _ in found.unjudged_in] == ["V-0", "V-1", "V-2"]
    said = found.to_plain()
    assert (said["not_cleared"], said["to_judge"], len(said["not_cleared_in"])) == (3, 3, 3)
    archive.add(visit("GOOD", "50.0 mV"), moment=MOMENT)
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert (found.not_cleared, found.to_judge, found.nothing_judged) == (3, 4, False)


def test_a_pass_that_becomes_conditional_is_counted_apart(archive: Archive, visit: Visit) -> None:
    """Neither into fail nor out of it, and yet a report to look at again."""
    archive.add(visit("A", "98.0 mV", conditions={"ambient_degc": "2"}), moment=MOMENT)
    (only,) = find_impact(archive, CoefficientChange("handheld-6000", 25.0)).reexamine
    assert (only.into_fail, only.out_of_fail, only.moves) == (0, 0, (("as found", "pass", "conditional pass", 1),))
    assert moves_text(only, impact_wording("en")) == "as found: pass → conditional pass: 1"


def test_a_limit_narrower_than_the_measurement_clears_nothing(archive: Archive, visit: Visit) -> None:
    archive.add_many([prepare(visit("A", "98.5 mV")), prepare(visit("B", "50.0 mV"))], moment=MOMENT)
    found = find_impact(archive, stricter("ground-side-drop", result="ground_drop", lower="0.0984", upper="0.0986"))
    assert {(c.record, c.new_verdict) for c in found.changed} == {("A", "not judged"), ("B", "fail")}
    assert (found.to_judge, found.unjudged, found.unjudged_in) == (2, (("not-capable", 1),), (("RO-A", "A", 1),))


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: type(c).__name__)
def test_what_a_change_does_not_concern_stays_to_the_digit(examples: list[Record], change: Any) -> None:
    """The reference is the evaluation before and after: a result that is called untouched must be."""
    outside = 0
    for record in examples:
        rows = judge_document(canonical_bytes(record), range(len(record.tests)), change)
        for place, before in enumerate(evaluate(record).tests):
            for row, old in zip(rows[place], before.results, strict=True):
                if row[3] == OUTSIDE:
                    outside += 1
                    was = (old.value, old.expanded_uncertainty, old.verdict.verdict)
                    assert (*(None if math.isnan(n) else n for n in row[:2]), WORDS[row[2]]) == was
    # A rule that is asked for everywhere concerns all results but those of paths.
    assert outside > 0 or isinstance(change, RuleChange)


@pytest.mark.parametrize("change", CHANGES[:2] + CHANGES[3:4], ids=lambda c: type(c).__name__)
def test_columns_and_documents_say_the_same_of_what_can_not_be_judged(
    example_archive: Archive, examples: list[Record], change: Any
) -> None:
    found = find_impact(example_archive, change)
    expected: Counter[str] = Counter()
    for record in examples:
        rows = judge_document(canonical_bytes(record), range(len(record.tests)), change)
        for place, test in enumerate(record.tests):
            serials = {record.instrument(r.instrument).serial for r in test.taken}
            if not isinstance(change, InstrumentError) or change.serial in serials:
                expected.update(row[3] for row in rows[place] if row[3] not in (NOT_ASKED, OUTSIDE))
    assert found.to_judge == sum(expected.values()) > found.not_cleared > 0
    assert dict(found.unjudged) == {k: n for k, n in expected.items() if k != "judged"}


def test_a_limit_on_a_result_that_nobody_read_clears_nothing(archive: Archive, visit: Visit) -> None:
    """Without the load current there is no resistance: its new limit can't be judged, however well the drop can."""
    only_drop = {"readings": [{"name": "drop", "texts": ["98.5 mV"], "instrument": "M1", "load_state": "load on"}]}
    archive.add_many([prepare(visit(f"V-{n}", "98.5 mV", changes=only_drop)) for n in range(3)], moment=MOMENT)
    change = stricter("ground-side-drop", result="ground_resistance", upper="5", unit="mΩ")
    found = find_impact(archive, change)
    assert (found.to_judge, found.results, found.unjudged) == (3, 0, (("reading-missing", 3),))
    assert found.nothing_judged and len(found.unjudged_in) == 3
    assert outcome_sentence(found, impact_wording("en")) == "Nothing is cleared: no verdict could be given"
    # 98.5 mV at 20.0 A are 4.9 mΩ: where the current was read, the limit is met.
    archive.add(visit("READ", "98.5 mV"), moment=MOMENT)
    found = find_impact(archive, change)
    assert (found.to_judge, found.results, found.not_cleared) == (4, 1, 3)
    assert [(c.record, c.old_verdict) for c in found.changed] == [("READ", "not judged")]


def test_the_other_results_of_a_test_make_no_all_clear(archive: Archive, visit: Visit) -> None:
    """A limit on the drop says nothing of the resistance, and an ammeter's error nothing of the drop."""
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    found = find_impact(archive, stricter("ground-side-drop", result="ground_drop", upper="0.2"))
    assert (found.concerned, found.results, found.not_asked) == (1, 1, 0)
    found = find_impact(archive, InstrumentError("CL-1", gain_percent=5.0))
    assert (found.concerned, found.results, found.not_asked, found.transitions) == (1, 0, 1, ())
    assert outcome_sentence(found, impact_wording("en")).startswith("No verdict is asked for")


def test_as_left_stands_first_and_apart(archive: Archive, visit: Visit) -> None:
    """Two visits whose drop as found is a pass too; the later one was measured as left as well."""
    one, two = visit("A", "98.5 mV"), visit("B", "98.5 mV")
    left = {**plain(two)["tests"][0], "id": "2", "phase": "as left", "time": "2026-03-04T09:00:00+01:00"}
    two = load_record({**plain(two), "tests": [*plain(two)["tests"], left]})
    archive.add_many([prepare(one), prepare(two)], moment=MOMENT)
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert [(c.record, c.phase) for c in found.changed] == [("B", "as left"), ("A", "as found"), ("B", "as found")]
    assert found.moves == (("as left", "pass", "fail", 1), ("as found", "pass", "fail", 2))
    assert [(r.record, r.as_left) for r in found.reexamine] == [("B", 1), ("A", 0)]
    assert found.to_plain()["moves"][0] == {"phase": "as left", "old": "pass", "new": "fail", "results": 1}
    assert {c.title for c in found.changed} == {"Ground-side voltage drop"}


def test_a_sheet_that_was_wrong_in_per_cent_or_counts(archive: Archive, visit: Visit) -> None:
    """±(0.5 % + 2 counts) of 98.0 mV leave a guard band below 0.1 V; ±(3 % + 2 counts) are 3.1 mV, and it is doubtful."""
    record = visit("A", "98.0 mV")
    archive.add_many([prepare(record), prepare(visit("B", "50.0 mV"))], moment=MOMENT)
    sheet = json.loads(json.dumps(record.meters["handheld-6000"]))
    for function in sheet["functions"]:
        for one in function["ranges"] if function["name"] == "dc voltage" else ():
            one["percent"] = "3"
    found = find_impact(archive, SheetChange(sheet))
    assert [(c.record, c.old_verdict, c.new_verdict) for c in found.changed] == [("A", "pass", "conditional pass")]
    rows = judge_document(canonical_bytes(record), [0], SheetChange(sheet))[0]
    assert math.isclose(found.changed[0].new_expanded, rows[0][1], rel_tol=1e-9)
    sheet["functions"] = [f for f in sheet["functions"] if f["name"] != "dc voltage"]
    with pytest.raises(InputFault, match=r"no range .* of dc voltage in V .keep every function"):
        find_impact(archive, SheetChange(sheet))


def test_only_tests_within_the_window_count(archive: Archive, visit: Visit) -> None:
    archive.add_many([prepare(visit("A", "98.5 mV", day="2026-01-10")), prepare(visit("B", "98.5 mV", day="2026-03-10"))], moment=MOMENT)  # fmt: skip
    window = Window(since=dt.datetime(2026, 2, 1, tzinfo=dt.UTC))
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5), window=window)
    assert [c.record for c in found.changed] == ["B"]


def test_the_latest_revision_counts_unless_all_are_wanted(archive: Archive, visit: Visit) -> None:
    one = visit("A", "98.5 mV")
    two = load_record({**plain(one), "revision": 2, "replaces": {"revision": 1, "digest": digest(one), "reason": "typing slip"}, "tests": plain(visit("A", "50.0 mV"))["tests"]})  # fmt: skip
    archive.add_many([prepare(one), prepare(two)], moment=MOMENT)
    change = InstrumentError("H6-1", gain_percent=-5)
    assert find_impact(archive, change).changed == ()
    assert [c.revision for c in find_impact(archive, change, all_revisions=True).changed] == [1]


def test_a_void_record_asserts_nothing_any_more(archive: Archive, visit: Visit) -> None:
    one = visit("A", "98.5 mV")
    replaces = {"revision": 1, "digest": digest(one), "reason": "taken on another vehicle"}
    archive.add_many([prepare(one), prepare(load_record({**plain(one), "revision": 2, "status": "void", "replaces": replaces}))], moment=MOMENT)  # fmt: skip
    assert find_impact(archive, InstrumentError("H6-1", gain_percent=-5)).changed == ()


def test_a_limit_that_the_user_stated_stays(archive: Archive, visit: Visit) -> None:
    own = {"limits": [{"result": "ground_drop", "upper": "0.5", "unit": "V", "source": "maker's manual (invented)"}]}
    archive.add_many([prepare(visit("A", "98.5 mV")), prepare(visit("B", "98.5 mV", changes=own))], moment=MOMENT)
    found = find_impact(archive, stricter("ground-side-drop", result="ground_drop", upper="0.05"))
    assert [(c.record, c.new_verdict) for c in found.changed] == [("A", "fail")]


def test_a_limit_for_one_system_voltage_leaves_the_others(archive: Archive, visit: Visit) -> None:
    vehicle = {"vin": "1D9TRKB40SA000301", "unit": "Unit 12", "system_voltage": "12"}
    archive.add_many([prepare(visit("A", "98.5 mV")), prepare(visit("B", "98.5 mV", vehicle=vehicle))], moment=MOMENT)
    change = stricter("ground-side-drop", result="ground_drop", upper="0.05", system_voltage="12")
    assert [(c.record, c.new_verdict) for c in find_impact(archive, change).changed] == [("B", "fail")]


def test_a_forgotten_temperature_coefficient_makes_a_pass_doubtful(archive: Archive, visit: Visit) -> None:
    cold = {"ambient_degc": "2"}
    archive.add_many([prepare(visit("A", "98.0 mV", conditions=cold)), prepare(visit("B", "98.0 mV"))], moment=MOMENT)
    found = find_impact(archive, CoefficientChange("handheld-6000", 25.0))
    assert [(c.record, c.old_verdict, c.new_verdict) for c in found.changed] == [("A", "pass", "conditional pass")]
    assert found.moved >= 1


def test_another_version_of_a_procedure(archive: Archive, visit: Visit, examples: list[Record]) -> None:
    record = visit("A", "98.5 mV")
    archive.add(record, moment=MOMENT)
    document = {**record.procedures["ground-side-drop"], "version": 2}
    document["derived"] = [
        {**d, "formula": "drop * 2" if d["name"] == "ground_drop" else d["formula"]} for d in document["derived"]
    ]
    found = find_impact(archive, ProcedureChange(document))
    assert [(c.result, c.new_value, c.new_verdict) for c in found.changed] == [("ground_drop", 0.197, "fail")]


def test_a_procedure_with_other_results_is_said_and_not_guessed(archive: Archive, visit: Visit) -> None:
    record = visit("A", "98.5 mV", changes={"readings": [{"name": "drop", "texts": ["98.5 mV"], "instrument": "M1", "zero": "0.1 mV"}]})  # fmt: skip
    archive.add(record, moment=MOMENT)
    document = {**record.procedures["ground-side-drop"], "version": 2}
    document["derived"] = document["derived"][:1]
    document["limits"] = document["limits"][:1]
    found = find_impact(archive, ProcedureChange(document))
    assert [f.where for f in found.not_judged_again] == ["A, revision 1, test 1"]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: InstrumentError("H6-1"), "is zero"),
        (lambda: InstrumentError("", gain_percent=1), "is missing"),
        (lambda: InstrumentError("H6-1", gain_percent=math.nan), "not a deviation"),
        (lambda: InstrumentError("H6-1", offset=1.0), "its unit"),
        (lambda: InstrumentError("H6-1", offset=1.0, offset_unit="furlongz"), "unit"),
        (lambda: RuleChange("lenient"), "unknown"),
        (lambda: stricter("p", result="r"), "neither"),
        (lambda: stricter("p", result="r", upper="1", source=""), "source: is missing"),
        (lambda: stricter("p", result="r", upper="1", source="x"), "source: 'x' is too short .three letters"),
        (lambda: stricter("p", result="r", upper="0,05", source="x"), "too short .*upper: '0,05' is not a number"),
        (lambda: stricter("p", result="r", upper="nan"), "upper: 'nan' is not a number"),
        (
            lambda: stricter("p", result="r", lower="2", upper="1", unit="furlongz", source="x", system_voltage="36"),
            "system: .*source: .*limit: lower 2 is not below upper 1.*unit: ",
        ),
        (lambda: Window(since=dt.datetime(2026, 1, 1)), "time zone"),  # noqa: DTZ001
    ],
)
def test_a_change_that_can_not_be_is_refused(make: Callable[[], object], said: str) -> None:
    with pytest.raises(InputFault, match=said):
        make()


def test_a_change_of_something_unknown_is_refused(archive: Archive, visit: Visit) -> None:
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    for change in (stricter("no-such", result="ground_drop", upper="1"), CoefficientChange("no-such", 1.0)):
        with pytest.raises(InputFault, match="concerns no procedure"):
            find_impact(archive, change)
    with pytest.raises(InputFault, match="no derived value"):
        find_impact(archive, stricter("ground-side-drop", result="nonsense", upper="1"))
    with pytest.raises(InputFault, match=r"no stored reading was taken with it .*the records have CL-1, H6-1"):
        last_calibration(archive, "NOBODY", "2026-05-01")


def test_the_last_good_calibration_is_taken_from_the_records(archive: Archive, visit: Visit) -> None:
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    assert last_calibration(archive, "H6-1", "2026-05-01") == "2025-11-10"
    with pytest.raises(InputFault, match="--since"):
        last_calibration(archive, "H6-1", "2025-11-01")


def test_an_empty_archive_has_no_impact(archive: Archive) -> None:
    found = find_impact(archive, RuleChange("simple"))
    assert (found.tests, found.results, found.changed, found.transitions) == (0, 0, (), ())


def test_every_verdict_word_stands_in_the_plain_form(archive: Archive, visit: Visit) -> None:
    archive.add(visit("A", "98.5 mV"), moment=MOMENT)
    document = find_impact(archive, InstrumentError("H6-1", gain_percent=-5)).to_plain()
    assert document["changed"][0]["new_verdict"] in WORDS
    assert document["reexamine"][0]["claim"] == "RO-A"
