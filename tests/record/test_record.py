"""The record: one canonical form, and a door that names every fault with its path."""

from __future__ import annotations

import copy
import hashlib
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.readiness import check
from diagnb.record import (
    canonical_bytes,
    check_digit,
    digest,
    json_schema,
    load_record,
    model_years,
    plain,
    read_json,
    vin_remark,
)
from diagnb.shipped import templates_directory

DEMO_FILE = templates_directory() / "demo-record.json"
DEMO: dict[str, Any] = json.loads(DEMO_FILE.read_text(encoding="utf-8"))
Path_ = tuple[Any, ...]


def changed(path: Path_, value: Any) -> dict[str, Any]:
    made = copy.deepcopy(DEMO)
    place: Any = made
    for step in path[:-1]:
        place = place[step]
    if value is KeyError:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return made


def faults(document: Any) -> dict[str, str]:
    with pytest.raises(InputFault) as raised:
        load_record(document)
    return {f.where: f"{f.what} ({f.repair})" for f in raised.value.faults}


def test_canonical_bytes_are_a_fixed_point() -> None:
    record = load_record(DEMO_FILE)
    once = canonical_bytes(record)
    again = load_record(once)
    assert canonical_bytes(again) == once
    assert again == record
    assert digest(record) == hashlib.sha256(once).hexdigest() == digest(again)
    assert json.loads(once) == plain(record)


def test_order_and_layout_of_the_file_do_not_matter() -> None:
    shuffled = json.dumps(dict(reversed(DEMO.items())), indent=7, ensure_ascii=True).encode()
    assert digest(load_record(shuffled)) == digest(load_record(DEMO))


def test_every_digit_of_a_reading_matters() -> None:
    texts = changed(("tests", 0, "readings", 0, "texts"), ["12.360 V"])
    # Another number of digits is another record; here it is also more than the meter shows.
    assert "tests[0].readings[0].texts" in faults(texts)
    fewer = changed(("tests", 0, "readings", 0, "texts"), ["12.4 V"])
    assert digest(load_record(fewer)) != digest(load_record(DEMO))


def test_a_record_carries_what_it_was_made_with() -> None:
    record = load_record(DEMO)
    assert set(record.meters) == {"handheld-6000", "dc-clamp", "coarse-circuit-tester"}
    assert set(record.procedures) == {t["procedure"] for t in DEMO["tests"]}
    # What it carries is used, not what ships today.
    own = copy.deepcopy(plain(record))
    own["procedures"]["ground-side-drop"]["limits"][0]["upper"] = "2.0"
    first = evaluate(load_record(own)).test("3").result("ground_drop")
    assert first.verdict.verdict == "pass"


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        (0x0000000000000000, "0"), (0x8000000000000000, "0"), (0x0000000000000001, "5e-324"), (0x8000000000000001, "-5e-324"),
        (0x7FEFFFFFFFFFFFFF, "1.7976931348623157e+308"), (0xFFEFFFFFFFFFFFFF, "-1.7976931348623157e+308"),
        (0x4340000000000000, "9007199254740992"), (0xC340000000000000, "-9007199254740992"),
        (0x4430000000000000, "295147905179352830000"), (0x44B52D02C7E14AF5, "9.999999999999997e+22"),
        (0x44B52D02C7E14AF6, "1e+23"), (0x44B52D02C7E14AF7, "1.0000000000000001e+23"),
        (0x444B1AE4D6E2EF4E, "999999999999999700000"), (0x444B1AE4D6E2EF4F, "999999999999999900000"),
        (0x444B1AE4D6E2EF50, "1e+21"), (0x3EB0C6F7A0B5ED8C, "9.999999999999997e-7"), (0x3EB0C6F7A0B5ED8D, "0.000001"),
        (0x41B3DE4355555553, "333333333.3333332"), (0x41B3DE4355555554, "333333333.33333325"),
        (0x41B3DE4355555555, "333333333.3333333"), (0x41B3DE4355555556, "333333333.3333334"),
        (0x41B3DE4355555557, "333333333.33333343"), (0xBECBF647612F3696, "-0.0000033333333333333333"),
        (0x43143FF3C1CB0959, "1424953923781206.2"),
    ],
)  # fmt: skip
def test_numbers_are_written_as_in_appendix_b_of_rfc_8785(bits: int, text: str) -> None:
    import rfc8785

    number = struct.unpack(">d", bits.to_bytes(8, "big"))[0]
    assert rfc8785.dumps([number]) == f"[{text}]".encode()


