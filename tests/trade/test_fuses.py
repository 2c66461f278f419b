"""Fuses: current from a drop, opening windows between the rows, inrush."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault


def test_current_from_the_drop_across_a_fuse() -> None:
    r = trade.fuse_resistance(kind="C", rated=10)
    assert trade.current_from_fuse_drop(drop=[0.001, -0.0005], fuse_resistance=r) == pytest.approx([0.130, -0.065])
    # Of two published pairs the one with more digits counts.
    assert trade.fuse_resistance(kind="F", rated=15) == pytest.approx(1 / 218)


def test_a_fuse_without_figure_lists_those_with_one() -> None:
    with pytest.raises(InputFault, match="type C 10 A, type F 15 A"):
        trade.fuse_resistance(kind="C", rated=20)


def test_between_two_rows_the_window_is_the_widest_that_both_allow() -> None:
    assert trade.opening_window(current=15.0, rated=10.0) == (0.25, 600.0)
    assert trade.opening_window(current=10.0, rated=10.0) == (360000.0, math.inf)
    assert trade.opening_window(current=100.0, rated=10.0) == (0.0, pytest.approx(0.1))


@given(st.lists(st.floats(0, 1000), min_size=2, max_size=30), st.floats(1, 100))
def test_more_current_never_opens_later(currents: list[float], rated: float) -> None:
    shortest, longest = trade.opening_window(current=sorted(currents), rated=rated)
    assert np.all(np.diff(shortest) <= 0)
    assert np.all(longest[1:] <= longest[:-1])
    assert np.all(shortest <= longest)


def test_an_inrush_holds_may_open_or_opens() -> None:
    found = trade.outcome_of_inrush(current=[60.0, 60.0, 60.0, 8.0], duration=[0.01, 0.05, 0.2, 3600.0], rated=10.0)
    assert found.tolist() == ["holds", "may open", "opens", "holds"]
    assert trade.outcome_of_inrush(current=60.0, duration=0.02, rated=10.0) == "may open"


def test_a_breaker_is_judged_by_its_makers_window() -> None:
    assert trade.outcome_in_window(duration=[0.5, 5.0, 50.0], shortest=1.0, longest=10.0).tolist() == ["holds", "may open", "opens"]  # fmt: skip
    assert trade.outcome_in_window(duration=1e6, shortest=1.0, longest=math.inf) == "may open"


@pytest.mark.parametrize(
    ("change", "part"),
    [({"shortest": 20.0}, "shortest"), ({"duration": -1.0}, "duration"), ({"longest": float("nan")}, "longest")],
)
def test_a_window_that_is_none(change: dict[str, Any], part: str) -> None:
    with pytest.raises(InputFault, match=part):
        trade.outcome_in_window(**({"duration": 1.0, "shortest": 1.0, "longest": 10.0} | change))


def test_colours_are_words() -> None:
    assert [trade.fuse_colour(rated=r) for r in (7.5, 25)] == ["brown", "clear"]
    with pytest.raises(InputFault, match=r"7\.5, 10"):
        trade.fuse_colour(rated=8)
