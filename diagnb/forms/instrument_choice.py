"""Which instrument of the sheet takes a reading, where several could: the one whose range fits the expected size."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.forms.entries import instrument_for, instruments_able
from diagnb.forms.library import Library
from diagnb.forms.path_nodes import reading_specs
from diagnb.meters import Function
from diagnb.procedures import ReadingSpec
from diagnb.quantities import unit


def instruments_by_size(values: Mapping[str, str], library: Library, test: str) -> dict[str, str]:
    """The entries that name an instrument where the expected size asks for another one than the first that could.

    They are made when the test is added: an instrument added later never changes who took a reading.
    """
    known = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
    found = {}
    for spec in reading_specs(values, test, known) if known else ():
        able = instruments_able(values, library, spec)
        of_path = spec.name.startswith(("node_", "drop_")) and known is not None and known.kind == "path"
        if spec.expected is None or len(able) < 2 or of_path:
            continue
        reach = {name: full_scale(values, library, name, spec.function) for name in able}
        size = float(unit(spec.unit).to_si(max(abs(side) for side in spec.expected)))
        enough = [name for name in able if reach[name] >= size]
        best = enough[0] if enough else max(able, key=lambda name: reach[name])
        if best != able[0]:
            found[f"tests.{test}.readings.{spec.name}.instrument"] = best
    return found


def full_scale(values: Mapping[str, str], library: Library, instrument: str, function: str) -> float:
    """The top of an instrument's largest range for this function, coherent SI; 0 when it has none."""
    sheet = library.meters.get(values.get(f"instruments.{instrument}.meter", ""))
    ranges = [r for f in sheet.functions if f.name == function for r in f.ranges] if sheet else []
    return max((r.full_scale for r in ranges), default=0.0)


def function_for(values: Mapping[str, str], library: Library, test: str, spec: ReadingSpec) -> Function | None:
    """The function of the instrument that takes this reading; None while no instrument on the sheet has it."""
    sheet = library.meters.get(values.get(f"instruments.{instrument_for(values, library, test, spec)}.meter", ""))
    return next((f for f in sheet.functions if f.name == spec.function), None) if sheet else None


def larger_instrument(values: Mapping[str, str], library: Library, test: str, spec: ReadingSpec) -> str:
    """The title of another instrument on the sheet that reaches further, blank when there is none."""

    def reach(name: str) -> float:
        return full_scale(values, library, name, spec.function)

    here = instrument_for(values, library, test, spec)
    best = max(instruments_able(values, library, spec), key=reach, default="")
    if not here or reach(best) <= reach(here):
        return ""
    return library.meters[values[f"instruments.{best}.meter"]].title
