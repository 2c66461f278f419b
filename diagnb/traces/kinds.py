"""The kinds of features by name: one door for forms and commands to take any of them from a column of a trace."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from diagnb.errors import fault
from diagnb.meters import AccuracySheet
from diagnb.quantities import parse_indication, unit
from diagnb.traces.capture import column_accuracy
from diagnb.traces.feature import Feature, Window
from diagnb.traces.file import Trace
from diagnb.traces.levels import cranking_minimum, inrush_peak, mean_current, running_value
from diagnb.traces.response import time_constant
from diagnb.traces.ripple import ripple_frequency, ripple_peak_to_peak, ripple_rms
from diagnb.traces.spells import cranking_duration, longest_dip, time_below, wake_up_duty


@dataclass(frozen=True, slots=True)
class FeatureKind:
    """One kind of feature: what it is for people, and what it needs.

    ``varying``: the recorder's accuracy for what varies about a mean holds. ``in_unit``: the value is in the unit of
    its column, so that the column's symbol is handed on.
    """

    title: str
    take: Callable[..., Feature]
    threshold: bool = False
    varying: bool = False
    in_unit: bool = True


KINDS: Mapping[str, FeatureKind] = {
    "inrush-peak": FeatureKind("inrush peak: the largest sample", inrush_peak),
    "running-value": FeatureKind("running value: the mean over the window, by default the last quarter", running_value),
    "cranking-minimum": FeatureKind("cranking minimum: the smallest sample", cranking_minimum),
    "cranking-duration": FeatureKind(
        "cranking duration: the longest stay below the threshold", cranking_duration, threshold=True, in_unit=False
    ),
    "longest-dip": FeatureKind("longest dip below the threshold", longest_dip, threshold=True, in_unit=False),
    "time-below": FeatureKind("all time below the threshold", time_below, threshold=True, in_unit=False),
    "mean-current": FeatureKind("mean over time of exactly the window", mean_current),
    "wake-up-duty": FeatureKind(
        "wake-ups: the share of time above the threshold", wake_up_duty, threshold=True, in_unit=False
    ),
    "ripple-peak-to-peak": FeatureKind("ripple, peak to peak", ripple_peak_to_peak, varying=True),
    "ripple-rms": FeatureKind("ripple, r.m.s. about its mean", ripple_rms, varying=True),
    "ripple-frequency": FeatureKind("ripple: frequency of its largest line", ripple_frequency, in_unit=False),
    "time-constant": FeatureKind("time constant of an exponential course", time_constant, in_unit=False),
}
"""Kinds by the id that a record keeps."""


def take_feature(
    kind: str,
    *,
    trace: Trace,
    column: str,
    sheet: AccuracySheet,
    window: Window | None = None,
    threshold: str = "",
    ambient_degc: float | None = None,
) -> Feature:
    """The feature called ``kind`` of one column of ``trace``, with the recorder's accuracy by its ``sheet``.

    ``threshold`` is a text such as "9.6 V". Raises :class:`~diagnb.errors.InputFault` for an unknown kind, a
    threshold that is missing, not wanted or not in the column's unit, and what the feature itself refuses.
    """
    known = KINDS.get(kind)
    if known is None:
        raise fault("feature", f"{kind!r} is unknown", f"one of {', '.join(KINDS)}")
    source = trace.column(column)
    further: dict[str, object] = {}
    if known.threshold:
        if not threshold.strip():
            raise fault(kind, "needs a threshold", f"for example 9.6 {source.unit}")
        level = parse_indication(threshold, unit=source.unit)
        if level.number is None or level.symbol.dimension != unit(source.unit).dimension:
            raise fault(
                "threshold", f"{threshold!r} is no level of column {source.name!r}", f"state it in {source.unit}"
            )
        further["threshold"] = level.value
    elif threshold.strip():
        raise fault(kind, "takes no threshold", "leave it out")
    if known.in_unit:
        further["unit"] = source.unit
    accuracy = column_accuracy(source, sheet, ambient_degc=ambient_degc, varying=known.varying)
    return known.take(time=trace.time, values=source.values, accuracy=accuracy, window=window, **further)