def test_keys_are_sorted_as_in_rfc_8785() -> None:
    import rfc8785

    keys = {"\u20ac": 1, "\r": 2, "\ufb33": 3, "1": 4, "\U0001f600": 5, "\u0080": 6, "\u00f6": 7}
    assert list(json.loads(rfc8785.dumps(keys)).values()) == [2, 4, 6, 7, 1, 5, 3]


def test_the_json_schema_accepts_the_demonstration_and_refuses_broken_ones() -> None:
    from jsonschema import Draft202012Validator

    schema = json_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    assert list(validator.iter_errors(DEMO)) == []
    assert list(validator.iter_errors(plain(load_record(DEMO)))) == []
    for path, value in ((("id",), KeyError), (("colour",), "red"), (("vehicle", "system_voltage"), "36")):
        assert list(validator.iter_errors(changed(path, value)))


@pytest.mark.parametrize(
    ("path", "value", "where", "what"),
    [
        (("schema",), "diagnb-record/2", "schema", "newer version"),
        (("schema",), "something", "schema", "unknown"),
        (("id",), KeyError, "id", "is missing"),
        (("id",), "a b", "id", "pattern"),
        (("colour",), "red", "colour", "unknown key"),
        (("vehicle", "colour"), "red", "vehicle.colour", "unknown key"),
        (("revision",), 0, "revision", "greater than or equal to 1"),
        (("revision",), 2**60, "revision", "9007199254740991"),
        (("created",), "2026-02-30T10:00:00+01:00", "created", "valid datetime"),
        (("created",), "2026-03-02T10:00:00", "created", "with its zone"),
        (("created",), 1772462400, "created", "write dates as"),
        (("created",), "1772462400", "created", "write dates as"),
        (("vehicle", "in_service"), "2025-02-30", "vehicle.in_service", "valid date"),
        (("vehicle", "in_service"), 0, "vehicle.in_service", "write dates as"),
        (("vehicle", "system_voltage"), "36", "vehicle.system_voltage", "'12', '24' or '48'"),
        (("vehicle", "odometer", "unit"), "kmm", "vehicle.odometer.unit", "is not a unit"),
        (("vehicle", "odometer", "unit"), "V", "vehicle.odometer.unit", "does not fit"),
        (("vehicle", "engine_hours", "unit"), "km", "vehicle.engine_hours.unit", "does not fit"),
        (("vehicle", "odometer", "value"), 61240, "vehicle.odometer.value", "valid string"),
        (("vehicle", "odometer", "value"), "6e4", "vehicle.odometer.value", "pattern"),
        (("coverage", "distance_limit", "unit"), "h", "coverage.distance_limit.unit", "does not fit"),
        (("people", 1, "id"), "tech", "people[1]", "stands twice"),
        (("instruments", 0, "meter"), "unheard-of", "instruments[0].meter", "no accuracy sheet"),
        (("instruments", 0, "due"), "2020-01-01", "instruments[0]", "before it was made"),
        (("instruments", 1, "id"), "M1", "instruments[1]", "stands twice"),
        (("tests", 1, "id"), "1", "tests[1]", "stands twice"),
        (("tests", 0, "by"), "nobody", "tests[0].by", "nobody called"),
        (("tests", 0, "phase"), "later", "tests[0].phase", "as found"),
        (("tests", 0, "procedure"), "unheard-of", "tests[0].procedure", "no procedure"),
        (("tests", 4, "repeats_test"), "99", "tests[4].repeats_test", "no test"),
        (("tests", 0, "readings", 0, "name"), "u", "tests[0].readings[0].name", "has no reading"),
        (("tests", 0, "readings", 0, "instrument"), "M9", "tests[0].readings[0].instrument", "no instrument"),
        (("tests", 0, "readings", 0, "instrument"), "A1", "tests[0].readings[0].texts", "has no function"),
        (("tests", 0, "readings", 0, "texts"), [], "tests[0].readings[0].texts", "at least 1"),
        (("tests", 0, "readings", 0, "texts"), ["12.36 A"], "tests[0].readings[0].texts", "wrong kind of unit"),
        (("tests", 0, "readings", 0, "texts"), ["12.3.6"], "tests[0].readings[0].texts", "is not one reading"),
        (("tests", 0, "readings", 0, "texts"), ["12360 V"], "tests[0].readings[0].texts", "above the range"),
        (("tests", 0, "readings", 0, "function"), "resistance", "tests[0].readings[0].texts", "wrong kind of unit"),
        (("tests", 0, "readings", 0, "range"), "7 V", "tests[0].readings[0].texts", "no range"),
        (("tests", 0, "readings", 0, "zero"), "nought", "tests[0].readings[0].zero", "is not one reading"),
        (("tests", 0, "readings", 0, "source_resistance"), {"value": "1", "unit": "V", "source": "s"}, "tests[0].readings[0].source_resistance.unit", "does not fit"),
        (("tests", 0, "readings", 0, "circuit_resistance"), {"value": "0", "unit": "Ω", "source": "s"}, "tests[0].readings[0].circuit_resistance.value", "above zero"),
        (("tests", 1, "readings", 1, "name"), "source_voltage", "tests[1].readings[1]", "stands twice"),
        (("tests", 0, "given", "colour"), {"value": "1", "unit": "V", "source": "s"}, "tests[0].given.colour", "takes no given value"),
        (("tests", 0, "given", "electrolyte_temperature", "unit"), "V", "tests[0].given.electrolyte_temperature.unit", "does not fit"),
        (("tests", 0, "given", "electrolyte_temperature", "half_width"), "-3", "tests[0].given.electrolyte_temperature.half_width", "pattern"),
        (("tests", 6, "limits", 0, "result"), "draw", "tests[6].limits[0].result", "has no derived value"),
        (("tests", 6, "limits", 0, "unit"), "V", "tests[6].limits[0].unit", "does not fit"),
        (("tests", 6, "limits", 0, "upper"), KeyError, "tests[6].limits[0]", "needs a lower value"),
        (("tests", 6, "limits", 0, "lower"), "999", "tests[6].limits[0]", "is above the upper"),
        (("tests", 6, "limits", 0, "source"), "", "tests[6].limits[0].source", "at least 3"),
        (("tests", 6, "limits", 0, "entered_by"), "x", "tests[6].limits[0].entered_by", "nobody called"),
        (("tests", 6, "limits", 1, "result"), "key_off_draw", "tests[6].limits[1]", "stands twice"),
        (("findings", 0, "tests"), ["99"], "findings[0].tests", "no test"),
        (("cautions_shown", 0, "to"), "x", "cautions_shown[0].to", "nobody called"),
        (("attachments",), [{"name": "../a", "sha256": "0" * 64, "media_type": "x", "size": 1}], "attachments[0].name", "pattern"),
        (("complaint",), "\ud800", "complaint", "unicode"),
        (("meters",), {"handheld-6000": {"schema": "diagnb-meter/1"}}, "meters.handheld-6000.id", "is missing"),
        (("meters",), {"x": {"schema": "diagnb-meter/1", "id": float("nan")}}, "meters.x", "canonical form"),
        (("procedures",), {"key-off-draw": {"schema": "diagnb-procedure/1"}}, "procedures.key-off-draw.title", "is missing"),
        (("instruments", 0, "corrections"), [{"function": "dc voltage", "range": "7 V", "unit": "V", "drift_half_width": "0", "points": [{"nominal": "0", "error": "0", "expanded_uncertainty": "1"}, {"nominal": "6", "error": "0", "expanded_uncertainty": "1"}]}], "instruments[0].corrections[0].range", "no range"),
        (("instruments", 0, "corrections"), [{"function": "dc voltage", "range": "6 V", "unit": "A", "drift_half_width": "0", "points": [{"nominal": "0", "error": "0", "expanded_uncertainty": "1"}, {"nominal": "6", "error": "0", "expanded_uncertainty": "1"}]}], "instruments[0].corrections[0].unit", "does not fit"),
        (("instruments", 0, "corrections"), [{"function": "dc voltage", "range": "6 V", "unit": "V", "drift_half_width": "0", "points": [{"nominal": "6", "error": "0", "expanded_uncertainty": "1"}, {"nominal": "0", "error": "0", "expanded_uncertainty": "0"}]}], "instruments[0].corrections[0]", "must"),
    ],
)  # fmt: skip
def test_a_broken_record_says_where_and_what(path: Path_, value: Any, where: str, what: str) -> None:
    found = faults(changed(path, value))
    assert where in found
    assert what in found[where]


