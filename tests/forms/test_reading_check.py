"""What stands beside a reading while it is typed."""

from __future__ import annotations

import pytest

from diagnb.forms.reading_check import check_reading
from diagnb.procedures import ReadingSpec

SOURCE = ReadingSpec("source", "Source voltage", "V", "dc voltage", expected=(8.0, 60.0))
DROP = ReadingSpec("drop", "Drop", "V", "dc voltage", expected=(-0.5, 3.0))
OHMS = ReadingSpec("r", "Resistance", "Ω", "resistance", expected=(30.0, 200.0))
HOT = ReadingSpec("t", "Temperature", "°C", "temperature")


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
        ("12.6 mV", SOURCE, "V", "12.6 V"),
        ("0.06", OHMS, "kΩ", "0.06 kΩ"),
        ("12600", SOURCE, "mV", "12600 mV"),
    ],
)
def test_a_slip_of_a_prefix_is_asked_about_and_mended_by_one_tap(text, spec, unit, fix):
    state = check_reading(text, spec)
    assert state.caution == f"did you mean {unit}?"
    assert state.fix == (f"Use {fix}", fix)
    assert check_reading(fix, spec).caution == ""


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
