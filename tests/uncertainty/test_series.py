"""Readings in a row: certified autocorrelations, and honest intervals for a display that lags."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.uncertainty import lag_one_correlation, type_a, type_a_series

PUBLISHED = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "published" / "measurement.json").read_text(encoding="utf-8"))
}


@pytest.mark.parametrize("name", ["Lew", "Lottery"])
def test_certified_autocorrelation(name: str) -> None:
    case = PUBLISHED[f"nist-strd-univ-{name}"]
    assert lag_one_correlation(case["inputs"]["data"]) == pytest.approx(float(case["expected"]["r1"]), abs=5e-15)


def _lagging(draw: np.random.Generator, r: float, n: int) -> np.ndarray:
    steps = draw.normal(0, math.sqrt(1 - r * r), n)
    steps[0] = draw.normal()
    for i in range(1, n):
        steps[i] += r * steps[i - 1]
    return steps


@pytest.mark.parametrize(("r", "n"), [(0.0, 12), (0.5, 30), (0.8, 60), (0.94, 200)])
def test_intervals_of_a_lagging_display(r: float, n: int) -> None:
    """The plain s/√n holds the truth far too seldom; the widened one nearly as often as it says."""
    draw = np.random.default_rng(12)
    plain = widened = refused = 0
    tried = 1500
    for _ in range(tried):
        data = _lagging(draw, r, n)
        alone = type_a(data).expanded(0.95)
        plain += alone.interval[0] <= 0 <= alone.interval[1]
        try:
            low, high = type_a_series(data).estimate.expanded(0.95).interval
        except InputFault:
            refused += 1
            continue
        widened += low <= 0 <= high
    assert refused < 0.35 * tried
    assert 0.92 <= widened / (tried - refused) <= 0.98
    if r:
        assert plain / tried < 0.8


def test_independent_readings_stay_as_they_are() -> None:
    swinging = [1.0, 2.0] * 6
    found = type_a_series(swinging)
    assert found.lag_one < 0
    assert found.inflation == 1
    assert found.estimate.standard_uncertainty == type_a(swinging).standard_uncertainty
    assert found.estimate.degrees_of_freedom == 11
    assert type_a_series([12.6] * 12).estimate.standard_uncertainty == 0


def test_drift_and_short_series_are_refused() -> None:
    with pytest.raises(InputFault, match="too closely"):
        type_a_series(range(20))
    with pytest.raises(InputFault, match="take 12 or more"):
        type_a_series([1.0, 2.0, 3.0])
    with pytest.raises(InputFault, match="two readings"):
        lag_one_correlation([1.0])
