"""Fuse-links: current from the drop across them, opening times, what an inrush does to them, colours in words."""

from __future__ import annotations

from typing import Literal

import numpy as np

from diagnb.errors import fault
from diagnb.trade.arguments import Given, Number, not_negative, plain, positive, read
from diagnb.trade.tables import ReferenceTable, find_table

FuseType = Literal["C", "F"]
"""Types of ISO 8820-3: C medium, F miniature."""
TYPICAL_SPREAD = 0.20
"""Half-width, as a fraction, of a current found from the drop across a fuse (common practice)."""


def published_drops(*, kind: FuseType, rated: float) -> tuple[tuple[float, float], ...]:
    """The published pairs (drop in volts, current in amperes) of one fuse, smallest drop first.

    ``kind`` by ISO 8820-3, ``rated`` in amperes. Raises InputFault listing the fuses there are.
    Source: public trade tables (read).
    """
    table = find_table("fuse-drops")
    kinds, ratings = table.words("type"), table.values("rated", "A")
    chosen = [n for n, (k, r) in enumerate(zip(kinds, ratings, strict=True)) if k == kind and r == rated]
    if not chosen:
        listed = ", ".join(sorted({f"type {k} {r:g} A" for k, r in zip(kinds, ratings, strict=True)}))
        raise fault("fuse", f"no figure for type {kind} of {rated} A", f"there are {listed}; or give fuse_resistance")
    drops, currents = table.values("drop", "V")[chosen], table.values("current", "A")[chosen]
    return tuple(sorted(zip(drops.tolist(), currents.tolist(), strict=True)))


def fuse_resistance(*, kind: FuseType, rated: float) -> float:
    """Cold resistance of a fuse from the published pair with the largest drop, which is rounded least.

    Arguments and errors as :func:`published_drops`; returns ohms.
    """
    drop, current = published_drops(kind=kind, rated=rated)[-1]
    return drop / current


def current_from_fuse_drop(*, drop: Number, fuse_resistance: Number) -> Number:
    """I = V / R of a fuse: an estimate, to about :data:`TYPICAL_SPREAD`.

    ``drop`` in volts (its sign kept), ``fuse_resistance`` in ohms, see :func:`fuse_resistance`, any shapes that fit;
    returns amperes. Source: Ohm's law.
    """
    v, r = read(Given("drop", drop, "V"), positive("fuse_resistance", fuse_resistance, "Ω"))
    return plain(v / r)


def opening_window(
    *, current: Number, rated: Number, table: str | ReferenceTable = "fuse-opening"
) -> tuple[Number, Number]:
    """Shortest and longest time in which a fuse may open at a constant current.

    ``current`` and ``rated`` in amperes, any shapes that fit; returns two results in seconds, the longest infinite
    where the fuse need not open. Between two rows the shortest time of the higher load and the longest of the lower
    one hold; above the last row the fuse may open at once. Up to the first load it holds that row's shortest time.
    Source: ISO 8820-3, types C and F (from memory: check a bought copy before use as a limit).
    """
    i, nominal = read(not_negative("current", current, "A"), positive("rated", rated, "A"))
    found = find_table(table)
    loads = found.values("load", "1")
    ratio = np.round(i / nominal, 9)
    above = np.searchsorted(loads, ratio, side="left")
    below = np.searchsorted(loads, ratio, side="right") - 1
    shortest = np.append(found.values("shortest", "s"), 0.0)[above]
    longest = np.where(below >= 0, found.values("longest", "s")[np.maximum(below, 0)], np.inf)
    return plain(shortest), plain(longest)


def outcome_in_window(*, duration: Number, shortest: Number, longest: Number) -> Number:
    """What a pulse does to a protective device whose opening window is known: ``holds``, ``may open`` or ``opens``.

    Seconds, any shapes that fit; returns words of that shape. A pulse shorter than the shortest time holds, one that
    reaches the longest opens. For a breaker the window comes from its maker's curve.
    """
    t, early, late = read(
        not_negative("duration", duration, "s"),
        Given("shortest", shortest, "s", low=0, finite=False),
        Given("longest", longest, "s", low=0, finite=False),
    )
    if np.any(early > late):
        raise fault("shortest", "is above the longest", "swap the two")
    return plain(np.where(t >= late, "opens", np.where(t < early, "holds", "may open")))


def outcome_of_inrush(*, current: Number, duration: Number, rated: Number, table: str | ReferenceTable = "fuse-opening") -> Number:  # fmt: skip
    """What an inrush does to a fuse: ``holds``, ``may open`` or ``opens``.

    ``current`` in amperes is taken as constant for ``duration`` in seconds, so that the peak of a decaying inrush
    errs towards opening. Any shapes that fit; returns words. Source: see :func:`opening_window`.
    """
    shortest, longest = opening_window(current=current, rated=rated, table=table)
    return outcome_in_window(duration=duration, shortest=shortest, longest=longest)


def fuse_colour(*, rated: float) -> str:
    """The colour of a type C or F fuse-link, in words. Raises InputFault for a rating without one.

    Source: ISO 8820-3 (from memory).
    """
    return str(find_table("fuse-colours").row(rated)["colour"])
