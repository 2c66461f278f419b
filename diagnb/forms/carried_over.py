"""What a sheet takes over: instruments from an earlier sheet, as-left tests from the as-found ones they repeat."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.forms.fields import items, next_item
from diagnb.forms.library import Library

_WAY_OF_MEASURING = ("instrument", "range", "from_point", "to_point")


def instruments_of(
    earlier: Mapping[str, str], values: Mapping[str, str], library: Library
) -> tuple[tuple[str, ...], dict[str, str]]:
    """The ids and the entries of the instruments of an ``earlier`` sheet that this one lacks.

    Today's checks don't go along: they are to be made anew.
    """
    here = {values.get(f"instruments.{m}.serial", "").strip() for m in items(values, "instruments")}
    changes: dict[str, str] = {}
    made = []
    for old in items(earlier, "instruments"):
        serial = earlier.get(f"instruments.{old}.serial", "").strip()
        if not serial or serial in here or earlier.get(f"instruments.{old}.meter") not in library.meters:
            continue
        name = next_item({**values, **changes}, "instruments")
        made.append(name)
        for part in ("meter", "serial", "calibrated", "due", "certificate"):
            changes[f"instruments.{name}.{part}"] = earlier.get(f"instruments.{old}.{part}", "")
    return tuple(made), changes


def alike_tests(values: Mapping[str, str], test: str) -> tuple[str, ...]:
    """The tests of the same procedure and phase, itself among them, in their order."""

    def kind(name: str) -> tuple[str, str]:
        return values.get(f"tests.{name}.procedure", ""), values.get(f"tests.{name}.phase", "")

    return tuple(name for name in items(values, "tests") if kind(name) == kind(test))


def repeated_as_left(values: Mapping[str, str], library: Library) -> tuple[tuple[str, ...], dict[str, str]]:
    """The ids and the entries of an as-left test for each as-found one without: same procedure, instruments, points,
    given values and limits.

    A temperature is read again, so only how it was read goes along. Of several alike the note goes along that tells them apart.
    """
    tests = items(values, "tests")
    repeated = {values.get(f"tests.{t}.repeats_test", "") for t in tests if values.get(f"tests.{t}.phase") == "as left"}
    changes: dict[str, str] = {}
    made = []
    for test in tests:
        if values.get(f"tests.{test}.phase") != "as found" or test in repeated:
            continue
        name = next_item({**values, **changes}, "tests")
        made.append(name)
        start = f"tests.{name}"
        changes |= {f"{start}.procedure": values.get(f"tests.{test}.procedure", ""), f"{start}.phase": "as left"}
        changes[f"{start}.repeats_test"] = test
        procedure = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
        anew = {f"given.{given.name}" for given in procedure.givens if given.unit == "°C"} if procedure else set()
        several = len(alike_tests(values, test)) > 1
        for key, text in values.items():
            part = key.removeprefix(f"tests.{test}.")
            if part == key or not text or part in anew:
                continue
            if _goes_along(part) or (part == "note" and several):
                changes[f"{start}.{part}"] = text
    return tuple(made), changes


def _goes_along(part: str) -> bool:
    is_way = part.startswith("readings.") and part.count(".") == 2 and part.split(".")[-1] in _WAY_OF_MEASURING
    return is_way or part == "instrument" or part.startswith(("given.", "limits.", "path."))
