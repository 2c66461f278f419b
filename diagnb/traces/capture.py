"""From a feature to the record: the plain form of a reading, and of the attachment it was taken from.

The reading is a text with the digits that the recorder's accuracy sheet supports, taken with the recorder; what the
sheet does not cover (noise, sampling, fit) travels with it and is added when the record is evaluated.
"""

from __future__ import annotations

import hashlib
import math
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from itertools import pairwise
from typing import Any

import numpy as np

from diagnb.errors import fault
from diagnb.meters import AccuracySheet, Function
from diagnb.quantities import parse_indication, plain, unit
from diagnb.traces.feature import Accuracy, Feature, Window, accuracy_of, range_in_use
from diagnb.traces.file import Column, Trace

_FUNCTIONS = {
    "varying": ("ac voltage", "ac current"),
    "time": ("time",),
    "frequency": ("frequency",),
    "duty": ("duty cycle",),
}
_FINEST = Decimal("1e-9")
_LEVELS = {"threshold", "hysteresis", "end-value", "height", "mean"}
OUTLINE = 80
"""Stretches of the outline that travels with a reading; each gives its low and its high."""


def column_accuracy(
    column: Column, sheet: AccuracySheet, *, ambient_degc: float | None = None, varying: bool = False
) -> Accuracy:
    """The accuracy limit for this column: its function and range, or the smallest range that holds the column.

    ``varying`` takes the statement for what varies about a mean (ripple) where the sheet has one.
    """
    function = sheet_function(column, sheet, "varying" if varying else "level").name
    return accuracy_of(sheet, function, largest=column.largest, range=_range_of(column, sheet, function),
                       ambient_degc=ambient_degc)  # fmt: skip


def sheet_function(column: Column, sheet: AccuracySheet, quantity: str) -> Function:
    """The function of the sheet whose statement holds for a quantity taken from this column.

    Raises :class:`~diagnb.errors.InputFault` when the column names none, or the sheet has none.
    """
    if quantity in ("time", "frequency", "duty"):
        return sheet.function(_FUNCTIONS[quantity][0])
    if not column.function:
        raise fault(
            f"column {column.name!r}", "has no function of the recorder's sheet", 'state function = "dc voltage"'
        )
    own = sheet.function(column.function)
    if quantity == "varying":
        for candidate in sheet.functions:
            fits = unit(candidate.unit).dimension == unit(own.unit).dimension
            if candidate.name in _FUNCTIONS["varying"] and fits:
                return candidate
    return own


def _range_of(column: Column, sheet: AccuracySheet, function: str) -> str:
    """The range that the description states, where this function has it too."""
    if not column.spec.range:
        return ""
    known = sheet.function(function)
    full = parse_indication(column.spec.range, unit=known.unit).value
    if function == column.function or any(math.isclose(r.full_scale, full, rel_tol=1e-9) for r in known.ranges):
        return column.spec.range
    return ""


def reading_from_feature(
    *,
    feature: Feature,
    trace: Trace,
    column: str,
    sheet: AccuracySheet,
    instrument: str,
    name: str,
    attachment: str,
    from_point: str = "",
    to_point: str = "",
    load_state: str = "",
) -> dict[str, Any]:
    """The feature as the plain form of a :class:`~diagnb.record.document.Reading` called ``name``.

    ``instrument`` is the recorder's id in the record, ``attachment`` the name under which the file is attached.
    Raises :class:`~diagnb.errors.InputFault` when the sheet has no function or range for it.
    """
    source = trace.column(column)
    function = sheet_function(source, sheet, feature.quantity)
    if unit(function.unit).dimension != unit(feature.unit).dimension:
        what = f"the sheet states {function.name} in {function.unit}, but the feature is in {feature.unit}"
        raise fault(feature.id, what, "choose the column and its function again")
    clocked = feature.quantity in ("time", "frequency", "duty")
    stated = "" if clocked else _range_of(source, sheet, function.name)
    largest = abs(feature.value) if clocked else max(source.largest, abs(feature.value))
    chosen = range_in_use(function, largest=largest, stated=stated)
    shown = parse_indication(chosen.name, unit=function.unit)
    assert shown.step is not None
    scale = shown.symbol
    value = Decimal(repr(float(scale.from_si(feature.value)))).quantize(shown.step, ROUND_HALF_EVEN)
    remarks = [*feature.remarks, *(() if stated or clocked else ("range-assumed",))]
    where: dict[str, Any] = {
        "attachment": attachment,
        "sha256": trace.sha256,
        "column": source.name,
        "feature": feature.id,
        "start": _seconds(feature.window[0]),
        "end": _seconds(feature.window[1]),
        "rows": len(trace.time),
        "unit": source.unit,
        "parameters": _parameters(feature, source.unit),
        "points": [[_seconds(t), _decimal(float(unit(source.unit).from_si(x)))] for t, x in feature.points],
        "outline": _outline(trace, source, feature.window),
        "remarks": remarks,
    }
    added = [s for s in feature.sources if not s.by_sheet]
    contributions = []
    for entry in added:
        u = _rounded_up(entry.standard_uncertainty / scale.factor)
        if u > 0:
            stated_entry: dict[str, Any] = {
                "source": entry.name,
                "standard_uncertainty": plain(u),
                "distribution": entry.distribution,
            }
            if math.isfinite(entry.degrees_of_freedom) and entry.degrees_of_freedom < 10_000:
                stated_entry["degrees_of_freedom"] = max(1, int(entry.degrees_of_freedom))
            contributions.append(stated_entry)
    if contributions:
        where |= {"contribution_unit": scale.symbol, "contributions": contributions}
    reading: dict[str, Any] = {
        "name": name,
        "texts": [f"{plain(value if value else abs(value))} {scale.symbol}"],
        "instrument": instrument,
        "function": function.name,
        "range": chosen.name,
        "trace": where,
    }
    reading |= {k: v for k, v in (("from_point", from_point), ("to_point", to_point), ("load_state", load_state)) if v}
    return reading


