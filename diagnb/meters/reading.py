"""From a display to an estimate: every indication is modelled as x·(1 + g) + o + q.

``g`` is the gain part of the accuracy limit, ``o`` its offset part and ``q`` the quantisation of this one
display. Two displays share ``g`` and ``o`` when they come from one instrument, function and range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.meters.certificate import RangeCalibration, certificate_for
from diagnb.meters.sheet import AccuracySheet, Function, Range, load_sheet, sheet_files
from diagnb.quantities import Indication, parse_indication, unit
from diagnb.uncertainty import Component, Estimate, type_a
from diagnb.uncertainty.series import FEWEST, type_a_series

_ROUNDING = 1 + 1e-9
_ROOT_THREE = math.sqrt(3)
_FEW = 4
_ONE_SIGN = ("resistance", "insulation resistance", "diode test")
Refusal = Literal["over-range", "not-stable", "temperature-outside-operating-range", "below-stated-level"]


@dataclass(frozen=True, slots=True)
class MeterReading:
    """What one reading (or its repeats) says: an estimate in coherent SI, or the reason why there is none."""

    indications: tuple[Indication, ...]
    range: Range | None
    estimate: Estimate | None
    refusal: Refusal | None = None
    assumptions: tuple[str, ...] = ()
    at_least: float | None = None
    """Of an over-range display whose sign is known: the value, coherent SI, that the measurand lies above."""


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument: its accuracy sheet and the name under which its readings share errors."""

    sheet: AccuracySheet
    instrument: str = ""
    certificates: tuple[RangeCalibration, ...] = ()

    def estimate(
        self,
        text: str | Sequence[str],
        *,
        function: str,
        ambient_degc: float | None = None,
        range: str = "",
        name: str = "reading",
    ) -> Estimate:
        """Estimate of one display or of a list of repeats, in coherent SI.

        Raises :class:`InputFault` for text that is no reading of this meter and
        :class:`~diagnb.errors.MeasurementFault` where its statement supports no estimate.
        """
        reading = self.read(text, function=function, ambient_degc=ambient_degc, range=range, name=name)
        if reading.estimate is None:
            raise MeasurementFault(Fault(name, f"no estimate: {reading.refusal}", "see the meter's accuracy sheet"))
        return reading.estimate

    def read(
        self,
        text: str | Sequence[str],
        *,
        function: str,
        ambient_degc: float | None = None,
        range: str = "",
        name: str = "reading",
        pooled: tuple[float, float] | None = None,
    ) -> MeterReading:
        """As :meth:`estimate`, but a refusal is returned with its reason instead of raised.

        ``pooled`` is a standard deviation of single readings from history (coherent SI) and its degrees of
        freedom, used instead of the scatter of fewer than four repeats (JCGM 100, 4.2.4).
        """
        known = self.sheet.function(function)
        texts = [text] if isinstance(text, str) else list(text)
        if not texts:
            raise fault(name, "has no display", "type what the meter shows")
        shown = tuple([parse_indication(t, unit=known.unit) for t in texts])
        for indication in shown:
            if indication.kind != "number":
                refusal: Refusal = "over-range" if indication.kind == "over range" else "not-stable"
                return MeterReading(shown, None, None, refusal, at_least=self._above(known, shown, range, ambient_degc))
        chosen = choose_range(known, shown, range, name)
        widening, assumptions, outside = self._widening(known, ambient_degc)
        if outside:
            return MeterReading(shown, chosen, None, "temperature-outside-operating-range", assumptions)
        if chosen.above and any(abs(i.value) < chosen.above for i in shown):
            return MeterReading(shown, chosen, None, "below-stated-level", assumptions)
        spread, remark = repeats([i.value for i in shown], name, pooled)
        if spread is None:
            return MeterReading(shown, chosen, None, "not-stable", assumptions + remark)
        value = shown[0].value if len(shown) == 1 else float(spread.value)
        step = max(chosen.step, max([i.step_si for i in shown]))
        entry = certificate_for(self.certificates, function, chosen.full_scale, value) if self.certificates else None
        if entry is not None:
            estimate = self._calibrated(known, chosen, entry, value, step, widening, name)
            assumptions += ("certificate-corrections-used",)
        else:
            estimate = self.specified(known, chosen, value, step, widening, name)
        parts = (*estimate.components, *(spread.components if spread.components else ()))
        return MeterReading(shown, chosen, Estimate.of(estimate.value, parts), None, assumptions + remark)

    def _above(
        self, function: Function, shown: Sequence[Indication], stated: str, ambient_degc: float | None
    ) -> float | None:
        """What an over-range display proves of a quantity that has one sign only: the end of the range, less the
        accuracy limit there. Without a stated range it is that of the smallest one."""
        if function.name not in _ONE_SIGN or any(i.kind != "over range" for i in shown):
            return None
        widening, _, outside = self._widening(function, ambient_degc)
        named = [r for r in function.ranges if not stated or r.name == stated]
        if not stated and shown[0].unit != function.unit:
            # "OL MΩ": the display stood on a range that is shown in this unit.
            named = [r for r in named if parse_indication(r.name, unit=function.unit).unit == shown[0].unit]
        if outside or not named:
            return None
        lowest = named[0].full_scale
        if all(math.isfinite(i.value) for i in shown):
            # The display says itself what it is above.
            lowest = min(i.value for i in shown)
            named = [r for r in named if r.full_scale >= lowest] or named[-1:]
        return max(lowest - named[0].limit(lowest) * widening, 0.0)

    def _widening(self, function: Function, ambient_degc: float | None) -> tuple[float, tuple[str, ...], bool]:
        low, high = self.sheet.reference_degc
        coldest, hottest = self.sheet.operating_degc
        if ambient_degc is None:
            worst = max(low - coldest, hottest - high, 0.0)
            return 1 + function.temperature_coefficient * worst, ("whole-operating-range-assumed",), False
        excess = max(low - ambient_degc, ambient_degc - high, 0.0)
        return 1 + function.temperature_coefficient * excess, (), not coldest <= ambient_degc <= hottest

    def specified(
        self, function: Function, chosen: Range, value: float, step: float, widening: float, name: str
    ) -> Estimate:
        """Gain, offset and quantisation from the accuracy specification."""
        place = f"{self.instrument or self.sheet.id}, {function.name}, {chosen.name}"
        # Percent of what the display shows: of 20 °C, not of 293 K.
        shown = value - unit(function.unit).offset
        gain = math.copysign(chosen.percent / 100 * abs(shown) * widening / _ROOT_THREE, shown)
        # The quantisation of this display is half a step; the rest of the counts is an offset.
        counts = chosen.counts * chosen.step
        offset = (max(counts - chosen.step / 2, 0.0) + counts * (widening - 1)) / _ROOT_THREE
        tag = frozenset({name})
        source = f"{place}: offset at {name}" if function.zeroed == "each reading" else f"{place}: offset"
        parts: list[Component] = []
        fraction = function.common_fraction
        limit = place if fraction is None and function.zeroed != "each reading" else ""
        if fraction is None:
            parts.append(_rectangle(f"{place}: gain at {name}", gain, tag, f"{place}: gain", limit))
        else:
            if fraction > 0:
                parts.append(_rectangle(f"{place}: gain", gain * math.sqrt(fraction), tag))
            if fraction < 1:
                parts.append(_rectangle(f"{place}: gain at {name}", gain * math.sqrt(1 - fraction), tag))
        parts.append(_rectangle(source, offset, tag, limit=limit))
        parts.append(_rectangle(f"{name}: quantisation", step / 2 / _ROOT_THREE, tag))
        return Estimate.of(value, parts)

    def _calibrated(
        self,
        function: Function,
        chosen: Range,
        entry: RangeCalibration,
        value: float,
        step: float,
        widening: float,
        name: str,
    ) -> Estimate:
        """The indication less its known error; calibration and drift are shared by all readings of the range."""
        place = f"{self.instrument or self.sheet.id}, {function.name}, {chosen.name}"
        error, u = entry.error_at(value)
        warm = chosen.limit(value) * (widening - 1) / _ROOT_THREE
        none: frozenset[str] = frozenset()
        parts = [
            Component(f"{place}: calibration", u),
            _rectangle(f"{place}: drift", entry.drift_half_width / _ROOT_THREE, none),
            _rectangle(f"{name}: quantisation", step / 2 / _ROOT_THREE, none),
        ]
        if warm:
            parts.append(_rectangle(f"{place}: temperature", warm, none))
        return Estimate.of(value - error, parts)


