"""Months of the calendar with the vehicles' age held: a fleet that grows older is not taken for a change.

Rates of age bands and of months are estimated together (a Poisson rate that is the product of both, fitted by scaling one
and then the other: Deming and Stephan 1940). A month's exposure is then weighted by what its ages would bring.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = Any
EVENTS_OF_A_BAND = 25
MOST_BANDS = 6
_ROUNDS = 500


@dataclass(frozen=True, slots=True)
class HeldAge:
    """Weights (bands,) of the exposure of each age band, 1 on average, and the ages (bands - 1,) between them, in months."""

    weights: Array
    edges: Array

    @property
    def said(self) -> str:
        """One sentence for a reader."""
        return (
            f"months are compared at the same age: the time of vehicles above {self.edges[-1]:.0f} months of age weighs "
            f"{self.weights[-1] / self.weights[0]:.2g} times as much as that of those below {self.edges[0]:.0f}, because as much "
            f"more often they fail in the same month"
        )


def bands_of(age: Array) -> Array:
    """Ages (bands - 1,) in whole months that cut the ages (events,) of defects into bands of like many; none for few events."""
    bands = min(MOST_BANDS, age.size // EVENTS_OF_A_BAND)
    if bands < 2:
        return np.zeros(0)
    edges: Array = np.unique(np.round(np.quantile(age, np.arange(1, bands) / bands)))
    return edges[edges > 0]


def exposure_table(*, start: Array, stop: Array, born: Array, months: Array, edges: Array) -> Array:
    """Exposure (bands, months) of watches from ``start`` to ``stop`` of vehicles ``born`` at (vehicles,), one unit of time.

    ``months`` (months + 1,) are the edges of the months, ``edges`` (bands - 1,) ages.
    """
    table = np.zeros((edges.size + 1, months.size - 1))
    for k in range(months.size - 1):
        low, high = np.maximum(start, months[k]) - born, np.minimum(stop, months[k + 1]) - born
        inside = np.nonzero(high > low)[0]
        low, high = low[inside], high[inside]
        below = [float(np.sum(np.minimum(high, e) - np.minimum(low, e))) for e in (*edges, np.inf)]
        table[:, k] = np.diff([0.0, *below])
    return table


def held_age(*, exposure: Array, of_band: Array, of_month: Array, edges: Array) -> HeldAge | None:
    """Weights of the age bands, from exposure (bands, months) and the defects by band and by month; None without an answer.

    None where bands and months don't hang together through their exposure, or a band has no defect: then no comparison
    within months says how often a band fails.
    """
    used = exposure.sum(axis=0) > 0
    e, months = exposure[:, used], of_month[used].astype(float)
    bands = of_band.astype(float)
    if bands.size < 2 or np.any(bands == 0) or not _hang_together(e):
        return None
    level, rate = np.ones(bands.size), months / np.maximum(e.sum(axis=0), 1e-300)
    for _ in range(_ROUNDS):
        new = bands / np.maximum(e @ rate, 1e-300)
        rate = months / np.maximum(new @ e, 1e-300)
        done = float(np.max(np.abs(new / level - 1))) < 1e-10
        level = new
        if done:
            break
    weights = level * float(e.sum()) / float((level @ e).sum())
    return HeldAge(weights, edges)


def _hang_together(exposure: Array) -> bool:
    """Whether every band meets every other one over months that both have exposure in, directly or by others."""
    joined = (exposure > 0).astype(float)
    reach = np.linalg.matrix_power(np.minimum(joined @ joined.T, 1.0) + np.eye(exposure.shape[0]), exposure.shape[0])
    return bool(np.all(reach > 0))


__all__ = ["HeldAge", "bands_of", "exposure_table", "held_age"]
