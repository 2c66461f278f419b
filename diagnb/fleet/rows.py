"""The door of the fleet room: columns of results in, frozen rows out; every fault listed, the rest loaded.

Nothing is dropped silently: each row that is not used stands in ``set_aside`` with the code of its reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnb.conformity import WORDS, Rule
from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.columns import dates, formulas, numbers, sort_groups
from diagnb.fleet.labels import Labels, listed
from diagnb.fleet.measurement_share import judge_history
from diagnb.fleet.points import points_told_apart
from diagnb.quantities import unit as unit_of

Array = Any
SCHEMAS = ("diagnb-record/1",)
TEXTS = (
    "record", "asset", "vin", "point", "component", "lot", "site", "technician", "instrument", "phase", "test", "unit",
    "rule", "verdict", "reason", "schema",
)  # fmt: skip
NUMBERS = ("value", "standard_uncertainty", "lower", "upper", "distance_km")
ALIASES = {"taken_by": "technician", "instruments": "instrument", "at": "date", "odometer_km": "distance_km"}
UNUSED = (
    "seq", "vehicle", "claim", "model_year", "system_voltage", "circuit", "circuit_class", "in_service", "engine_hours",
    "part", "part_serial", "added", "name", "procedure", "procedure_version", "measuring_points",
    "degrees_of_freedom", "coverage_factor", "expanded_uncertainty", "limit_source", "limit_by", "probability",
    "method",
)  # fmt: skip
"""Columns that an archive's copy has besides; no figure needs them, so nobody is told that they were not read."""
PHASES = ("as found", "as left", "")
OVER_RANGE = {"over-range-beyond-limit": "fail", "over-range-meets-limit": "pass"}
"""Reasons of a result whose display was over range, with the verdict that the display proves; such a result has no value."""

