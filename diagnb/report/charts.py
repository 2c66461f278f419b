"""Interval pictures: a value with its coverage interval against its limits, readable in black and white.

One geometry, two outputs: inline SVG for forms and notebooks, vector drawing for the report.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TypeAlias

from diagnb.errors import fault
from diagnb.quantities.rounding import significant, value_with_uncertainty
from diagnb.report.blocks import Align, Point, Surface
from diagnb.report.wording import VERDICTS, Wording, load_wording

_WIDTH = 490.0
_TOP = 15.0
_LANE = 26.0
_AXIS = 25.0
_RIGHT = 128.0
_LEAST_WHISKER = 3.5
_DASHES: dict[str, tuple[float, ...]] = {
    "conditional pass": (4.0, 2.0),
    "conditional fail": (4.0, 2.0),
    "not judged": (1.0, 2.0),
}


@dataclass(frozen=True, slots=True)
class Line:
    start: Point
    end: Point
    width: float
    grey: float = 0.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle from its upper left corner, filled, or outlined when `fill` is None."""

    corner: Point
    width: float
    height: float
    fill: float | None
    stroke: float | None = None


@dataclass(frozen=True, slots=True)
class Shape:
    """A closed polygon, filled, or outlined when `fill` is None."""

    points: tuple[Point, ...]
    fill: float | None
    stroke: float | None = None


@dataclass(frozen=True, slots=True)
class Label:
    at: Point
    text: str
    size: float
    bold: bool = False
    align: Align = "left"
    grey: float = 0.0


Element: TypeAlias = Line | Box | Shape | Label


@dataclass(frozen=True, slots=True)
class Picture:
    """Finished geometry in points, y downwards, and the sentence that says the same."""

    width: float
    height: float
    elements: tuple[Element, ...]
    alt: str

    def draw(self, canvas: Surface, x: float, y: float, width: float) -> None:
        """Draw with the upper left corner at (x, y), scaled to `width`."""
        k = width / self.width

        def move(point: Point) -> Point:
            return x + point[0] * k, y + point[1] * k

        for e in self.elements:
            if isinstance(e, Line):
                dash = tuple(d * k for d in e.dash)
                canvas.line(*move(e.start), *move(e.end), width=e.width * k, grey=e.grey, dash=dash)
            elif isinstance(e, Box):
                canvas.rectangle(
                    *move(e.corner), e.width * k, e.height * k, fill=e.fill, stroke=e.stroke, line_width=0.6 * k
                )
            elif isinstance(e, Shape):
                canvas.polygon([move(p) for p in e.points], fill=e.fill, stroke=e.stroke)
            else:
                canvas.text(*move(e.at), e.text, size=e.size * k, bold=e.bold, align=e.align, grey=e.grey)

    def svg(self, *, ink: str = "currentColor", paper: str = "") -> str:
        """Inline SVG. `ink` and `paper` are colours; without paper the page shows through."""
        size = f"{_n(self.width)} {_n(self.height)}"
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{_n(self.width)}" '
            f'height="{_n(self.height)}" role="img" aria-label="{escape(self.alt, quote=True)}" '
            f'style="max-width:100%;height:auto" font-family="DejaVu Sans, Verdana, sans-serif" fill="{escape(ink)}">'
        ]
        if paper:
            parts.append(f'<rect width="100%" height="100%" fill="{escape(paper)}"/>')
        parts += [_svg(e, escape(ink, quote=True)) for e in self.elements]
        return "".join([*parts, "</svg>"])


@dataclass(frozen=True, slots=True)
class Lane:
    """One value with its interval [lower, upper], all in one unit, and its verdict."""

    value: float
    lower: float
    upper: float
    verdict: str
    label: str = ""

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise fault("verdict", f"{self.verdict!r} is not a verdict", f"use one of: {', '.join(VERDICTS)}")
        if not math.isfinite(self.value) or math.isnan(self.lower) or math.isnan(self.upper):
            raise fault("value", "is not a number, so there is nothing to draw")
        if not self.lower <= self.value <= self.upper:
            raise fault("interval", f"[{self.lower}, {self.upper}] does not hold the value {self.value}")


