"""What is said beside a reading while it is typed: how it was read, a fault, a slip of a prefix, too few digits.

A slip is asked about only where the value as typed can't well be true on this vehicle or on this instrument. A value
that may be the very fault (a drop of 3.30 V on a 12 V vehicle) is never offered another unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from diagnb.errors import InputFault
from diagnb.forms.entries import read_indications
from diagnb.meters import Function, choose_range
from diagnb.procedures import ReadingSpec
from diagnb.quantities import Indication, plain, unit

_LADDER = ("µ", "m", "", "k", "M")
_PREFIXED = ("V", "A", "Ω", "W")
_ABOVE_SYSTEM = 1.2
"""A voltage above this many times the system voltage can't well come from the vehicle."""
_FAR_ABOVE_USUAL = 10.0
"""The same for a current, as a multiple of what is usual, and for a voltage where the system voltage is not stated."""
_FEW_DIGITS = 10.5
"""A display this many times coarser than the instrument's step was hardly typed whole."""


@dataclass(frozen=True, slots=True)
class ReadingState:
    """``back`` says how the text was read; ``fault`` why it was not; ``caution`` what looks odd about it.

    ``fix`` is a (label, text) that would mend a slip, ``deny`` a (label, text) that says there is none.
    """

    back: str = ""
    fault: str = ""
    caution: str = ""
    fix: tuple[str, str] | None = None
    deny: tuple[str, str] | None = None


def check_reading(
    text: str,
    spec: ReadingSpec,
    *,
    system_voltage: float | None = None,
    function: Function | None = None,
    confirmed: str = "",
) -> ReadingState:
    """The state of one reading field. A blank field is no reading: neither zero nor a fault.

    ``system_voltage`` (V) is the vehicle's, ``function`` the instrument's; ``confirmed`` is the text for which the
    question was answered with no.
    """
    if not text.strip():
        return ReadingState()
    try:
        shown = read_indications(text, spec)
    except InputFault as error:
        first = error.faults[0]
        return ReadingState(fault=f"{first.where} {first.what}" + (f"; {first.repair}" if first.repair else ""))
    if not shown:
        return ReadingState(fault="there is no display between the semicolons")
    back = "; ".join(_read_back(one, spec) for one in shown)
    if len(shown) > 1:
        back = f"{len(shown)} repeats: {back}"
    is_confirmed = same_text(text, confirmed)
    for one in shown:
        other = "" if is_confirmed else slip_of(one, spec, system_voltage=system_voltage, function=function)
        if other:
            label = f"{one.number} {other}"
            fix, deny = (f"Use {label}", label), (f"No, it is {one.number} {one.unit}", text)
            return ReadingState(back, "", f"did you mean {other}?", *((fix, deny) if len(shown) == 1 else (None, deny)))
    for one in shown:
        caution = _unusual(one, spec) or _few_digits(one, spec, function, system_voltage)
        if caution and not is_confirmed:
            return ReadingState(back, "", caution)
    return ReadingState(back)


def same_text(one: str, other: str) -> bool:
    """Whether two texts of a reading are the same but for blanks."""
    return "".join(one.split()) == "".join(other.split())


def slip_of(
    shown: Indication, spec: ReadingSpec, *, system_voltage: float | None = None, function: Function | None = None
) -> str:
    """The unit that was likely meant; blank where the value as it stands may be true."""
    if spec.expected is None or not shown.number:
        return ""
    low, high = spec.expected
    value = float(unit(spec.unit).from_si(shown.value))
    is_shown = function is None or _shows(function, shown)
    if is_shown and low <= value <= high:
        return ""
    top = _top(spec, system_voltage)
    too_large = top is not None and abs(value) > top
    if is_shown and not too_large:
        return ""
    for steps in (-1, 1, -2, 2):
        other = _stepped(shown.unit, steps)
        meant = value * 1000.0**steps
        plausible = low <= meant <= high or (steps < 0 and top is not None and low - top <= meant <= top)
        if other and plausible and (function is None or _shows(function, _as(shown, other, spec))):
            return other
    return ""


def _top(spec: ReadingSpec, system_voltage: float | None) -> float | None:
    """Above which size a value can't well be true, in the unit of ``spec``; None where there is no such size."""
    assert spec.expected is not None
    usual = max(abs(side) for side in spec.expected)
    if spec.unit.endswith("V") and system_voltage:
        return max(usual, _ABOVE_SYSTEM * float(unit(spec.unit).from_si(system_voltage)))
    return _FAR_ABOVE_USUAL * usual if spec.unit[-1:] in ("V", "A") else None


def _shows(function: Function, shown: Indication) -> bool:
    try:
        choose_range(function, [shown], "", "")
    except InputFault:
        return False
    return True


def _as(shown: Indication, other: str, spec: ReadingSpec) -> Indication:
    return read_indications(f"{shown.number} {other}", spec)[0]


def _unusual(shown: Indication, spec: ReadingSpec) -> str:
    if spec.expected is None or shown.number is None:
        return ""
    low, high = spec.expected
    usual = low <= float(unit(spec.unit).from_si(shown.value)) <= high
    return "" if usual else f"unusual here: {low:g} to {high:g} {spec.unit} is usual"


def _few_digits(shown: Indication, spec: ReadingSpec, function: Function | None, system_voltage: float | None) -> str:
    """Whether the display was cut short: "0" for 0.00 counts as anything between -0.5 and 0.5."""
    if function is None or shown.number is None or shown.step is None:
        return ""
    size = max(abs(shown.value), (system_voltage or 0.0) if spec.unit.endswith("V") else 0.0)
    fitting = [r.step for r in function.ranges if r.full_scale >= size]
    if not fitting or shown.step_si <= _FEW_DIGITS * fitting[0]:
        return ""
    finer = (
        float(unit(shown.unit).from_si(fitting[0])) if unit(shown.unit).dimension == unit(spec.unit).dimension else 0.0
    )
    digits = max(0, -Decimal(f"{finer:.1g}").normalize().as_tuple().exponent) if finer else 2  # type: ignore[operator]
    return (
        f"few digits: ± {plain(shown.step / 2)} {shown.unit} of rounding counts; type all that the display shows, "
        f"for example {shown.number:.{digits}f}"
    )


def _read_back(shown: Indication, spec: ReadingSpec) -> str:
    if shown.number is None:
        return "over range, no number" if shown.kind == "over range" else "not stable, no number"
    if shown.unit == spec.unit:
        return f"{shown.number} {shown.unit}"
    return _in_unit(shown, spec)


def _in_unit(shown: Indication, spec: ReadingSpec) -> str:
    assert shown.number is not None
    assert shown.step is not None
    ratio = Decimal(repr(shown.symbol.factor)) / Decimal(repr(unit(spec.unit).factor))
    return f"{plain(shown.number * ratio)} {spec.unit}"


def _stepped(symbol: str, steps: int) -> str:
    """The unit ``steps`` thousands away: mV is one below V. Blank when there is none."""
    base = symbol[-1]
    if base not in _PREFIXED or symbol[:-1] not in _LADDER:
        return ""
    place = _LADDER.index(symbol[:-1]) + steps
    return _LADDER[place] + base if 0 <= place < len(_LADDER) else ""
