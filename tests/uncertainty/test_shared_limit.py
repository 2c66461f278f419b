"""Readings of one range that share their whole accuracy limit: gain and offset add, as for a reading alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnb.meters import load_meter
from diagnb.uncertainty import Estimate, monte_carlo, propagate

METER = load_meter("handheld-6000", instrument="M1")


def read(text: str, name: str) -> Estimate:
    return METER.estimate(text, function="dc voltage", ambient_degc=23, name=name)


def test_the_sum_of_two_batteries_shares_the_limit() -> None:
    """±(0.5 % + 2 counts) on each, fully common: (gain + gain + offset + offset) in one rectangle, steps apart."""
    a, b = read("12.62 V", "battery A"), read("12.58 V", "battery B")
    total = propagate("a + b", {"a": a, "b": b})
    shared = (0.005 * (12.62 + 12.58) + 2 * 0.015) / math.sqrt(3)
    steps = 0.005 / math.sqrt(3)
    assert total.standard_uncertainty == pytest.approx(math.sqrt(shared**2 + 2 * steps**2))
    assert [p.assumption for p in total.parts if p.assumption] == ["taken as fully common"]


def test_a_difference_keeps_its_readings_independent_and_its_offset_cancels() -> None:
    drop = propagate("a - b", {"a": read("12.62 V", "post"), "b": read("12.38 V", "pump")})
    assert drop.standard_uncertainty == pytest.approx(
        math.sqrt((0.005 * 12.62) ** 2 + (0.005 * 12.38) ** 2 + 2 * 0.005**2) / math.sqrt(3)
    )


@pytest.mark.parametrize("formula", ["a + b", "a - b", "a + b - c", "2 * a - b - c", "a * b"])
def test_draws_and_linear_agree_on_what_is_shared(formula: str) -> None:
    inputs = {n: read(t, n) for n, t in (("a", "12.62 V"), ("b", "12.38 V"), ("c", "3.10 V")) if n in formula}
    linear = propagate(formula, inputs)
    drawn = monte_carlo(formula, inputs, trials=200_000)
    assert drawn.standard_uncertainty == pytest.approx(linear.standard_uncertainty, rel=0.01)


@pytest.mark.parametrize("placed_together", [True, False])
def test_intervals_of_sums_hold_for_instruments_anywhere_in_their_limit(placed_together: bool) -> None:
    """Gain and offset errors drawn together or apart: a sum of three readings holds its stated 95 %."""
    chance, held, visits = np.random.default_rng(5), 0, 400
    truths = np.array([12.61, 12.47, 12.29])
    for _ in range(visits):
        gain = chance.uniform(-0.005, 0.005)
        offset = 3 * gain if placed_together else chance.uniform(-0.015, 0.015)
        shown = np.round((truths * (1 + gain) + offset) / 0.01) * 0.01
        inputs = {n: read(f"{v:.2f} V", n) for n, v in zip("abc", shown, strict=True)}
        low, high = propagate("a + b + c", inputs).expanded(0.95).interval
        held += low <= truths.sum() <= high
    assert held >= 0.93 * visits
