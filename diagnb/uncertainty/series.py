"""Readings in a row: how much each repeats the one before, and what that does to the mean.

A display that settles slowly shows nearly the same value several times; such readings count as fewer than they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from diagnb.errors import fault
from diagnb.uncertainty.estimate import Estimate, type_a

FEWEST = 12
"""Fewer readings than this don't show whether they repeat each other."""
FEWEST_INDEPENDENT = 4
"""A series that is worth fewer independent readings than this is refused."""


@dataclass(frozen=True, slots=True)
class Series:
    """A series of repeats. ``estimate`` is its mean with the uncertainty of ``independent`` readings.

    ``lag_one`` is the autocorrelation between neighbours, ``independent`` the number of independent readings that
    the series is worth, ``inflation`` what u grew by against s/√n.
    """

    estimate: Estimate
    readings: int
    lag_one: float
    independent: float
    inflation: float


def lag_one_correlation(values: Iterable[float], *, source: str = "repeats") -> float:
    """Autocorrelation coefficient of neighbouring readings, as certified in the NIST StRD univariate sets.

    Zero where the readings do not vary. Raises :class:`~diagnb.errors.InputFault` for fewer than two.
    """
    data = np.asarray(list(values), dtype=float)
    if data.ndim != 1 or data.size < 2 or not np.all(np.isfinite(data)):
        raise fault(source, "must be two readings or more")
    deviations = data - data[0]
    deviations = deviations - deviations.mean()
    squares = float(deviations @ deviations)
    return float(deviations[:-1] @ deviations[1:]) / squares if squares else 0.0


def type_a_series(values: Iterable[float], *, source: str = "repeats") -> Series:
    """Mean of n >= 12 readings taken in a row, its uncertainty widened where neighbours resemble each other.

    With a positive r between neighbours, n readings are worth n' = n·(1-r)/(1+r) (first-order autoregression;
    JCGM 100, 4.2.7 asks for such methods and names none): u = s·√((n-1)/n/(n'-1)), which is s/√n for r = 0, and
    ν = n'-1. r is first corrected for its bias by (1+4 r)/n. A negative r is not made use of.

    In simulation 95 % intervals hold the truth 93 to 97 times in a hundred where the readings are truly worth six
    or more; where they are worth less, seldomer (89 at four), so take more readings or wait between them.
    Raises :class:`~diagnb.errors.InputFault` for fewer readings, and where they are worth fewer than four.
    """
    data = [float(v) for v in values]
    count = len(data)
    if count < FEWEST:
        raise fault(source, f"{count} readings don't show whether they repeat each other", f"take {FEWEST} or more")
    plain, r = type_a(data, source=source), lag_one_correlation(data, source=source)
    bounded = min(max(r + (1 + 4 * r) / count, 0.0), 1.0) if plain.standard_uncertainty else 0.0
    independent = count * (1 - bounded) / (1 + bounded)
    if independent < FEWEST_INDEPENDENT:
        raise fault(
            source, f"these {count} readings follow each other too closely to show a spread",
            "let the display settle, and wait between readings",
        )  # fmt: skip
    inflation = math.sqrt((count - 1) / (independent - 1))
    widened = Estimate(plain.value, plain.standard_uncertainty * inflation, independent - 1, source, "t")
    return Series(widened, count, r, independent, inflation)
