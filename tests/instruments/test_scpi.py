"""A meter on a wire, against pyvisa-sim: the queries are real, the instruments invented."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from diagnb.errors import InputFault
from diagnb.instruments import WiredReading, read_meter
from diagnb.meters import Meter, load_sheet, sheet_files

MOMENT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
SHEET = load_sheet(sheet_files()["handheld-6000"])
LIBRARY = f"{Path(__file__).with_name('simulated_meter.yaml')}@sim"


def read(name: str) -> WiredReading:
    return read_meter(f"TCPIP0::{name}::INSTR", SHEET, clock=lambda: MOMENT, library=LIBRARY)


def test_a_reading_lands_with_function_range_digits_and_time() -> None:
    found = read("bench")
    assert (found.text, found.function, found.range, found.time) == ("12.60 V", "dc voltage", "60.00 V", MOMENT)
    assert found.identity.endswith("000042,1.0")
    assert found.raw == "+1.26038000E+01"


def test_a_small_negative_drop_keeps_its_sign_and_gets_the_steps_of_its_range() -> None:
    found = read("small")
    assert (found.text, found.range) == ("-0.0614 V", "600.0 mV")
    estimate = Meter(SHEET).estimate(found.text, function=found.function, range=found.range, ambient_degc=23)
    assert estimate.value == pytest.approx(-0.0614)


def test_infinity_is_over_range_and_not_a_number() -> None:
    assert read("open").text == "OL"


@pytest.mark.parametrize(
    ("name", "said"), [("troubled", "Data out of range"), ("other", "CAP"), ("nobody", "does not answer")]
)
def test_trouble_is_one_named_fault(name: str, said: str) -> None:
    with pytest.raises(InputFault, match=said):
        read(name)
