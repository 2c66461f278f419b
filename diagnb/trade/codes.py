"""Fault codes as bytes: four-byte codes and lamps of J1939, two-byte codes and their text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from diagnb.errors import Fault, InputFault, fault
from diagnb.trade.tables import find_table

Bytes = bytes | bytearray | Sequence[int]
Layout = Literal[1, 2, 3, 4]
"""How the parameter number lies in its three bytes: 4 is today's, 1 to 3 are older and come with CM = 1."""
COUNT_NOT_KNOWN = 127
_STATES = ("off", "on", "reserved", "not available")
_FLASHES = ("slow flash", "fast flash", "reserved", "no flash")
_LETTERS = "PCBU"


@dataclass(frozen=True, slots=True)
class FaultCode:
    """Suspect parameter number (19 bits), failure mode identifier (5), occurrence count (7), conversion method (1)."""

    spn: int
    fmi: int
    occurrence_count: int = COUNT_NOT_KNOWN
    conversion_method: int = 0

    def __post_init__(self) -> None:
        ends = {"spn": 0x7FFFF, "fmi": 31, "occurrence_count": 127, "conversion_method": 1}
        faults = [
            Fault(name, f"{getattr(self, name)!r} is not a whole number from 0 to {end}")
            for name, end in ends.items()
            if type(getattr(self, name)) is not int or not 0 <= getattr(self, name) <= end
        ]
        if faults:
            raise InputFault(faults)

    @property
    def count_known(self) -> bool:
        """Whether the occurrence count counts; 127 means not available."""
        return self.occurrence_count != COUNT_NOT_KNOWN


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp: ``off``, ``on``, ``reserved``, ``not available``; ``slow flash``, ``fast flash``, ``reserved``, ``no flash``."""

    state: str
    flash: str = "no flash"

    def __post_init__(self) -> None:
        faults = [
            Fault(name, f"{value!r} is unknown", f"one of {', '.join(words)}")
            for name, value, words in (("state", self.state, _STATES), ("flash", self.flash, _FLASHES))
            if value not in words
        ]
        if faults:
            raise InputFault(faults)


@dataclass(frozen=True, slots=True)
class Lamps:
    """The four lamps of a message, most significant bits first."""

    malfunction_indicator: Lamp
    red_stop: Lamp
    amber_warning: Lamp
    protect: Lamp


@dataclass(frozen=True, slots=True)
class ActiveFaults:
    """What a control unit reports as active: its four lamps and its codes."""

    lamps: Lamps
    codes: tuple[FaultCode, ...]


def fields_from_bytes(*, raw: Any) -> tuple[Any, Any, Any, Any]:
    """SPN, FMI, CM and OC of many codes at once: ``raw`` (..., 4) of 0 to 255; returns four integer arrays (...).

    SPN = b1 + 2⁸·b2 + 2¹⁶·(b3 >> 5), FMI = b3 & 31, CM = b4 >> 7, OC = b4 & 127. Where CM is 1 the parameter number
    holds only for layout 3. Raises InputFault for another length or what is no byte.
    Source: SAE J1939-73 (worked example from memory, layout read in a public log).
    """
    b = np.asarray(list(raw) if isinstance(raw, bytes | bytearray) else raw)
    if b.dtype.kind not in "iu" or b.shape[-1:] != (4,):
        raise fault("raw", "must be four bytes for each code", "for example [184, 4, 3, 10]")
    if np.any((b < 0) | (b > 255)):
        raise fault("raw", "holds a number that is no byte", "0 to 255")
    b = b.astype(np.int64)
    b1, b2, b3, b4 = b[..., 0], b[..., 1], b[..., 2], b[..., 3]
    return b1 | (b2 << 8) | ((b3 >> 5) << 16), b3 & 31, b4 >> 7, b4 & 127


def fault_code_from_bytes(*, raw: Bytes, layout: Layout | None = None) -> FaultCode:
    """One four-byte code. ``layout`` is needed where CM is 1, since the bytes don't tell the older layouts apart.

    Raises InputFault for another length, what is no byte, or an older code without its layout; the fault lists the
    three numbers it could be. Source: SAE J1939-73, 5.7.1 (today's layout read in a public log, older from memory).
    """
    b = _bytes(raw, 4)
    spn, fmi, cm, count = (int(x) for x in fields_from_bytes(raw=b))
    if layout is not None and layout not in (1, 2, 3, 4):
        raise fault("layout", f"{layout!r} is unknown", "1, 2, 3 or 4")
    if cm:
        readings = {1: b[0] << 11 | b[1] << 3 | b[2] >> 5, 2: b[1] << 11 | b[0] << 3 | b[2] >> 5, 3: spn}
        if layout not in readings:
            listed = ", ".join(f"{number} by layout {name}" for name, number in readings.items())
            raise fault("layout", "must be told where CM is 1", f"ask the maker; the parameter number is {listed}")
        spn = readings[layout]
    elif layout not in (None, 4):
        raise fault("layout", f"{layout} does not go with CM = 0", "leave it out")
    return FaultCode(spn, fmi, count, cm)


def bytes_from_fault_code(*, code: FaultCode, layout: Layout | None = None) -> bytes:
    """The four bytes of a code, the inverse of :func:`fault_code_from_bytes`; same ``layout``, same faults."""
    if layout not in ((1, 2, 3) if code.conversion_method else (None, 4)):
        raise fault("layout", f"{layout} does not go with CM = {code.conversion_method}", "1, 2 or 3 where CM is 1")
    s = code.spn
    if layout in (1, 2):
        pair = (s >> 11, s >> 3 & 0xFF)
        first, second, third = (*(pair if layout == 1 else pair[::-1]), s & 7)
    else:
        first, second, third = s & 0xFF, s >> 8 & 0xFF, s >> 16
    return bytes((first, second, third << 5 | code.fmi, code.conversion_method << 7 | code.occurrence_count))


def lamps_from_bytes(*, status: int, flash: int = 0xFF) -> Lamps:
    """The four lamps, two bits each from the top: malfunction indicator, red stop, amber warning, protect.

    ``status`` and ``flash`` are bytes 1 and 2 of the message. Source: SAE J1939-73 (read in a public log).
    """
    b = _bytes((status, flash), 2)
    return Lamps(*(Lamp(_STATES[b[0] >> shift & 3], _FLASHES[b[1] >> shift & 3]) for shift in (6, 4, 2, 0)))


def bytes_from_lamps(*, lamps: Lamps) -> bytes:
    """Bytes 1 and 2 of the message, the inverse of :func:`lamps_from_bytes`."""
    status = flash = 0
    for lamp in (lamps.malfunction_indicator, lamps.red_stop, lamps.amber_warning, lamps.protect):
        status = status << 2 | _STATES.index(lamp.state)
        flash = flash << 2 | _FLASHES.index(lamp.flash)
    return bytes((status, flash))


def active_faults_from_bytes(*, raw: Bytes, layout: Layout | None = None) -> ActiveFaults:
    """A whole message of active faults: two lamp bytes, then four bytes for each code.

    A single frame of eight bytes carries one code and two filling bytes (255). A code of four zeros, or of four times
    255 as older units send it, means no code. Raises InputFault for a length that doesn't fit.
    Source: SAE J1939-73, active diagnostic trouble codes (read in a public log; filling from memory).
    """
    b = _bytes(raw, None)
    body = b[2:]
    if len(b) == 8:
        if tuple(body[4:]) not in ((255, 255), (0, 0)):
            raise fault("raw", "has two bytes left over that don't fill the frame", "bytes 7 and 8 are 255")
        body = body[:4]
    if len(b) < 6 or len(body) % 4:
        raise fault("raw", f"has {len(b)} bytes", "8 in one frame, or 2 and 4 for each code")
    parts = [body[n : n + 4] for n in range(0, len(body), 4)]
    codes = tuple(
        fault_code_from_bytes(raw=part, layout=layout) for part in parts if tuple(part) not in ((0,) * 4, (255,) * 4)
    )
    return ActiveFaults(lamps_from_bytes(status=b[0], flash=b[1]), codes)


def bytes_from_active_faults(*, faults: ActiveFaults, layout: Layout | None = None) -> bytes:
    """The message, filled to one frame where it fits, the inverse of :func:`active_faults_from_bytes`."""
    body = b"".join(bytes_from_fault_code(code=code, layout=layout) for code in faults.codes) or bytes(4)
    filling = b"\xff\xff" if len(body) == 4 else b""
    return bytes_from_lamps(lamps=faults.lamps) + body + filling


def failure_mode_text(*, fmi: int) -> str:
    """A failure mode identifier in words, our own wording. Raises InputFault outside 0 to 31.

    Source: SAE J1939-73 (0 to 18 read in a public log, 19 to 21 and 31 from memory).
    """
    return str(find_table("failure-modes").row(fmi)["text"])


def trouble_code_from_bytes(*, raw: Bytes) -> str:
    """The text of a two-byte code: 01 23 → P0123, C1 00 → U0100.

    Two bits give the letter (P, C, B, U), two the first digit, the rest three hexadecimal digits.
    Source: ISO 15031-6, SAE J2012 (from memory).
    """
    high, low = _bytes(raw, 2)
    return f"{_LETTERS[high >> 6]}{high >> 4 & 3}{high & 15:X}{low:02X}"


def bytes_from_trouble_code(*, text: str) -> bytes:
    """The two bytes of a code such as P0123, the inverse of :func:`trouble_code_from_bytes`; case doesn't matter.

    Raises InputFault for an unknown letter or another form.
    """
    if not isinstance(text, str) or not re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", text.strip().upper(), re.ASCII):
        raise fault("code", f"{text!r} is no trouble code", "P, C, B or U, a digit 0 to 3, three hexadecimal digits")
    code = text.strip().upper()
    number = _LETTERS.index(code[0]) << 14 | int(code[1]) << 12 | int(code[2:], 16)
    return number.to_bytes(2, "big")


def _bytes(raw: Any, length: int | None) -> bytes:
    try:
        found = raw if isinstance(raw, bytes) else bytes([int(b) if isinstance(b, np.integer) else b for b in raw])
    except (TypeError, ValueError):
        raise fault("raw", "is no row of bytes", "numbers from 0 to 255") from None
    if length is not None and len(found) != length:
        raise fault("raw", f"has {len(found)} bytes instead of {length}")
    return found
