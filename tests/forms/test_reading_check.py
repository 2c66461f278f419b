"""What stands beside a reading while it is typed."""

from __future__ import annotations

import pytest

from diagnb.forms.library import load_library
from diagnb.forms.reading_check import check_reading
from diagnb.meters import Function
from diagnb.procedures import ReadingSpec

SOURCE = ReadingSpec("source", "Source voltage", "V", "dc voltage", expected=(8.0, 60.0))
DROP = ReadingSpec("drop", "Drop", "V", "dc voltage", expected=(-0.5, 3.0))
OHMS = ReadingSpec("r", "Resistance", "Ω", "resistance", expected=(30.0, 200.0))
DRAW = ReadingSpec("draw", "Draw", "A", "dc current", expected=(0.001, 2.0))
NODE = ReadingSpec("node", "Voltage", "V", "dc voltage", expected=(-1.0, 60.0))
HOT = ReadingSpec("t", "Temperature", "°C", "temperature")


def meter(function: str) -> Function:
    return next(f for f in load_library().meters["handheld-6000"].functions if f.name == function)


@pytest.mark.parametrize(
    ("text", "spec", "back"),
    [
        ("12.60", SOURCE, "12.60 V"),
        ("12,6", SOURCE, "12.6 V"),
        (" 12.60 v ", SOURCE, "12.60 V"),
        ("350 mV", DROP, "0.350 V"),
        ("350m", DROP, "0.350 V"),
        ("−0.02 V", DROP, "-0.02 V"),
        ("12.60; 12.61;", SOURCE, "2 repeats: 12.60 V; 12.61 V"),
        ("OL", OHMS, "over range, no number"),
        ("0.060 kΩ", OHMS, "60.000 Ω"),
        ("21.5", HOT, "21.5 °C"),
    ],
)  # fmt: skip
def test_what_was_read_is_said_back_with_its_digits(text, spec, back):
    state = check_reading(text, spec)
    assert (state.back, state.fault, state.caution) == (back, "", "")


@pytest.mark.parametrize(
    ("text", "spec", "unit", "fix"),
    [
        ("350", DROP, "mV", "350 mV"),
        ("3100", DROP, "mV", "3100 mV"),
        ("0.06", OHMS, "kΩ", "0.06 kΩ"),
        ("35", DRAW, "mA", "35 mA"),
    ],
)
def test_a_slip_of_a_prefix_is_asked_about_and_mended_by_one_tap(text, spec, unit, fix):
    state = check_reading(text, spec, system_voltage=12.0, function=meter(spec.function))
    assert state.caution == f"did you mean {unit}?"
    assert state.back == f"{text} {spec.unit}"
    assert state.fix == (f"Use {fix}", fix)
    assert state.deny == (f"No, it is {text} {spec.unit}", text)
    assert "did you mean" not in check_reading(fix, spec, system_voltage=12.0).caution
    said_no = check_reading(f"{text} ", spec, system_voltage=12.0, function=meter(spec.function), confirmed=text)
    assert (said_no.back, said_no.caution, said_no.fix) == (f"{text} {spec.unit}", "", None)


@pytest.mark.parametrize(
    ("text", "spec", "back"),
    [
        ("3,30", DROP, "3.30 V"),
        ("12.1", DROP, "12.1 V"),
        ("3100 mV", DROP, "3.100 V"),
        ("12.6 mV", SOURCE, "0.0126 V"),
        ("0.6", OHMS, "0.6 Ω"),
        ("4.1", DRAW, "4.1 A"),
    ],
)
def test_a_value_that_may_be_the_fault_itself_is_never_offered_another_unit(text, spec, back):
    state = check_reading(text, spec, system_voltage=12.0, function=meter(spec.function))
    assert (state.back, state.fix) == (back, None)
    assert state.caution.startswith("unusual here: ")


def test_a_unit_is_offered_only_where_the_instrument_can_show_it():
    assert check_reading("12600", SOURCE, system_voltage=12.0).fix == ("Use 12600 mV", "12600 mV")
    handheld = meter("dc voltage")  # its step is 10 mV there
    assert check_reading("12600", SOURCE, system_voltage=12.0, function=handheld).fix is None


@pytest.mark.parametrize("text", ["0", "12", "-1"])
def test_a_display_without_its_digits_is_said_to_count_for_little(text):
    state = check_reading(text, NODE, system_voltage=12.0, function=meter("dc voltage"))
    assert state.caution == (
        f"few digits: ± 0.5 V of rounding counts; type all that the display shows, for example {text}.00"
    )
    whole = check_reading(f"{text}.00", NODE, system_voltage=12.0, function=meter("dc voltage"))
    assert whole.caution == ""


def test_a_reading_that_no_prefix_explains_is_only_called_unusual():
    state = check_reading("4.2", SOURCE)
    assert state.caution == "unusual here: 8 to 60 V is usual"
    assert state.fix is None
    assert state.back == "4.2 V"


@pytest.mark.parametrize("text", ["1,234.5", "1.2.3", "12 A", "abc", "12.6 V extra", ";", "12;;x"])
def test_what_is_no_reading_is_said_at_the_field(text):
    assert check_reading(text, SOURCE).fault


@pytest.mark.parametrize("text", ["", "   ", "\t"])
def test_a_blank_field_is_neither_zero_nor_a_fault(text):
    state = check_reading(text, SOURCE)
    assert (state.back, state.fault, state.caution) == ("", "", "")
