"""Sensors: platinum resistance, NTC thermistors, dividers, current loops, ratiometric signals.

Coherent SI; temperatures in °C where the name says so.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from diagnb.errors import Fault, MeasurementFault, fault
from diagnb.trade.arguments import Floats, Given, Number, plain, positive, read
from diagnb.trade.tables import find_table

RTD_A, RTD_B, RTD_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Constants of IEC 60751 for platinum, 1/K, 1/K², 1/K⁴ (read in public test data)."""
_RTD_DEGC = (-200.0, 850.0)
_ZERO = 273.15
_NTC_DEGC = (-100.0, 400.0)


def rtd_resistance(*, temperature_degc: Number, resistance_0: Number = 100.0) -> Number:
    """R0 · (1 + A·t + B·t² + C·(t - 100 °C)·t³), the last term below 0 °C only.

    ``temperature_degc`` from -200 °C to 850 °C, ``resistance_0`` in ohms at 0 °C, any shapes that fit; returns ohms.
    Source: IEC 60751 (constants read in public test data).
    """
    t, r0 = read(_rtd_degc(temperature_degc), positive("resistance_0", resistance_0, "Ω"))
    return plain(r0 * _rtd_ratio(t))


def rtd_temperature(*, resistance: Number, resistance_0: Number = 100.0) -> Number:
    """The temperature at which :func:`rtd_resistance` gives ``resistance``.

    Ohms, any shapes that fit; returns °C, by the quadratic formula from 0 °C up and by Newton's method below.
    Raises InputFault outside -200 °C to 850 °C. Source: IEC 60751.
    """
    r, r0 = read(positive("resistance", resistance, "Ω"), positive("resistance_0", resistance_0, "Ω"))
    low, high = (float(_rtd_ratio(np.asarray(end))) for end in _RTD_DEGC)
    (ratio,) = read(Given("resistance / resistance_0", r / r0, "", low, high, repair="the sensor spans -200 °C to 850 °C"))  # fmt: skip
    t = np.asarray((-RTD_A + np.sqrt(RTD_A**2 - 4 * RTD_B * (1 - ratio))) / (2 * RTD_B))
    for _ in range(6):
        t = t - (_rtd_ratio(t) - ratio) / _rtd_slope(t)
    return plain(t)


def rtd_sensitivity(*, temperature_degc: Number, resistance_0: Number = 100.0) -> Number:
    """dR/dt = R0 · (A + 2·B·t + C·(4·t³ - 300 °C·t²)), the last term below 0 °C only.

    Arguments as :func:`rtd_resistance`; returns ohms per kelvin. An error of resistance divided by it is the error of
    temperature. Source: derivative of the equation of IEC 60751.
    """
    t, r0 = read(_rtd_degc(temperature_degc), positive("resistance_0", resistance_0, "Ω"))
    return plain(r0 * _rtd_slope(t))


def rtd_tolerance(*, temperature_degc: Number, tolerance_class: Literal["A", "B"]) -> Number:
    """Half-width of the tolerance: 0.15 K + 0.002 · |t| (class A) or 0.30 K + 0.005 · |t| (class B).

    ``temperature_degc`` any shape within the class; returns kelvins. Source: IEC 60751 (from memory).
    """
    row = find_table("rtd-tolerance").row(tolerance_class)
    constant, slope, low, high = (float(row[name]) for name in ("constant", "slope", "from", "to"))
    (t,) = read(
        Given(
            "temperature_degc",
            temperature_degc,
            "°C",
            low,
            high,
            repair=f"class {tolerance_class} is defined only there",
        )
    )
    return plain(constant + slope * np.abs(t))


def ntc_resistance(*, temperature_degc: Number, resistance_25: Number, b_kelvin: Number) -> Number:
    """R25 · exp(B · (1/T - 1/298.15 K)).

    ``temperature_degc`` from -100 °C to 400 °C, ``resistance_25`` in ohms, ``b_kelvin`` in kelvins, any shapes that
    fit; returns ohms. Source: definition of B in IEC 60539-1 (from memory).
    """
    t, r25, b = read(_ntc_degc(temperature_degc), positive("resistance_25", resistance_25, "Ω"), _b(b_kelvin))
    return plain(r25 * np.exp(b * (1 / (t + _ZERO) - 1 / (25 + _ZERO))))


def ntc_temperature(*, resistance: Number, resistance_25: Number, b_kelvin: Number) -> Number:
    """1 / (1/298.15 K + log(R/R25)/B) - 273.15 K, the inverse of :func:`ntc_resistance`.

    Ohms and kelvins, any shapes that fit; returns °C. Raises InputFault where that leaves -100 °C to 400 °C.
    Source: definition of B in IEC 60539-1 (from memory).
    """
    r, r25, b = read(
        positive("resistance", resistance, "Ω"), positive("resistance_25", resistance_25, "Ω"), _b(b_kelvin)
    )
    return _ntc_found(1 / (25 + _ZERO) + np.log(r / r25) / b)


