"""Typed readings: digits kept, every usual way of writing, and a fault with its repair for anything else."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault
from diagnb.quantities import convert, parse_indication, unit


@pytest.mark.parametrize(
    ("text", "default", "number", "step", "symbol"),
    [
        ("12.60 V", "V", "12.60", "0.01", "V"),
        ("12.6 V", "V", "12.6", "0.1", "V"),
        ("12,60 V", "V", "12.60", "0.01", "V"),
        ("12.60", "V", "12.60", "0.01", "V"),
        ("350 mV", "V", "350", "1", "mV"),
        ("350mV", "V", "350", "1", "mV"),
        ("350m", "V", "350", "1", "mV"),
        ("-0.02 V", "V", "-0.02", "0.01", "V"),
        ("\u22120.02 V", "V", "-0.02", "0.01", "V"),
        (".5 V", "V", "0.5", "0.1", "V"),
        ("5. V", "V", "5", "1", "V"),
        ("+5 V", "V", "5", "1", "V"),
        ("1.2 k\u03a9", "Ω", "1.2", "0.1", "kΩ"),
        ("1.2 k\u2126", "Ω", "1.2", "0.1", "kΩ"),
        ("1.2 kohm", "Ω", "1.2", "0.1", "kΩ"),
        ("4k7", "Ω", "4.7", "0.1", "kΩ"),
        ("1M0", "Ω", "1.0", "0.1", "MΩ"),
        ("120 \u00b5V", "V", "120", "1", "µV"),
        ("120 \u03bcV", "V", "120", "1", "µV"),
        ("120 uV", "V", "120", "1", "µV"),
        ("12\u00a0V", "V", "12", "1", "V"),
        ("12 v", "V", "12", "1", "V"),
        ("20.5 C", "°C", "20.5", "0.1", "°C"),
        ("68 F", "°C", "68", "1", "°F"),
        ("6.0 m", "m", "6.0", "0.1", "m"),
    ],
)  # fmt: skip
def test_usual_ways_of_writing(text: str, default: str, number: str, step: str, symbol: str) -> None:
    found = parse_indication(text, unit=default)
    assert (str(found.number), found.step, found.unit, found.kind) == (number, Decimal(step), symbol, "number")
    assert found.text == text


@pytest.mark.parametrize("text", ["OL", "O.L", "0L", "0.L", ".OL", "-OL", "OL V", "OL MΩ", "ol", "overload", "OPEN"])
def test_over_range_is_no_number(text: str) -> None:
    found = parse_indication(text, unit="Ω" if "Ω" in text else "V")
    assert found.kind == "over range"
    assert found.number is None
    assert found.value != found.value


@pytest.mark.parametrize("text", ["not stable", "~", "drifting"])
def test_an_unsteady_display_is_no_number(text: str) -> None:
    assert parse_indication(text, unit="V").kind == "not stable"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"), ("   ", "is empty"), ("1,234.5 V", "is not one reading"), ("12.6.1 V", "is not one reading"),
        ("12..6", "is not one reading"), ("about 12 V", "is not one reading"), ("12 V 13 V", "is not a unit"),
        ("12 A", "is the wrong kind of unit"), ("12 kΩ", "is the wrong kind of unit"), ("12 volts?", "is not a unit"),
        ("nan", "is not one reading"), ("inf", "is not one reading"), ("-", "is not one reading"), ("V", "is not one reading"),
        ("1e5 V", "is not a unit"), ("12 V**9**9**9", "is not a unit"), ("12 V/0", "is not a unit"), ("12 V(", "is not a unit"),
    ],
)  # fmt: skip
def test_a_fault_says_what_and_how_to_repair(text: str, what: str) -> None:
    with pytest.raises(InputFault) as raised:
        parse_indication(text, unit="V")
    fault = raised.value.faults[0]
    assert fault.what == what
    assert fault.repair


def test_the_value_is_the_float_nearest_to_the_display() -> None:
    assert parse_indication("12.60 V", unit="V").value == 12.6
    assert parse_indication("61.2 mV", unit="V").value == 0.0612
    assert parse_indication("61.2 mV", unit="V").step_si == 0.0001
    assert parse_indication("0.1 °C", unit="°C").value == pytest.approx(273.25)


def test_a_slip_of_the_prefix_is_a_thousand() -> None:
    volts, millivolts = (parse_indication(t, unit="V").value for t in ("61.2 V", "61.2 mV"))
    assert volts == pytest.approx(1000 * millivolts, rel=1e-15)


displays = st.tuples(
    st.sampled_from(["", "-"]),
    st.integers(0, 99_999),
    st.integers(0, 4),
    st.sampled_from(["V", "mV", "kV", "µV"]),
    st.sampled_from([".", ","]),
    st.sampled_from([" ", "", "\u00a0"]),
)


@given(displays)
def test_every_display_is_read_back_with_its_digits(parts: tuple[str, int, int, str, str, str]) -> None:
    sign, digits, places, symbol, mark, blank = parts
    number = Decimal(digits).scaleb(-places)
    found = parse_indication(f"{sign}{number:f}".replace(".", mark) + blank + symbol, unit="V")
    assert found.number == (-number if sign else number)
    assert found.number is not None
    assert found.step == Decimal(1).scaleb(-places)
    assert found.unit == symbol
    assert found.value == float(found.number * Decimal(repr(unit(symbol).factor)))
    again = parse_indication(str(found), unit="V")
    assert (again.number, again.step, again.unit) == (found.number, found.step, found.unit)


@given(st.text(max_size=40), st.sampled_from(["V", "Ω", "A", "°C", "1", "%"]))
@example("12 V**9**9**9", "V")
@example("0" * 40, "V")
@example("12 \ud800", "V")
@settings(max_examples=400, deadline=None)
def test_any_text_is_an_indication_or_a_fault(text: str, default: str) -> None:
    try:
        found = parse_indication(text, unit=default)
    except InputFault as error:
        assert error.faults[0].what
    else:
        assert found.kind != "number" or found.number is not None


@given(st.from_regex(r"[+-]?[0-9]{1,6}[.,]?[0-9]{0,4} ?[A-Za-zµΩ°%/*^²()0-9.·-]{0,12}", fullmatch=True))
@settings(max_examples=400, deadline=None)
def test_a_number_with_any_tail_is_an_indication_or_a_fault(text: str) -> None:
    try:
        parse_indication(text, unit="V")
    except InputFault as error:
        assert error.faults[0].repair


@given(st.text(max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_a_unit_or_a_fault(text: str) -> None:
    try:
        found = unit(text)
    except InputFault as error:
        assert "not a unit" in error.faults[0].what
    else:
        assert found.factor


def test_units_convert_both_ways() -> None:
    assert convert(12.6, "V", "mV") == pytest.approx(12600)
    assert convert(100.0, "°C", "°F") == pytest.approx(212)
    assert convert(1.0, "A·h", "C") == pytest.approx(3600)
    assert convert(3.0, "d", "h") == pytest.approx(72)
    assert convert(40.0, "%", "1") == pytest.approx(0.4)
    assert unit("mΩ").dimension == unit("V/A").dimension
    with pytest.raises(InputFault, match="can't be expressed"):
        convert(1.0, "V", "A")
