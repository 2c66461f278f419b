"""Pictures of traces: thinned without losing a peak, marks in words and shapes, one geometry for SVG and paper."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.report.charts import Label, Line, Shape
from diagnb.report.traces import trace_picture

SVG = "{http://www.w3.org/2000/svg}"
TIME = np.arange(0, 10, 1e-4)
FLAT = np.where(np.arange(len(TIME)) == 54_321, 9.0, 1.0)


def test_a_single_sample_of_a_hundred_thousand_is_still_seen():
    shapes = [e for e in trace_picture(time=TIME, values=FLAT, unit="A").elements if isinstance(e, Shape)]
    (course,) = shapes
    heights = [y for _, y in course.points]
    assert max(heights) - min(heights) > 80
    assert len(course.points) <= 2 * 420


def test_size_does_not_grow_with_the_trace():
    long = trace_picture(time=TIME, values=np.sin(TIME * 50), unit="V").svg()
    assert len(long) < 30_000


def test_points_threshold_and_window_are_marked_without_colour():
    picture = trace_picture(
        time=TIME,
        values=FLAT,
        unit="A",
        points=[(5.4321, 9.0), (6, 1.0)],
        threshold=4.5,
        window=(5.0, 7.0),
        label="Motor",
    )
    words = [e.text for e in picture.elements if isinstance(e, Label)]
    assert "Motor" in words
    assert "threshold 4.5 A" in words
    assert "time (s)" in words
    assert [e for e in picture.elements if isinstance(e, Line) and e.dash]
    assert len([e for e in picture.elements if isinstance(e, Shape) and len(e.points) == 12]) == 2
    root = ET.fromstring(picture.svg())
    assert "2 points used" in root.get("aria-label")
    assert [e.text for e in root.iter(f"{SVG}text")] == words
    assert not any(colour in picture.svg() for colour in ("red", "green", "rgb(", 'fill="#'))


@pytest.mark.parametrize("language", ["en", "fr", "de", "es"])
def test_numbers_are_written_as_the_reader_does(language):
    picture = trace_picture(time=[0, 0.1, 0.25], values=[0.5, 1.5, 1.25], unit="V", label="x", language=language)
    mark = "." if language == "en" else ","
    assert f"0{mark}5" in picture.alt
    assert "250 ms" in picture.alt


def test_points_alone_make_a_picture_and_nothing_makes_a_fault():
    picture = trace_picture(time=[], values=[], unit="A", points=[(0, 1), (1, 3), (2, 2)])
    assert len([e for e in picture.elements if isinstance(e, Line) and e.dash]) == 2
    for nothing in ({"time": [], "values": []}, {"time": [1, 2], "values": [1]}):
        with pytest.raises(InputFault):
            trace_picture(unit="A", **nothing)


def test_everything_stays_on_the_paper():
    picture = trace_picture(
        time=[0, 1, 2, 3],
        values=[1, float("nan"), float("inf"), 2],
        unit="A",
        points=[(-5, 40)],
        threshold=-3,
        window=(-9, 9),
    )
    for element in picture.elements:
        points = (
            element.points
            if isinstance(element, Shape)
            else (element.start, element.end)
            if isinstance(element, Line)
            else ()
        )
        assert all(-3 <= x <= picture.width + 3 and -3 <= y <= picture.height + 3 for x, y in points)


def test_one_flat_course_and_one_instant():
    trace_picture(time=[5.0], values=[0.0], unit="A")
    trace_picture(time=[1e6, 1e6 + 1e-6], values=[3.0, 3.0], unit="A")
