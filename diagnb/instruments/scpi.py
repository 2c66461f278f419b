"""A meter on a wire, read with the queries of IEEE 488.2 and SCPI-99 alone. Nothing is configured or switched.

The only file that imports PyVISA (extra ``instruments``).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from typing import Any

from diagnb.errors import InputFault, fault, missing_package
from diagnb.meters import AccuracySheet, Function, Range
from diagnb.quantities import unit

OVER_RANGE = 9.9e37
"""SCPI-99 vol. 1, 7.2.1.4: a value of this size means infinity, 9.91E37 means not a number (from memory)."""

FUNCTIONS = {
    "VOLT": "dc voltage", "VOLT:DC": "dc voltage", "VOLT:AC": "ac voltage", "CURR": "dc current",
    "CURR:DC": "dc current", "RES": "resistance", "FRES": "resistance", "FREQ": "frequency", "TEMP": "temperature",
}  # fmt: skip
"""SCPI-99 sensor functions (vol. 2, SENSe:FUNCtion) and the function of an accuracy sheet they belong to."""


@dataclass(frozen=True, slots=True)
class WiredReading:
    """One reading as it goes into the grid: text with the digits of the sheet's range, function, range, time."""

    text: str
    function: str
    range: str
    time: datetime
    identity: str
    raw: str


def read_meter(
    address: str, sheet: AccuracySheet, *, clock: Callable[[], datetime], library: str = "", timeout_ms: int = 5000
) -> WiredReading:
    """Ask the meter at a VISA ``address`` for its identity, function, range and one reading.

    ``library`` names a VISA library ("@py", "@sim", a file). Raises
    :class:`~diagnb.errors.MissingPackage` without PyVISA and :class:`~diagnb.errors.InputFault` when the
    instrument does not answer, reports an error, or measures something that its accuracy sheet does not have.
    """
    try:
        import pyvisa
    except ImportError as error:
        raise missing_package("PyVISA", "instruments") from error
    try:
        manager = pyvisa.ResourceManager(library)
    except (OSError, ValueError) as error:
        raise fault(address, f"no VISA library: {error}", "install one, or use the library @py") from error
    try:
        with warnings.catch_warnings():
            # An answer that does not end as agreed is only warned about; here it is no answer.
            warnings.simplefilter("error", UserWarning)
            return _read(manager, address, sheet, clock, timeout_ms)
    except (pyvisa.Error, OSError, ValueError, UserWarning) as error:
        said = " ".join(str(error).split())[:200]
        raise fault(address, f"the instrument does not answer: {said}", "check address, cable and power") from error
    finally:
        manager.close()


def _read(
    manager: Any, address: str, sheet: AccuracySheet, clock: Callable[[], datetime], timeout_ms: int
) -> WiredReading:
    device = manager.open_resource(address, read_termination="\n", write_termination="\n")
    try:
        device.timeout = timeout_ms
        identity = str(device.query("*IDN?")).strip()
        spoken = str(device.query("SENS:FUNC?")).strip().strip("\"'").upper()
        function = _function(spoken, sheet)
        stem = spoken.split(",")[0]
        full = _number(str(device.query(f"{stem}:RANG?")), "range")
        raw = str(device.query("READ?")).strip()
        moment = clock()
        trouble = str(device.query("SYST:ERR?")).strip()
    finally:
        device.close()
    if not trouble.lstrip("+").startswith("0"):
        raise fault(address, f"the instrument reports {trouble[:120]}", "clear it at the instrument and read again")
    chosen = _range(function, full, sheet)
    return WiredReading(_text(raw, function, chosen), function.name, chosen.name, moment, identity, raw)


def _function(spoken: str, sheet: AccuracySheet) -> Function:
    name = FUNCTIONS.get(spoken.removeprefix("SENS:"))
    if name is None:
        raise fault(f"function {spoken!r}", "is not one that records know", f"known are {', '.join(sorted(FUNCTIONS))}")
    return sheet.function(name)


def _number(text: str, what: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise fault(what, f"{text.strip()[:40]!r} is not a number") from error


def _range(function: Function, full: float, sheet: AccuracySheet) -> Range:
    scale = unit(function.unit)
    fitting = [r for r in function.ranges if r.full_scale >= float(scale.to_si(full)) * (1 - 1e-6)]
    if not fitting:
        raise fault(
            sheet.id,
            f"has no range of {full:g} {function.unit} for {function.name}",
            "use the sheet of this instrument",
        )
    return fitting[0]


def _text(raw: str, function: Function, chosen: Range) -> str:
    """The reading with the digits that the range shows; ``OL`` for SCPI's infinity."""
    try:
        exact = Decimal(raw)
    except InvalidOperation as error:
        raise fault("reading", f"{raw[:40]!r} is not a number") from error
    if not exact.is_finite() or abs(exact) >= Decimal(repr(OVER_RANGE)):
        return "OL"
    step = chosen.step / unit(function.unit).factor
    place = Decimal(1).scaleb(round(math.log10(step)))
    return f"{exact.quantize(place, rounding=ROUND_HALF_EVEN):f} {function.unit}"


__all__ = ["FUNCTIONS", "InputFault", "WiredReading", "read_meter"]