def attachment_from_trace(*, data: bytes, name: str, shows: str = "", media_type: str = "text/csv") -> dict[str, Any]:
    """The plain form of the :class:`~diagnb.record.document.Attachment` of a recorder's file."""
    digest = hashlib.sha256(data).hexdigest()
    return {"name": name, "sha256": digest, "media_type": media_type, "size": len(data), "shows": shows}


def same_file(data: bytes, sha256: str) -> bool:
    """Whether these bytes are the file whose digest a record states."""
    return hashlib.sha256(data).hexdigest() == sha256


def window_of(trace: Trace, start: str, end: str) -> Window:
    """A window from two typed times such as "20 ms" and "1.5 s", on the trace's own time axis."""
    seconds = [parse_indication(text, unit="s").value for text in (start, end)]
    if not all(math.isfinite(s) for s in seconds) or not seconds[0] < seconds[1]:
        raise fault("window", f"from {start} to {end} is no window", "its end is later than its start")
    if seconds[1] < trace.time[0] or seconds[0] > trace.time[-1]:
        raise fault("window", "lies outside the trace", f"it runs from {trace.time[0]:g} s to {trace.time[-1]:g} s")
    return seconds[0], seconds[1]


def _parameters(feature: Feature, symbol: str) -> dict[str, str]:
    """Parameters as shown: those that are levels in the column's unit."""
    scale = unit(symbol)
    shown = dict(feature.parameters)
    for key in shown.keys() & _LEVELS:
        value = float(shown[key])
        # A hysteresis or a height is a difference, which a unit's offset does not touch.
        there = value / scale.factor if key in ("hysteresis", "height") else float(scale.from_si(value))
        shown[key] = f"{_decimal(there, 6)} {symbol}"
    return shown


def _outline(trace: Trace, column: Column, window: Window) -> list[list[str]]:
    """The course about the window, thinned to the low and the high of eighty stretches, in order of time."""
    about = window[1] - window[0]
    keep = (trace.time >= window[0] - about) & (trace.time <= window[1] + about) & np.isfinite(column.values)
    time, values = trace.time[keep], unit(column.unit).from_si(column.values[keep])
    chosen = list(range(len(time)))
    if len(time) > 2 * OUTLINE:
        chosen = []
        for a, b in pairwise(np.linspace(0, len(time), OUTLINE + 1).astype(int)):
            chosen += sorted({int(a + np.argmin(values[a:b])), int(a + np.argmax(values[a:b]))})
    places = min(max(math.ceil(4 - math.log10(3 * about)), 0), 9)
    return [[_seconds(float(time[i]), places), _decimal(float(values[i]), 4)] for i in chosen]


def _seconds(value: float, places: int = 9) -> str:
    """A time as the decimal text of a record, to the nanosecond or to fewer places."""
    return _trimmed(Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN))


def _decimal(value: float, digits: int = 9) -> str:
    """A number as the decimal text of a record: so many significant digits, at most nine places."""
    exact = Decimal(f"{value:.{digits}g}")
    places = exact.as_tuple().exponent
    if isinstance(places, int) and places < -9:
        exact = exact.quantize(_FINEST, ROUND_HALF_EVEN)
    return _trimmed(exact)


def _trimmed(exact: Decimal) -> str:
    text = f"{exact:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _rounded_up(value: float) -> Decimal:
    """An uncertainty to two significant digits, upwards, no finer than nine places."""
    exact = Decimal(repr(float(value)))
    if not exact:
        return exact
    place = max(Decimal(1).scaleb(exact.adjusted() - 1), _FINEST)
    return exact.quantize(place, rounding=ROUND_CEILING)
