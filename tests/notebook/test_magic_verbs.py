"""The verbs of ``%diagnb`` beside the form, its completion and its settings, in a real shell of this process."""

from __future__ import annotations

import getpass
import re
from pathlib import Path

import pytest
from IPython.core.completer import provisionalcompleter
from IPython.core.error import UsageError
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output
from review_desk import PASSPHRASE, Desk, desk

from diagnb.notebook.arguments import VERBS, parser
from diagnb.notebook.formatters import FORMATS


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return desk(tmp_path_factory.mktemp("desk"))


@pytest.fixture
def shell(place: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    monkeypatch.chdir(place.folder)
    InteractiveShell.clear_instance()
    made = InteractiveShell.instance()
    made.history_manager.enabled = False
    made.run_line_magic("load_ext", "diagnb")
    yield made
    made.run_line_magic("unload_ext", "diagnb")
    made.history_manager.end_session()
    InteractiveShell.clear_instance()


def shown(shell, value) -> dict[str, str]:
    return shell.display_formatter.format(value)[0]


def offered(shell, line: str) -> set[str]:
    with provisionalcompleter():
        return {c.text for c in shell.Completer.completions(line, len(line))}


def test_review_gives_the_view_and_what_stays_of_it_without_a_kernel(shell):
    with capture_output() as captured:
        view = shell.run_line_magic("diagnb", 'review "claim 0117.pdf"')
        view._ipython_display_()
    assert view.verification.trustworthy
    widget, kept = captured.outputs
    assert "application/vnd.jupyter.widget-view+json" in widget.data
    assert kept.data["text/html"].count("✓ yes") == 5
    assert "<style" not in kept.data["text/html"]
    assert "Trustworthy" in kept.data["text/plain"]


def test_verify_says_which_list_was_asked_and_countersign_writes_a_new_file(shell, place, monkeypatch):
    with capture_output() as captured:
        found = shell.run_line_magic("diagnb", 'verify "claim 0117.pdf"')
    assert found.trustworthy
    assert "Trust list asked: keys/trust.json." in captured.stdout.replace(f"{place.folder}/", "")
    monkeypatch.setattr(getpass, "getpass", lambda _prompt: PASSPHRASE.decode())
    with capture_output() as captured:
        after = shell.run_line_magic(
            "diagnb", 'countersign "claim 0117.pdf" --key keys/reviewer.p12 --meaning "I looked"'
        )
    assert "claim 0117-countersigned.pdf: countersigned" in captured.stdout
    assert after.trustworthy
    assert after.signatures[1].reason == "I looked"
    with pytest.raises(UsageError, match="has signed this report already"):
        shell.run_line_magic("diagnb", 'countersign "claim 0117.pdf" --key keys/technician.p12')
    (place.folder / "claim 0117-countersigned.pdf").unlink()


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_every_verb_has_help_and_its_options_are_offered(shell, verb):
    with capture_output() as captured:
        shell.run_line_magic("diagnb", f"{verb} --help")
    words = " ".join(captured.stdout.split())
    assert " ".join(VERBS[verb].split()) in words
    assert "--help" in offered(shell, f"%diagnb {verb} --")
    assert verb in offered(shell, "%diagnb ")
    assert parser().parse_args(["form"]).verb == "form"


def test_completion_knows_ids_keys_languages_and_files(shell):
    assert "feed-side-drop" in offered(shell, "%diagnb procedure feed")
    assert "handheld-6000" in offered(shell, "%diagnb meter hand")
    assert any("reviewer.p12" in text for text in offered(shell, "%diagnb countersign x.pdf --key "))
    assert {"en", "fr", "de", "es"} <= offered(shell, "%diagnb report x.json --language ")
    assert {"A4", "Letter"} <= offered(shell, "%diagnb report x.json --paper ")
    assert "--trust" in offered(shell, "%diagnb review x.pdf --t")
    assert "--trust" not in offered(shell, "%diagnb show x.pdf --")
    assert any("claim" in text for text in offered(shell, "%diagnb review cl"))
    assert "keys/" in offered(shell, "%diagnb verify ke")


def test_procedures_and_meters_are_listed_and_shown_in_four_formats(shell):
    with capture_output() as captured:
        shell.run_line_magic("diagnb", "procedure")
        shell.run_line_magic("diagnb", "meter")
    assert "feed-side-drop" in captured.stdout
    assert "handheld-6000" in captured.stdout
    procedure = shell.run_line_magic("diagnb", "procedure feed-side-drop")
    meter = shell.run_line_magic("diagnb", "meter handheld-6000")
    for value, words in ((procedure, ("feed", "0.2")), (meter, ("counts", "dc voltage"))):
        data = shown(shell, value)
        for mime in FORMATS:
            assert all(word in data[mime] for word in words), (mime, words)
    for line, said in (
        ("procedure nothing", "there is no such procedure"),
        ("meter nothing", "there is no such meter"),
    ):
        with pytest.raises(UsageError, match=said):
            shell.run_line_magic("diagnb", line)


@pytest.mark.parametrize(
    ("setting", "wrong", "said"),
    [
        ("locale", "'xx'", "there is no 'xx'; use one of en, fr, de, es"),
        ("paper", "'A5'", "there is no 'A5'; use one of A4, Letter"),
        ("technician", "'two\\nlines'", "one line of at most 200 characters"),
        ("folder", "'keys/trust.json'", "is a file; name a folder"),
        ("trust", "'nowhere.json'", "is not a file"),
        ("paper", "3", "paper"),
    ],
)
def test_a_wrong_setting_is_one_line_and_the_old_value_stays(shell, caplog, setting, wrong, said):
    before = shell.run_line_magic("config", f"Diagnb.{setting}")
    with capture_output() as captured:
        shell.run_line_magic("config", f"Diagnb.{setting} = {wrong}")
    told = captured.stdout + captured.stderr + "".join(record.getMessage() for record in caplog.records)
    assert said in told
    assert "Traceback" not in told
    assert "\n" not in told
    assert shell.run_line_magic("config", f"Diagnb.{setting}") == before
    with capture_output() as again:
        shell.run_line_magic("config", "Diagnb.technician = 'Ann Example'")
    assert again.stdout + again.stderr == ""
    assert shell.run_line_magic("config", "Diagnb.technician") == "Ann Example"


def test_settings_are_listed_and_used(shell, place, monkeypatch, tmp_path):
    with capture_output() as captured:
        shell.run_line_magic("config", "Diagnb")
    for name in ("technician", "folder", "keys", "trust", "locale", "paper"):
        assert f"Diagnb.{name}" in captured.stdout
    monkeypatch.chdir(tmp_path)
    with capture_output():
        lost = shell.run_line_magic("diagnb", f'verify "{place.report}"')
    assert not lost.trustworthy
    shell.run_line_magic("config", f"Diagnb.trust = {str(place.folder / 'keys' / 'trust.json')!r}")
    with capture_output():
        found = shell.run_line_magic("diagnb", f'verify "{place.report}"')
        view = shell.run_line_magic("diagnb", f'review "{place.report}"')
    assert found.trustworthy
    assert view.verification.trustworthy
    shell.run_line_magic("config", f"Diagnb.folder = {str(place.folder)!r}")
    shell.run_line_magic("config", "Diagnb.trust = ''")
    with capture_output():
        assert shell.run_line_magic("diagnb", f'verify "{place.report}"').trustworthy
    shell.run_line_magic("config", "Diagnb.locale = 'de'")
    with capture_output():
        shell.run_line_magic("diagnb", f'report "{place.report}" -o out.pdf')
    from diagnb.proof import own_properties
    from diagnb.signing import xmp_packet

    assert '"language": "de"' in own_properties(xmp_packet(Path("out.pdf").read_bytes()))["rendering"]


def test_a_verification_says_the_same_in_four_formats(shell):
    with capture_output():
        found = shell.run_line_magic("diagnb", 'verify "claim 0117.pdf"')
    data = shown(shell, found)
    for mime in FORMATS:
        for word in ("R. Example", "every number and every verdict", "unchanged"):
            assert word in data[mime], (mime, word)
    assert len(re.findall("yes", data["text/html"])) == 5


def test_the_readme_names_every_verb_and_every_setting():
    text = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    for name in (*VERBS, "technician", "folder", "keys", "trust", "locale", "paper"):
        assert f"`{name}`" in text, name