SET_ASIDE: dict[str, tuple[str, str]] = {
    "formula": ("a text begins like a spreadsheet formula", "store the text, not the formula"),
    "schema": ("was made by another version of the record", "upgrade the record first"),
    "missing": ("lacks its record, vehicle, point or date", "fill them in"),
    "date": ("the date is not one", "write it as 2026-03-31"),
    "number": ("a number can't be read", "write it with a decimal point and nothing else"),
    "uncertainty": ("the uncertainty is negative", "correct it"),
    "limits": ("the lower limit is above the upper one", "correct them"),
    "revision": ("the revision is not a whole number from 1", "correct it"),
    "phase": ("the phase is unknown", "as found, or as left"),
    "verdict": ("the verdict is unknown", f"one of {', '.join(WORDS)}"),
    "over range": (
        "an over-range reason stands beside a value, or beside a verdict that it does not prove",
        "; ".join(f"{reason}: no value, {verdict}" for reason, verdict in OVER_RANGE.items()),
    ),
    "unit": ("nobody knows this unit", "write it as on the meter: V, mV, A, mΩ"),
    "dimension": ("the unit measures something else than the point's other rows", "correct the unit"),
    "two VINs": ("one vehicle carries two VINs", "say which is right"),
    "two vehicles": ("one VIN stands for two vehicles", "use one name for the vehicle"),
    "superseded": ("a later revision of the record is here", ""),
    "void": ("the record was declared void and asserts nothing", ""),
    "demonstration": ("the record was invented for demonstration, and others here were not", ""),
    "duplicate row": ("the same result of the same record stands twice", ""),
    "left out": ("it was taken with an instrument that was to be left out", ""),
    "duplicate visit": ("another record holds the same result of the same vehicle and day", "keep one of the records"),
}
"""Why a row is not used: code → what was found, and the repair. The last cases, from superseded on, are no mistakes alone."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Results, one a row, in the order of vehicle, point, day and phase, whatever order they came in; arrays (n,).

    ``date`` is datetime64[D]; ``value``, ``standard_uncertainty``, ``lower``, ``upper`` are in the coherent SI unit of the row's
    point (NaN: absent or open); ``verdict`` holds positions in :data:`~diagnb.conformity.WORDS`, ``reason`` its code; ``row`` is the
    row's number in the input, from 1. Made by :func:`read_rows` only.
    """

    record: Labels
    revision: Array
    asset: Labels
    vin: Labels
    point: Labels
    component: Labels
    lot: Labels
    site: Labels
    technician: Labels
    instrument: Labels
    phase: Labels
    test: Labels
    date: Array
    value: Array
    standard_uncertainty: Array
    lower: Array
    upper: Array
    distance_km: Array
    unit: Labels
    rule: Labels
    verdict: Array
    reason: Labels
    row: Array
    faults: tuple[Fault, ...] = ()
    set_aside: Mapping[str, Array] = None  # type: ignore[assignment]

    def __len__(self) -> int:
        return int(self.date.size)

    @property
    def rules(self) -> tuple[str, ...]:
        """The rules that results were judged under."""
        return tuple(self.rule.names[c] for c in np.unique(self.rule.codes))

    @property
    def set_aside_count(self) -> int:
        """Number of rows of the input that are not used."""
        return int(sum(rows.size for rows in self.set_aside.values()))

    def take(self, chosen: Array) -> Rows:
        """Some rows, by mask or positions."""
        columns: dict[str, Any] = {}
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, Labels):
                columns[name] = column.take(chosen)
            elif isinstance(column, np.ndarray):
                columns[name] = column[chosen]
        return replace(self, **columns)

    @property
    def over_range(self) -> Array:
        """Mask (n,) of results without a value whose verdict an over-range display proves."""
        return self.reason.marked(OVER_RANGE)

    def of_component(self, name: str) -> Rows:
        """The rows of one component."""
        return self.take(self.component.codes == self.component.code(name))

    def without_instruments(self, serials: Iterable[str]) -> Rows:
        """The rows that none of these instruments took part in, for example one that was recalled; the others are set aside.

        A row of several instruments names them parted by "|". Raises :class:`~diagnb.errors.InputFault` for a serial number
        that no row has.
        """
        wanted = list(serials)
        taken_with = {name: set(name.split("|")) | {name} for name in self.instrument.names}
        unknown = [serial for serial in wanted if not any(serial in parts for parts in taken_with.values())]
        if unknown:
            have = listed(set().union(*taken_with.values()))
            raise InputFault(
                [Fault("instrument", f"{serial!r} took no result", f"there are {have}") for serial in unknown]
            )
        mine = self.instrument.marked(name for name, parts in taken_with.items() if parts & set(wanted))
        return replace(self.take(~mine), set_aside={**self.set_aside, "left out": _frozen(np.sort(self.row[mine]))})

    def under_one_rule(self, rule: Rule = "guarded-95", *, limits: str = "as stated") -> Rows:
        """All history judged again under one rule, so that a change of rule is not taken for a change of the fleet.

        ``limits`` "latest" also takes each point's limits from its latest row: for points whose limit was revised,
        not for points whose limit depends on the vehicle. Rows without value, uncertainty or limit are "not judged", but
        for those that an over-range display proves (:attr:`over_range`): their verdict stays under any rule, and under a
        latest limit that asks no more than theirs.
        """
        lower, upper = self.lower, self.upper
        if limits == "latest":
            order = np.lexsort((self.date, self.point.codes))
            code = self.point.codes[order]
            last = order[np.append(np.nonzero(np.diff(code))[0], code.size - 1)] if code.size else order
            newest = np.zeros(len(self.point.names), dtype=np.intp)
            newest[self.point.codes[last]] = last
            lower, upper = self.lower[newest[self.point.codes]], self.upper[newest[self.point.codes]]
        elif limits != "as stated":
            raise fault("limits", f"{limits!r} is unknown", "as stated, or latest")
        verdict = judge_history(
            value=self.value, standard_uncertainty=self.standard_uncertainty, lower=lower, upper=upper, rule=rule
        )
        kept = self.over_range
        if limits == "latest":
            # What the display lies above is known to reach the limit of then only.
            fails = (self.verdict == WORDS.index("fail")) & (upper <= self.upper)
            passes = (self.verdict == WORDS.index("pass")) & np.isnan(upper) & (lower <= self.lower)
            kept = kept & (fails | passes)
        verdict = np.where(kept, self.verdict, verdict)
        return replace(
            self, lower=lower, upper=upper, verdict=verdict, rule=Labels(np.zeros(len(self), dtype=np.int32), (rule,))
        )

    def points_with_several_limits(self) -> tuple[str, ...]:
        """Points that were judged against different limits: by vehicle, or because the limit was revised."""
        pairs = np.stack(
            [
                self.point.codes.astype(float),
                np.nan_to_num(self.lower, nan=-1e300),
                np.nan_to_num(self.upper, nan=1e300),
            ]
        )
        distinct = np.unique(pairs, axis=1)[0].astype(int)
        return tuple(self.point.names[k] for k in np.nonzero(np.bincount(distinct, minlength=1) > 1)[0])


