"""Rounding by GUM 7.2.6: two digits of U, the value in the same place, never a negative zero."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb.quantities import plain, round_to, round_uncertainty, significant, value_with_uncertainty


@pytest.mark.parametrize(
    ("value", "expanded", "texts"),
    [
        (0.24, 0.008123, ("0.2400", "0.0081")),
        (12.6, 0.0823, ("12.600", "0.082")),
        (-0.0004, 0.012, ("0.000", "0.012")),
        (1234567.0, 12345.0, ("1235000", "13000")),
        (2.675, 0.0099, ("2.6750", "0.0099")),
        (2.675, 0.00999, ("2.675", "0.010")),
        (12.6, 0.0, ("12.6", "0")),
        (1e15, 1e-15, ("1000000000000000.0000000000000000", "0.0000000000000010")),
    ],
)
def test_value_and_uncertainty_in_one_place(value: float, expanded: float, texts: tuple[str, str]) -> None:
    assert value_with_uncertainty(value, expanded) == texts


@given(st.floats(1e-12, 1e12))
def test_an_uncertainty_keeps_two_digits_and_loses_little(uncertainty: float) -> None:
    rounded = round_uncertainty(uncertainty)
    assert len(rounded.as_tuple().digits) == 2
    assert 0.975 * uncertainty <= float(rounded) <= 1.1 * uncertainty


@given(st.floats(-1e300, 1e300), st.floats(1e-300, 1e300))
def test_any_pair_of_floats_can_be_shown(value: float, expanded: float) -> None:
    shown, rounded = value_with_uncertainty(value, expanded)
    assert abs(Decimal(shown) - Decimal(repr(value))) <= Decimal(repr(expanded))
    assert "e" not in (shown + rounded).lower()
    assert not (shown.startswith("-") and float(shown) == 0)


@pytest.mark.parametrize("wrong", [-1.0, float("nan"), float("inf")])
def test_what_is_no_uncertainty_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="not an uncertainty"):
        round_uncertainty(wrong)


def test_halves_and_trailing_zeros() -> None:
    assert plain(round_to(2.675, Decimal("0.01"))) == "2.68"
    assert plain(round_to(12.0, Decimal("0.01"))) == "12.00"
    assert plain(round_to(-0.001, Decimal("0.01"))) == "0.00"
    assert significant(0.0123456) == "0.01235"
    assert significant(0.0) == "0"
