"""What is allowed in an accuracy sheet but is more often a slip than meant."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from diagnb.errors import Fault
from diagnb.meters.sheet import AccuracySheet, Function, Range

FEWEST_STEPS = 100
"""A display with fewer steps over its range is rare; a full scale typed without its digits looks like one."""
LARGEST_SHARE = 0.1
"""An accuracy limit above this share of the range is rare among instruments of the trade (common practice)."""
_CLOCKED = ("time", "frequency", "duty cycle")


def oddities(sheet: AccuracySheet, *, known: Collection[str] = ()) -> tuple[Fault, ...]:
    """Remarks on a sheet that has no fault: a full scale without its digits, a limit wider than the trade knows,
    a function that no procedure asks for (``known`` names those that are asked for; empty: not looked at)."""
    found: list[Fault] = []
    for number, function in enumerate(sheet.functions):
        place = f"functions[{number}]"
        if known and function.name not in known and function.name not in _CLOCKED:
            found.append(
                Fault(
                    f"{place}.name", f"no procedure reads {function.name!r}", f"those read: {', '.join(sorted(known))}"
                )
            )
        for spot, entry in enumerate(function.ranges):
            found += _of_range(function, entry, f"{place}.ranges[{spot}]")
    return tuple(found)


def _of_range(function: Function, entry: Range, place: str) -> Iterable[Fault]:
    steps = entry.full_scale / entry.step
    if steps < FEWEST_STEPS:
        yield Fault(
            f"{place}.full_scale", f"{entry.name} shows {steps:.0f} steps only", "type all digits, such as '6.000 V'"
        )
    share = entry.limit(entry.full_scale) / entry.full_scale
    if share > LARGEST_SHARE:
        what = f"the limit of {function.name} is {100 * share:.0f} % of the range"
        yield Fault(place, what, "percent is in per cent of reading, counts are steps of the last digit")