def interval_picture(
    *,
    value: float,
    lower: float,
    upper: float,
    limit_lower: float | None,
    limit_upper: float | None,
    acceptance_lower: float | None = None,
    acceptance_upper: float | None = None,
    unit: str,
    verdict: str,
    label: str = "",
    language: str = "en",
) -> Picture:
    """One value with its coverage interval [lower, upper] against its limits, everything in `unit`."""
    lane = Lane(value, lower, upper, verdict, label)
    return lanes_picture(
        lanes=(lane,),
        limit_lower=limit_lower,
        limit_upper=limit_upper,
        acceptance_lower=acceptance_lower,
        acceptance_upper=acceptance_upper,
        unit=unit,
        language=language,
    )


def before_after_picture(
    *,
    as_found: Lane,
    as_left: Lane,
    limit_lower: float | None,
    limit_upper: float | None,
    acceptance_lower: float | None = None,
    acceptance_upper: float | None = None,
    unit: str,
    language: str = "en",
) -> Picture:
    """The same quantity as found above as left, on one scale."""
    wording = load_wording(language)
    pair = []
    for lane, key in ((as_found, "phase.as-found"), (as_left, "phase.as-left")):
        pair.append(Lane(lane.value, lane.lower, lane.upper, lane.verdict, lane.label or wording.say(key)))
    return lanes_picture(
        lanes=pair,
        limit_lower=limit_lower,
        limit_upper=limit_upper,
        acceptance_lower=acceptance_lower,
        acceptance_upper=acceptance_upper,
        unit=unit,
        language=language,
    )


def lanes_picture(
    *,
    lanes: Sequence[Lane],
    limit_lower: float | None,
    limit_upper: float | None,
    acceptance_lower: float | None = None,
    acceptance_upper: float | None = None,
    unit: str,
    language: str = "en",
) -> Picture:
    """Any number of values of one quantity above each other, on one scale with one set of limits."""
    wording = load_wording(language)
    accept_lower = limit_lower if acceptance_lower is None else acceptance_lower
    accept_upper = limit_upper if acceptance_upper is None else acceptance_upper
    limits = [v for v in (limit_lower, limit_upper, accept_lower, accept_upper) if v is not None and math.isfinite(v)]
    low, high = _span(lanes, limits)
    longest = max((len(lane.label) for lane in lanes), default=0)
    left = 4.0 if not longest else min(150.0, 10 + longest * 5.0)
    frame = _Frame(low, high, left, _WIDTH - _RIGHT, _TOP + _LANE * len(lanes), unit, wording)
    sides = (_Side(limit_lower, accept_lower, "≥"), _Side(limit_upper, accept_upper, "≤"))
    drawn = [*frame.axis(), *frame.zones(*sides), *frame.limits(sides)]
    for index, lane in enumerate(lanes):
        drawn += frame.lane(lane, _TOP + _LANE * (index + 0.5))
    alt = "; ".join(describe(lane, limit_lower, limit_upper, unit, wording) for lane in lanes)
    return Picture(_WIDTH, frame.floor + _AXIS, tuple(drawn), alt)


