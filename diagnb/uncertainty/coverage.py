"""Coverage factors and effective degrees of freedom (JCGM 100, annex G)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from diagnb.errors import fault
from diagnb.uncertainty.shape import Shape

Value = Any


def coverage_factor(
    coverage: float = 0.95,
    degrees_of_freedom: Value = math.inf,
    *,
    half_widths: Sequence[Value] = (),
    normal: Value | None = None,
) -> Value:
    """Coverage factor k of a sum of rectangles (``half_widths``) and a normal part (standard deviation).

    Without rectangles this is Student's t at ν rounded down (JCGM 100, G.3.2 and G.4.1); one rectangle alone
    gives ``coverage * √3``, two give the trapezoid of EA-4/02 S9 and S10.
    Raises :class:`~diagnb.errors.InputFault` when ``coverage`` is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %")
    spread = normal if normal is not None else (0.0 if half_widths else 1.0)
    variance = np.square(spread) + sum((np.square(h) / 3 for h in half_widths), 0.0)
    shape = Shape.from_parts(half_widths, variance, degrees_of_freedom)
    k = shape.quantile((1 + coverage) / 2) / np.sqrt(variance)
    return float(k) if np.ndim(k) == 0 else k


def effective_degrees_of_freedom(contributions: Sequence[Value], degrees_of_freedom: Sequence[Value]) -> Value:
    """Welch-Satterthwaite (JCGM 100, G.4.1) over independent contributions, not rounded.

    ``contributions`` are u_i(y) in the unit of the result; ``degrees_of_freedom`` go with them.
    """
    if len(contributions) != len(degrees_of_freedom) or not contributions:
        raise fault("degrees of freedom", "give one for each contribution")
    squares = [np.square(c) for c in contributions]
    denominator = sum(s**2 / np.asarray(n, dtype=float) for s, n in zip(squares, degrees_of_freedom, strict=True))
    with np.errstate(divide="ignore"):
        result = np.where(np.equal(denominator, 0), math.inf, np.divide(sum(squares) ** 2, denominator))
    return float(result) if result.ndim == 0 else result