def ntc_sensitivity(*, temperature_degc: Number, resistance_25: Number, b_kelvin: Number) -> Number:
    """dR/dT = -B · R / T² of :func:`ntc_resistance`, same arguments; returns ohms per kelvin, below zero."""
    r = ntc_resistance(temperature_degc=temperature_degc, resistance_25=resistance_25, b_kelvin=b_kelvin)
    t, b = read(_ntc_degc(temperature_degc), _b(b_kelvin))
    return plain(-b * r / np.square(t + _ZERO))


def b_from_points(*, resistances: Number, temperatures_degc: Number) -> Number:
    """log(R1/R2) / (1/T1 - 1/T2) from two points.

    ``resistances`` (2, ...) in ohms and ``temperatures_degc`` (2, ...) in °C; returns (...) in kelvins.
    Raises InputFault for equal temperatures. Source: definition of B in IEC 60539-1 (from memory).
    """
    r, t = read(positive("resistances", resistances, "Ω"), Given("temperatures_degc", temperatures_degc, "°C", *_NTC_DEGC))  # fmt: skip
    if r.shape[:1] != (2,) or t.shape[:1] != (2,):
        raise fault("points", "must be two", "give two resistances and two temperatures")
    if np.any(t[0] == t[1]):
        raise fault("temperatures_degc", "are equal", "take two points some 25 K apart or more")
    inverse = 1 / (t + _ZERO)
    return plain(np.log(r[0] / r[1]) / (inverse[0] - inverse[1]))


def steinhart_hart_temperature(*, resistance: Number, a: Number, b: Number, c: Number) -> Number:
    """1 / (a + b·log R + c·(log R)³) - 273.15 K, R in ohms.

    Any shapes that fit; returns °C. Raises InputFault where that leaves -100 °C to 400 °C.
    Source: Steinhart and Hart, 1968 (from memory).
    """
    r, a_, b_, c_ = read(positive("resistance", resistance, "Ω"), Given("a", a), Given("b", b), Given("c", c))
    log = np.log(r)
    return _ntc_found(a_ + b_ * log + c_ * log**3)


def steinhart_hart_resistance(*, temperature_degc: Number, a: Number, b: Number, c: Number) -> Number:
    """The inverse of :func:`steinhart_hart_temperature`: the one real root of c·x³ + b·x + a = 1/T, x = log R.

    ``b`` and ``c`` above zero, any shapes that fit; returns ohms. Source: Steinhart and Hart, 1968 (from memory).
    """
    t, a_, b_, c_ = read(_ntc_degc(temperature_degc), Given("a", a), positive("b", b), positive("c", c))
    # Cardano, in the form with asinh that loses no digits.
    depth = 2 * np.sqrt(b_ / (3 * c_))
    x = depth * np.sinh(np.arcsinh((1 / (t + _ZERO) - a_) / c_ * 4 / depth**3) / 3)
    read(Given("log R", x, "", -70, 70, repair="check the coefficients"))
    return plain(np.exp(x))


def steinhart_hart_coefficients(*, resistances: Number, temperatures_degc: Number) -> tuple[float, float, float]:
    """a, b and c through three points: the linear equations a + b·log R + c·(log R)³ = 1/T.

    ``resistances`` (3,) in ohms and ``temperatures_degc`` (3,) in °C. Raises InputFault unless there are three
    different resistances, MeasurementFault where the points give no thermistor (b or c not above zero).
    Source: Steinhart and Hart, 1968 (from memory).
    """
    r, t = read(positive("resistances", resistances, "Ω"), Given("temperatures_degc", temperatures_degc, "°C", *_NTC_DEGC))  # fmt: skip
    if r.shape != (3,) or t.shape != (3,) or len(set(r.tolist())) < 3:
        raise fault("points", "must be three with different resistances")
    log = np.log(r)
    a, b, c = np.linalg.solve(np.stack([np.ones(3), log, log**3], axis=1), 1 / (t + _ZERO)).tolist()
    if b <= 0 or c <= 0:
        raise MeasurementFault(Fault("points", "are not those of an NTC thermistor", "check resistances and temperatures"))  # fmt: skip
    return a, b, c


def divider_resistance(*, voltage: Number, reference: Number, pull_up: Number) -> Number:
    """R_p · V / (V_ref - V): a sensor to ground below a pull-up resistor.

    Volts and ohms, any shapes that fit; returns ohms. Raises InputFault unless 0 ≤ V < V_ref.
    Source: Ohm's law.
    """
    v, ref, rp = read(
        Given("voltage", voltage, "V", low=0), positive("reference", reference, "V"), positive("pull_up", pull_up, "Ω")
    )
    read(positive("reference - voltage", ref - v, "V", "at the reference the sensor is open"))
    return plain(rp * v / (ref - v))