def describe(lane: Lane, limit_lower: float | None, limit_upper: float | None, unit: str, wording: Wording) -> str:
    """The picture in a sentence: label, value ± half of the interval, limits, verdict."""
    said = _stated(lane, unit, wording)
    bounds = []
    if limit_lower is not None:
        bounds.append(f"≥ {wording.number(significant_short(limit_lower))} {unit}")
    if limit_upper is not None:
        bounds.append(f"≤ {wording.number(significant_short(limit_upper))} {unit}")
    name = f"{lane.label}: " if lane.label else ""
    limit = f"; {wording.say('chart.limit')} {', '.join(bounds)}" if bounds else ""
    return f"{name}{said}{limit}; {wording.verdict(lane.verdict)}"


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers (1, 2, 2.5 or 5 times a power of ten) between `low` and `high`, at most `most` of them."""
    rough = (high - low) / max(1, most - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    ticks: list[float] = []
    while (first + len(ticks)) * step <= high + step * 1e-9 and len(ticks) <= most:
        ticks.append((first + len(ticks)) * step)
    return ticks


def significant_short(value: float) -> str:
    """Up to six significant digits without trailing zeros, for limits and ticks."""
    text = significant(value, 6)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _span(lanes: Sequence[Lane], limits: list[float]) -> tuple[float, float]:
    values = [*limits, *(v for lane in lanes for v in (lane.value, lane.lower, lane.upper) if math.isfinite(v))]
    low, high = min(values), max(values)
    size = max(high - low, 1e-6 * max(abs(low), abs(high)))
    size = size if size > 1e-12 else 1.0
    if 0 < low < 0.5 * high:
        low, size = 0.0, high
        return -0.01 * size, high + 0.07 * size
    return low - 0.08 * size, high + 0.08 * size


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of the limits: the tolerance limit, the acceptance limit, and the sign of what conforms."""

    limit: float | None
    accept: float | None
    sign: str


@dataclass(frozen=True, slots=True)
class _Frame:
    """The scale of a picture and what is drawn on it."""

    low: float
    high: float
    left: float
    right: float
    floor: float
    unit: str
    wording: Wording

    def at(self, value: float) -> float:
        """Where `value` lies, never outside the plot."""
        share = (value - self.low) / (self.high - self.low)
        return min(max(self.left + share * (self.right - self.left), self.left), self.right)

    def axis(self) -> list[Element]:
        floor, right = self.floor, self.right
        drawn: list[Element] = [Line((self.left, floor), (right, floor), 0.6)]
        ticks = nice_ticks(self.low, self.high)
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        places = max(0, math.ceil(-math.log10(step) - 1e-9))
        if abs(step * 10**places - round(step * 10**places)) > 1e-6:
            places += 1
        for tick in ticks:
            x = self.at(tick)
            shown = self.wording.number(f"{tick if abs(tick) > step * 1e-6 else 0.0:.{places}f}")
            drawn.append(Line((x, floor), (x, floor + 7.5), 0.6))
            drawn.append(Label((x, floor + 15.5), shown, 6.6, align="centre", grey=0.25))
        drawn.append(Label((right + 8, floor + 15.5), self.unit, 6.6, grey=0.25))
        return drawn

    def zones(self, lower: _Side, upper: _Side) -> list[Element]:
        """On the axis: a black bar where values are accepted, hatched between acceptance and tolerance limit."""
        if lower.limit is None and upper.limit is None:
            return []
        floor = self.floor
        drawn: list[Element] = []
        start = self.left if lower.accept is None else self.at(lower.accept)
        stop = self.right if upper.accept is None else self.at(upper.accept)
        if stop > start:
            drawn.append(Box((start, floor), stop - start, 4.0, 0.0))
        for side in (lower, upper):
            if side.limit is None or side.accept is None or side.accept == side.limit:
                continue
            x, end = sorted((self.at(side.limit), self.at(side.accept)))
            if end - x < 0.2:
                continue
            drawn.append(Box((x, floor), end - x, 4.0, None, 0.0))
            while x < end - 0.5:
                reach = min(4.0, end - x)
                drawn.append(Line((x, floor + 4.0), (x + reach, floor + 4.0 - reach), 0.5))
                x += 2.5
        return drawn

    def limits(self, sides: tuple[_Side, ...]) -> list[Element]:
        drawn: list[Element] = []
        for side in sides:
            if side.limit is None:
                continue
            x = self.at(side.limit)
            drawn.append(Line((x, _TOP - 3), (x, self.floor), 1.3))
            accept = None if side.accept is None else self.at(side.accept)
            if accept is not None and abs(accept - x) > 2.0:
                drawn.append(Line((accept, _TOP), (accept, self.floor), 0.7, 0.15, (2.5, 2.0)))
            text = f"{side.sign} {self.wording.number(significant_short(side.limit))} {self.unit}"
            wide = len(text) * 4.4
            to_right = (x + wide < self.right) if side.sign == "≤" else (x - wide < self.left)
            drawn.append(Label((x + 3 if to_right else x - 3, 9.5), text, 7.0, True, "left" if to_right else "right"))
        return drawn

    def lane(self, lane: Lane, y: float) -> list[Element]:
        middle = self.at(lane.value)
        start = min(self.at(lane.lower), middle - _LEAST_WHISKER)
        stop = max(self.at(lane.upper), middle + _LEAST_WHISKER)
        drawn: list[Element] = [Line((start, y), (stop, y), 1.4, 0.0, _DASHES.get(lane.verdict, ()))]
        drawn += [Line((x, y - 4.5), (x, y + 4.5), 1.0) for x in (start, stop)]
        drawn.append(_point(middle, y, lane.verdict))
        if lane.label:
            most = int((self.left - 6) / 4.6)
            text = lane.label if len(lane.label) <= most else lane.label[: most - 1] + "…"
            drawn.append(Label((0.0, y + 2.6), text, 7.4, True))
        x = self.right + 8
        drawn.append(Label((x, y - 1.4), self.wording.verdict(lane.verdict), 7.8, True))
        drawn.append(Label((x, y + 8.2), _stated(lane, self.unit, self.wording), 6.8, grey=0.2))
        return drawn


