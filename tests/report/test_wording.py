"""The wording files: complete, alike, and ready for every code that the package can give."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta, timezone

import pytest

from diagnb.conformity import REASONS, RULES
from diagnb.errors import InputFault
from diagnb.report.wording import LANGUAGES, VERDICTS, compare_wording, load_wording, parse_wording
from diagnb.shipped import templates_directory

FOLDER = templates_directory() / "report"


def test_every_language_has_the_same_keys_and_placeholders():
    english = parse_wording((FOLDER / "en.toml").read_bytes(), where="en.toml")
    assert sorted(p.stem for p in FOLDER.glob("*.toml")) == sorted(LANGUAGES)
    for language in LANGUAGES:
        other = parse_wording((FOLDER / f"{language}.toml").read_bytes(), where=language)
        assert compare_wording(other, english, where=language) == []
        assert list(other) == list(english)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_reason_rule_and_verdict_has_its_sentence(language):
    wording = load_wording(language)
    for code in REASONS:
        assert wording.reason(code) != code
    for rule in RULES:
        assert wording.has(f"rule.{rule}")
    assert len({wording.verdict(v) for v in VERDICTS}) == len(VERDICTS)
    assert wording.reason("a-code-from-tomorrow") == "a-code-from-tomorrow"


def test_terminal_and_report_give_the_same_reason_in_the_same_words():
    wording = load_wording("en")
    assert {code: wording.reason(code) for code in REASONS} == REASONS


@pytest.mark.parametrize("language", LANGUAGES)
def test_forbidden_words_are_absent(language):
    text = " ".join(load_wording(language).sentences.values()).lower()
    for word in (
        "certified",
        "guaranteed",
        "smart ",
        "garanti ",
        "garantizad",
        "zertifiziert",
        "garantiert",
        "certifié",
        "certificado por",
    ):
        assert word not in text
    assert "safe" not in text


def test_numbers_and_times_follow_the_reader():
    moment = datetime(2026, 3, 2, 8, 5, 9, tzinfo=timezone(timedelta(hours=-3, minutes=-30)))
    assert load_wording("en").number("-1.250") == "−1.250"
    assert load_wording("de").number("-1.250") == "−1,250"
    assert load_wording("en").moment(moment) == "2026-03-02 08:05:09 UTC−03:30"
    assert load_wording("de").moment(moment) == "02.03.2026 08:05:09 UTC−03:30"
    assert load_wording("fr").day(datetime(2026, 3, 2, tzinfo=UTC).date()) == "02/03/2026"


def test_a_shop_file_reports_all_its_faults_at_once(tmp_path):
    text = (FOLDER / "en.toml").read_text(encoding="utf-8")
    text = text.replace('pass = "pass"\n', "").replace("Page {page} of {pages}", "Page {page!r} of {total}")
    text += '\nsuperfluous = "x"\n'
    (tmp_path / "it.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputFault) as caught:
        load_wording("it", tmp_path)
    said = str(caught.value)
    assert "verdict.pass: is missing" in said
    assert "page.number: has other placeholders" in said
    assert "superfluous: is not a sentence of the report" in said
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize("data", [b"\xff", b"a = 1", b"[a]\nb = 1", b"[a", b"x" * 1_000_001])
def test_broken_files_are_named_faults(data):
    with pytest.raises(InputFault):
        parse_wording(data, where="it.toml")


@pytest.mark.parametrize("language", ["xx", "../en", "", "EN", "en/../de"])
def test_unknown_languages_are_refused(language):
    with pytest.raises(InputFault, match="no wording"):
        load_wording(language)


def test_files_are_plain_toml():
    for path in FOLDER.glob("*.toml"):
        assert tomllib.loads(path.read_text(encoding="utf-8"))
