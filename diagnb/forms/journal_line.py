"""One line of the draft journal: checksum, blank, JSON object, newline; and a line of which one byte was altered.

The checksum not only shows that a byte was altered, it also says which one: no two single bytes of a line leave
the same trace in a CRC-32 that fits a valid entry. So an entry with one bad byte is read all the same.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from typing import Any

_LONGEST = 100_000
"""Bytes of the longest damaged line that is looked into."""
_HEX = 8


def write_line(entry: Mapping[str, Any]) -> bytes:
    """The bytes of one entry, newline included."""
    body = json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")
    return f"{zlib.crc32(body):08x} ".encode() + body + b"\n"


def read_line(line: bytes) -> dict[str, Any] | None:
    """The entry of one line without its newline; None when the checksum or the shape doesn't fit."""
    checksum, blank, body = line.partition(b" ")
    if not blank or len(checksum) != _HEX or checksum != f"{zlib.crc32(body):08x}".encode():
        return None
    return _entry(body)


def mend_line(line: bytes) -> tuple[dict[str, Any], ...]:
    """The entries of a damaged line of which one byte was altered; none when that doesn't explain it.

    Two entries come back when the altered byte was the newline between them.
    """
    if len(line) > _LONGEST:
        return ()
    found = [entry for body in _bodies(line) if (entry := _entry(body)) is not None]
    if len(found) == 1:
        return (found[0],)
    return () if found else _parted(line)


def mend_split(first: bytes, second: bytes) -> tuple[dict[str, Any], ...]:
    """The one entry that a byte altered to a newline had cut into these two lines; none when it wasn't so."""
    if len(first) + len(second) > _LONGEST:
        return ()
    found = [entry for value in range(256) if (entry := read_line(first + bytes([value]) + second)) is not None]
    return (found[0],) if len(found) == 1 else ()


def _entry(body: bytes) -> dict[str, Any] | None:
    try:
        entry = json.loads(body.decode("utf-8", "surrogatepass"))
    except (ValueError, RecursionError):
        return None
    known = isinstance(entry, dict) and isinstance(entry.get("n"), int) and isinstance(entry.get("t"), str)
    return entry if known and "e" in entry else None


def _bodies(line: bytes) -> Iterator[bytes]:
    """Every body that this line may have had before one of its bytes was altered."""
    stated, blank, body = line[:_HEX], line[_HEX : _HEX + 1], line[_HEX + 1 :]
    actual = zlib.crc32(body)
    differing = sum(a != b for a, b in zip(stated, f"{actual:08x}".encode(), strict=False))
    if len(stated) == _HEX and differing + (blank != b" ") == 1:
        yield body
    if blank != b" " or not set(stated) <= set(b"0123456789abcdef"):
        return
    trace = actual ^ int(stated, 16)
    # What an altered byte leaves in the register is carried on by each byte after it; here it is carried back.
    for place in range(len(body) - 1, -1, -1):
        if (change := _CHANGE_OF.get(trace)) is not None:
            yield body[:place] + bytes([body[place] ^ change]) + body[place + 1 :]
        low = _LOW_OF[trace >> 24]
        trace = ((trace ^ _TABLE[low]) << 8 & 0xFFFFFFFF) | low


def _parted(line: bytes) -> tuple[dict[str, Any], ...]:
    """The two entries of a line whose newline between them was altered."""
    for place in range(_HEX + 1, len(line) - _HEX):
        if line[place - 1 : place] == b"}" and line[place + _HEX + 1 : place + _HEX + 2] == b" ":
            first, second = read_line(line[:place]), read_line(line[place + 1 :])
            if first is not None and second is not None:
                return first, second
    return ()


def _register_of(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xEDB88320 if byte & 1 else 0)
    return byte


_TABLE = tuple(_register_of(byte) for byte in range(256))
_CHANGE_OF = {register: byte for byte, register in enumerate(_TABLE) if byte}
_LOW_OF = {register >> 24: byte for byte, register in enumerate(_TABLE)}
