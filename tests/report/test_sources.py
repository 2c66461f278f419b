"""Names of sources of uncertainty in the reader's language."""

from __future__ import annotations

import pytest

from diagnb.evaluation import evaluate
from diagnb.record import load_record
from diagnb.report.sections.sources import assumption_in_words, source_in_words
from diagnb.report.wording import LANGUAGES, load_wording
from diagnb.shipped import templates_directory

PATTERNS = (
    "test 2, source voltage: quantisation",
    "M1, dc voltage, 60.00 V: gain at test 2, voltage of the load's + terminal",
    "M1, dc voltage, 60.00 V: offset",
    "table charge_of_voltage",
)


def test_english_stays_as_the_evaluation_writes_it() -> None:
    wording = load_wording("en")
    record = load_record(templates_directory() / "demo-record.json")
    rows = [row for test in evaluate(record).tests for result in test.results for row in result.budget]
    assert len(rows) > 20
    for row in rows:
        assert source_in_words(wording, row.source) == row.source
        assert assumption_in_words(wording, row.assumption) == row.assumption


@pytest.mark.parametrize("language", sorted(set(LANGUAGES) - {"en"}))
def test_patterns_are_in_the_reader_s_language_and_names_are_kept(language: str) -> None:
    wording = load_wording(language)
    said = [source_in_words(wording, source) for source in PATTERNS]
    assert all(a != b or "table" in b for a, b in zip(said, PATTERNS, strict=True))
    assert "voltage of the load's + terminal" in said[1] and said[1].startswith("M1, dc voltage, 60.00 V")
    assert "test 2" not in " ".join(said) and "charge_of_voltage" in said[3]


def test_any_other_name_stays() -> None:
    wording = load_wording("de")
    assert source_in_words(wording, "a cable of my own") == "a cable of my own"
    assert source_in_words(wording, "W1: length") == "W1: length"
    assert source_in_words(wording, "") == ""
