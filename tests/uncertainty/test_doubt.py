"""How well an uncertainty is known itself: tables of JCGM 100 (from memory) and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.uncertainty import degrees_of_freedom_of_doubt, relative_doubt_of_deviation


@pytest.mark.parametrize(("n", "percent"), [(2, 76), (3, 52), (4, 42), (5, 36), (10, 24), (20, 16), (30, 13), (50, 10)])
def test_table_of_the_guide(n: int, percent: int) -> None:
    assert relative_doubt_of_deviation(n) * 100 == pytest.approx(percent, abs=0.5)


def test_doubt_against_simulation() -> None:
    s = np.std(np.random.default_rng(2).normal(0, 1, (400_000, 4)), axis=1, ddof=1)
    assert relative_doubt_of_deviation(4) == pytest.approx(np.std(s) / np.mean(s), rel=0.005)


def test_doubtful_limit_has_few_degrees_of_freedom() -> None:
    assert degrees_of_freedom_of_doubt(0.25) == pytest.approx(8)
    assert degrees_of_freedom_of_doubt(0.1) == pytest.approx(50)
    assert degrees_of_freedom_of_doubt(0.0) == math.inf
    # For many readings both ways agree: ν = n - 1.
    assert degrees_of_freedom_of_doubt(relative_doubt_of_deviation(1001)) == pytest.approx(1000, rel=0.001)


def test_faults_are_named() -> None:
    with pytest.raises(InputFault, match="relative doubt"):
        degrees_of_freedom_of_doubt(-0.1)
    with pytest.raises(InputFault, match="show no spread"):
        relative_doubt_of_deviation(1)