def test_all_faults_come_at_once_with_their_path() -> None:
    made = changed(("tests", 0, "readings", 0, "texts"), ["12.36 A"])
    made["tests"][2]["by"] = "nobody"
    made["vehicle"]["odometer"]["unit"] = "V"
    made["instruments"][2]["meter"] = "unheard-of"
    assert set(faults(made)) >= {
        "tests[0].readings[0].texts",
        "tests[2].by",
        "vehicle.odometer.unit",
        "instruments[2].meter",
    }
    made = changed(("colour",), "red")
    made["created"] = "yesterday"
    del made["order"]["number"]
    assert set(faults(made)) == {"colour", "created", "order.number"}


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "is not JSON"), (b'{"a": 1', "is not JSON"), (b'{"a": 1, "a": 2}', "'a' stands twice"), (b'{"a": NaN}', "NaN"),
        (b'{"a": Infinity}', "Infinity"), (b"\xff\xfe", "is not UTF-8"), (b"[" * 100_000, "nested too deep"),
        (b'{"a":' * 100 + b"1" + b"}" * 100, "nested deeper"), (b"1" * 5000, "out of range"),
        (b"[]", "is not an object"), (b"null", "is not an object"), (b'"x"', "is not an object"), (b"{}", "None is unknown"),
        (b"\xef\xbb\xbf{}", "is not JSON"),
    ],
)  # fmt: skip
def test_bytes_that_are_no_record_are_named(data: bytes, what: str) -> None:
    with pytest.raises(InputFault, match=what):
        load_record(data)


