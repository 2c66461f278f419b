"""Copper conductors: gauge, metric size, resistance, temperature, drop, allowed current.

Coherent SI (metres, square metres, ohms per metre); temperatures in °C, sizes in mm² where the name says so.
"""

from __future__ import annotations

import math
import re

import numpy as np

from diagnb.errors import fault
from diagnb.trade.arguments import Floats, Given, Number, not_negative, plain, positive, read
from diagnb.trade.tables import ReferenceTable, find_table

COEFFICIENT_IEC_60028 = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C, 1/K (IEC 60028, read in a public summary)."""
COEFFICIENT_IEC_60228 = 0.004
"""The rounded coefficient behind the correction factors of IEC 60228, 1/K; 0.3 % off at 80 °C."""
CONDUCTIVITY_20 = 58e6
"""Conductivity of annealed copper at 20 °C, S/m (IEC 60028, read in a public summary)."""

_CIRCULAR_MIL_OHM_PER_1000_FT = 10371.2
"""Ohms of 1000 ft of copper one mil across, at 20 °C (NBS Handbook 100, from memory)."""
_INCH, _FOOT = 0.0254, 0.3048
_GAUGES = (-3.0, 40.0)
_LINEAR_DEGC = (-100.0, 250.0)
"""Where copper's resistance is taken as a straight line in temperature: our choice, wide enough for a vehicle."""


def gauge_number(*, text: str) -> int:
    """The number n of an AWG size as printed: "18" → 18, "0" and "1/0" → 0, "4/0" and "0000" → -3.

    Raises InputFault for what is no gauge. Source: ASTM B258 (read in public wire tables).
    """
    if isinstance(text, str):
        if re.fullmatch(r"[1-4]/0", text.strip()):
            return 1 - int(text.strip()[0])
        if re.fullmatch(r"0{1,4}", text.strip()):
            return 1 - len(text.strip())
        if re.fullmatch(r"[1-9]\d?", text.strip()) and int(text) <= _GAUGES[1]:
            return int(text)
    raise fault("gauge", f"{text!r} is no AWG size", "4/0 to 1/0, or 1 to 40")


def diameter_from_gauge(*, gauge: Number) -> Number:
    """0.005 in · 92^((36 - n) / 39), n = ``gauge`` (4/0 is -3, 1/0 is 0).

    Any shape; returns metres. Raises InputFault outside -3 to 40 or between the whole numbers.
    Source: ASTM B258, NBS Handbook 100 (read in public wire tables).
    """
    return plain(0.005 * _INCH * 92 ** ((36 - _gauge(gauge)) / 39))


def gauge_from_diameter(*, diameter: Number) -> Number:
    """n = 36 - 39 · log(d / 0.005 in) / log 92, the inverse of :func:`diameter_from_gauge`, not rounded.

    ``diameter`` in metres, any shape; returns numbers. Source: ASTM B258.
    """
    (d,) = read(positive("diameter", diameter, "m"))
    return plain(36 - 39 * np.log(d / (0.005 * _INCH)) / math.log(92))


def area_from_gauge(*, gauge: Number) -> Number:
    """π/4 · d² of a solid wire of this AWG number.

    Any shape; returns square metres. Raises InputFault as :func:`diameter_from_gauge`. Source: ASTM B258.
    """
    return plain(math.pi / 4 * np.square(diameter_from_gauge(gauge=gauge)))


def resistance_per_metre_from_gauge(*, gauge: Number, temperature_degc: Number = 20.0) -> Number:
    """10371.2 Ω per 1000 ft / (d in mils)², brought to ``temperature_degc`` with the coefficient of IEC 60028.

    Any shapes that fit; returns ohms per metre. Printed tables use rounded diameters and differ by up to 0.2 %.
    Source: NBS Handbook 100 (tables read, the constant from memory).
    """
    mils = diameter_from_gauge(gauge=gauge) / (_INCH / 1000)
    at_20 = _CIRCULAR_MIL_OHM_PER_1000_FT / np.square(mils) / (1000 * _FOOT)
    return resistance_at_temperature(resistance_20=at_20, temperature_degc=temperature_degc)


