"""Comparison with a printed number: half a unit of its last digit, never looser."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any


def cases(name: str) -> list[dict[str, Any]]:
    """The cases of one file, in its order."""
    return json.loads(Path(__file__).with_name(name).read_text(encoding="utf-8"))


def half_unit(printed: str) -> float:
    """Half a unit of the last digit of a printed number."""
    return float(Decimal(1).scaleb(int(Decimal(printed).as_tuple().exponent)) / 2)


def agrees(computed: float, printed: str, tolerance: float | None = None) -> bool:
    """Whether ``computed`` rounds to ``printed``; the tiny rest is for binary fractions that lie on the half."""
    allowed = half_unit(printed) if tolerance is None else tolerance
    return abs(float(computed) - float(printed)) <= allowed + 1e-15 * abs(float(printed)) + 1e-9 * allowed
