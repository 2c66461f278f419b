"""Where the results and the table of vehicles don't fit together: said with a count, never dropped in silence."""

from __future__ import annotations

import numpy as np

from diagnb.conformity import WORDS
from diagnb.errors import fault
from diagnb.fleet.defects import Defects
from diagnb.fleet.labels import listed
from diagnb.fleet.rows import Rows
from diagnb.fleet.vehicles import DAYS_PER_MONTH, Vehicles
from diagnb.quantities.counting import counted

_MOST = 5


def mismatches(rows: Rows, vehicles: Vehicles) -> tuple[str, ...]:
    """A sentence for each kind: vehicles without a watch, results outside one, vehicles without a result, and
    components that follow each other at one point.

    Results of vehicles without a watch, or outside it, count in shares of tests but in no figure with an exposure.
    """
    said = []
    position = vehicles.position(rows.asset)
    known = position >= 0
    at = np.maximum(position, 0)
    if (~known).any():
        names = sorted({rows.asset.names[c] for c in np.unique(rows.asset.codes[~known])})
        said.append(
            f"{counted(int(np.sum(~known)), 'result')} of {counted(len(names), 'vehicle')} that the table of vehicles does not "
            f"have ({listed(names, _MOST)}): in no rate"
        )
    if known.any():
        early = known & (rows.date < vehicles.watched_from[at])
        late = known & (rows.date >= vehicles.watched_to[at])
        for mask, words, day in ((early, "before", "min"), (late, "after", "max")):
            if mask.any():
                found = getattr(rows.date[mask], day)()
                said.append(
                    f"{counted(int(mask.sum()), 'result')} dated {words} the vehicle's watch (the {'first' if day == 'min' else 'last'} "
                    f"on {found}): in no rate"
                )
    said += _replaced(rows)
    absent = len(vehicles) - int(np.unique(position[known]).size)
    if absent:
        said.append(
            f"{counted(absent, 'vehicle')} under watch without any result: their time counts as without a defect"
        )
    return tuple(said)


def _replaced(rows: Rows) -> list[str]:
    """A sentence where one point of a vehicle states two components: each counts the whole watch as its exposure."""
    asset, point, component = (labels.codes for labels in (rows.asset, rows.point, rows.component))
    changed = (asset[1:] == asset[:-1]) & (point[1:] == point[:-1]) & (component[1:] != component[:-1])
    if not changed.any():
        return []
    both = np.unique(np.concatenate([component[1:][changed], component[:-1][changed]]))
    count = int(np.unique(asset[1:][changed]).size)
    return [
        f"{listed((rows.component.names[c] for c in both), _MOST)}: {counted(count, 'vehicle')} state one after the other at the "
        f"same point, and each has the whole watch as its exposure: their rates are too low, and a change of one is no effect"
    ]


def not_judged(rows: Rows) -> str:
    """How many results have no verdict, as a sentence, "" for none: a defect among them is not counted.

    Raises :class:`~diagnb.errors.InputFault` where none has one: a rate of nothing would look like a fleet without defects.
    """
    none = int(np.sum(rows.verdict == WORDS.index("not judged")))
    if not none:
        return ""
    if none == len(rows):
        raise fault(
            "results", f"none of {counted(none, 'result')} can be judged under {', '.join(rows.rules) or 'their rule'}",
            "give standard_uncertainty and limits, or keep the verdicts of the records (--rule as-stored)",
        )  # fmt: skip
    return f"{none:,} of {counted(len(rows), 'result')} are not judged (no value, uncertainty or limit): a defect among them is not counted"


def ages_over_time(vehicles: Vehicles) -> str:
    """Mean age of the vehicles under watch at the beginning and at the end, as a sentence; "" where ages are not known."""
    if not len(vehicles) or bool(np.isnat(vehicles.in_service).any()):
        return ""
    days = [vehicles.watched_from.min() + 30, vehicles.watched_to.max() - 30]
    means = []
    for day in days:
        under = (vehicles.watched_from <= day) & (day < vehicles.watched_to)
        if not under.any():
            return ""
        means.append(float((day - vehicles.in_service[under]).astype(float).mean()) / DAYS_PER_MONTH)
    return (
        f"months are not adjusted for age: the vehicles under watch were {means[0]:.1f} months old on average at the beginning and "
        f"{means[1]:.1f} at the end"
    )


def watch_cautions(defects: Defects, vehicles: Vehicles) -> tuple[str, ...]:
    """What the watch can't know: ages that are not given, what failed before it, when a defect came about."""
    said = []
    unknown = int(np.isnat(vehicles.in_service).sum())
    if unknown:
        said.append(
            f"{counted(unknown, 'vehicle')} without a date of service: ages count from the beginning of the watch"
        )
    begun = int(np.sum(vehicles.watched_from > vehicles.in_service))
    if begun:
        said.append(
            f"{begun} of {counted(len(vehicles), 'vehicle')} in service before the watch began: what failed earlier is not known, "
            f"so a first defect is the first one seen"
        )
    if len(defects):
        said.append("a defect is dated by the test that found it, later than it came about")
    return tuple(said)


__all__ = ["ages_over_time", "mismatches", "not_judged", "watch_cautions"]
