"""The record: what was found on one vehicle, as one frozen document. Schema ``diagnb-record/1``.

A record carries the accuracy sheets and procedures that it was made with, so that whoever holds it can
recompute every number without asking the shop. Readings keep the text as displayed; numbers whose
digits matter are strings.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StringConstraints,
    model_validator,
)

from diagnb.record.measured import (
    CertificatePoint,
    CertificateRange,
    CircuitTest,
    Conditions,
    Instrument,
    LimitStated,
    PathNode,
    PathReadings,
    Reading,
    SpanLimit,
    SpanReading,
    TraceContribution,
    TraceSource,
    Wire,
)
from diagnb.record.part import (
    LARGEST_INTEGER,
    CircuitClass,
    Day,
    DecimalText,
    Digest,
    Given,
    HalfWidth,
    Line,
    Name,
    NodeKind,
    Part,
    Phase,
    Quantity,
    Severity,
    SpanKind,
    Text,
    Time,
    Whole,
    in_order,
)

SCHEMA: Literal["diagnb-record/1"] = "diagnb-record/1"
T = TypeVar("T")


class Change(Part):
    """One place where a revision differs from the one it replaces; values as text, empty where there is none."""

    where: Annotated[str, StringConstraints(min_length=1, max_length=300)]
    before: Line = ""
    after: Line = ""


class Replaces(Part):
    """The earlier revision that this one replaces, why, and what changed."""

    revision: Whole
    digest: Digest
    reason: Line
    changes: Annotated[tuple[Change, ...], Field(max_length=500)] = ()


Place = Annotated[str, StringConstraints(min_length=1, max_length=300)]


class Redaction(Part):
    """What a redacted copy proves itself with: digest and digest list of the original, hash or salt of each field.

    ``of`` is the SHA-256 of the original record, ``head`` the head of its list of salted hashes (how many, and the
    Merkle root). ``removed`` holds the hash of every field that is not shown here, ``salts`` the salt of every
    field that is.
    """

    of: Digest
    head: Annotated[str, StringConstraints(pattern=r"^[1-9][0-9]{0,5}:[0-9a-f]{64}$")]
    removed: Annotated[dict[Place, Digest], Field(min_length=1, max_length=100_000), AfterValidator(in_order)]
    salts: Annotated[dict[Place, Digest], Field(max_length=100_000), AfterValidator(in_order)]


class RepairOrder(Part):
    number: Line
    opened: Time
    site: Line = ""
    customer: Line = ""


class Vehicle(Part):
    vin: Line = ""
    unit: Line = ""
    description: Line = ""
    model_year: Annotated[int, Field(ge=1900, le=2100)] | None = None
    odometer: Quantity | None = None
    engine_hours: Quantity | None = None
    in_service: Day | None = None
    system_voltage: Literal["12", "24", "48"]


class Coverage(Part):
    """The warranty that the claim will be made under, as the customer states it."""

    policy: Line
    begins: Day | None = None
    ends: Day | None = None
    distance_limit: Quantity | None = None


class Circuit(Part):
    name: Line
    circuit_class: Annotated[CircuitClass, Field(alias="class")]
    description: Text = ""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)


class Person(Part):
    id: Name
    name: Line
    role: Line
    qualification: Line = ""


class FaultCode(Part):
    text: Line
    meaning: Line = ""
    status: Line = ""
    phase: Phase
    time: Time | None = None
    saved: bool = True


class VehiclePart(Part):
    action: Literal["removed", "installed"]
    number: Line
    description: Line
    serial: Line = ""
    lot: Line = ""
    causal: bool = False
    kept_at: Line = ""


class Finding(Part):
    """What the readings show, in words, with the tests that show it. An opinion says so."""

    text: Text
    tests: tuple[Name, ...] = ()
    opinion: bool = False


class CautionShown(Part):
    id: Name
    time: Time
    to: Name


class Attachment(Part):
    name: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._ -]{0,99}$")]
    sha256: Digest
    media_type: Line
    size: Annotated[int, Field(ge=0, le=LARGEST_INTEGER)]
    shows: Line = ""


class Record(Part):
    """The whole record. ``meters`` and ``procedures`` hold plain copies of the sheets used."""

    schema_: Annotated[Literal["diagnb-record/1"], Field(alias="schema")] = SCHEMA
    id: Name
    revision: Whole = 1
    replaces: Replaces | None = None
    status: Literal["", "void"] = ""
    redaction: Redaction | None = None
    created: Time
    demonstration: bool = False
    order: RepairOrder
    vehicle: Vehicle
    coverage: Coverage | None = None
    complaint: Text = ""
    cause: Text = ""
    correction: Text = ""
    circuit: Circuit
    people: tuple[Person, ...]
    qualified_person: Name | None = None
    instruments: tuple[Instrument, ...] = ()
    conditions: Conditions = Conditions()
    tests: tuple[CircuitTest, ...] = ()
    codes: tuple[FaultCode, ...] = ()
    parts: tuple[VehiclePart, ...] = ()
    findings: tuple[Finding, ...] = ()
    cautions_shown: tuple[CautionShown, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    meters: Annotated[dict[Name, dict[str, Any]], AfterValidator(in_order)] = Field(default_factory=dict)
    procedures: Annotated[dict[Name, dict[str, Any]], AfterValidator(in_order)] = Field(default_factory=dict)

    _known: dict[Any, Any] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _void_is_a_revision(self) -> Record:
        if self.status == "void" and self.replaces is None:
            raise ValueError("a record becomes void by a revision that replaces it and says why")
        return self

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)

    def once(self, name: Any, compute: Callable[[], T]) -> T:
        """A value worked out from this frozen record, kept with it."""
        if name not in self._known:
            self._known[name] = compute()
        known: T = self._known[name]
        return known

    def __eq__(self, other: object) -> bool:
        """Two records are equal when their documents are; what was worked out from them does not count."""
        return isinstance(other, Record) and self.__dict__ == other.__dict__

    __hash__ = None  # type: ignore[assignment]

    def person(self, name: str) -> Person:
        """The person with this id. KeyError when there is none (the door has checked all references)."""
        return next(p for p in self.people if p.id == name)

    def instrument(self, name: str) -> Instrument:
        """The instrument with this id."""
        return next(i for i in self.instruments if i.id == name)


VIN_PATTERN = re.compile(r"^[A-HJ-NPR-Z0-9]{17}$")


__all__ = [
    "LARGEST_INTEGER",
    "SCHEMA",
    "VIN_PATTERN",
    "Attachment",
    "CautionShown",
    "CertificatePoint",
    "CertificateRange",
    "Change",
    "Circuit",
    "CircuitClass",
    "CircuitTest",
    "Conditions",
    "Coverage",
    "Day",
    "DecimalText",
    "Digest",
    "FaultCode",
    "Finding",
    "Given",
    "HalfWidth",
    "Instrument",
    "LimitStated",
    "Line",
    "Name",
    "NodeKind",
    "Part",
    "PathNode",
    "PathReadings",
    "Person",
    "Phase",
    "Place",
    "Quantity",
    "Reading",
    "Record",
    "Redaction",
    "RepairOrder",
    "Replaces",
    "Severity",
    "SpanKind",
    "SpanLimit",
    "SpanReading",
    "Text",
    "Time",
    "TraceContribution",
    "TraceSource",
    "Vehicle",
    "VehiclePart",
    "Whole",
    "Wire",
]
