"""How numbers about a fleet are written."""

from __future__ import annotations

import math

import pytest

from diagnb.fleet import Figure, figures_table
from diagnb.fleet.cells import amount, in_unit, number, per, probability, share, span, unit_text
from diagnb.fleet.figure import Trial
from diagnb.quantities.counting import counted


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0"), (2.393e-38, "< 0.001"), (0.00099, "< 0.001"), (0.001, "0.001"), (-4e-5, "> -0.001"), (0.31234, "0.3123"),
     (1.0, "1"), (math.inf, "no bound"), (None, "–"), (123456.0, "123,500")],
)  # fmt: skip
def test_a_share_is_never_written_in_powers_of_ten(value: float | None, said: str) -> None:
    assert share(value) == said == in_unit(value, "1")


def test_other_numbers_keep_their_small_values_and_write_out_large_ones() -> None:
    assert number(2e-7) == "2e-07"
    assert number(52341.0) == "52,340"
    assert number(4.5) == "4.5"


def test_an_interval_below_what_is_told_apart_is_said_once() -> None:
    assert span(0.0, 2.393e-38, "1") == "< 0.001" == span(1e-9, 1e-8, "1")
    assert span(1e-9, 0.2, "1") == "< 0.001 to 0.2"
    assert span(0.0, 0.2, "1", between=" – ") == "0 – 0.2"
    assert span(None, 0.2, "1") == "–"


def test_probabilities_units_and_counts_in_words() -> None:
    assert [probability(p) for p in (0.031, 3e-9, 0.0, None)] == ["= 0.031", "< 0.001", "= 0", "–"]
    assert [per(n, "vehicle-months") for n in (1, 1000)] == ["per vehicle-month", "per 1000 vehicle-months"]
    assert [per(1, unit) for unit in ("km", "s", "tests")] == ["per km", "per s", "per test"]
    assert (unit_text("1"), unit_text("V")) == ("", "V")
    assert [counted(n, "stratum", "strata") for n in (1, 2)] == ["1 stratum", "2 strata"]
    assert [counted(n, "defect") for n in (0, 1, 1204)] == ["0 defects", "1 defect", "1,204 defects"]


def test_a_ratio_has_no_unit_and_a_tiny_share_no_exponent_in_figures_and_tables() -> None:
    figure = Figure("share", 3e-9, 0.0, 2e-5, "1", 1.0, 120_000.0, "tests", 120_000, 0.95, "as invented")
    assert str(figure) == "share: < 0.001 (< 0.001, 95 %); 1 in 120,000 tests"
    text = str(figures_table((figure,), title="Shares"))
    assert "e-" not in text
    assert "120,000 tests" in text
    trial = Trial("one", "nothing changed", 12.0, "normal", 1e-12, None, 0.05, "worse", 9, "as invented")
    assert "p < 0.001: nothing changed" in str(trial)


def test_a_slope_over_use_is_told_per_10_000_km_and_an_exposure_in_whole_months() -> None:
    slope = Figure("slope", 2e-7, 1.9e-7, 2.1e-7, "V per km", 9.0, 53_409_950.4, "km", 9, 0.95, "as invented")
    assert str(slope) == "slope: 0.002 (0.0019 to 0.0021, 95 %) V per 10,000 km; 9 in 53,409,950 km"
    assert slope.value == 2e-7
    assert "0.0019 to 0.0021 (95 %)" in str(figures_table((slope,), title="Drift"))
    assert [amount(v) for v in (7255.524, 158.23, 3.0, None)] == ["7,256", "158.2", "3", "–"]
