"""The voltage profile: one geometry for SVG and paper, the span that fails said in words and by hatching."""

from __future__ import annotations

import copy
import json
import subprocess
import xml.etree.ElementTree as ET
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.record import load_record
from diagnb.report import Options, render_report
from diagnb.report.blocks import Cell, Figure, Heading, Paragraph, Table
from diagnb.report.charts import Label, Line
from diagnb.report.compose import compose
from diagnb.report.profile import describe_profile, failing_sentence, voltage_profile
from diagnb.report.wording import LANGUAGES, load_wording
from diagnb.shipped import templates_directory

SVG = "{http://www.w3.org/2000/svg}"
MOMENT = datetime(2026, 4, 14, 12, 0, tzinfo=timezone(timedelta(hours=2)))
EXAMPLE = json.loads((Path(__file__).parents[1] / "data" / "records" / "path-test.json").read_text(encoding="utf-8"))


def walked(change=None, number=0):
    document = copy.deepcopy(EXAMPLE)
    if change:
        change(document["tests"][number]["path"])
    return evaluate(load_record(document)).tests[number]


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


def words(picture):
    return [e.text for e in picture.elements if isinstance(e, Label)]


def crosses(picture):
    """Hatching: slanted thin strokes."""
    return [e for e in picture.elements if isinstance(e, Line) and e.width == 0.5 and e.start[0] != e.end[0]]


def test_svg_and_paper_hold_the_same_words_and_stay_on_the_sheet():
    picture = voltage_profile(test=walked())
    sheet = Sheet()
    picture.draw(sheet, 10, 20, picture.width)
    root = ET.fromstring(picture.svg())
    assert [e.text for e in root.iter(f"{SVG}text")] == sheet.texts
    assert all(10 <= x <= 10 + picture.width and 20 <= y <= 20 + picture.height for x, y in sheet.points)
    assert root.get("role") == "img"


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_failing_span_is_said_with_word_mark_and_number(language):
    picture = voltage_profile(test=walked(), language=language)
    wording = load_wording(language)
    said = next(text for text in words(picture) if text.startswith(wording.verdict("fail")))
    assert wording.number("1.1638") in said
    assert wording.say("chart.expected") in words(picture)
    assert not any(colour in picture.svg() for colour in ('"red"', '"green"', "rgb(", 'fill="#'))
    assert wording.say("format.probability-high") in picture.alt
    assert "frame stud" in picture.alt


def test_only_the_failing_span_is_hatched_between_its_nodes():
    bad, good = voltage_profile(test=walked()), voltage_profile(test=walked(number=1))
    hatch = [e for e in crosses(bad) if e.grey == 0.45]
    assert hatch
    assert not [e for e in crosses(good) if e.grey == 0.45]
    numbers = {e.text: e.at[0] for e in bad.elements if isinstance(e, Label) and e.bold and e.text.isdigit()}
    assert all(numbers["6"] - 0.01 <= x <= numbers["7"] + 0.01 for e in hatch for x in (e.start[0], e.end[0]))


def test_both_sides_of_the_load_have_one_scale():
    """A volt is as high above the break as below it."""
    picture = voltage_profile(test=walked())
    ticks = [
        (float(e.text), e.at[1]) for e in picture.elements
        if isinstance(e, Label) and e.align == "right" and e.text.replace(".", "").isdigit()
    ]  # fmt: skip
    feed = sorted(t for t in ticks if t[0] > 6)
    ground = sorted(t for t in ticks if t[0] < 6)
    heights = [(side[0][1] - side[-1][1]) / (side[-1][0] - side[0][0]) for side in (feed, ground)]
    assert heights[0] == pytest.approx(heights[1])


def test_a_node_without_a_value_is_crossed_and_says_so():
    def over(path):
        path["nodes"][6]["texts"] = ["OL"]

    def unread(path):
        del path["nodes"][6]["texts"], path["nodes"][6]["instrument"]

    assert "no value" in words(voltage_profile(test=walked(over)))
    assert any(w.startswith("not prob") for w in words(voltage_profile(test=walked(unread))))
    assert "frame stud no value" in voltage_profile(test=walked(over)).alt


@pytest.mark.parametrize("count", [2, 20, 60])
def test_any_number_of_nodes_fits(count):
    def change(path):
        first, last = path["nodes"][0], path["nodes"][-1]
        between = [
            {"name": f"joint {i} of a path with long names", "kind": "splice", "texts": ["12.60 V"], "instrument": "M1"}
            for i in range(count - 2)
        ]
        path["nodes"] = [first, *between, last]

    picture = voltage_profile(test=walked(change))
    sheet = Sheet()
    picture.draw(sheet, 0, 0, picture.width)
    assert all(-0.01 <= x <= picture.width + 0.01 and -0.01 <= y <= picture.height + 0.01 for x, y in sheet.points)


