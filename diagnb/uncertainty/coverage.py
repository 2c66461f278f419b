"""Coverage: from a budget's shape to a coverage factor and to probabilities.

The error of a result is taken as the sum of its two largest rectangles and a normal rest. Distribution
function and quantile of that sum are closed forms in the second integral of the normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from diagnb.errors import fault

Value = Any
_SMALL = 1e-4


@dataclass(frozen=True, slots=True)
class Shape:
    """Rectangles of half-width ``first`` >= ``second``, a normal part ``normal``, degrees of freedom (floored)."""

    first: Value
    second: Value
    normal: Value
    degrees_of_freedom: Value
    standard_uncertainty: Value

    @classmethod
    def from_parts(cls, half_widths: Sequence[Value], variance: Value, degrees_of_freedom: Value = math.inf) -> Shape:
        """Keep the two largest rectangles; all other variance is taken as normal. All may be arrays (n,)."""
        arrays = np.broadcast_arrays(np.asarray(variance, dtype=float), *[np.abs(h) for h in half_widths])
        total = np.array(arrays[0], dtype=float)
        first, second = np.zeros_like(total), np.zeros_like(total)
        for half in arrays[1:]:
            second = np.maximum(second, np.minimum(first, half))
            first = np.maximum(first, half)
        rest = np.maximum(total - first**2 / 3 - second**2 / 3, 0.0)
        # Rounding leaves a rest of some 1e-16 of the variance where there is none.
        rest = np.where(rest < 1e-13 * total, 0.0, rest)
        scale = np.maximum(first, np.sqrt(rest))
        for_normal = second < _SMALL * scale
        rest = np.where(for_normal, rest + second**2 / 3, rest)
        second = np.where(for_normal, 0.0, second)
        narrow = first < _SMALL * scale
        rest = np.where(narrow, rest + first**2 / 3, rest)
        first = np.where(narrow, 0.0, first)
        nu = np.maximum(np.floor(np.asarray(degrees_of_freedom, dtype=float) + 1e-9), 1.0)
        return cls(first, second, np.sqrt(rest), nu, np.sqrt(total))

    def cdf(self, error: Value) -> Value:
        """Probability that the error is at most ``error`` (same unit), shapes broadcast."""
        x = np.asarray(error, dtype=float)
        u = self.standard_uncertainty
        if np.any(np.isfinite(self.degrees_of_freedom)):
            with np.errstate(divide="ignore", invalid="ignore"):
                tail = ndtri(_student(-np.abs(x / u), self.degrees_of_freedom))
            # The normal distribution function underflows beyond some 38 standard deviations.
            x = -np.sign(x) * np.maximum(np.nan_to_num(tail, nan=-38.0), -38.0) * u
        result = np.where(np.equal(u, 0), np.where(x >= 0, 1.0, 0.0), self._convolution(x)[0])
        return float(result) if result.ndim == 0 else result

    def quantile(self, probability: float) -> Value:
        """The error that is not exceeded with ``probability`` (0.5 <= probability < 1)."""
        if not 0.5 <= probability < 1:
            raise fault("probability", f"{probability} must lie between 0.5 and 1")
        u = self.standard_uncertainty
        z = float(ndtri(probability))
        x = np.asarray(z * u, dtype=float)
        if np.any(self.first > 0):
            low, high = np.zeros_like(x), np.asarray(self.first + self.second + (z + 3) * self.normal)
            x = np.minimum(x, high)
            for _ in range(40):
                value, density = self._convolution(x)
                low = np.where(value < probability, x, low)
                high = np.where(value < probability, high, x)
                with np.errstate(divide="ignore", invalid="ignore"):
                    step = x - (value - probability) / density
                inside = (step > low) & (step < high)
                new = np.where(inside, step, (low + high) / 2)
                moved = np.max(np.abs(new - x) / np.where(u > 0, u, 1.0))
                x = new
                if moved < 1e-12:
                    break
        if np.any(np.isfinite(self.degrees_of_freedom)):
            with np.errstate(divide="ignore", invalid="ignore"):
                p = ndtr(np.where(u > 0, x / u, 0.0))
            t = np.where(np.isinf(self.degrees_of_freedom), ndtri(p), stdtrit(_finite(self.degrees_of_freedom), p))
            x = t * u
        return float(x) if np.ndim(x) == 0 else x

    def _convolution(self, x: Value) -> tuple[Value, Value]:
        """Distribution function and density at ``x`` of rectangle + rectangle + normal."""
        a, b = self.first, self.second
        s = np.maximum(self.normal, 1e-9 * a)
        s = np.where(s > 0, s, 1.0)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            corners = [x + a + b, x + a - b, x - a + b, x - a - b]
            f2 = [_second_integral(c, s) for c in corners]
            f1 = [_first_integral(c, s) for c in corners]
            two = (f2[0] - f2[1] - f2[2] + f2[3]) / (4 * a * b)
            two_density = (f1[0] - f1[1] - f1[2] + f1[3]) / (4 * a * b)
            one = (_first_integral(x + a, s) - _first_integral(x - a, s)) / (2 * a)
            one_density = (ndtr((x + a) / s) - ndtr((x - a) / s)) / (2 * a)
            none, none_density = ndtr(x / s), np.exp(-0.5 * (x / s) ** 2) / (s * math.sqrt(2 * math.pi))
        value = np.where(b > 0, two, np.where(a > 0, one, none))
        density = np.where(b > 0, two_density, np.where(a > 0, one_density, none_density))
        return np.clip(value, 0.0, 1.0), density


def _first_integral(x: Value, s: Value) -> Value:
    z = x / s
    return x * ndtr(z) + s * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)


def _second_integral(x: Value, s: Value) -> Value:
    z = x / s
    return 0.5 * ((x * x + s * s) * ndtr(z) + x * s * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi))


def _finite(nu: Value) -> Value:
    return np.where(np.isinf(nu), 1.0, nu)


def _student(t: Value, nu: Value) -> Value:
    return np.where(np.isinf(nu), ndtr(t), stdtr(_finite(nu), t))


def coverage_factor(
    coverage: float = 0.95,
    degrees_of_freedom: Value = math.inf,
    *,
    half_widths: Sequence[Value] = (),
    normal: Value | None = None,
) -> Value:
    """Coverage factor k of a sum of rectangles (``half_widths``) and a normal part (standard deviation).

    Without rectangles this is Student's t at ν rounded down (JCGM 100, G.3.2 and G.4.1); one rectangle alone
    gives ``coverage * √3``, two give the trapezoid of EA-4/02 S9 and S10.
    Raises :class:`~diagnb.errors.InputFault` when ``coverage`` is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %")
    spread = normal if normal is not None else (0.0 if half_widths else 1.0)
    variance = np.square(spread) + sum((np.square(h) / 3 for h in half_widths), 0.0)
    shape = Shape.from_parts(half_widths, variance, degrees_of_freedom)
    k = shape.quantile((1 + coverage) / 2) / np.sqrt(variance)
    return float(k) if np.ndim(k) == 0 else k


def effective_degrees_of_freedom(contributions: Sequence[Value], degrees_of_freedom: Sequence[Value]) -> Value:
    """Welch-Satterthwaite (JCGM 100, G.4.1) over independent contributions, not rounded.

    ``contributions`` are u_i(y) in the unit of the result; ``degrees_of_freedom`` go with them.
    """
    if len(contributions) != len(degrees_of_freedom) or not contributions:
        raise fault("degrees of freedom", "give one for each contribution")
    squares = [np.square(c) for c in contributions]
    denominator = sum(s**2 / np.asarray(n, dtype=float) for s, n in zip(squares, degrees_of_freedom, strict=True))
    with np.errstate(divide="ignore"):
        result = np.where(np.equal(denominator, 0), math.inf, np.divide(sum(squares) ** 2, denominator))
    return float(result) if result.ndim == 0 else result
