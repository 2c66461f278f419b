"""Interval pictures: one geometry for SVG and paper, legible without colour."""

from __future__ import annotations

import math
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb.errors import InputFault
from diagnb.report.charts import Label, Lane, Line, before_after_picture, interval_picture, nice_ticks
from diagnb.report.wording import MARKS, VERDICTS, load_wording

SVG = "{http://www.w3.org/2000/svg}"


def picture(**changes):
    given = {
        "value": 0.24, "lower": 0.23, "upper": 0.25, "limit_lower": None, "limit_upper": 0.2,
        "acceptance_upper": 0.19, "unit": "V", "verdict": "fail",
    }  # fmt: skip
    return interval_picture(**(given | changes))


class Sheet:
    """Takes what a picture draws."""

    def __init__(self):
        self.points, self.texts = [], []

    def line(self, x1, y1, x2, y2, **_):
        self.points += [(x1, y1), (x2, y2)]

    def rectangle(self, x, y, width, height, **_):
        self.points += [(x, y), (x + width, y + height)]

    def polygon(self, points, **_):
        self.points += list(points)

    def text(self, x, y, text, **_):
        self.points.append((x, y))
        self.texts.append(text)


def test_svg_and_paper_hold_the_same_words_and_the_same_places():
    drawn = picture()
    sheet = Sheet()
    drawn.draw(sheet, 0, 0, drawn.width)
    root = ET.fromstring(drawn.svg())
    assert [e.text for e in root.iter(f"{SVG}text")] == sheet.texts
    svg_lines = [tuple(float(e.get(k)) for k in ("x1", "y1", "x2", "y2")) for e in root.iter(f"{SVG}line")]
    own = [(*e.start, *e.end) for e in drawn.elements if isinstance(e, Line)]
    assert svg_lines == [tuple(pytest.approx(v, abs=0.006) for v in line) for line in own]


@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize("language", ["en", "fr", "de", "es"])
def test_word_mark_and_number_are_there_without_colour(verdict, language):
    svg = picture(verdict=verdict, language=language).svg()
    root = ET.fromstring(svg)
    words = [e.text for e in root.iter(f"{SVG}text")]
    assert load_wording(language).verdict(verdict) in words
    assert any(MARKS[verdict] in word for word in words)
    assert ("0.240 ± 0.010 V" if language == "en" else "0,240 ± 0,010 V") in words
    assert root.get("role") == "img"
    assert load_wording(language).verdict(verdict) in root.get("aria-label")
    assert not any(colour in svg for colour in ("red", "green", "rgb(", 'fill="#'))


def test_verdicts_differ_by_shape_and_line_style_alone():
    shapes = set()
    for verdict in VERDICTS:
        drawn = picture(verdict=verdict)
        words = tuple(e for e in drawn.elements if not isinstance(e, Label))
        shapes.add(words)
    assert len(shapes) == len(VERDICTS)


def test_a_tiny_interval_still_has_a_visible_whisker():
    drawn = picture(value=0.1, lower=0.1 - 1e-9, upper=0.1 + 1e-9, verdict="pass")
    whisker = next(e for e in drawn.elements if isinstance(e, Line) and e.width == 1.4)
    assert whisker.end[0] - whisker.start[0] >= 7


def test_before_and_after_share_one_scale():
    drawn = before_after_picture(
        as_found=Lane(0.85, 0.8, 0.9, "fail"),
        as_left=Lane(0.08, 0.07, 0.09, "pass"),
        limit_lower=None,
        limit_upper=0.5,
        unit="V",
    )
    whiskers = [e for e in drawn.elements if isinstance(e, Line) and e.width == 1.4]
    assert len(whiskers) == 2
    assert whiskers[0].start[0] > whiskers[1].end[0]
    assert whiskers[0].start[1] < whiskers[1].start[1]
    assert "as found" in drawn.alt and "as left" in drawn.alt


def test_text_is_escaped():
    svg = picture(unit='V"><script>', label="<b>&").svg(ink='"/><script>')
    ET.fromstring(svg)
    assert "<script>" not in svg


@pytest.mark.parametrize(
    "changes",
    [{"verdict": "certain"}, {"value": math.nan}, {"value": 1.0}, {"lower": math.nan}],
    ids=["no verdict", "no number", "outside", "no interval"],
)
def test_what_cannot_be_drawn_is_refused(changes):
    with pytest.raises(InputFault):
        picture(**changes)


numbers = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False).filter(lambda v: v == 0 or abs(v) > 1e-9)


@given(
    value=numbers,
    below=st.floats(0, 1e6),
    above=st.floats(0, 1e6),
    limit=st.none() | numbers,
    other=st.none() | numbers,
)
def test_everything_stays_inside_the_picture(value, below, above, limit, other):
    drawn = interval_picture(
        value=value,
        lower=value - below,
        upper=value + above,
        limit_lower=limit,
        limit_upper=other,
        unit="V",
        verdict="fail",
    )
    sheet = Sheet()
    drawn.draw(sheet, 0, 0, drawn.width)
    for x, y in sheet.points:
        assert -8 <= x <= drawn.width and -1 <= y <= drawn.height
    ET.fromstring(drawn.svg())


@given(low=st.floats(-1e6, 1e6), size=st.floats(1e-3, 1e6))
def test_ticks_are_round_and_few(low, size):
    ticks = nice_ticks(low, low + size)
    assert 1 <= len(ticks) <= 7
    assert all(low - size * 1e-6 <= t <= low + size * (1 + 1e-6) for t in ticks)


def test_pictures_do_not_load_the_pdf_library():
    code = "import sys, diagnb.report.charts; print(any(m.startswith('reportlab') for m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