def read_rows(columns: Mapping[str, Any], *, schemas: Iterable[str] = SCHEMAS, check_formulas: bool = True) -> Rows:
    """Check columns of results (lists, arrays or :class:`~diagnb.fleet.labels.Labels`, all of one length).

    The order of the rows changes nothing; a point's name that stands for two components of a vehicle at once is told
    apart by them. Needed: ``record``, ``asset`` (or ``vin``), ``point`` (or ``circuit`` with
    ``name``), ``date``. Others of
    :data:`TEXTS` and :data:`NUMBERS`, and ``revision``, may be left out. Values are brought to coherent SI.
    Faults are listed in ``faults`` by kind with the first rows they concern (lines of the file, where the columns were
    read from CSV); the rows stand in ``set_aside``.
    Raises :class:`~diagnb.errors.InputFault` where the table as a whole can't be read.
    """
    given = {ALIASES.get(name, name): column for name, column in columns.items()}
    if {"seq", "procedure", "name", "point"} <= set(given) and "measuring_points" not in given:
        raise fault(
            "column point", "is that of an older form of the archive's copy: different circuits share a point there",
            "make the copy again: diagnb archive export --parquet",
        )  # fmt: skip
    if "point" not in given and {"circuit", "name"} <= set(given):
        pairs = zip(Labels.of(given.pop("circuit")).texts(), Labels.of(given.pop("name")).texts(), strict=True)
        given["point"] = [f"{circuit}: {name}" for circuit, name in pairs]
    if "asset" not in given and "vin" in given:
        given["asset"] = given["vin"]
    n = _length(given)
    known = {*TEXTS, *NUMBERS, *UNUSED, "date", "revision", "status", "demonstration"}
    faults = [Fault(f"column {name}", "is not known and was not read") for name in given if name not in known]
    texts = {name: Labels.of(given[name] if name in given else [""] * n).in_order() for name in TEXTS}
    aside = _Aside(n)
    if check_formulas:
        for name in (t for t in TEXTS if t in given):
            aside.put("formula", formulas(texts[name]), name)
    if "schema" in given:
        aside.put("schema", ~texts["schema"].marked({*schemas, ""}), "schema")
    for name in ("record", "asset", "point"):
        aside.put("missing", texts[name].marked({""}), name)
    day, bad, absent = dates(given["date"])
    aside.put("missing", absent, "date")
    aside.put("date", bad, "date")
    read = {}
    for name in NUMBERS:
        read[name], bad = numbers(given[name]) if name in given else (np.full(n, np.nan), np.zeros(n, dtype=bool))
        aside.put("number", bad, name)
    revision, bad = numbers(given["revision"]) if "revision" in given else (np.ones(n), np.zeros(n, dtype=bool))
    aside.put("revision", bad | ~((revision >= 1) & (revision < 1e9)) | (revision != np.floor(revision)), "revision")
    aside.put("uncertainty", read["standard_uncertainty"] < 0, "standard_uncertainty")
    aside.put("limits", read["lower"] > read["upper"], "lower")
    aside.put("phase", ~texts["phase"].marked(PHASES), "phase")
    aside.put("verdict", ~texts["verdict"].marked({*WORDS, ""}), "verdict")
    proved = np.zeros(n, dtype=bool)
    for reason, verdict in OVER_RANGE.items():
        mine = texts["reason"].marked({reason})
        proved |= mine
        aside.put("over range", mine & (np.isfinite(read["value"]) | ~texts["verdict"].marked({verdict})), "reason")
    _to_si(texts, read, aside)
    _vehicles(texts, aside)
    _latest(texts, revision, aside)
    if "status" in given:
        aside.put("void", Labels.of(given["status"]).marked({"void"}), "status")
    if "demonstration" in given:
        invented, bad = numbers(given["demonstration"])
        aside.put("number", bad, "demonstration")
        invented = invented == 1
        if not invented[aside.free].all():
            aside.put("demonstration", invented, "demonstration")
    number = day.astype(np.int64)
    if "component" in given:
        texts["point"] = points_told_apart(
            **{n: texts[n] for n in ("point", "component", "asset", "phase")}, day=number
        )
    else:
        texts["component"] = texts["point"]
    _duplicates(texts, number, read, proved, aside)
    verdict_of = np.array(
        [WORDS.index(w) if w in WORDS else WORDS.index("not judged") for w in texts["verdict"].names] or [0]
    )
    keep, _ = sort_groups(
        [*(texts[name].codes for name in ("asset", "point")), number, *(texts[name].codes for name in ("phase", "record", "test")), read["value"]],
        aside.free,
    )  # fmt: skip
    return Rows(
        **{name: texts[name].take(keep) for name in TEXTS if name not in ("verdict", "schema")},
        **{name: _frozen(column[keep]) for name, column in read.items()},
        revision=_frozen(revision[keep].astype(np.int64)), date=_frozen(day[keep]),
        verdict=_frozen(verdict_of[texts["verdict"].codes[keep]].astype(np.uint8)), row=_frozen(keep + 1),
        faults=tuple(faults + aside.faults(getattr(columns, "lines", ()))), set_aside=aside.by_code(),
    )  # fmt: skip


