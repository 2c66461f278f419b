"""Pictures of recorded traces: the course, the points used, the threshold; readable in black and white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from diagnb.errors import fault
from diagnb.report.blocks import Point
from diagnb.report.charts import Element, Label, Line, Picture, Shape, nice_ticks, significant_short
from diagnb.report.wording import Wording, load_wording

_WIDTH, _HEIGHT = 490.0, 150.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 10.0, 16.0, 28.0
_STRETCHES = 420
_MANY_POINTS = 40
_SCALES = (("s", 1.0), ("ms", 1e3), ("µs", 1e6))


def trace_picture(
    *,
    time: Sequence[float],
    values: Sequence[float],
    unit: str,
    points: Sequence[tuple[float, float]] = (),
    threshold: float | None = None,
    window: tuple[float, float] | None = None,
    label: str = "",
    language: str = "en",
) -> Picture:
    """The course ``values`` (n,) in ``unit`` over ``time`` (n,) in s, thinned to the low and high of each stretch.

    ``points`` (time, value) are marked with rings, the ``threshold`` with a dashed line, the ``window`` that was used
    with ticks and a bar on the axis. Without a course (n = 0) the points alone are drawn and joined by dashes. Not
    finite samples leave a gap. Raises :class:`~diagnb.errors.InputFault` when there is nothing to draw.
    """
    wording = load_wording(language)
    if len(time) != len(values):
        raise fault("trace", "needs as many values as times")
    course = [(float(t), float(x)) for t, x in zip(time, values, strict=True) if math.isfinite(x)]
    marks = [(float(t), float(x)) for t, x in points]
    drawn = course or sorted(marks)
    if not drawn:
        raise fault("trace", "has nothing to draw")
    frame = _Frame(drawn, marks, threshold, unit, wording)
    elements = [*frame.axes(), *frame.course(course, sorted(marks))]
    if window is not None:
        elements += frame.window(window)
    if threshold is not None:
        elements += frame.threshold(threshold)
    elements += [frame.ring(p, 2.6 if len(marks) <= _MANY_POINTS else 1.3) for p in marks]
    if label:
        elements.append(Label((_LEFT, 9.0), label[:90], 7.4, True))
    low, high = min(x for _, x in drawn), max(x for _, x in drawn)
    alt = wording.say(
        "chart.trace-alt", label=label, start=frame.moment(drawn[0][0]), end=frame.moment(drawn[-1][0]),
        low=frame.amount(low), high=frame.amount(high), count=len(marks),
    )  # fmt: skip
    return Picture(_WIDTH, _HEIGHT, tuple(elements), alt)


class _Frame:
    """The scales of one picture."""

    def __init__(
        self, drawn: list[Point], marks: list[Point], threshold: float | None, unit: str, wording: Wording
    ) -> None:
        every = [*drawn, *marks]
        heights = [x for _, x in every] + ([] if threshold is None else [threshold])
        self.start, self.end = _widened(min(t for t, _ in every), max(t for t, _ in every), 0.0)
        self.low, self.high = _widened(min(heights), max(heights), 0.06)
        longest = self.end - self.start
        self.clock, self.scale = next((s for s in _SCALES if longest * s[1] >= 2), _SCALES[-1])
        self.unit, self.wording = unit, wording

    def x(self, time: float) -> float:
        share = (time - self.start) / (self.end - self.start)
        return _LEFT + min(max(share, 0.0), 1.0) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return _HEIGHT - _BOTTOM - min(max(share, 0.0), 1.0) * (_HEIGHT - _TOP - _BOTTOM)

    def moment(self, time: float) -> str:
        return f"{self.wording.number(significant_short(time * self.scale))} {self.clock}"

    def amount(self, value: float) -> str:
        return f"{self.wording.number(significant_short(value))} {self.unit}".strip()

    def axes(self) -> list[Element]:
        floor = _HEIGHT - _BOTTOM
        drawn: list[Element] = [
            Line((_LEFT, floor), (_WIDTH - _RIGHT, floor), 0.6),
            Line((_LEFT, _TOP), (_LEFT, floor), 0.6),
        ]
        ticks = nice_ticks(self.start * self.scale, self.end * self.scale, 8)
        for tick, shown in zip(ticks, _written(ticks, self.wording), strict=True):
            x = self.x(tick / self.scale)
            drawn += [
                Line((x, floor), (x, floor + 4), 0.6),
                Label((x, floor + 12), shown, 6.6, align="centre", grey=0.25),
            ]
        said = f"{self.wording.say('chart.time')} ({self.clock})"
        drawn.append(Label((_WIDTH - _RIGHT, floor + 22), said, 6.6, align="right", grey=0.25))
        ticks = nice_ticks(self.low, self.high, 6)
        for tick, shown in zip(ticks, _written(ticks, self.wording), strict=True):
            y = self.y(tick)
            drawn += [
                Line((_LEFT - 4, y), (_LEFT, y), 0.6),
                Label((_LEFT - 6, y + 2.3), shown, 6.6, align="right", grey=0.25),
            ]
        drawn.append(Label((_LEFT - 6, 9.0), self.unit, 6.6, align="right", grey=0.25))
        return drawn

    def course(self, course: list[Point], marks: list[Point]) -> list[Element]:
        """One closed shape along the highs and back along the lows of each stretch of time."""
        if not course:
            pairs = pairwise(marks)
            return [
                Line((self.x(a[0]), self.y(a[1])), (self.x(b[0]), self.y(b[1])), 0.7, 0.3, (2, 2)) for a, b in pairs
            ]
        if len(course) <= 2 * _STRETCHES:
            outward = [(self.x(t), self.y(v)) for t, v in course]
            return [Shape((*outward, *reversed(outward)), None, 0.0)]
        highs: list[Point] = []
        lows: list[Point] = []
        last: float | None = None
        size = len(course) / _STRETCHES
        for i in range(_STRETCHES):
            part = course[int(i * size) : int((i + 1) * size)]
            heights = [v for _, v in part] + ([] if last is None else [last])
            x = self.x((part[0][0] + part[-1][0]) / 2)
            highs.append((x, self.y(max(heights))))
            lows.append((x, self.y(min(heights))))
            last = part[-1][1]
        return [Shape((*highs, *reversed(lows)), 0.0, 0.0)]

    def threshold(self, value: float) -> list[Element]:
        y, right = self.y(value), _WIDTH - _RIGHT
        said = f"{self.wording.say('chart.threshold')} {self.amount(value)}"
        return [Line((_LEFT, y), (right, y), 0.8, 0.0, (4, 2.5)), Label((right, y - 2.5), said, 6.6, True, "right")]

    def window(self, window: tuple[float, float]) -> list[Element]:
        floor = _HEIGHT - _BOTTOM
        left, right = self.x(window[0]), self.x(window[1])
        ends: list[Element] = [Line((x, _TOP), (x, floor), 0.5, 0.45, (1, 2)) for x in (left, right)]
        return [*ends, Line((left, floor), (right, floor), 2.2)]

    def ring(self, point: Point, radius: float) -> Element:
        x, y = self.x(point[0]), self.y(point[1])
        corners = [(x + radius * math.cos(a * math.pi / 6), y + radius * math.sin(a * math.pi / 6)) for a in range(12)]
        return Shape(tuple(corners), 1.0, 0.0)


def _widened(low: float, high: float, share: float) -> tuple[float, float]:
    size = high - low
    if not size > 1e-9 * max(abs(low), abs(high), 1e-9):
        size = max(abs(low), abs(high), 1e-9) * 0.1
        return low - size / 2, high + size / 2
    return low - share * size, high + share * size


def _written(ticks: list[float], wording: Wording) -> list[str]:
    """Ticks with as many places as their step needs."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else max(abs(ticks[0]), 1.0) if ticks else 1.0
    places = max(0, math.ceil(-math.log10(step) - 1e-9))
    if abs(step * 10**places - round(step * 10**places)) > 1e-6:
        places += 1
    return [wording.number(f"{t if abs(t) > step * 1e-6 else 0.0:.{places}f}") for t in ticks]
