"""Arguments: what is no number, no quantity or no shape is refused before anything is computed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from diagnb import trade
from diagnb.errors import InputFault


@pytest.mark.parametrize(
    "value",
    ["12", "12 V", None, True, [True], [1.0, None], [[1.0], [1.0, 2.0]], float("nan"), float("inf"), 1 + 1j, 10**400, 1e300, {}],
)  # fmt: skip
def test_what_is_no_finite_number_is_a_fault(value: Any) -> None:
    with pytest.raises(InputFault, match="drop"):
        trade.resistance_from_drop(drop=value, current=1.0)


@pytest.mark.parametrize("value", [0, 0.0, -0.0, 5e-324, [1.0, 0.0]])
def test_nothing_is_divided_by_nothing(value: Any) -> None:
    with pytest.raises(InputFault, match="current: is zero"):
        trade.resistance_from_drop(drop=0.1, current=value)


@pytest.mark.parametrize("value", [2, 2.0, np.float32(2), np.int8(2), np.array(2)])
def test_any_kind_of_number_gives_a_python_number(value: Any) -> None:
    found = trade.resistance_from_drop(drop=value, current=value)
    assert type(found) is float
    assert found == 1


def test_an_empty_array_gives_an_empty_array() -> None:
    for found in (
        trade.rtd_temperature(resistance=np.array([])),
        trade.ampacity(gauge=np.array([])),
        trade.can_state(can_h=np.array([]), can_l=np.array([])),
        trade.opening_window(current=np.array([]), rated=10.0)[1],
    ):
        assert found.shape == (0,)


def test_arguments_are_not_changed() -> None:
    t = np.array([-50.0, 50.0])
    trade.rtd_temperature(resistance=trade.rtd_resistance(temperature_degc=t))
    assert t.tolist() == [-50.0, 50.0]


@pytest.mark.parametrize("cells", [[], [1.25], 1.25, [[1.25], [1.26]]])
def test_a_spread_needs_two_cells(cells: Any) -> None:
    with pytest.raises(InputFault, match="two cells"):
        trade.cell_spread(specific_gravities=cells)