def _rectangle(source: str, contribution: float, tag: frozenset[str], group: str = "", limit: str = "") -> Component:
    return Component(source, contribution, math.inf, "rectangular", group, tag, limit)


def repeats(
    values: Sequence[float], name: str, pooled: tuple[float, float] | None = None
) -> tuple[Estimate | None, tuple[str, ...]]:
    """Scatter of repeated readings as an estimate, with remarks; None where too many of them are one reading.

    A single reading has no scatter of its own. From a dozen repeats on, readings that follow each other too
    closely are noticed, and their mean is as uncertain as that of the independent readings they are worth.
    """
    source = f"{name}: repeats"
    n = len(values)
    if pooled is not None and n < _FEW:
        deviation, nu = pooled
        return Estimate(math.fsum(values) / n, deviation / math.sqrt(n), nu, source, "t"), ("pooled-scatter-used",)
    if n == 1:
        return Estimate.of(values[0], ()), ()
    if n < FEWEST:
        return type_a(values, source=source), ()
    try:
        series = type_a_series(values, source=source)
    except InputFault:
        return None, ("repeats-autocorrelated",)
    return series.estimate, ("repeats-autocorrelated",) if series.lag_one > 2 / math.sqrt(n) else ()


def choose_range(function: Function, shown: Sequence[Indication], stated: str, name: str) -> Range:
    """The range in use: as stated, or the one whose step the digits show.

    Raises :class:`InputFault` when the display has more digits than the meter or lies outside every range.
    """
    largest = max([abs(i.value) for i in shown])
    finest = min([i.step_si for i in shown])
    candidates = [r for r in function.ranges if largest <= r.full_scale * _ROUNDING]
    if stated:
        full = parse_indication(stated, unit=function.unit).value
        named = [r for r in function.ranges if math.isclose(r.full_scale, full, rel_tol=1e-9)]
        if not named:
            raise fault(name, f"there is no range {stated}", f"ranges are {', '.join(r.name for r in function.ranges)}")
        candidates = [r for r in named if r in candidates]
    if not candidates:
        top = stated or function.ranges[-1].name
        raise fault(name, f"{shown[0]} is above the range {top}", "look at the unit and the decimal point again")
    legible = [r for r in candidates if r.step <= finest * _ROUNDING]
    if not legible:
        raise fault(
            name,
            f"{shown[0]} has more digits than the meter shows",
            f"its finest step there is {candidates[0].step:g} {function.unit}",
        )
    coarsest = max([r.step for r in legible])
    # Ranges stand in rising order, so the first of the coarsest is the smallest that fits.
    return next(r for r in legible if r.step * _ROUNDING >= coarsest)


def load_meter(
    source: str | Path | AccuracySheet, *, instrument: str = "", certificates: tuple[RangeCalibration, ...] = ()
) -> Meter:
    """A meter from an accuracy sheet: a TOML file, the id of a shipped sheet, or a sheet already read.

    ``certificates`` are the corrections of this one instrument; where they cover a reading they replace the
    accuracy limit.
    """
    if isinstance(source, AccuracySheet):
        return Meter(source, instrument, certificates)
    path = Path(source)
    if path.suffix != ".toml":
        files = sheet_files()
        if str(source) not in files:
            raise fault(str(source), "there is no such accuracy sheet", f"shipped are {', '.join(files)}")
        path = files[str(source)]
    return Meter(load_sheet(path), instrument, certificates)


__all__ = ["InputFault", "Meter", "MeterReading", "Refusal", "choose_range", "load_meter"]
