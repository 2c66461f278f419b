"""Which vehicles were under watch, from when to when: the exposure behind every rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnb.errors import Fault, InputFault
from diagnb.fleet.columns import dates, formulas, numbers
from diagnb.fleet.labels import Labels

Array = Any
DAYS_PER_MONTH = 30.4375
_TEXTS = ("asset", "vin", "lot", "model", "site")
_DATES = ("in_service", "watched_from", "watched_to")


@dataclass(frozen=True, slots=True)
class Vehicles:
    """Vehicles under watch, one a row, in the order of their names; arrays (n,).

    ``in_service``, ``watched_from``, ``watched_to``: datetime64[D]; the watch is [from, to). ``distance_km``: driven
    within the watch (NaN unknown). Made by :func:`read_vehicles` only.
    """

    asset: Labels
    vin: Labels
    lot: Labels
    model: Labels
    site: Labels
    in_service: Array
    watched_from: Array
    watched_to: Array
    distance_km: Array
    faults: tuple[Fault, ...] = ()

    def __len__(self) -> int:
        return int(self.watched_from.size)

    @property
    def months(self) -> Array:
        """Months under watch (n,), a month being 30.4375 days."""
        return (self.watched_to - self.watched_from).astype(float) / DAYS_PER_MONTH

    def position(self, assets: Labels) -> Array:
        """Position here of each row's vehicle (rows,), -1 where it is not here."""
        index = {self.asset.names[c]: k for k, c in enumerate(self.asset.codes)}
        return np.array([index.get(name, -1) for name in assets.names] or [-1], dtype=np.intp)[assets.codes]


def read_vehicles(columns: Mapping[str, Any]) -> Vehicles:
    """Check the table of vehicles: ``asset``, ``watched_from``, ``watched_to``; others may be left out.

    Vehicles without a date that is needed, with a watch that ends before it begins, standing twice or with a
    VIN that another one has, are left out and listed in ``faults``. ``in_service`` unknown is NaT.
    Raises :class:`~diagnb.errors.InputFault` where the table as a whole can't be read.
    """
    faults = [Fault(f"column {n}", "is missing") for n in ("asset", "watched_from", "watched_to") if n not in columns]
    sizes = {name: c.size if isinstance(c, Labels) else len(c) for name, c in columns.items()}
    if len(set(sizes.values())) > 1:
        faults.append(Fault("columns", "are not of one length: " + ", ".join(f"{k} has {v}" for k, v in sizes.items())))
    if faults:
        raise InputFault(faults)
    n = next(iter(sizes.values()))
    known = {*_TEXTS, *_DATES, "distance_km"}
    faults = [Fault(f"column {name}", "is not known and was not read") for name in columns if name not in known]
    texts = {name: Labels.of(columns.get(name, [""] * n)).in_order() for name in _TEXTS}
    days = {name: dates(columns.get(name, [""] * n)) for name in _DATES}
    distance, bad_number = (
        numbers(columns["distance_km"]) if "distance_km" in columns else (np.full(n, np.nan), np.zeros(n, dtype=bool))
    )
    keep = np.ones(n, dtype=bool)
    lines = getattr(columns, "lines", ())

    def leave(mask: Array, what: str, repair: str = "") -> None:
        new = mask & keep
        for k in np.nonzero(new)[0]:
            name = texts["asset"].names[texts["asset"].codes[k]]
            where = f"line {lines[k]}" if lines else f"row {k + 1}"
            faults.append(Fault(f"vehicle {name or '?'} ({where})", what, repair))
        keep[new] = False

    for name in _TEXTS:
        leave(formulas(texts[name]), "a text begins like a spreadsheet formula")
    leave(texts["asset"].marked({""}), "has no name")
    for name in ("watched_from", "watched_to"):
        leave(days[name][1] | days[name][2], f"{name} is missing or no date", "without it there is no exposure")
    leave(days["in_service"][1], "in_service is no date")
    start, end, service = (days[name][0] for name in ("watched_from", "watched_to", "in_service"))
    leave(~(end > start), "the watch ends before it begins")
    leave(service > start, "the watch begins before the vehicle was in service")
    leave(bad_number | (distance < 0), "the distance is no number from 0")
    for name, what in (("asset", "stands twice"), ("vin", "has the VIN of another vehicle")):
        codes = texts[name].codes
        count = np.bincount(codes[keep], minlength=len(texts[name].names) or 1)
        named = ~texts[name].marked({""})
        leave((count[codes] > 1) & named, what, "one row for each vehicle")
    # By name: the order of the table changes no sum's last digit.
    keep = np.nonzero(keep)[0]
    keep = keep[np.argsort(texts["asset"].codes[keep], kind="stable")]
    return Vehicles(
        **{name: texts[name].take(keep) for name in _TEXTS}, in_service=service[keep], watched_from=start[keep],
        watched_to=end[keep], distance_km=distance[keep], faults=tuple(faults),
    )  # fmt: skip
