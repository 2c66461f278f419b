"""The README's snippet prints what it says, its commands exist, and every command is described."""

from __future__ import annotations

import argparse
import contextlib
import io
import re
from pathlib import Path

import pytest

import diagnb
from diagnb.cli import build_parser, main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> dict[str, argparse.ArgumentParser]:
    """Every command with its parser; sub-actions as 'key init'."""
    found: dict[str, argparse.ArgumentParser] = {}

    def walk(parser: argparse.ArgumentParser, prefix: str) -> None:
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for name, child in action.choices.items():
                    found[f"{prefix}{name}"] = child
                    walk(child, f"{prefix}{name} ")

    walk(build_parser(), "")
    return found


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("A fleet technician")
    assert "\n#" not in first


def test_the_readme_snippet_prints_what_it_says() -> None:
    snippet = re.search(r"```python\n(.*?)```\n+```text\n(.*?)```", README, re.DOTALL)
    assert snippet
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(snippet[1], "README.md", "exec"), {})
    assert printed.getvalue() == snippet[2]


def test_both_readme_commands_make_an_environment() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    assert any("diagnb demo" in b and "python3 -m venv" in b for b in blocks)
    assert any("pytest" in b and "python3 -m venv" in b for b in blocks)


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_is_in_the_readme_and_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    first, _, second = name.partition(" ")
    assert re.search(rf"`diagnb {first}\b", README), f"README.md does not describe diagnb {first}"
    if second:
        line = next(line for line in README.splitlines() if f"`diagnb {first}" in line and "|" in line)
        assert second in line, f"README.md does not name the action {name}"
    assert main([*name.split(), "--help"]) == 0
    assert "usage: diagnb" in capsys.readouterr().out


def test_the_readme_names_no_command_that_does_not_exist() -> None:
    known = commands()
    for named in re.findall(r"`diagnb ([a-z]+)", README):
        assert named in known


def test_every_public_name_of_the_root_is_reachable_and_documented() -> None:
    for name in diagnb.__all__:
        assert getattr(diagnb, name).__doc__, f"diagnb.{name} has no docstring"


def test_the_guide_names_every_room() -> None:
    package = ROOT / "diagnb"
    rooms = [p.name for p in package.iterdir() if (p / "__init__.py").is_file()]
    for room in rooms:
        assert f"`{room}/`" in GUIDE, f"DEVELOPERS.md does not name the room {room}"


def test_help_says_of_every_place_on_the_line_what_stands_there() -> None:
    said = {
        (name, str(action.metavar)): action.help or ""
        for name, parser in commands().items()
        for action in parser._actions
        if not action.option_strings and not isinstance(action, argparse._SubParsersAction)
    }
    assert not [place for place, text in said.items() if not text]
    files = {place: text for place, text in said.items() if re.fullmatch(r".*\.(json|pdf|csv|toml)", place[1])}
    assert len(files) > 15
    for place, text in files.items():
        assert not text.startswith("id "), f"{place} is a file, and its help calls it an id"
    for name, placeholder in (("key init", "SHOP"), ("key add", "NAME"), ("key revoke", "NAME|FINGERPRINT")):
        assert "name" in said[name, placeholder]
        assert "id" not in said[name, placeholder].split(), f"{name} takes a name"