def test_a_duplicate_key_deep_inside_is_found() -> None:
    text = DEMO_FILE.read_text(encoding="utf-8").replace('"opened":', '"number": "RO-2", "opened":', 1)
    with pytest.raises(InputFault, match="'number' stands twice"):
        load_record(text.encode())


def test_files_that_can_not_be_read_are_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path, "a\0b"):
        with pytest.raises(InputFault, match=r"can't be read|not a file name"):
            load_record(path)


@given(st.binary(max_size=200))
@settings(max_examples=150, deadline=None)
@example(b"\xed\xa0\x80")
def test_any_bytes_are_refused_by_name(data: bytes) -> None:
    with pytest.raises(InputFault):
        load_record(data)


def _places(node: Any, path: Path_ = ()) -> list[Path_]:
    found = [path] if path else []
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, inner in items:
        found += _places(inner, (*path, key))
    return found


PLACES = _places(DEMO)
anything = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), st.just([]), st.just({}),
    st.sampled_from(["0", "-1", "999999999999", "0.000000001", "OL", "V", "12.36 V", "0.0 A", "tech", "1", "2026-01-01"]),
    st.lists(st.text(max_size=6), max_size=2), st.dictionaries(st.text(max_size=4), st.integers(), max_size=2),
)  # fmt: skip


@given(st.sampled_from(PLACES), anything)
@settings(max_examples=200, deadline=None)
def test_one_changed_place_is_a_fault_or_a_record_that_evaluates(path: Path_, value: Any) -> None:
    try:
        record = load_record(changed(path, value))
    except InputFault as error:
        assert error.faults
        assert all(f.what for f in error.faults)
        return
    evaluation = evaluate(record)
    json.dumps(evaluation.to_plain(), allow_nan=False)
    check(record, evaluation)
    assert canonical_bytes(load_record(canonical_bytes(record))) == canonical_bytes(record)


@given(st.sampled_from(PLACES))
@settings(max_examples=60, deadline=None)
def test_one_missing_place_is_a_fault_or_a_record_that_evaluates(path: Path_) -> None:
    try:
        record = load_record(changed(path, KeyError))
    except InputFault as error:
        assert error.faults
        return
    check(record, evaluate(record))


def test_a_wrong_check_digit_is_a_remark_and_not_a_refusal() -> None:
    vin = DEMO["vehicle"]["vin"]
    assert vin_remark(vin) is None
    wrong = vin[:8] + ("1" if vin[8] != "1" else "2") + vin[9:]
    record = load_record(changed(("vehicle", "vin"), wrong))
    assert "vin-check-digit" in [r.code for r in check(record, evaluate(record))]
    assert vin_remark(wrong) is not None


@pytest.mark.parametrize(
    "vin", ["", "1J9RP1A36A164434", "1J9RP1A36A1644345\n", "1j9rp1a36a1644345", "IOQ" + "1" * 14, "1J9RP1A36A16443455"]
)
def test_what_is_no_vin_is_a_remark(vin: str) -> None:
    assert "is not 17 characters" in str(vin_remark(vin))


def test_every_character_of_a_vin_counts() -> None:
    vin = "1J9RP1A36A1644345"
    assert vin_remark(vin) is None
    assert check_digit("1M8GDM9A1KP042788") == "X"
    for place in (0, 3, 16):
        other = vin[:place] + ("3" if vin[place] != "3" else "4") + vin[place + 1 :]
        assert vin_remark(other) is not None


def test_model_years_come_in_pairs() -> None:
    assert model_years("A") == (1980, 2010)
    assert model_years("Y") == (2000, 2030)
    assert model_years("1") == (2001, 2031)


def test_read_json_reads_what_is_json() -> None:
    assert read_json(b'{"a": [1, 2.5, "\xc3\xa4", null, true]}', "x") == {"a": [1, 2.5, "ä", None, True]}


def test_a_record_is_frozen() -> None:
    record = load_record(DEMO)
    change: Callable[[], None] = lambda: setattr(record, "id", "other")  # noqa: E731
    with pytest.raises(ValueError, match="frozen"):
        change()
