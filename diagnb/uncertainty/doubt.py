"""How well an uncertainty is itself known (JCGM 100, E.4.3 and G.4.2)."""

from __future__ import annotations

import math

from diagnb.errors import fault


def degrees_of_freedom_of_doubt(relative_doubt: float) -> float:
    """ν of an uncertainty of type B that may be wrong by ``relative_doubt`` (0.25 means 25 %): ½·(Δu/u)⁻².

    JCGM 100, G.4.2, not rounded; no doubt at all gives infinity. Raises :class:`~diagnb.errors.InputFault` for
    a negative doubt.
    """
    if not relative_doubt >= 0:
        raise fault("relative doubt", f"{relative_doubt} must not be below zero", "0.25 means 25 %")
    return 0.5 / relative_doubt**2 if relative_doubt else math.inf


def relative_doubt_of_deviation(readings: int) -> float:
    """Standard deviation of s over its expectation, for n >= 2 independent normal ``readings``.

    JCGM 100, E.4.3, table E.1: 0.76 for two readings, 0.24 for ten. Exact, by the expectation of s (c₄).
    Raises :class:`~diagnb.errors.InputFault` for fewer than two.
    """
    if readings < 2 or readings != int(readings):
        raise fault("readings", f"{readings} show no spread", "two or more")
    log_c4 = 0.5 * math.log(2 / (readings - 1)) + math.lgamma(readings / 2) - math.lgamma((readings - 1) / 2)
    return math.sqrt(math.expm1(-2 * log_c4))
