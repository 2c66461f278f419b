"""One line of the draft journal: checksum, blank, JSON object, newline."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any


def write_line(entry: Mapping[str, Any]) -> bytes:
    """The bytes of one entry, newline included."""
    body = json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")
    return f"{zlib.crc32(body):08x} ".encode() + body + b"\n"


def read_line(line: bytes) -> dict[str, Any] | None:
    """The entry of one line without its newline; None when the checksum or the shape doesn't fit."""
    checksum, blank, body = line.partition(b" ")
    if not blank or len(checksum) != 8 or checksum != f"{zlib.crc32(body):08x}".encode():
        return None
    try:
        entry = json.loads(body.decode("utf-8", "surrogatepass"))
    except (ValueError, RecursionError):
        return None
    known = isinstance(entry, dict) and isinstance(entry.get("n"), int) and isinstance(entry.get("t"), str)
    return entry if known and "e" in entry else None