def resistance_per_metre_from_area(*, area: Number, temperature_degc: Number = 20.0) -> Number:
    """1 / (58 MS/m · A), brought to ``temperature_degc``: a solid copper conductor of the true area.

    ``area`` in square metres, any shapes that fit; returns ohms per metre. Strands lie at an angle, so that a real
    cable is some per cent above; its standard's maximum is :func:`maximum_resistance_per_metre`.
    Source: IEC 60028 (read in a public summary).
    """
    (a,) = read(positive("area", area, "m²"))
    return resistance_at_temperature(resistance_20=1 / (CONDUCTIVITY_20 * a), temperature_degc=temperature_degc)


def maximum_resistance_per_metre(*, size_mm2: Number, table: str | ReferenceTable) -> Number:
    """The largest resistance that a standard allows a conductor of this nominal size at 20 °C.

    ``size_mm2`` one or an array of nominal sizes; ``table`` is ``iec-60228-class-2``, ``iec-60228-class-5``,
    ``iso-6722-1`` or a table of your own. Returns ohms per metre. Raises InputFault for a size not in the table.
    """
    return plain(find_table(table).pick("resistance", size_mm2, "Ω/m"))


def resistance_at_temperature(
    *, resistance_20: Number, temperature_degc: Number, coefficient: Number = COEFFICIENT_IEC_60028
) -> Number:
    """R20 · (1 + α · (t - 20 °C)) of copper.

    ``resistance_20`` in ohms (or ohms per metre), ``temperature_degc`` from -100 °C to 250 °C, ``coefficient`` in
    1/K, any shapes that fit; returns the unit given. Source: IEC 60028 (read in a public summary).
    """
    r, t, alpha = read(
        not_negative("resistance_20", resistance_20, "Ω"), _degc(temperature_degc), _coefficient(coefficient)
    )
    return plain(r * _factor(t, alpha))


def resistance_at_20(
    *, resistance: Number, temperature_degc: Number, coefficient: Number = COEFFICIENT_IEC_60028
) -> Number:
    """R / (1 + α · (t - 20 °C)): a copper winding or wire brought to 20 °C.

    Arguments and errors as :func:`resistance_at_temperature`. Source: IEC 60028 (read in a public summary).
    """
    r, t, alpha = read(not_negative("resistance", resistance, "Ω"), _degc(temperature_degc), _coefficient(coefficient))
    return plain(r / _factor(t, alpha))


def temperature_from_resistance(
    *, resistance: Number, resistance_20: Number, coefficient: Number = COEFFICIENT_IEC_60028
) -> Number:
    """20 °C + (R / R20 - 1) / α: mean temperature of a copper winding from its resistance.

    Ohms above zero, any shapes that fit; returns °C. Raises InputFault where that lies outside -100 °C to 250 °C.
    Source: IEC 60028 (read in a public summary).
    """
    r, r20, alpha = read(
        positive("resistance", resistance, "Ω"),
        positive("resistance_20", resistance_20, "Ω"),
        _coefficient(coefficient),
    )
    (t,) = read(Given("temperature", 20 + (r / r20 - 1) / alpha, "°C", *_LINEAR_DEGC, repair="check both resistances"))
    return plain(t)


def zero_resistance_degc(*, coefficient: Number = COEFFICIENT_IEC_60028) -> Number:
    """20 °C - 1/α20: where the straight line of copper's resistance meets zero, about -234.5 °C.

    ``coefficient`` at 20 °C in 1/K, any shape; returns °C. Source: NBS Handbook 100, table 2 (from memory).
    """
    (alpha,) = read(_coefficient(coefficient))
    return plain(20 - 1 / alpha)


def coefficient_at_temperature(*, temperature_degc: Number, coefficient: Number = COEFFICIENT_IEC_60028) -> Number:
    """1 / (1/α20 + t - 20 °C): the temperature coefficient of copper referred to another temperature.

    Any shapes that fit; returns 1/K. Source: NBS Handbook 100, table 2 (from memory).
    """
    t, alpha = read(_degc(temperature_degc), _coefficient(coefficient))
    return plain(1 / (1 / alpha + t - 20))


def drop_from_gauge(*, gauge: Number, length: Number, current: Number, temperature_degc: Number = 20.0) -> Number:
    """I · l · R': drop expected of a sound copper wire of this AWG number.

    ``length`` in metres is the way the current takes through the wire (there and back counts twice), ``current`` in
    amperes, any shapes that fit; returns volts. Source: Ohm's law with :func:`resistance_per_metre_from_gauge`.
    """
    per_metre = resistance_per_metre_from_gauge(gauge=gauge, temperature_degc=temperature_degc)
    r, metres, i = read(Given("resistance", per_metre), not_negative("length", length, "m"), _current(current))
    return plain(r * metres * i)


