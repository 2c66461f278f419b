"""A feature of a trace: one value with its uncertainty by source, and the points it was taken from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from diagnb.errors import Fault, MeasurementFault, fault
from diagnb.meters import AccuracySheet, Function, Range
from diagnb.quantities import parse_indication, unit
from diagnb.uncertainty import Component, Estimate

Array = npt.NDArray[np.float64]
Window = tuple[float, float]
Quantity = Literal["level", "varying", "time", "frequency", "duty"]
"""Which accuracy statement of the recorder holds: of a level, of what varies about a mean, of its clock."""
MOST_POINTS = 200
_ROOT_THREE = math.sqrt(3)
_SIX = math.sqrt(6)
_MAD = 1.4826


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The recorder's accuracy limit for one column, coherent SI: ±(gain · |x| + offset), and its step."""

    gain: float = 0.0
    offset: float = 0.0
    step: float = 0.0
    full_scale: float = math.inf
    clock: float = 0.0
    """Limit of the time base as a fraction of an interval."""

    def __post_init__(self) -> None:
        if not all(v >= 0 for v in (self.gain, self.offset, self.step, self.full_scale, self.clock)):
            raise ValueError("limits of accuracy are not negative")

    def half_width(self, value: float) -> float:
        """Half-width of the limit at ``value``."""
        return self.gain * abs(value) + self.offset


@dataclass(frozen=True, slots=True)
class Source:
    """One source of a feature's uncertainty, coherent SI. ``by_sheet``: the recorder's accuracy sheet covers it."""

    name: str
    standard_uncertainty: float
    distribution: Literal["rectangular", "normal"] = "rectangular"
    degrees_of_freedom: float = math.inf
    by_sheet: bool = False


@dataclass(frozen=True, slots=True)
class Feature:
    """One value read out of a trace, coherent SI, with its sources of uncertainty and the points used.

    ``points`` are (time in s, value in SI) pairs; ``remarks`` are codes of :data:`REMARKS`.
    """

    id: str
    value: float
    unit: str
    sources: tuple[Source, ...]
    points: tuple[tuple[float, float], ...]
    window: Window
    quantity: Quantity = "level"
    parameters: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or any(
            not math.isfinite(s.standard_uncertainty) or s.standard_uncertainty < 0 for s in self.sources
        ):
            raise MeasurementFault(Fault(self.id, "has no finite value here", "choose another window"))

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares of all sources, coherent SI."""
        return math.sqrt(math.fsum(s.standard_uncertainty**2 for s in self.sources))

    def estimate(self) -> Estimate:
        """The feature as an estimate with its components, coherent SI."""
        parts = [
            Component(f"{self.id}: {s.name}", s.standard_uncertainty, s.degrees_of_freedom, s.distribution)
            for s in self.sources
        ]
        return Estimate.of(self.value, parts)

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Coverage interval, coherent SI."""
        half = self.estimate().expanded(coverage).expanded_uncertainty
        return self.value - float(half), self.value + float(half)


REMARKS = {
    "not-steady": "the value drifts within the window by more than its scatter",
    "shape-not-exponential": "the course differs from an exponential by more than a twentieth of its height",
    "none-found": "no crossing of the threshold was found in the window",
    "few-samples": "the event spans fewer than five samples",
    "range-assumed": "the range of the recorder was not stated; the smallest that holds the trace was assumed",
    "open-at-an-end": "an event runs beyond an end of the window and was counted inside it only",
}
"""Remarks of features by code."""


@dataclass(frozen=True, slots=True)
class Section:
    """The part of a trace that a feature is taken from: checked, finite, without gaps."""

    time: Array
    values: Array
    accuracy: Accuracy

    @property
    def interval(self) -> float:
        """Median interval between two samples, s."""
        return float(np.median(np.diff(self.time)))

    @property
    def length(self) -> float:
        """From the first sample to the last, s."""
        return float(self.time[-1] - self.time[0])

    @property
    def window(self) -> Window:
        return float(self.time[0]), float(self.time[-1])

    def noise(self) -> float:
        """Standard deviation of the noise of one sample, from second differences and their median magnitude.

        A course that is smooth over three samples does not count; quantisation below one step gives zero.
        """
        second = np.abs(self.values[:-2] - 2 * self.values[1:-1] + self.values[2:])
        return float(_MAD * np.median(second) / _SIX)

    def point(self, index: int) -> tuple[float, float]:
        return float(self.time[index]), float(self.values[index])