def _length(given: Mapping[str, Any]) -> int:
    needed = ("record", "asset", "point", "date")
    faults = [Fault(f"column {name}", "is missing", "every result needs it") for name in needed if name not in given]
    lengths = {name: column.size if isinstance(column, Labels) else len(column) for name, column in given.items()}
    if len(set(lengths.values())) > 1:
        listed = ", ".join(f"{name} has {size}" for name, size in lengths.items())
        faults.append(Fault("columns", f"are not of one length: {listed}"))
    if faults:
        raise InputFault(faults)
    return next(iter(lengths.values()))


def _frozen(column: Array) -> Array:
    column = np.array(column)
    column.flags.writeable = False
    return column


class _Aside:
    """Which rows are set aside, each under the first reason that was found for it."""

    def __init__(self, n: int) -> None:
        self.free = np.ones(n, dtype=bool)
        self._found: list[tuple[str, str, Array]] = []

    def put(self, code: str, mask: Array, column: str) -> None:
        new = mask & self.free
        if new.any():
            self.free[new] = False
            self._found.append((code, column, np.nonzero(new)[0] + 1))

    def faults(self, lines: Sequence[int]) -> list[Fault]:
        return [
            Fault(f"{_listed(rows, lines)}, {column}", SET_ASIDE[code][0], SET_ASIDE[code][1])
            for code, column, rows in self._found
        ]

    def by_code(self) -> dict[str, Array]:
        found: dict[str, list[Array]] = {}
        for code, _, rows in self._found:
            found.setdefault(code, []).append(rows)
        return {code: _frozen(np.sort(np.concatenate(rows))) for code, rows in found.items()}


def _listed(rows: Array, lines: Sequence[int], most: int = 12) -> str:
    shown = ", ".join(str(lines[r - 1] if lines else r) for r in rows[:most])
    more = f" and {rows.size - most} more" if rows.size > most else ""
    return f"{'line' if lines else 'row'}{'s' if rows.size > 1 else ''} {shown}{more}"