def drop_from_area(*, area: Number, length: Number, current: Number, temperature_degc: Number = 20.0) -> Number:
    """I · l · R': drop expected of copper of this true area (square metres).

    Otherwise as :func:`drop_from_gauge`. Source: Ohm's law with :func:`resistance_per_metre_from_area`.
    """
    per_metre = resistance_per_metre_from_area(area=area, temperature_degc=temperature_degc)
    r, metres, i = read(Given("resistance", per_metre), not_negative("length", length, "m"), _current(current))
    return plain(r * metres * i)


def maximum_drop(
    *, size_mm2: Number, length: Number, current: Number, table: str | ReferenceTable, temperature_degc: Number = 20.0
) -> Number:
    """I · l · R'max: the most a cable of this nominal size may drop if it meets the standard of ``table``.

    ``length`` in metres, ``current`` in amperes, any shapes that fit; returns volts.
    Source: Ohm's law with :func:`maximum_resistance_per_metre`, copper brought to temperature by IEC 60028.
    """
    at_20 = maximum_resistance_per_metre(size_mm2=size_mm2, table=table)
    per_metre = resistance_at_temperature(resistance_20=at_20, temperature_degc=temperature_degc)
    r, metres, i = read(Given("resistance", per_metre), not_negative("length", length, "m"), _current(current))
    return plain(r * metres * i)


def area_from_drop(*, drop: Number, length: Number, current: Number, temperature_degc: Number = 20.0) -> Number:
    """l · I / (58 MS/m · V), at temperature: copper area that drops no more than ``drop``.

    Volts, metres, amperes above zero, any shapes that fit; returns square metres.
    Source: Ohm's law, IEC 60028 (read in a public summary).
    """
    v, metres, i, t = read(
        positive("drop", drop, "V"),
        not_negative("length", length, "m"),
        not_negative("current", current, "A"),
        _degc(temperature_degc),
    )
    return plain(metres * i / (CONDUCTIVITY_20 * v) * _factor(t, np.asarray(COEFFICIENT_IEC_60028)))


def ampacity(*, gauge: Number, insulation_degc: int = 105, table: str | ReferenceTable = "ampacity-33-cfr-183") -> Number:  # fmt: skip
    """Current that a conductor under 50 V may carry at 30 °C, outside engine spaces.

    ``gauge`` AWG numbers (4/0 is -3), any shape; ``insulation_degc`` 60, 75, 80, 90, 105, 125 or 200.
    Returns amperes. Raises InputFault for a gauge or an insulation that isn't in the table.
    Source: 33 CFR 183.425, table 5 (read): a rule for boats, used as a public ampacity table.
    """
    found = find_table(table)
    numbers = _gauge(gauge)
    ratings = [c.name for c in found.columns if c.unit == "A"]
    if str(insulation_degc) not in ratings:
        raise fault("insulation_degc", f"{insulation_degc} is not in the table {found.id}", f"it has {', '.join(ratings)}")  # fmt: skip
    labels = [str(int(n)) if n > 0 else "0" * int(1 - n) for n in numbers.ravel()]
    return plain(found.pick(str(insulation_degc), np.array(labels).reshape(numbers.shape), "A"))


def _gauge(gauge: Number) -> Floats:
    (n,) = read(Given("gauge", gauge, "", *_GAUGES, repair="n for 1/0 to 4/0 is 0, -1, -2, -3"))
    if np.any(n != np.rint(n)):
        raise fault("gauge", "is not a whole number", "n for 1/0 to 4/0 is 0, -1, -2, -3")
    return n


def _degc(value: Number) -> Given:
    return Given("temperature_degc", value, "°C", *_LINEAR_DEGC, repair="copper's straight line is used only there")


def _coefficient(value: Number) -> Given:
    return Given("coefficient", value, "1/K", 0.003, 0.005, repair="0.00393 (IEC 60028) or 0.004 (IEC 60228)")


def _current(value: Number) -> Given:
    return Given("current", value, "A")


def _factor(t: Floats, alpha: Floats) -> Floats:
    return 1 + alpha * (t - 20)
