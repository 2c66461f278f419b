"""The shape of an error: its two largest rectangles plus a normal rest, with degrees of freedom.

Distribution function and quantile are closed forms in the second integral of the normal distribution. Scalars
go through plain Python, which is some ten times faster than arrays of one element; arrays (n,) through NumPy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from diagnb.errors import fault

Value = Any
_SMALL = 1e-4
_ROOT_TWO = math.sqrt(2)
_ROOT_TWO_PI = math.sqrt(2 * math.pi)
_GRID = 256
_LARGE = 20_000
"""From so many elements on, quantiles of arrays are read from a table that holds them to some 1e-5."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Rectangles of half-width ``first`` >= ``second``, a normal part ``normal``, degrees of freedom (floored).

    All five are floats, or arrays (n,) of one shape.
    """

    first: Value
    second: Value
    normal: Value
    degrees_of_freedom: Value
    standard_uncertainty: Value

    @classmethod
    def from_parts(cls, half_widths: Sequence[Value], variance: Value, degrees_of_freedom: Value = math.inf) -> Shape:
        """Keep the two largest rectangles; all other variance is taken as normal. All may be arrays (n,)."""
        arrays = (variance, degrees_of_freedom, *half_widths)
        if any(isinstance(a, np.ndarray) and a.ndim for a in arrays):
            return cls._of_arrays(half_widths, variance, degrees_of_freedom)
        widest = sorted((abs(float(h)) for h in half_widths), reverse=True)
        first, second = [*widest, 0.0, 0.0][:2]
        total = float(variance)
        rest = max(total - first * first / 3 - second * second / 3, 0.0)
        # Rounding leaves a rest of some 1e-16 of the variance where there is none.
        rest = 0.0 if rest < 1e-13 * total else rest
        scale = max(first, math.sqrt(rest))
        if second < _SMALL * scale:
            rest, second = rest + second * second / 3, 0.0
        if first < _SMALL * scale:
            rest, first = rest + first * first / 3, 0.0
        nu = float(degrees_of_freedom)
        nu = nu if math.isinf(nu) else max(float(math.floor(nu + 1e-9)), 1.0)
        return cls(first, second, math.sqrt(rest), nu, math.sqrt(total))

    @classmethod
    def _of_arrays(cls, half_widths: Sequence[Value], variance: Value, degrees_of_freedom: Value) -> Shape:
        first: Value = 0.0
        second: Value = 0.0
        for half in half_widths:
            half = np.abs(half)
            second = np.maximum(second, np.minimum(first, half))
            first = np.maximum(first, half)
        total = np.asarray(variance, dtype=float)
        rest = total - (first * first + second * second) / 3
        np.maximum(rest, 0.0, out=rest)
        rest[rest < 1e-13 * total] = 0.0
        scale = np.maximum(first, np.sqrt(rest))
        thin = np.broadcast_to(second < _SMALL * scale, total.shape)
        if thin.any():
            rest = np.where(thin, rest + np.square(second) / 3, rest)
            second = np.where(thin, 0.0, second)
        narrow = np.broadcast_to(first < _SMALL * scale, total.shape)
        if narrow.any():
            rest = np.where(narrow, rest + np.square(first) / 3, rest)
            first = np.where(narrow, 0.0, first)
        nu = np.asarray(degrees_of_freedom, dtype=float)
        nu = np.maximum(np.floor(nu + 1e-9), 1.0)
        return cls(
            np.broadcast_to(first, total.shape), np.broadcast_to(second, total.shape), np.sqrt(rest),
            np.broadcast_to(nu, total.shape), np.sqrt(total),
        )  # fmt: skip

    def cdf(self, error: Value) -> Value:
        """Probability that the error is at most ``error`` (same unit), shapes broadcast."""
        if isinstance(self.first, float) and not (isinstance(error, np.ndarray) and error.ndim):
            return self._cdf_one(float(error))
        x = np.asarray(error, dtype=float)
        u = np.asarray(self.standard_uncertainty)
        if np.any(np.isfinite(self.degrees_of_freedom)):
            with np.errstate(divide="ignore", invalid="ignore"):
                tail = ndtri(_student(-np.abs(x / u), np.asarray(self.degrees_of_freedom)))
            # The normal distribution function underflows beyond some 38 standard deviations.
            x = -np.sign(x) * np.maximum(np.nan_to_num(tail, nan=-38.0), -38.0) * u
        return np.where(np.equal(u, 0), np.where(x >= 0, 1.0, 0.0), self._sum(x, (_second, _first, ndtr)))

    def _cdf_one(self, x: float) -> float:
        u = self.standard_uncertainty
        if u == 0:
            return 1.0 if x >= 0 else 0.0
        if math.isfinite(self.degrees_of_freedom):
            tail = max(float(ndtri(stdtr(self.degrees_of_freedom, -abs(x) / u))), -38.0)
            x = math.copysign(-tail * u, x)
        return _convolution_one(x, self.first, self.second, self.normal)[0]

    def quantile(self, probability: float) -> Value:
        """The error that is not exceeded with ``probability`` (0.5 <= probability < 1)."""
        if not 0.5 <= probability < 1:
            raise fault("probability", f"{probability} must lie between 0.5 and 1")
        if isinstance(self.first, float):
            return self._quantile_one(probability)
        u = np.asarray(self.standard_uncertainty)
        x = _from_table(self, probability) if u.size >= _LARGE else self._newton(probability)
        finite = np.isfinite(self.degrees_of_freedom)
        if np.any(finite):
            with np.errstate(divide="ignore", invalid="ignore"):
                p = ndtr(np.where(u > 0, x / u, 0.0))
            t = np.where(finite, stdtrit(np.where(finite, self.degrees_of_freedom, 1.0), p), ndtri(p))
            x = t * u
        return x

    def _quantile_one(self, probability: float) -> float:
        u = self.standard_uncertainty
        if u == 0:
            return 0.0
        x = _quantile_one(probability, self.first, self.second, self.normal)
        if math.isfinite(self.degrees_of_freedom):
            x = float(stdtrit(self.degrees_of_freedom, ndtr(x / u))) * u
        return x

    def _newton(self, probability: float) -> Value:
        """Safeguarded Newton steps on arrays, to rounding."""
        u = np.asarray(self.standard_uncertainty, dtype=float)
        z = float(ndtri(probability))
        x = z * u
        if np.any(np.greater(self.first, 0)):
            low, high = np.zeros_like(x), self.first + self.second + (z + 3) * self.normal
            x = np.minimum(x, high)
            for _ in range(60):
                value, density = self._convolution(x)
                below = value < probability
                low, high = np.where(below, x, low), np.where(below, high, x)
                with np.errstate(divide="ignore", invalid="ignore"):
                    step = x - (value - probability) / density
                new = np.where((step > low) & (step < high), step, (low + high) / 2)
                moved = np.max(np.abs(new - x) / np.where(u > 0, u, 1.0))
                x = new
                if moved < 1e-12:
                    break
        return x

    def _convolution(self, x: Value) -> tuple[Value, Value]:
        """Distribution function and density at ``x`` of rectangle + rectangle + normal, arrays."""
        return self._sum(x, (_second, _first, ndtr)), self._sum(x, (_first, _height, _density))

    def _sum(self, x: Value, integrals: tuple[Callable[..., Value], ...]) -> Value:
        """Differences of the integrals for two rectangles, one, none: each only where such shapes are."""
        a, b = np.asarray(self.first), np.asarray(self.second)
        s = np.maximum(self.normal, 1e-9 * a)
        s = np.where(s > 0, s, 1.0)
        two, one, none = integrals
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            double = b > 0
            if double.all():
                result = (two(x + a + b, s) - two(x + a - b, s) - two(x - a + b, s) + two(x - a - b, s)) / (4 * a * b)
            else:
                single = a > 0
                result = none(x / s) if none is ndtr else none(x, s)
                if single.any():
                    result = np.where(single, (one(x + a, s) - one(x - a, s)) / (2 * a), result)
                if double.any():
                    corners = two(x + a + b, s) - two(x + a - b, s) - two(x - a + b, s) + two(x - a - b, s)
                    result = np.where(double, corners / (4 * a * b), result)
        return np.clip(result, 0.0, 1.0) if none is ndtr else result


def _height(x: Value, s: Value) -> Value:
    return ndtr(x / s)


def _density(x: Value, s: Value) -> Value:
    return np.exp(-0.5 * (x / s) ** 2) / (s * _ROOT_TWO_PI)


def _first(x: Value, s: Value) -> Value:
    z = x / s
    return x * ndtr(z) + s * np.exp(-0.5 * z * z) / _ROOT_TWO_PI


def _second(x: Value, s: Value) -> Value:
    z = x / s
    return 0.5 * ((x * x + s * s) * ndtr(z) + x * s * np.exp(-0.5 * z * z) / _ROOT_TWO_PI)


def _convolution_one(x: float, a: float, b: float, s: float) -> tuple[float, float]:
    """As the array form, for one point; without a normal part the piecewise polynomials themselves."""
    if x < 0:
        value, density = _convolution_one(-x, a, b, s)
        return 1.0 - value, density
    if s == 0:
        return _trapezoid(x, a, b)
    if x - a - b > 38 * s:
        return 1.0, 0.0
    if a == 0:
        z = x / s
        return 0.5 * math.erfc(-z / _ROOT_TWO), math.exp(-0.5 * z * z) / (s * _ROOT_TWO_PI)
    if b == 0:
        f1, g1 = _integrals(x + a, s)[1:]
        f2, g2 = _integrals(x - a, s)[1:]
        return min((f1 - f2) / (2 * a), 1.0), (g1 - g2) / (2 * a)
    p, q, r, t = (_integrals(c, s) for c in (x + a + b, x + a - b, x - a + b, x - a - b))
    scale = 1 / (4 * a * b)
    return min((p[0] - q[0] - r[0] + t[0]) * scale, 1.0), (p[1] - q[1] - r[1] + t[1]) * scale


def _integrals(x: float, s: float) -> tuple[float, float, float]:
    """Second integral, first integral and value of the normal distribution function with deviation ``s``."""
    z = x / s
    if z < -38:
        return 0.0, 0.0, 0.0
    if z > 38:
        return 0.5 * (x * x + s * s), x, 1.0
    area = 0.5 * math.erfc(-z / _ROOT_TWO)
    height = s * math.exp(-0.5 * z * z) / _ROOT_TWO_PI
    return 0.5 * ((x * x + s * s) * area + x * height), x * area + height, area


def _trapezoid(x: float, a: float, b: float) -> tuple[float, float]:
    if x >= a + b:
        return 1.0, 0.0
    if b == 0:
        return 0.5 + x / (2 * a), 1 / (2 * a)
    if x <= a - b:
        return 0.5 + x / (2 * a), 1 / (2 * a)
    left = a + b - x
    return 1 - left * left / (8 * a * b), left / (4 * a * b)


def _quantile_one(probability: float, a: float, b: float, s: float) -> float:
    if s == 0:
        # EA-4/02 S10 (trapezoid) and S9 (rectangle).
        straight = 2 * a * (probability - 0.5)
        if b == 0 or straight <= a - b:
            return straight
        return a + b - math.sqrt(8 * a * b * (1 - probability))
    z = float(ndtri(probability))
    if a == 0:
        return z * s
    u = math.sqrt(s * s + a * a / 3 + b * b / 3)
    low, high = 0.0, a + b + (z + 3) * s
    x = min(z * u, high)
    for _ in range(80):
        value, density = _convolution_one(x, a, b, s)
        if value < probability:
            low = x
        else:
            high = x
        new = x - (value - probability) / density if density > 0 else low
        if not low < new < high:
            new = (low + high) / 2
        if abs(new - x) < 1e-11 * u:
            return new
        x = new
    return x


def _student(t: Value, nu: Value) -> Value:
    return np.where(np.isinf(nu), ndtr(t), stdtr(np.where(np.isinf(nu), 1.0, nu), t))


@lru_cache(maxsize=8)
def _table(probability: float) -> Value:
    """Quantile over u on a grid: second/first from 0 to 1 down, normal/u from 0 to 1 across."""
    ratio, part = np.meshgrid(np.linspace(0, 1, _GRID + 1), np.linspace(0, 1, _GRID + 1), indexing="ij")
    normal = part
    first = np.sqrt(3 * (1 - part**2) / (1 + ratio**2))
    flat = Shape(
        first.ravel(), (ratio * first).ravel(), normal.ravel(), np.full(first.size, math.inf), np.ones(first.size)
    )
    return flat._newton(probability).reshape(first.shape)


def _from_table(shape: Shape, probability: float) -> Value:
    table = _table(probability)
    u, first = np.asarray(shape.standard_uncertainty), np.asarray(shape.first)
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.where(u > 0, shape.normal / u, 1.0) * _GRID
        down = np.where(first > 0, shape.second / first, 0.0) * _GRID
    i = np.minimum(down.astype(np.intp), _GRID - 1)
    j = np.minimum(across.astype(np.intp), _GRID - 1)
    f, g = down - i, across - j
    flat, at = table.ravel(), i * (_GRID + 1) + j
    low = flat[at] * (1 - g) + flat[at + 1] * g
    at += _GRID + 1
    high = flat[at] * (1 - g) + flat[at + 1] * g
    return u * (low + f * (high - low))
