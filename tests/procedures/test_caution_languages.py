"""Cautions in every language of the report."""

from __future__ import annotations

import pytest

from diagnb.procedures import caution_texts

DEFERS = {"de": "Fahrzeughersteller", "fr": "constructeur", "es": "fabricante"}


@pytest.mark.parametrize("language", sorted(DEFERS))
def test_every_caution_has_its_text_and_defers_to_the_maker(language: str) -> None:
    english, found = caution_texts(), caution_texts(language)
    assert set(found) == set(english)
    for name, text in found.items():
        assert text != english[name]
        assert DEFERS[language] in text


def test_another_language_has_the_english_ones() -> None:
    assert caution_texts("pt") == caution_texts()
