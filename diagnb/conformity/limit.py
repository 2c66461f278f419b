"""Tolerance limits. A limit without its source, method and condition means nothing, so it carries them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from diagnb.errors import Fault, InputFault

Rule = Literal["simple", "guarded-95", "guarded-U"]
RULES: tuple[str, ...] = get_args(Rule)


@dataclass(frozen=True, slots=True)
class Limit:
    """A lower limit, an upper limit, or both, in the unit of the estimate that it judges.

    ``physical_lower`` and ``physical_upper`` are values that the measurand can't pass (a resistance is not
    negative); they say how wide the tolerance really is. Raises :class:`~diagnb.errors.InputFault` when no
    side is given, a side is not a number, or the sides are crossed.
    """

    lower: float | None = None
    upper: float | None = None
    source: str = ""
    unit: str = ""
    edition: str = ""
    method: str = ""
    condition: str = ""
    tag: str = ""
    physical_lower: float | None = None
    physical_upper: float | None = None

    def __post_init__(self) -> None:
        faults = []
        for side in ("lower", "upper", "physical_lower", "physical_upper"):
            value = getattr(self, side)
            if value is not None and not math.isfinite(value):
                faults.append(Fault(f"limit.{side}", f"{value} is not a number", "leave an absent side out"))
        if self.lower is None and self.upper is None:
            faults.append(Fault("limit", "has neither a lower nor an upper value"))
        if not faults and self.lower is not None and self.upper is not None and self.lower > self.upper:
            faults.append(Fault("limit", f"the lower limit {self.lower:g} is above the upper limit {self.upper:g}"))
        if faults:
            raise InputFault(faults)

    @property
    def span(self) -> float:
        """Width of what conforms, physical limits counted; infinite when a side is open."""
        low = self.lower if self.lower is not None else self.physical_lower
        high = self.upper if self.upper is not None else self.physical_upper
        return math.inf if low is None or high is None else high - low

    def holds(self, value: float) -> bool:
        """Whether ``value`` meets the limit, ends included."""
        return (self.lower is None or value >= self.lower) and (self.upper is None or value <= self.upper)

    def nearest(self, value: float) -> float:
        """The side of the limit that is nearest to ``value``."""
        sides = [side for side in (self.lower, self.upper) if side is not None]
        return min(sides, key=lambda side: abs(side - value))