def section(
    *, time: Array, values: Array, accuracy: Accuracy, window: Window | None = None, least: int = 3, what: str = "trace"
) -> Section:
    """The samples inside ``window`` (all without one). Raises :class:`~diagnb.errors.MeasurementFault` where a sample
    has no number or is beyond the recorder's range, where time has a gap, or where fewer than ``least`` samples are.

    A gap is an interval above 1.9 times the median; where a twentieth of the intervals or more are, the recorder is
    taken to sample unevenly, and each interval counts with its own length.
    """
    time, values = np.asarray(time, float), np.asarray(values, float)
    if time.ndim != 1 or time.shape != values.shape:
        raise fault(what, "needs as many values as times, in one dimension each")
    if window is not None:
        start, end = window
        if not (math.isfinite(start) and math.isfinite(end) and start < end):
            raise fault("window", f"from {start:g} s to {end:g} s is no window", "its end is later than its start")
        first, last = np.searchsorted(time, [start, end])
        last = int(last) + (1 if last < len(time) and time[last] <= end else 0)
        time, values = time[first:last], values[first:last]
    if len(time) < max(least, 3):
        raise MeasurementFault(Fault(what, f"the window holds only {len(time)} samples", f"{max(least, 3)} are needed"))
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        at = f"{time[bad[0]]:g} s"
        kind = "is beyond the recorder's range" if np.isinf(values[bad[0]]) else "has no number"
        raise MeasurementFault(Fault(what, f"a sample at {at} {kind}", "choose a window without it, or record again"))
    clipped = np.flatnonzero(np.abs(values) >= accuracy.full_scale * (1 + 1e-9))
    if clipped.size:
        raise MeasurementFault(
            Fault(
                what, f"a sample at {time[clipped[0]]:g} s is beyond the range stated", "record again on a higher one"
            )
        )
    steps = np.diff(time)
    if not (steps > 0).all():
        raise fault(what, "time does not rise")
    late = np.flatnonzero(steps > 1.9 * np.median(steps))
    if late.size and late.size < 0.05 * steps.size:
        at = f"{time[late[0]]:g} s"
        raise MeasurementFault(
            Fault(what, f"there is a gap of {steps[late[0]]:g} s after {at}", "choose a window without it")
        )
    return Section(time, values, accuracy)


def rectangle(name: str, half_width: float, *, by_sheet: bool = False) -> Source:
    """A rectangular source from its half-width."""
    return Source(name, half_width / _ROOT_THREE, by_sheet=by_sheet)


def kept(sources: list[Source]) -> tuple[Source, ...]:
    """Those sources that contribute at all."""
    return tuple(s for s in sources if s.standard_uncertainty > 0)


def thinned(points: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """At most two hundred points, evenly chosen, first and last among them."""
    if len(points) <= MOST_POINTS:
        return tuple(points)
    chosen = np.linspace(0, len(points) - 1, MOST_POINTS).round().astype(int)
    return tuple(points[i] for i in chosen)


def range_in_use(function: Function, *, largest: float, stated: str = "") -> Range:
    """The range stated, or the smallest of ``function`` that holds ``largest`` (coherent SI).

    Raises :class:`~diagnb.errors.InputFault` when there is none.
    """
    if stated:
        full = parse_indication(stated, unit=function.unit).value
        for candidate in function.ranges:
            if math.isclose(candidate.full_scale, full, rel_tol=1e-9):
                return candidate
        listed = ", ".join(r.name for r in function.ranges)
        raise fault(function.name, f"there is no range {stated}", f"ranges are {listed}")
    for candidate in function.ranges:
        if largest <= candidate.full_scale * (1 + 1e-9):
            return candidate
    symbol = unit(function.unit)
    shown = f"{symbol.from_si(largest):g} {function.unit}"
    raise fault(function.name, f"{shown} is above every range", f"the highest is {function.ranges[-1].name}")


def accuracy_of(
    sheet: AccuracySheet, function: str, *, largest: float, range: str = "", ambient_degc: float | None = None
) -> Accuracy:
    """The accuracy limit of one column by the recorder's sheet, for the range in use.

    Without an ambient temperature the sheet's whole operating range is assumed. Raises
    :class:`~diagnb.errors.InputFault` for a function or range that the sheet does not have.
    """
    known = sheet.function(function)
    chosen = range_in_use(known, largest=largest, stated=range)
    low, high = sheet.reference_degc
    coldest, hottest = sheet.operating_degc
    if ambient_degc is None:
        excess = max(low - coldest, hottest - high, 0.0)
    else:
        excess = max(low - ambient_degc, ambient_degc - high, 0.0)
    wide = 1 + known.temperature_coefficient * excess
    clocks = [f for f in sheet.functions if f.name == "time"]
    clock = max((r.percent / 100 for f in clocks for r in f.ranges), default=0.0)
    return Accuracy(
        chosen.percent / 100 * wide, chosen.counts * chosen.step * wide, chosen.step, chosen.full_scale, clock
    )
