"""Which bytes a signature covers: everything but its own value, and nothing hidden behind that value."""

from __future__ import annotations

import re
from typing import Any

from diagnb.signing.reading import Refused


def covered_end(embedded: Any, pdf: bytes) -> int:
    """The end of the covered bytes. Raises Refused unless all but the signature value is covered."""
    numbers = [int(n) for n in embedded.byte_range]
    if len(numbers) != 4:
        raise Refused("byte-range-wrong")
    start, before, after, rest = numbers
    end = after + rest
    if start != 0 or not 0 < before < after < end <= len(pdf):
        raise Refused("byte-range-wrong")
    gap = pdf[before:after]
    if gap[:1] != b"<" or gap[-1:] != b">" or not re.fullmatch(rb"[0-9A-Fa-f]+", gap[1:-1]) or len(gap) % 2:
        raise Refused("byte-range-wrong")
    value = bytes.fromhex(gap[1:-1].decode("ascii"))
    if value != embedded.pkcs7_content:
        raise Refused("byte-range-wrong")
    if any(value[_der_length(value) :]):
        raise Refused("padding-not-zero")
    return end


def _der_length(value: bytes) -> int:
    """Length in bytes of the first DER value, header included (X.690 section 8.1.3)."""
    if len(value) < 2 or value[0] != 0x30:
        raise Refused("malformed-signature")
    if value[1] < 0x80:
        return 2 + value[1]
    digits = value[1] & 0x7F
    length = 2 + digits + int.from_bytes(value[2 : 2 + digits], "big")
    if not 1 <= digits <= 4 or length > len(value):
        raise Refused("malformed-signature")
    return length
