"""Arguments of the reference functions: numbers or arrays of numbers, checked together before anything is computed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnb.errors import Fault, InputFault

Floats = NDArray[np.float64]
Number = Any
"""A number or an array of numbers; results have the shape of the arguments taken together."""

_LARGEST, _SMALLEST = 1e30, 1e-30
"""Beyond these nothing electrical lies, and products of a few arguments stay far from overflow."""
_ROUNDING = 1e-9
"""Unit conversions of the caller may miss the end of a range by this much, relative to its size."""


@dataclass(frozen=True, slots=True)
class Given:
    """One argument: its name, what was given, its unit, and the range it must lie in."""

    name: str
    value: Number
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    zero: bool = True
    finite: bool = True
    repair: str = ""

    def read(self) -> Floats | Fault:
        """The argument as an array, or what is wrong with it."""
        try:
            array = np.asarray(self.value)
        except ValueError:
            return Fault(self.name, "is ragged", "give a number or an array of numbers")
        if array.dtype.kind not in "iuf":
            return Fault(self.name, f"{self.value!r} is not a number", "give a number or an array of numbers")
        found = array.astype(float)
        if np.any(np.isnan(found)) or (self.finite and np.any(np.isinf(found))):
            return Fault(self.name, "holds a value that is not finite", "leave out what was not measured")
        if np.any(np.isfinite(found) & (np.abs(found) > _LARGEST)):
            return Fault(self.name, "holds a value beyond any electrical quantity", "check its unit")
        span = self.high - self.low
        slack = _ROUNDING * (span if math.isfinite(span) else max(abs(x) for x in (self.low, self.high, 0) if math.isfinite(x)))  # fmt: skip
        wrong = (found < self.low - slack) | (found > self.high + slack)
        if np.any(wrong):
            return Fault(self.name, f"{found[wrong].flat[0]:g}{self._unit()} lies outside {self._range()}", self.repair)
        if not self.zero and np.any(np.abs(found) < _SMALLEST):
            return Fault(self.name, "is zero", self.repair)
        return found

    def _unit(self) -> str:
        return f" {self.unit}" if self.unit else ""

    def _range(self) -> str:
        if math.isinf(self.high):
            return f"the values from {self.low:g}{self._unit()} up"
        if math.isinf(self.low):
            return f"the values up to {self.high:g}{self._unit()}"
        return f"{self.low:g} to {self.high:g}{self._unit()}"


def positive(name: str, value: Number, unit: str = "", repair: str = "") -> Given:
    """An argument that must be above zero."""
    return Given(name, value, unit, low=0, zero=False, repair=repair)


def not_negative(name: str, value: Number, unit: str = "", repair: str = "") -> Given:
    """An argument that must be zero or above."""
    return Given(name, value, unit, low=0, repair=repair)


def read(*given: Given) -> tuple[Floats, ...]:
    """All arguments as arrays that fit each other. Raises :class:`~diagnb.errors.InputFault` with every fault."""
    found = [g.read() for g in given]
    faults = [f for f in found if isinstance(f, Fault)]
    arrays = tuple(f for f in found if not isinstance(f, Fault))
    if not faults:
        try:
            np.broadcast_shapes(*(a.shape for a in arrays))
        except ValueError:
            shapes = ", ".join(f"{g.name} {a.shape}" for g, a in zip(given, arrays, strict=True))
            faults.append(Fault("arguments", f"the shapes don't fit each other: {shapes}", "give arrays of one length"))
    if faults:
        raise InputFault(faults)
    return arrays


def plain(result: Any) -> Any:
    """A result without dimensions as a Python number, text or bool; an array stays one."""
    return result.item() if np.ndim(result) == 0 and hasattr(result, "item") else result
