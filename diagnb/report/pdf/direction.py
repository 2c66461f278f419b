"""Writing from right to left: lines stay in the order in which they are read until they are drawn.

Order by the Unicode bidirectional algorithm (UAX #9), Arabic letters in their joined forms. Both libraries are always
installed with the package, because a report has to be drawn again to the byte.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container
from functools import cache, lru_cache
from typing import Any

RIGHT, LEFT = "\u200f", "\u200e"
"""What a line of a paragraph with right-to-left writing begins with: the direction of that paragraph. Never drawn."""

_FOLLOWS = "\ufe00"  # a variation selector: never in legible text
_RIGHT_TO_LEFT = re.compile("[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff]")
_JOINED = re.compile("[\ufb50-\ufdff\ufe70-\ufefc]")


def runs_to_the_left(text: str) -> bool:
    """Whether any character of `text` belongs to writing from right to left."""
    return not text.isascii() and _RIGHT_TO_LEFT.search(text) is not None


def mark_of(paragraph: str) -> str:
    """The mark for each line of a paragraph: none when all of it runs to the right."""
    if not runs_to_the_left(paragraph):
        return ""
    from bidi import get_base_level

    return RIGHT if get_base_level(paragraph) % 2 else LEFT


def unmarked(line: str) -> str:
    """The line as it is read, without its mark."""
    return line.lstrip(RIGHT + LEFT)


def joined(line: str, known: Container[str]) -> str:
    """Arabic letters of a line in their joined forms, as far as those are `known`; marks above and below stay."""
    found: str = _reshaper().reshape(unmarked(line))
    return "".join(c if c in known else letters_of(c) for c in found)


@lru_cache(maxsize=4096)
def as_drawn(line: str, known: Container[str]) -> str:
    """The characters of a line from left to right, as they stand on the page."""
    from bidi import get_display
    from bidi.mirror import MIRRORED

    mark = line[:1] if line[:1] in (RIGHT, LEFT) else mark_of(line)
    # A bracket has to face the other way in writing to the left. What follows it as a mark goes with it (UAX #9, W1
    # and N0), so it stands on the side where that piece of writing goes on.
    followed = "".join(c + _FOLLOWS if c in MIRRORED else c for c in joined(line, known))
    ordered = iter(get_display(followed, base_dir="R" if mark == RIGHT else "L"))
    drawn = []
    for character in ordered:
        if character == _FOLLOWS:
            drawn.append(MIRRORED[next(ordered)])
        else:
            drawn.append(character)
            if character in MIRRORED:
                next(ordered)
    return "".join(drawn)


def letters_of(character: str) -> str:
    """The letters that a joined form stands for, in reading order; any other character is itself."""
    return unicodedata.normalize("NFKC", character) if _JOINED.match(character) else character


def letters_on_page(character: str) -> str:
    """Those letters from left to right, which is how programs that take text off a page expect them.

    They turn each piece of right-to-left writing round as a whole, letters that share one form included.
    """
    return letters_of(character)[::-1]


@cache
def versions() -> str:
    """The libraries that decide order and forms, for the report's metadata."""
    from importlib.metadata import version

    return f"python-bidi {version('python-bidi')}; arabic-reshaper {version('arabic-reshaper')}"


@cache
def _reshaper() -> Any:
    from arabic_reshaper import ArabicReshaper

    return ArabicReshaper({"delete_harakat": False, "ARABIC LIGATURE ALLAH": False})
