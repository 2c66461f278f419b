"""The stop above 60 V DC or 30 V AC: nothing more is measured until a qualified person is named.

The limits are those of the evaluation (49 CFR 571.305 S3; ISO 6469-3, from memory). What was displayed is kept,
because it was seen; every further reading, given value and test is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from diagnb.errors import InputFault
from diagnb.forms.entries import is_lone_number, read_indications
from diagnb.forms.fields import items
from diagnb.forms.library import Library
from diagnb.forms.path_nodes import reading_specs
from diagnb.forms.reading_check import same_text, slip_of
from diagnb.procedures import ReadingSpec
from diagnb.quantities import Indication, parse_indication, unit

BOUNDS: Mapping[str, float] = {"dc voltage": 60.0, "ac voltage": 30.0}
_SIDES = {"dc voltage": "60 V DC", "ac voltage": "30 V AC"}
_LARGEST_DROP = 6.0
"""A reading of which no more than this (V) is usual is a drop."""
PERSON = ("people.qualified.name", "people.qualified.qualification")
"""The fields that end the stop when both are filled in."""
_SHORTEST = 3
"""The fewest letters and figures of a qualification: "x" names none."""


@dataclass(frozen=True, slots=True)
class Stop:
    """``keys`` are the fields that hold the voltage; ``found`` says which, in a few words each.

    ``asks``: so far it may be a slip of the unit ("350" for 350 mV across a drop). Nothing more is taken either until
    the question beside the field is answered; answered with no, the voltage counts as it stands.
    """

    keys: tuple[str, ...]
    found: tuple[str, ...]
    asks: bool = False

    @property
    def sentence(self) -> str:
        """What happened, why nothing goes on, what has to be done."""
        if self.asks:
            return (
                f"Waiting for an answer: {'; '.join(self.found)}. Answer the question beside it: either the unit is another "
                "one, or it is high voltage. Until then nothing more is taken."
            )
        return (
            f"Stopped: {'; '.join(self.found)}. That is high voltage, and an electric shock can kill. Take the leads off and "
            "measure nothing more. No reading and no test is accepted until a qualified person is named, with the qualification, "
            "who takes over. Follow the vehicle maker's procedure and local law. If it was a slip of typing, correct that entry."
        )

    @property
    def at_field(self) -> str:
        """The same beside the field itself, short."""
        return f"Stopped: {'; '.join(self.found)}: high voltage. Take the leads off. A slip of typing? Correct it here."

    @property
    def refusal(self) -> str:
        """What is said beside an entry that is not taken."""
        if self.asks:
            return f"waits: {self.found[0]}; answer the question beside it first"
        return "the form is stopped: name a qualified person first, at the top of this step, or correct the voltage"


def stop_of(values: Mapping[str, str], library: Library) -> Stop | None:
    """The stop that holds on this sheet; None when no voltage is above its class limit, or a qualified person is named."""
    name, qualification = (values.get(key, "") for key in PERSON)
    if name.strip() and is_qualification(qualification):
        return None
    found = list(_found(values, library))
    sure = [one for one in found if not one[2]]
    stands = sure or found
    return Stop(tuple(f[0] for f in found), tuple(f[1] for f in stands), asks=not sure) if found else None


def is_qualification(text: str) -> bool:
    """Whether a text can name a qualification."""
    return sum(map(str.isalnum, text)) >= _SHORTEST


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


def _found(values: Mapping[str, str], library: Library) -> Iterator[tuple[str, str, bool]]:
    """Field, what it holds, and whether that may be a slip of the unit."""
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
                said = f"{spec.title} reads {high.number} {high.unit}, above {_SIDES[spec.function]}"
                yield key, said, len(shown) == 1 and _may_be_a_slip(values, key, spec, high)
        for given in procedure.givens:
            key = f"tests.{test}.given.{given.name}"
            if not values.get(key, "").strip() or unit(given.unit).dimension != unit("V").dimension:
                continue
            try:
                stated = parse_indication(values[key], unit=given.unit)
            except InputFault:
                continue
            if stated.number is not None and abs(stated.value) > BOUNDS["dc voltage"]:
                said = f"{given.title} is stated as {stated.number} {stated.unit}, above {_SIDES['dc voltage']}"
                yield key, said, False


def _may_be_a_slip(values: Mapping[str, str], key: str, spec: ReadingSpec, shown: Indication) -> bool:
    """Whether a number without a unit across a drop is likely one in millivolts, and nobody has said that it is not."""
    text, voltage = values.get(key, ""), values.get("vehicle.system_voltage", "")
    is_drop = spec.expected is not None and spec.expected[1] <= _LARGEST_DROP
    if not is_drop or not is_lone_number(text) or not voltage or values.get("circuit.class") == "high voltage":
        return False
    return bool(slip_of(shown, spec, system_voltage=float(voltage))) and not same_text(
        text, values.get(f"{key}.confirmed", "")
    )


def _highest(shown: Iterable[Indication]) -> Indication | None:
    return max((one for one in shown if one.number is not None), key=lambda one: abs(one.value), default=None)
