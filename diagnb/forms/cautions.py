"""The cautions that a sheet shows, and the entries that record them as shown."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.forms.fields import items
from diagnb.forms.library import Library
from diagnb.forms.voltage_stop import stop_of

CLASS_CAUTIONS: Mapping[str, str] = {
    "restraint": "C1",
    "control module or data network": "C2",
    "high voltage": "C5",
}
"""The caution that goes with a kind of circuit."""
STOPPED = "C5"
"""The caution that goes with a voltage above the class limit."""


def class_caution(values: Mapping[str, str], library: Library) -> str:
    """The code of the caution for the circuit's kind, blank when it has none."""
    code = CLASS_CAUTIONS.get(values.get("circuit.class", ""), "")
    return code if code in library.cautions else ""


def caution_codes(values: Mapping[str, str], library: Library, test: str) -> tuple[str, ...]:
    """The codes of the cautions that stand with one test."""
    known = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
    codes = dict.fromkeys([class_caution(values, library), *(known.cautions if known else ())])
    return tuple(code for code in codes if code in library.cautions)


def cautions_due(values: Mapping[str, str], library: Library) -> dict[str, str]:
    """The entries that record what the sheet shows now and nobody has recorded yet."""
    shown = [class_caution(values, library)]
    for test in items(values, "tests"):
        shown += caution_codes(values, library, test)
    stop = stop_of(values, library)
    if stop is not None and not stop.asks:
        shown.append(STOPPED)
    return {
        f"cautions.{code}": "shown"
        for code in dict.fromkeys(shown)
        if code in library.cautions and not values.get(f"cautions.{code}")
    }