def _point(x: float, y: float, verdict: str) -> Element:
    """Round for pass, square for fail, open when conditional, a slim bar when not judged."""
    fill = None if verdict.startswith("conditional") else 0.0
    if verdict == "not judged":
        return Box((x - 0.8, y - 4.5), 1.6, 9.0, 0.0)
    if verdict.endswith("pass"):
        corners = [(x + 3.2 * math.cos(a * math.pi / 8), y + 3.2 * math.sin(a * math.pi / 8)) for a in range(16)]
        return Shape(tuple(corners), 1.0 if fill is None else fill, 0.0)
    return Shape(((x - 3, y - 3), (x + 3, y - 3), (x + 3, y + 3), (x - 3, y + 3)), 1.0 if fill is None else fill, 0.0)


def _stated(lane: Lane, unit: str, wording: Wording) -> str:
    expanded = (lane.upper - lane.lower) / 2
    if not math.isfinite(expanded):
        return f"{wording.number(significant(lane.value))} {unit}"
    value, half = value_with_uncertainty(lane.value, expanded)
    return f"{wording.number(value)} ± {wording.number(half)} {unit}"


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _svg(e: Element, ink: str) -> str:
    if isinstance(e, Line):
        dash = f' stroke-dasharray="{" ".join(map(_n, e.dash))}"' if e.dash else ""
        return (
            f'<line x1="{_n(e.start[0])}" y1="{_n(e.start[1])}" x2="{_n(e.end[0])}" y2="{_n(e.end[1])}" '
            f'stroke="{ink}" stroke-opacity="{_n(1 - e.grey)}" stroke-width="{_n(e.width)}"{dash}/>'
        )
    if isinstance(e, Label):
        anchor = {"left": "start", "right": "end", "centre": "middle"}[e.align]
        weight = ' font-weight="bold"' if e.bold else ""
        return (
            f'<text x="{_n(e.at[0])}" y="{_n(e.at[1])}" font-size="{_n(e.size)}" text-anchor="{anchor}"{weight} '
            f'fill-opacity="{_n(1 - e.grey)}">{escape(e.text)}</text>'
        )
    stroke = "" if e.stroke is None else f' stroke="{ink}" stroke-width="0.6"'
    fill = ' fill="none"' if e.fill is None or e.fill == 1.0 else f' fill-opacity="{_n(1 - e.fill)}"'
    if isinstance(e, Box):
        return (
            f'<rect x="{_n(e.corner[0])}" y="{_n(e.corner[1])}" width="{_n(e.width)}" height="{_n(e.height)}"'
            f"{fill}{stroke}/>"
        )
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in e.points)
    return f'<polygon points="{points}"{fill}{stroke}/>'
