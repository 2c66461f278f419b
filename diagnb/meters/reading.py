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
from diagnb.meters.sheet import AccuracySheet, Function, Range, load_sheet, sheet_files
from diagnb.quantities import Indication, parse_indication
from diagnb.uncertainty import Component, Estimate, type_a

_ROUNDING = 1 + 1e-9
Refusal = Literal["over-range", "not-stable", "temperature-outside-operating-range", "below-stated-level"]


@dataclass(frozen=True, slots=True)
class MeterReading:
    """What one reading (or its repeats) says: an estimate in coherent SI, or the reason why there is none."""

    indications: tuple[Indication, ...]
    range: Range | None
    estimate: Estimate | None
    refusal: Refusal | None = None
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument: its accuracy sheet and the name under which its readings share errors."""

    sheet: AccuracySheet
    instrument: str = ""

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
    ) -> MeterReading:
        """As :meth:`estimate`, but a refusal is returned with its reason instead of raised."""
        known = self.sheet.function(function)
        texts = [text] if isinstance(text, str) else list(text)
        if not texts:
            raise fault(name, "has no display", "type what the meter shows")
        shown = tuple(parse_indication(t, unit=known.unit) for t in texts)
        for kind, refusal in (("over range", "over-range"), ("not stable", "not-stable")):
            if any(i.kind == kind for i in shown):
                return MeterReading(shown, None, None, refusal)  # type: ignore[arg-type]
        chosen = choose_range(known, shown, range, name)
        widening, assumptions, outside = self._widening(known, ambient_degc)
        if outside:
            return MeterReading(shown, chosen, None, "temperature-outside-operating-range", assumptions)
        if any(abs(i.value) < chosen.above for i in shown):
            return MeterReading(shown, chosen, None, "below-stated-level", assumptions)
        return MeterReading(shown, chosen, self._estimate(known, chosen, shown, widening, name), None, assumptions)

    def _widening(self, function: Function, ambient_degc: float | None) -> tuple[float, tuple[str, ...], bool]:
        low, high = self.sheet.reference_degc
        coldest, hottest = self.sheet.operating_degc
        if ambient_degc is None:
            worst = max(low - coldest, hottest - high, 0.0)
            return 1 + function.temperature_coefficient * worst, ("whole-operating-range-assumed",), False
        excess = max(low - ambient_degc, ambient_degc - high, 0.0)
        return 1 + function.temperature_coefficient * excess, (), not coldest <= ambient_degc <= hottest

    def _estimate(
        self, function: Function, chosen: Range, shown: tuple[Indication, ...], widening: float, name: str
    ) -> Estimate:
        owner = self.instrument or self.sheet.id
        spread = type_a([i.value for i in shown], source=f"{name}: repeats") if len(shown) > 1 else None
        value = spread.value if spread else shown[0].value
        place = f"{owner}, {function.name}, {chosen.name}"
        step = max(chosen.step, max(i.step_si for i in shown))
        root = math.sqrt(3)
        gain = chosen.percent / 100 * abs(value) * widening / root
        # The quantisation of this display is half a step; the rest of the counts is an offset.
        quantisation = step / 2 / root
        offset = (
            max(chosen.counts * chosen.step - chosen.step / 2, 0.0) + chosen.counts * chosen.step * (widening - 1)
        ) / root
        signed = math.copysign(1.0, value)
        tag = frozenset({name})
        offset_source = f"{place}: offset" + (f" at {name}" if function.zeroed == "each reading" else "")
        parts: list[Component] = []
        fraction = function.common_fraction
        if fraction is None:
            parts.append(
                Component(
                    f"{place}: gain at {name}",
                    signed * gain,
                    distribution="rectangular",
                    group=f"{place}: gain",
                    indications=tag,
                )
            )
        else:
            if fraction > 0:
                parts.append(
                    Component(
                        f"{place}: gain",
                        signed * gain * math.sqrt(fraction),
                        distribution="rectangular",
                        indications=tag,
                    )
                )
            if fraction < 1:
                parts.append(
                    Component(
                        f"{place}: gain at {name}",
                        signed * gain * math.sqrt(1 - fraction),
                        distribution="rectangular",
                        indications=tag,
                    )
                )
        parts.append(Component(offset_source, offset, distribution="rectangular", indications=tag))
        parts.append(Component(f"{name}: quantisation", quantisation, distribution="rectangular", indications=tag))
        if spread:
            parts.extend(spread.components)
        return Estimate.of(value, parts)


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


def load_meter(source: str | Path | AccuracySheet, *, instrument: str = "") -> Meter:
    """A meter from an accuracy sheet: a TOML file, the id of a shipped sheet, or a sheet already read."""
    if isinstance(source, AccuracySheet):
        return Meter(source, instrument)
    path = Path(source)
    if path.suffix != ".toml":
        files = sheet_files()
        if str(source) not in files:
            raise fault(str(source), "there is no such accuracy sheet", f"shipped are {', '.join(files)}")
        path = files[str(source)]
    return Meter(load_sheet(path), instrument)


__all__ = ["InputFault", "Meter", "MeterReading", "Refusal", "choose_range", "load_meter"]
