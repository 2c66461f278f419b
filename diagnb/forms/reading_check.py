"""What is said beside a reading while it is typed: how it was read, a fault, a slip of a prefix."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from diagnb.errors import InputFault
from diagnb.forms.entries import read_indications
from diagnb.procedures import ReadingSpec
from diagnb.quantities import Indication, plain, unit

_LADDER = ("µ", "m", "", "k", "M")
_PREFIXED = ("V", "A", "Ω", "W")


@dataclass(frozen=True, slots=True)
class ReadingState:
    """``back`` says how the text was read; ``fault`` why it was not; ``caution`` what looks odd about it.

    ``fix`` is a (label, text) that would mend a slip.
    """

    back: str = ""
    fault: str = ""
    caution: str = ""
    fix: tuple[str, str] | None = None


def check_reading(text: str, spec: ReadingSpec) -> ReadingState:
    """The state of one reading field. A blank field is no reading: neither zero nor a fault."""
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
    for one in shown:
        caution, fix = _slip(one, spec, alone=len(shown) == 1)
        if caution:
            return ReadingState(back, "", caution, fix)
    return ReadingState(back)


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


def _slip(shown: Indication, spec: ReadingSpec, *, alone: bool) -> tuple[str, tuple[str, str] | None]:
    if spec.expected is None or shown.number is None:
        return "", None
    low, high = spec.expected
    value = float(unit(spec.unit).from_si(shown.value))
    if low <= value <= high:
        return "", None
    for steps in (-1, 1, -2, 2):
        other = _stepped(shown.unit, steps)
        if other and low <= value * 1000.0**steps <= high and value:
            label = f"{shown.number} {other}"
            return f"did you mean {other}?", ((f"Use {label}", label) if alone else None)
    return f"unusual here: {low:g} to {high:g} {spec.unit} is usual", None


def _stepped(symbol: str, steps: int) -> str:
    """The unit ``steps`` thousands away: mV is one below V. Blank when there is none."""
    base = symbol[-1]
    if base not in _PREFIXED or symbol[:-1] not in _LADDER:
        return ""
    place = _LADDER.index(symbol[:-1]) + steps
    return _LADDER[place] + base if 0 <= place < len(_LADDER) else ""
