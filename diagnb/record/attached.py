"""The name under which a file is attached: kept as it is where any file system can hold it, else spelt plainly."""

from __future__ import annotations

import re
import unicodedata

_SPELT = {"ß": "ss", "æ": "ae", "Æ": "Ae", "ø": "o", "Ø": "O", "œ": "oe", "Œ": "Oe", "ł": "l", "Ł": "L"}
LONGEST = 100


def attached_name(name: str) -> str:
    """``name`` in unaccented letters, digits, blank, dot, dash and underscore, at most 100 characters.

    The file is known by its hash; its name is for people, and has to be unpacked on any computer. Letters lose
    their accents, everything else becomes an underscore, and the ending is kept.
    """
    plain = "".join(_SPELT.get(c, c) for c in name)
    plain = "".join(c for c in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(c))
    plain = re.sub(r"[^A-Za-z0-9._ -]", "_", plain)
    if not re.match(r"[A-Za-z0-9]", plain):
        plain = f"file{plain}"
    stem, dot, ending = plain.rpartition(".")
    if len(plain) > LONGEST:
        plain = (
            f"{stem[: LONGEST - 1 - len(ending)]}.{ending}" if dot and len(ending) < LONGEST - 1 else plain[:LONGEST]
        )
    return plain
