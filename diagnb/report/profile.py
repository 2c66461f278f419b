"""The voltage profile of a path test as a picture: measured against expected, the span that fails hatched.

The feed side stands above the ground side, on one scale, with the load as a break between them: so a drop of tens of
millivolts is seen beside a source of many volts. Same geometry for SVG and paper as the interval pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from diagnb.errors import fault
from diagnb.evaluation import Profile, ProfilePoint, Result, TestResult
from diagnb.quantities.rounding import significant, value_with_uncertainty
from diagnb.report.charts import Element, Label, Line, Picture, Shape, nice_ticks
from diagnb.report.wording import Wording, load_wording

_WIDTH = 490.0
_LEFT, _RIGHT = 42.0, 484.0
_HEADER = 18.0
_ROW = 13.0
_PLOT = 168.0
_GAP = 34.0
_MOST_NAMED = 12
_SMALL, _PLAIN = 6.6, 7.4
_ELLIPSIS = "…"


def voltage_profile(*, test: TestResult, language: str = "en") -> Picture:
    """The profile of a path test, its node voltages with their 95 % whiskers against the expected ones (dashed).

    Raises InputFault where the test has no path, or no node has a value.
    """
    profile = test.profile
    if profile is None or all(p.value is None for p in profile.points):
        raise fault("test", "has no node with a value, so there is no profile to draw", "draw a path test")
    return _Sheet(profile, {r.name: r for r in test.results}, load_wording(language)).picture()


def describe_profile(test: TestResult, wording: Wording) -> str:
    """The picture in words: every node with its voltage, then the span that fails."""
    profile = test.profile
    if profile is None:
        return ""
    nodes = "; ".join(
        wording.say("text.profile-node", node=p.name, value=_node_said(p, wording)) for p in profile.points
    )
    said = wording.say("text.profile-alt", reference=profile.reference_point, nodes=nodes)
    return f"{said} {failing_sentence(test, wording)}"


def failing_sentence(test: TestResult, wording: Wording) -> str:
    """Which span exceeds its limit most, by how much and how probably; or that none does."""
    profile = test.profile
    if profile is None or not profile.failing or profile.excess is None:
        return wording.say("text.profile-none-failing")
    over = profile.probability
    chance = "–" if over is None else _probability(over, wording)
    excess = f"{wording.number(significant(profile.excess, 3))} V"
    title = profile.span(profile.failing).title
    said = wording.say("text.profile-failing", span=title, excess=excess, probability=chance)
    others = _also_failing(test, wording)
    return f"{said} {wording.say('text.profile-also-failing', spans=others)}" if others else said


def _also_failing(test: TestResult, wording: Wording) -> str:
    """The other spans whose drop fails, the largest first, each with its drop."""
    profile = test.profile
    assert profile is not None
    by_name = {result.name: result for result in test.results}
    found = []
    for span in profile.spans:
        drop = by_name.get(f"{span.name}_drop")
        if drop is not None and span.name != profile.failing and drop.verdict.verdict == "fail":
            shown = _volts(drop.value or 0.0, drop.expanded_uncertainty, wording)
            found.append((-abs(drop.value or 0.0), f"{span.title} ({shown})"))
    return ", ".join(said for _, said in sorted(found))


def _probability(value: float, wording: Wording) -> str:
    if value > 0.999:
        return wording.say("format.probability-high")
    if value < 0.001:
        return wording.say("format.probability-low")
    return f"{wording.number(f'{value * 100:.1f}')} %"


def _node_said(point: ProfilePoint, wording: Wording) -> str:
    if point.value is None:
        return wording.say("chart.no-value" if point.refusal else "chart.not-probed")
    return _volts(point.value, point.expanded, wording)


def _volts(value: float, expanded: float | None, wording: Wording) -> str:
    if not expanded:
        return f"{wording.number(significant(value))} V"
    shown, half = value_with_uncertainty(value, expanded)
    return f"{wording.number(shown)} ± {wording.number(half)} V"


@dataclass(frozen=True, slots=True)
class _Panel:
    """One side of the load: its nodes, its voltage span, where it lies on the sheet."""

    points: tuple[ProfilePoint, ...]
    low: float
    high: float
    top: float
    bottom: float

    def y(self, volts: float) -> float:
        share = (self.high - volts) / (self.high - self.low)
        return self.top + share * (self.bottom - self.top)

    def holds(self, number: int) -> bool:
        return any(p.number == number for p in self.points)


class _Sheet:
    def __init__(self, profile: Profile, results: dict[str, Result], wording: Wording) -> None:
        self.profile, self.results, self.wording = profile, results, wording
        self.step = (_RIGHT - _LEFT) / len(profile.points)
        load = self.load_after()
        sides = [profile.points] if not load else [profile.points[:load], profile.points[load:]]
        self.panels = self.place([side for side in sides if side])
        self.floor = self.panels[-1].bottom

    def load_after(self) -> int:
        """How many nodes stand before the load; none without one."""
        kinds = [p.kind for p in self.profile.points]
        if "load ground" in kinds:
            return kinds.index("load ground")
        return kinds.index("load feed") + 1 if "load feed" in kinds else 0

    def place(self, sides: Sequence[tuple[ProfilePoint, ...]]) -> list[_Panel]:
        """Panels below each other with the same volts per point; none flatter than an eighth of the tallest."""
        spans = [_reach(side) for side in sides]
        tallest = max(high - low for low, high in spans)
        spans = [_widened(low, high, tallest / 8) for low, high in spans]
        room = _PLOT - _GAP * (len(spans) - 1)
        per_volt = room / sum(high - low for low, high in spans)
        failing = self.profile.failing
        first = self.profile.span(failing).first if failing else 0
        top = _HEADER + (_ROW if first in [p.number for p in sides[0]] else 0.0)
        panels = []
        for side, (low, high) in zip(sides, spans, strict=True):
            bottom = top + (high - low) * per_volt
            panels.append(_Panel(side, low, high, top, bottom))
            top = bottom + _GAP
        return panels

    def x(self, number: int) -> float:
        return _LEFT + (number - 0.5) * self.step

    def picture(self) -> Picture:
        drawn = [*self.header(), *self.names()]
        step = self.tick_step()
        for panel in self.panels:
            drawn += [*self.axis(panel, step), *self.failing(panel), *self.expected(panel), *self.measured(panel)]
        drawn += self.load()
        lines = 2 if len(self.profile.points) > _MOST_NAMED else 4
        height = self.floor + 8 + lines * 8.2
        test = TestResult("", "", "", "", (), (), profile=self.profile)
        return Picture(_WIDTH, height, tuple(drawn), describe_profile(test, self.wording))

    def header(self) -> list[Element]:
        """What the axis counts, and what the two lines are."""
        say = self.wording.say
        axis = _cut(say("chart.profile-axis", reference=self.profile.reference_point), 60)
        drawn: list[Element] = [Label((0.0, 8.0), axis, _SMALL, grey=0.25)]
        x = _RIGHT
        if any(p.expected is not None for p in self.profile.points):
            drawn.append(Label((x, 8.0), say("chart.expected"), _SMALL, align="right"))
            x -= 6 + len(say("chart.expected")) * 3.9
            drawn.append(Line((x - 24, 5.6), (x, 5.6), 0.9, 0.2, (4.0, 2.5)))
            x -= 34
        drawn.append(Label((x, 8.0), say("chart.measured"), _SMALL, align="right"))
        x -= 6 + len(say("chart.measured")) * 3.9
        drawn += [Line((x - 24, 5.6), (x, 5.6), 1.3), _dot(x - 12, 5.6)]
        return drawn

    def tick_step(self) -> float:
        together = sum(p.high - p.low for p in self.panels)
        ticks = nice_ticks(0.0, together, 9)
        return ticks[1] - ticks[0] if len(ticks) > 1 else together

    def axis(self, panel: _Panel, step: float) -> list[Element]:
        drawn: list[Element] = [
            Line((_LEFT, panel.top), (_LEFT, panel.bottom), 0.6),
            Line((_LEFT, panel.bottom), (_RIGHT, panel.bottom), 0.4, 0.55),
        ]
        drawn += [Line((self.x(p.number), panel.top), (self.x(p.number), panel.bottom), 0.4, 0.8) for p in panel.points]
        places = max(0, math.ceil(-math.log10(step) - 1e-9))
        if abs(step * 10**places - round(step * 10**places)) > 1e-6:
            places += 1
        number = math.ceil(panel.low / step - 1e-9)
        while number * step <= panel.high + 1e-9 * step:
            y = panel.y(number * step)
            shown = self.wording.number(f"{number * step:.{places}f}")
            drawn += [Line((_LEFT - 3, y), (_LEFT, y), 0.6), Label((_LEFT - 5, y + 2.3), shown, _SMALL, align="right")]
            number += 1
        return drawn

    def names(self) -> list[Element]:
        """Numbers below the nodes, and their names as far as there is room; what has no value says so."""
        drawn: list[Element] = []
        named = len(self.profile.points) <= _MOST_NAMED
        most = max(int(self.step / 3.7), 4)
        for point in self.profile.points:
            x, y = self.x(point.number), self.floor + 9.0
            drawn.append(Label((x, y), str(point.number), _SMALL, True, "centre"))
            words = _wrapped(point.name, most, 2) if named else []
            if named and point.value is None:
                words = [*words, _cut(_node_said(point, self.wording), most)]
            drawn += [Label((x, y + 8.0 * (i + 1)), w, 6.2, align="centre", grey=0.1) for i, w in enumerate(words)]
        return drawn

    def failing(self, panel: _Panel) -> list[Element]:
        """Hatching over the span with the largest excess, and above it its verdict in words with the drop."""
        profile = self.profile
        if not profile.failing or not panel.holds(profile.span(profile.failing).first):
            return []
        span = profile.span(profile.failing)
        left, right = self.x(span.first), self.x(span.last)
        drawn = [*_hatching(left, right, panel.top, panel.bottom)]
        drawn += [Line((x, panel.top), (x, panel.bottom), 0.8) for x in (left, right)]
        result = self.results.get(f"{span.name}_drop")
        if result is not None and result.value is not None:
            word = self.wording.verdict(result.verdict.verdict)
            text = f"{word}: {_volts(result.value, result.expanded_uncertainty, self.wording)}"
            half = len(text) * 2.25
            middle = min(max((left + right) / 2, _LEFT + half), _RIGHT - half)
            drawn.append(Label((middle, panel.top - 4.0), text, _PLAIN, True, "centre"))
        return drawn

    def measured(self, panel: _Panel) -> list[Element]:
        """Whiskers, points and the line between them; dotted over nodes without a value."""
        known = [p for p in panel.points if p.value is not None]
        drawn: list[Element] = []
        for a, b in pairwise(known):
            dash = () if b.number == a.number + 1 else (1.0, 2.5)
            drawn.append(Line(self.at(panel, a), self.at(panel, b), 1.3, 0.0, dash))
        for point in panel.points:
            x = self.x(point.number)
            if point.value is None:
                y = panel.bottom
                drawn += [Line((x - 3, y - 3), (x + 3, y + 3), 1.0), Line((x - 3, y + 3), (x + 3, y - 3), 1.0)]
                continue
            top, bottom = (panel.y(point.value + sign * (point.expanded or 0.0)) for sign in (1, -1))
            if bottom - top > 3.0:
                drawn += [Line((x, top), (x, bottom), 0.8)]
                drawn += [Line((x - 3, y), (x + 3, y), 0.8) for y in (top, bottom)]
            drawn.append(_dot(*self.at(panel, point)))
        return drawn

    def expected(self, panel: _Panel) -> list[Element]:
        known = [p for p in panel.points if p.expected is not None]
        return [
            Line(
                (self.x(a.number), panel.y(a.expected or 0.0)), (self.x(b.number), panel.y(b.expected or 0.0)), 0.9,
                0.2, (4.0, 2.5),
            )
            for a, b in pairwise(known)
            if b.number == a.number + 1
        ]  # fmt: skip

    def load(self) -> list[Element]:
        """The break between the two sides, with the voltage of the load."""
        if len(self.panels) < 2:
            return []
        upper, lower = self.panels
        y = (upper.bottom + lower.top) / 2
        drawn: list[Element] = [
            Line((_LEFT - 4, y + shift + 2), (_LEFT + 4, y + shift - 2), 0.8) for shift in (-1.6, 1.6)
        ]
        a, b = upper.points[-1], lower.points[0]
        load = next((self.results.get(f"{s.name}_drop") for s in self.profile.spans if s.kind == "load"), None)
        middle = (self.x(a.number) + self.x(b.number)) / 2
        if load is not None and load.value is not None:
            said = _volts(load.value, load.expanded_uncertainty, self.wording)
            text = self.wording.say("chart.load", voltage=said)
            middle = min(middle, _RIGHT - len(text) * 2.2)
            drawn.append(Label((middle, upper.bottom + 10.0), text, _PLAIN, align="centre"))
        if a.value is not None and b.value is not None:
            drawn.append(Line(self.at(upper, a), (self.x(a.number), upper.bottom), 0.7, 0.35, (1.0, 2.0)))
            drawn.append(Line((self.x(b.number), lower.top), self.at(lower, b), 0.7, 0.35, (1.0, 2.0)))
        return drawn

    def at(self, panel: _Panel, point: ProfilePoint) -> tuple[float, float]:
        return self.x(point.number), panel.y(point.value or 0.0)


def _reach(side: Sequence[ProfilePoint]) -> tuple[float, float]:
    """Lowest and highest voltage to be shown, whiskers and expected values counted; zero volts alone without any."""
    values = [p.expected for p in side if p.expected is not None]
    values += [p.value + sign * (p.expanded or 0.0) for p in side if p.value is not None for sign in (-1, 1)]
    return (min(values), max(values)) if values else (0.0, 0.0)


def _widened(low: float, high: float, least: float) -> tuple[float, float]:
    size = max(high - low, least, 1e-3)
    middle = (low + high) / 2
    low, high = min(low, middle - size / 2), max(high, middle + size / 2)
    return low - 0.06 * size, high + 0.06 * size


def _hatching(left: float, right: float, top: float, bottom: float) -> list[Element]:
    """Strokes at 45° inside a rectangle."""
    drawn: list[Element] = []
    height = bottom - top
    start = left - height
    while start < right:
        begin, end = max(start, left), min(start + height, right)
        if end - begin > 0.5:
            drawn.append(Line((begin, bottom - (begin - start)), (end, bottom - (end - start)), 0.5, 0.45))
        start += 6.0
    return drawn


def _dot(x: float, y: float) -> Element:
    corners = [(x + 2.4 * math.cos(a * math.pi / 8), y + 2.4 * math.sin(a * math.pi / 8)) for a in range(16)]
    return Shape(tuple(corners), 0.0, 0.0)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + _ELLIPSIS


def _wrapped(text: str, most: int, lines: int) -> list[str]:
    """``text`` in at most so many lines of at most so many characters."""
    found: list[str] = []
    rest = " ".join(text.split())
    while rest and len(found) < lines:
        if len(found) == lines - 1 or len(rest) <= most:
            found.append(_cut(rest, most))
            break
        cut = rest.rfind(" ", 0, most + 1)
        cut = cut if cut > 0 else most
        found.append(rest[:cut])
        rest = rest[cut:].lstrip()
    return found
