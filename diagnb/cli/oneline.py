"""Texts from records on one line of a terminal."""

from __future__ import annotations


def one_line(text: str) -> str:
    """``text`` with line breaks, control characters and those that turn or hide others shown as their escapes.

    A blank stays one, and so does what joins letters in a script that needs it.
    """
    return "".join(c if c.isprintable() or c in "\u200c\u200d" else _escape(c) for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
