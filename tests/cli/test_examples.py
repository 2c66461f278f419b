"""The lines that ``--help`` offers to copy: each is a command that exists, with options that it takes."""

from __future__ import annotations

import argparse
import shlex

import pytest

from diagnb.cli import build_parser
from diagnb.cli.examples import EXAMPLES


def _leaves(parser: argparse.ArgumentParser, name: str = "") -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            found: dict[str, argparse.ArgumentParser] = {}
            for word, child in action.choices.items():
                found |= _leaves(child, f"{name} {word}".strip())
            return found
    return {name: parser}


@pytest.mark.parametrize(("name", "line"), [(name, line) for name, lines in EXAMPLES.items() for line in lines])
def test_an_example_parses_and_belongs_to_its_command(name: str, line: str) -> None:
    words = shlex.split(line)
    assert words[0] == "diagnb"
    assert words[1 : 1 + len(name.split())] == name.split()
    assert callable(build_parser().parse_args(words[1:]).run)


@pytest.mark.parametrize("name", sorted(_leaves(build_parser())))
def test_a_command_says_in_a_sentence_what_it_does(name: str) -> None:
    parser = _leaves(build_parser())[name]
    assert parser.description
    assert parser.description.endswith(".")
    assert len(parser.description) > 10
    silent = [action.option_strings or action.metavar or action.dest for action in parser._actions if not action.help]
    assert not silent, f"diagnb {name} does not say what these mean"


def test_every_example_is_of_a_command_that_exists() -> None:
    assert set(EXAMPLES) <= set(_leaves(build_parser()))