def test_a_path_without_a_load_is_one_panel_and_without_wires_has_no_expected_line():
    def change(path):
        path["nodes"] = path["nodes"][:4]
        path["nodes"][-1] = {k: path["nodes"][-1][k] for k in ("name", "kind", "texts", "instrument")}
        for node in path["nodes"]:
            node.pop("wire", None)

    picture = voltage_profile(test=walked(change))
    assert "expected" not in words(picture)
    assert not any(w.startswith("load ") for w in words(picture))


def test_nothing_to_draw_is_a_fault():
    def blank(path):
        for node in path["nodes"]:
            if "drop" not in node:
                node["drop"] = {"texts": ["0.1 mV"], "instrument": "M1"}
            node["texts"] = ["OL"]
        path["nodes"][-1].pop("drop")

    with pytest.raises(InputFault):
        voltage_profile(test=walked(blank))
    with pytest.raises(InputFault):
        voltage_profile(test=evaluate(load_record(templates_directory() / "demo-record.json")).tests[0])


def test_markup_in_a_name_stays_text():
    def change(path):
        path["nodes"][1]["name"] = "<b>&fuse"

    root = ET.fromstring(voltage_profile(test=walked(change)).svg())
    assert "<b>&fuse" in [e.text for e in root.iter(f"{SVG}text")]


# -- in the report -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def record():
    return load_record(EXAMPLE)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_report_has_the_profile_of_each_phase_and_the_paired_table(record, language):
    evaluation, wording = evaluate(record), load_wording(language)
    blocks = compose(record, evaluation, wording, Options(moment=MOMENT, language=language))
    heads = [b.text for b in blocks if isinstance(b, Heading) and b.level == 2]
    place = [
        heads.index(wording.say(f"section.{key}")) for key in ("compared", "pairs", "findings", "profile", "pictures")
    ]
    assert place == sorted(place)
    figures = [b for b in blocks if isinstance(b, Figure)]
    for test in evaluation.tests:
        assert any(describe_profile(test, wording) in f.alt for f in figures)
    said = [b.text for b in blocks if isinstance(b, Paragraph)]
    assert any(t.startswith(wording.say("text.profile-adds-up", gap="|").split("|")[0]) for t in said)
    head = tuple(wording.say(f"label.{k}") for k in ("result", "before-after", "change", "share-left", "improvement"))
    paired = next(b for b in blocks if isinstance(b, Table) and b.head == head)
    improved = [row for row in paired.rows if isinstance(row[4], Cell) and row[4].text == wording.say("text.improved")]
    assert [row[0].text for row in improved] == ["lamp - → frame stud"]


def test_readings_of_a_path_stand_as_displayed_with_their_points_and_wires(record):
    blocks = compose(record, evaluate(record), load_wording("en"), Options(moment=MOMENT))
    table = next(b for b in blocks if isinstance(b, Table) and "As displayed" in b.head)
    rows = [[c if isinstance(c, str) else c.text for c in row] for row in table.rows]
    assert any("1.312 V" in row and "lamp - → battery - post" in " ".join(row) for row in rows)
    assert any("2.5 mm² · 9 m · 21 °C" in row for row in rows)


@pytest.mark.system
def test_the_printed_report_shows_it(record, tmp_path):
    pdf = tmp_path / "path.pdf"
    pdf.write_bytes(render_report(record, evaluate(record), moment=MOMENT))
    done = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, check=True, timeout=120)
    text = " ".join(done.stdout.decode("utf-8").split())
    for words_ in (
        "Voltage profile along the circuit",
        "Largest excess: lamp - → frame stud",
        "Halve the span",
        "✗ fail: 1.1638 ± 0.0082 V",
    ):
        assert words_ in text


def test_every_failing_span_is_named_not_the_largest_alone():
    def strict(path):
        for node in path["nodes"]:
            if "limit" in node:
                node["limit"] |= {"upper": "0.0001", "unit": "V"}

    test = walked(strict)
    by_name = {r.name: r for r in test.results}
    failing = [s for s in test.profile.spans if (d := by_name.get(f"{s.name}_drop")) and d.verdict.verdict == "fail"]
    assert len(failing) == 2
    said = failing_sentence(test, load_wording("en"))
    assert said.startswith("Largest excess: ")
    assert all(span.title in said for span in failing)
    assert "Also over" not in failing_sentence(walked(), load_wording("en"))