def _to_si(texts: Mapping[str, Labels], read: dict[str, Array], aside: _Aside) -> None:
    """Values and limits to coherent SI; unknown units and odd dimensions are set aside."""
    labels = texts["unit"]
    factor, offset = np.ones(len(labels.names) or 1), np.zeros(len(labels.names) or 1)
    kind = np.zeros(len(labels.names) or 1, dtype=int)
    unknown: list[str] = []
    kinds: dict[Any, int] = {}
    for code, name in enumerate(labels.names):
        try:
            found = unit_of(name or "1")
        except InputFault:
            unknown.append(name)
            continue
        factor[code], offset[code] = found.factor, found.offset
        kind[code] = kinds.setdefault(found.dimension, len(kinds))
    aside.put("unit", labels.marked(unknown), "unit")
    codes = labels.codes
    if len(kinds) > 1:
        table: Array = np.zeros((len(texts["point"].names), len(kinds)), dtype=np.int64)
        np.add.at(table, (texts["point"].codes[aside.free], kind[codes[aside.free]]), 1)
        aside.put("dimension", kind[codes] != table.argmax(axis=1)[texts["point"].codes], "unit")
    for name in ("value", "lower", "upper"):
        read[name] = read[name] * factor[codes] + offset[codes]
    read["standard_uncertainty"] = read["standard_uncertainty"] * factor[codes]


def _vehicles(texts: Mapping[str, Labels], aside: _Aside) -> None:
    """One vehicle, one VIN. Which of two is wrong can't be told here, so all rows of such a vehicle are set aside."""
    free = aside.free & ~texts["vin"].marked({""})
    pairs = np.unique(np.stack([texts["asset"].codes[free], texts["vin"].codes[free]]), axis=1)
    many = np.bincount(pairs[0], minlength=len(texts["asset"].names) or 1) > 1
    aside.put("two VINs", many[texts["asset"].codes], "vin")
    shared = np.bincount(pairs[1], minlength=len(texts["vin"].names) or 1) > 1
    for code, name in enumerate(texts["vin"].names):
        if not name:
            shared[code] = False
    aside.put("two vehicles", shared[texts["vin"].codes], "asset")


def _latest(texts: Mapping[str, Labels], revision: Array, aside: _Aside) -> None:
    newest = np.zeros(len(texts["record"].names) or 1)
    free = aside.free
    np.maximum.at(newest, texts["record"].codes[free], revision[free])
    aside.put("superseded", revision < newest[texts["record"].codes], "revision")


def _duplicates(
    texts: Mapping[str, Labels], number: Array, read: Mapping[str, Array], proved: Array, aside: _Aside
) -> None:
    """Set aside all but one row of each result, first within a record, then between records.

    The one that is kept states a lot where any does; beyond that its own texts decide, not its place in the table.
    """
    value = read["value"]
    ties = [texts["lot"].marked({""}), *(labels.codes for labels in texts.values()), *read.values()]
    of_record = [texts[name].codes for name in ("record", "test", "point", "phase")]
    aside.put("duplicate row", _repeated([*of_record, number, value], ties, aside.free), "record")
    of_visit = [texts[name].codes for name in ("asset", "point", "phase", "test")]
    free = aside.free & (np.isfinite(value) | proved)
    aside.put("duplicate visit", _repeated([*of_visit, number, value], ties, free), "record")


def _repeated(keys: Sequence[Array], ties: Sequence[Array], free: Array) -> Array:
    order, first = sort_groups(keys, free)
    group = np.cumsum(first) - 1
    many = np.nonzero(np.bincount(group)[group] > 1)[0] if group.size else group
    rows = order[many]
    order[many] = rows[np.lexsort((*(t[rows] for t in reversed(ties)), group[many]))]
    mask = np.zeros(free.size, dtype=bool)
    mask[order[~first]] = True
    return mask