def loop_fraction(*, current: Number) -> Number:
    """(I - 4 mA) / 16 mA: share of the span of a current loop.

    ``current`` in amperes, any shape; returns a fraction, outside 0 to 1 where the current is.
    Source: range of IEC 60381-1 (from memory).
    """
    (i,) = read(Given("current", current, "A", -0.1, 0.1, repair="give amperes: 12 mA is 0.012"))
    zero, end = find_table("current-loop").pick("current", ["zero", "span end"], "A")
    return plain((i - zero) / (end - zero))


def loop_current(*, fraction: Number) -> Number:
    """4 mA + 16 mA · fraction, the inverse of :func:`loop_fraction`; returns amperes."""
    (x,) = read(Given("fraction", fraction, "", -0.25, 1.5, repair="0.5 is the middle of the span"))
    zero, end = find_table("current-loop").pick("current", ["zero", "span end"], "A")
    return plain(zero + (end - zero) * x)


def loop_state(*, current: Number) -> Number:
    """What a loop's current says: ``failure low``, ``below range``, ``measuring``, ``above range``, ``failure high``.

    ``current`` in amperes, any shape; returns words. Failure is 3.6 mA and less, 21 mA and more; measuring 3.8 mA to
    20.5 mA. Source: NAMUR NE 43 (from memory).
    """
    (i,) = read(Given("current", current, "A", -0.1, 0.1, repair="give amperes: 12 mA is 0.012"))
    i = np.round(i, 12)
    table = find_table("current-loop")
    levels = ("failure low, at or below", "measuring from", "measuring to", "failure high, at or above")
    failed_low, low, high, failed_high = np.round(table.pick("current", levels, "A"), 12)
    words = ["failure low", "below range", "failure high", "above range"]
    return plain(np.select([i <= failed_low, i < low, i >= failed_high, i > high], words, "measuring"))


def loop_supply_minimum(*, transmitter_minimum: Number, load_resistance: Number, current: Number = 0.021) -> Number:
    """V_min + I · R: least supply of a loop at its largest current.

    Volts, ohms, amperes, any shapes that fit; returns volts. Source: Kirchhoff's voltage law.
    """
    v, r, i = read(
        Given("transmitter_minimum", transmitter_minimum, "V", low=0),
        Given("load_resistance", load_resistance, "Ω", low=0),
        positive("current", current, "A"),
    )
    return plain(v + i * r)


def ratio_from_voltages(*, signal: Number, reference: Number, ground: Number = 0.0) -> Number:
    """(V_s - V_g) / (V_ref - V_g): a ratiometric signal, freed of its reference and of a ground offset.

    Volts against one point, any shapes that fit; returns a fraction. Raises InputFault unless the reference is above
    the ground. Source: definition.
    """
    s, ref, g = read(Given("signal", signal, "V"), Given("reference", reference, "V"), Given("ground", ground, "V"))
    read(positive("reference - ground", ref - g, "V", "check the probes"))
    return plain((s - g) / (ref - g))


def value_from_ratio(
    *, ratio: Number, ratio_low: Number, ratio_high: Number, value_low: Number, value_high: Number
) -> Number:
    """value_low + (ratio - ratio_low) / (ratio_high - ratio_low) · (value_high - value_low).

    The maker's line through two points, any shapes that fit; returns the unit of the values.
    """
    x, x0, x1, y0, y1 = read(
        Given("ratio", ratio),
        Given("ratio_low", ratio_low),
        Given("ratio_high", ratio_high),
        Given("value_low", value_low),
        Given("value_high", value_high),
    )
    read(Given("ratio_high - ratio_low", x1 - x0, zero=False, repair="give two different points of the line"))
    return plain(y0 + (x - x0) / (x1 - x0) * (y1 - y0))


def _rtd_degc(value: Number) -> Given:
    return Given("temperature_degc", value, "°C", *_RTD_DEGC, repair="IEC 60751 covers only that")


def _rtd_ratio(t: Floats) -> Floats:
    return 1 + RTD_A * t + RTD_B * t**2 + np.where(t < 0, RTD_C * (t - 100) * t**3, 0.0)


def _rtd_slope(t: Floats) -> Floats:
    return RTD_A + 2 * RTD_B * t + np.where(t < 0, RTD_C * (4 * t**3 - 300 * t**2), 0.0)


def _ntc_degc(value: Number) -> Given:
    return Given("temperature_degc", value, "°C", *_NTC_DEGC, repair="no thermistor of ours works there")


def _b(value: Number) -> Given:
    return Given("b_kelvin", value, "K", 500, 10_000, repair="B of an NTC is some 3000 K to 5000 K")


def _ntc_found(inverse: Floats) -> Number:
    read(positive("1/T", inverse, "1/K", "check the coefficients"))
    (t,) = read(Given("temperature", 1 / inverse - _ZERO, "°C", *_NTC_DEGC, repair="check resistance and coefficients"))
    return plain(t)
