"""The stop above 60 V DC or 30 V AC: nothing more is measured until a qualified person is named.

The limits are those of the evaluation (49 CFR 571.305 S3; ISO 6469-3, from memory). What was displayed is kept,
because it was seen; every further reading, given value and test is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from diagnb.errors import InputFault
from diagnb.forms.entries import read_indications
from diagnb.forms.fields import items
from diagnb.forms.library import Library
from diagnb.forms.path_nodes import reading_specs
from diagnb.quantities import Indication, parse_indication, unit

BOUNDS: Mapping[str, float] = {"dc voltage": 60.0, "ac voltage": 30.0}
_SIDES = {"dc voltage": "60 V DC", "ac voltage": "30 V AC"}
PERSON = ("people.qualified.name", "people.qualified.qualification")
"""The fields that end the stop when both are filled in."""


@dataclass(frozen=True, slots=True)
class Stop:
    """``keys`` are the fields that hold the voltage; ``found`` says which, in a few words each."""

    keys: tuple[str, ...]
    found: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What happened, why nothing goes on, what has to be done."""
        return (
            f"Stopped: {'; '.join(self.found)}. That is high voltage, and an electric shock can kill. Take the leads off and "
            "measure nothing more. No reading and no test is accepted until a qualified person is named, with the qualification, "
            "who takes over. Follow the vehicle maker's procedure and local law. If it was a slip of typing, correct that entry."
        )

    @property
    def refusal(self) -> str:
        """What is said beside an entry that is not taken."""
        return "the form is stopped: name a qualified person first, at the top of this step, or correct the voltage"


def stop_of(values: Mapping[str, str], library: Library) -> Stop | None:
    """The stop that holds on this sheet; None when no voltage is above its class limit, or a qualified person is named."""
    if all(values.get(key, "").strip() for key in PERSON):
        return None
    found = dict(_found(values, library))
    return Stop(tuple(found), tuple(found.values())) if found else None


def is_measurement(key: str) -> bool:
    """Whether a field holds a reading or a given value itself, not what belongs to one."""
    parts = key.split(".")
    return len(parts) == 4 and parts[0] == "tests" and parts[2] in ("readings", "given")


def is_unfinished(text: str) -> bool:
    """Whether a unit may still follow: the last display ends in a digit or a decimal mark."""
    return text.rstrip()[-1:] in tuple("0123456789.,")


def refused_by(stop: Stop, changes: Mapping[str, str]) -> bool:
    """Whether these changes measure on: another reading or given value, or a further test. Taking away never does."""
    begins = any(key.startswith("tests.") and key.endswith(".procedure") and text for key, text in changes.items())
    return begins or any(is_measurement(key) and text.strip() and key not in stop.keys for key, text in changes.items())


def _found(values: Mapping[str, str], library: Library) -> Iterator[tuple[str, str]]:
    for test in items(values, "tests"):
        procedure = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
        if procedure is None:
            continue
        for spec in reading_specs(values, test, procedure):
            key = f"tests.{test}.readings.{spec.name}"
            text = values.get(key, "")
            if spec.function not in BOUNDS or not text.strip():
                continue
            try:
                shown = read_indications(text, spec)
            except InputFault:
                continue
            high = _highest(shown)
            if high is not None and abs(high.value) > BOUNDS[spec.function]:
                yield key, f"{spec.title} reads {high.number} {high.unit}, above {_SIDES[spec.function]}"
        for given in procedure.givens:
            key = f"tests.{test}.given.{given.name}"
            if not values.get(key, "").strip() or unit(given.unit).dimension != unit("V").dimension:
                continue
            try:
                stated = parse_indication(values[key], unit=given.unit)
            except InputFault:
                continue
            if stated.number is not None and abs(stated.value) > BOUNDS["dc voltage"]:
                yield key, f"{given.title} is stated as {stated.number} {stated.unit}, above {_SIDES['dc voltage']}"


def _highest(shown: Iterable[Indication]) -> Indication | None:
    return max((one for one in shown if one.number is not None), key=lambda one: abs(one.value), default=None)
