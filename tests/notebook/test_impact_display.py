"""What an impact shows in a notebook: the counts, the transitions as a table and as bars, what to look at again."""

from __future__ import annotations

import datetime as dt
import importlib
from pathlib import Path

import pytest

from diagnb.archive import open_archive, prepare
from diagnb.impact import Impact, InstrumentError, LimitChange, find_impact
from diagnb.notebook.display import bundle
from diagnb.notebook.formatters import DISPLAYED, FORMATS
from diagnb.notebook.impact_display import transitions_picture
from diagnb.record import load_record
from diagnb.shipped import templates_directory

MOMENT = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> tuple[Impact, Impact]:
    """A limit ten times as strict, and a deviation too small to see."""
    record = load_record(templates_directory() / "demo-record.json")
    path: Path = tmp_path_factory.mktemp("a") / "shop.sqlite"
    with open_archive(path, moment=MOMENT, create=True) as archive:
        archive.add_many([prepare(record)], moment=MOMENT)
        stricter = LimitChange("ground-side-drop", "ground_drop", None, "0.01", "V", "invented bulletin <7>")
        return find_impact(archive, stricter), find_impact(
            archive, InstrumentError(record.instruments[0].serial, gain_percent=1e-9)
        )


def test_the_same_in_four_formats_with_a_picture(found):
    impact, _ = found
    assert impact.changed
    data = bundle("impact", impact)
    for mime in FORMATS:
        for word in ("pass", "fail", "RO-48113", "1 verdict changes"):
            assert word in data[mime], (mime, word)
    assert "<7>" not in data["text/html"]
    assert data["text/html"].count("<img alt=") == 1
    assert "as left | pass | fail | 1" in " ".join(data["text/markdown"].replace("|  |", "|").split())
    picture = transitions_picture(impact)
    assert picture is not None
    assert "pass → fail: 1" in picture.alt
    assert picture.svg().count("<rect") == len([m for m in impact.transitions if m[0] != m[1]])


def test_no_change_is_said_and_draws_nothing(found):
    _, nothing = found
    data = bundle("impact", nothing)
    for said in (
        "No verdict changes, but not all is cleared.",
        f"Not cleared: {nothing.not_cleared} of",
        "wider than the tolerance: 1.",
    ):
        assert said in data["text/plain"], said
    assert "<img" not in data["text/html"]
    assert transitions_picture(nothing) is None


def test_every_class_that_is_shown_richly_is_where_the_notebook_looks_for_it():
    """The notebook goes by the names of module and class, and would show a class that moved as bare text."""
    for module, name in DISPLAYED:
        assert getattr(importlib.import_module(module), name).__module__ == module
