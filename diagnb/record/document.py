"""The record: what was found on one vehicle, as one frozen document. Schema ``diagnb-record/1``.

A record carries the accuracy sheets and procedures that it was made with, so that whoever holds it can
recompute every number without asking the shop. Readings keep the text as displayed; numbers whose
digits matter are strings.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from itertools import pairwise
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StringConstraints,
    model_validator,
)

SCHEMA: Literal["diagnb-record/1"] = "diagnb-record/1"
Phase = Literal["as found", "isolating", "as left"]
NodeKind = Literal[
    "source", "fuse", "switch", "relay contact", "connector", "splice", "load feed", "load ground", "ground stud",
    "source ground", "other",
]  # fmt: skip
SpanKind = Literal["connection", "wire", "switch", "load"]
CircuitClass = Literal["ordinary", "control module or data network", "restraint", "high voltage"]
Severity = Literal["rejects", "weakens", "note"]

T = TypeVar("T")
V = TypeVar("V")


def _in_order(entries: dict[str, V]) -> dict[str, V]:
    """Entries by name, as the canonical form has them: a record reads the same whichever way it was written."""
    return dict(sorted(entries.items()))


Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
Line = Annotated[str, StringConstraints(max_length=500)]
Text = Annotated[str, StringConstraints(max_length=200_000)]
DecimalText = Annotated[str, StringConstraints(pattern=r"^[+-]?\d{1,12}(\.\d{1,9})?$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
HalfWidth = Annotated[str, StringConstraints(pattern=r"^\+?\d{1,12}(\.\d{1,9})?$")]
LARGEST_INTEGER = 2**53 - 1
"""The largest integer that every reader of JSON holds exactly (RFC 8785, 3.2.2.3)."""
Whole = Annotated[int, Field(ge=1, le=LARGEST_INTEGER)]


def _written(value: Any) -> Any:
    """Dates are written out; a bare number would be read as seconds since 1970."""
    if isinstance(value, int | float) or (isinstance(value, str) and not re.match(r"\d{4}-\d{2}-\d{2}", value)):
        raise ValueError("write dates as 2026-03-02 and times as 2026-03-02T09:30:00+01:00")
    return value


Time = Annotated[AwareDatetime, BeforeValidator(_written)]
Day = Annotated[dt.date, BeforeValidator(_written)]


class Part(BaseModel):
    """Base of all parts of the document: frozen, and an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=False)


class Quantity(Part):
    """A number with its unit, digits kept: an odometer reading, a capacity from a label."""

    value: DecimalText
    unit: Line


class Given(Part):
    """A value that was not measured here, and where it comes from."""

    value: DecimalText
    unit: Line
    source: Line
    half_width: HalfWidth | None = None


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
    removed: Annotated[dict[Place, Digest], Field(min_length=1, max_length=100_000), AfterValidator(_in_order)]
    salts: Annotated[dict[Place, Digest], Field(max_length=100_000), AfterValidator(_in_order)]


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


class CertificatePoint(Part):
    """One line of a calibration certificate: the indication's error at a nominal value, with U and k."""

    nominal: DecimalText
    error: DecimalText
    expanded_uncertainty: DecimalText
    coverage_factor: DecimalText = "2"


class CertificateRange(Part):
    """The certified points of one range, all in ``unit``; they replace the accuracy limit where they reach."""

    function: Line
    range: Line
    unit: Line
    drift_half_width: HalfWidth
    points: Annotated[tuple[CertificatePoint, ...], Field(min_length=2)]


class Instrument(Part):
    """One physical instrument: its accuracy sheet, serial number and calibration state."""

    id: Name
    meter: Name
    serial: Line
    calibrated: Day | None = None
    due: Day | None = None
    certificate: Line = ""
    corrections: tuple[CertificateRange, ...] = ()
    checks: Text = ""

    @model_validator(mode="after")
    def _dates_in_order(self) -> Instrument:
        if self.calibrated and self.due and self.due < self.calibrated:
            raise ValueError("the calibration falls due before it was made")
        return self


class Conditions(Part):
    """Conditions that hold for the whole visit unless a test states its own."""

    ambient_degc: DecimalText | None = None
    note: Text = ""


class TraceContribution(Part):
    """A standard uncertainty of a feature that the recorder's accuracy sheet does not cover: noise, sampling, fit."""

    source: Line
    standard_uncertainty: HalfWidth
    distribution: Literal["rectangular", "normal"] = "normal"
    degrees_of_freedom: Whole | None = None


class TraceSource(Part):
    """Where in a recorded trace a reading comes from: the attached file, its column, the feature, the points used.

    Times are in seconds on the trace's own axis; ``points`` are (time, value) pairs, values in ``unit``, and
    ``outline`` is the course about them, thinned to lows and highs. Contributions are in ``contribution_unit`` and
    add to what the recorder's accuracy sheet gives.
    """

    attachment: Annotated[str, StringConstraints(min_length=1, max_length=100)]
    sha256: Digest
    column: Line
    feature: Name
    start: DecimalText
    end: DecimalText
    rows: Whole
    unit: Line
    parameters: Annotated[dict[Name, Line], AfterValidator(_in_order)] = Field(default_factory=dict)
    points: Annotated[tuple[tuple[DecimalText, DecimalText], ...], Field(max_length=200)] = ()
    outline: Annotated[tuple[tuple[DecimalText, DecimalText], ...], Field(max_length=400)] = ()
    contribution_unit: Line = ""
    contributions: Annotated[tuple[TraceContribution, ...], Field(max_length=12)] = ()
    remarks: tuple[Line, ...] = ()

    @model_validator(mode="after")
    def _fits_together(self) -> TraceSource:
        if float(self.end) <= float(self.start):
            raise ValueError("the window of the trace ends before it starts")
        if self.contributions and not self.contribution_unit:
            raise ValueError("contributions need their unit")
        if len({c.source for c in self.contributions}) < len(self.contributions):
            raise ValueError("a contribution stands twice")
        return self


class Reading(Part):
    """One quantity of a procedure, as displayed; repeats are further texts of the same list.

    ``zero`` is the display with nothing applied (leads shorted, clamp empty), to be taken off.
    ``source_resistance`` corrects a voltage for the meter's input resistance, ``circuit_resistance`` a
    current for its burden. ``trace`` says from which recorded trace the text was taken.
    """

    name: Name
    texts: Annotated[tuple[Annotated[str, StringConstraints(min_length=1, max_length=40)], ...], Field(min_length=1)]
    instrument: Name
    function: Line = ""
    range: Line = ""
    from_point: Line = ""
    to_point: Line = ""
    load_state: Line = ""
    time: Time | None = None
    zero: Annotated[str, StringConstraints(max_length=40)] = ""
    source_resistance: Given | None = None
    circuit_resistance: Given | None = None
    trace: TraceSource | None = None


class LimitStated(Part):
    """A limit that replaces the procedure's own, usually the vehicle maker's figure, with its source."""

    result: Name
    lower: DecimalText | None = None
    upper: DecimalText | None = None
    unit: Line
    source: Annotated[str, StringConstraints(min_length=3, max_length=500)]
    edition: Line = ""
    condition: Line = ""
    entered_by: Name | None = None

    @model_validator(mode="after")
    def _has_a_side(self) -> LimitStated:
        if self.lower is None and self.upper is None:
            raise ValueError("a limit needs a lower value, an upper value, or both")
        if self.lower is not None and self.upper is not None and float(self.lower) > float(self.upper):
            raise ValueError(f"the lower limit {self.lower} is above the upper limit {self.upper}")
        return self


class Wire(Part):
    """The conductor of a span, from which the drop follows that it should have: an area or a gauge, and the rest.

    Half-widths left out are 5 % of the length and 10 K.
    """

    area_mm2: HalfWidth | None = None
    awg: Annotated[str, StringConstraints(min_length=1, max_length=8)] | None = None
    length_m: HalfWidth
    length_half_width_m: HalfWidth | None = None
    conductor_degc: DecimalText
    temperature_half_width_k: HalfWidth | None = None

    @model_validator(mode="after")
    def _one_size(self) -> Wire:
        if (self.area_mm2 is None) == (self.awg is None):
            raise ValueError("a wire needs its area in mm² or its gauge, one of the two")
        if float(self.length_m) <= 0 or (self.area_mm2 is not None and float(self.area_mm2) <= 0):
            raise ValueError("area and length of a wire are above zero")
        return self


class SpanLimit(Part):
    """The limit of one span's drop, stated by the user with its source."""

    upper: DecimalText
    unit: Line
    source: Annotated[str, StringConstraints(min_length=3, max_length=500)]
    edition: Line = ""
    condition: Line = ""
    entered_by: Name | None = None


class SpanReading(Part):
    """A drop read directly across one span, both leads on it."""

    texts: Annotated[tuple[Annotated[str, StringConstraints(min_length=1, max_length=40)], ...], Field(min_length=1)]
    instrument: Name
    range: Line = ""


class PathNode(Part):
    """One point of a path, and what lies between it and the next one.

    Without ``texts`` the node is on the path but has not been probed. ``crosses`` says what the span that follows
    is, where its two nodes don't show it.
    """

    name: Annotated[str, StringConstraints(min_length=1, max_length=60)]
    kind: NodeKind
    texts: tuple[Annotated[str, StringConstraints(min_length=1, max_length=40)], ...] = ()
    instrument: Name | None = None
    range: Line = ""
    crosses: SpanKind | None = None
    drop: SpanReading | None = None
    wire: Wire | None = None
    limit: SpanLimit | None = None

    @model_validator(mode="after")
    def _read_with_something(self) -> PathNode:
        if self.texts and self.instrument is None:
            raise ValueError("a node that was read needs its instrument")
        return self


class PathReadings(Part):
    """Voltages of the nodes of one loaded circuit against one reference point, from the source to its ground.

    The black lead stays at ``reference_point``. ``source_voltage`` is the source read again after the last node.
    """

    reference_point: Annotated[str, StringConstraints(min_length=1, max_length=200)]
    load_state: Line = ""
    current: Reading | None = None
    source_voltage: Reading | None = None
    nodes: Annotated[tuple[PathNode, ...], Field(min_length=2, max_length=60)]

    @model_validator(mode="after")
    def _load_in_one_piece(self) -> PathReadings:
        kinds = [node.kind for node in self.nodes]
        for kind in ("load feed", "load ground"):
            if kinds.count(kind) > 1:
                raise ValueError(f"a path has one {kind}")
        if (
            "load feed" in kinds
            and "load ground" in kinds
            and kinds.index("load ground") != kinds.index("load feed") + 1
        ):
            raise ValueError("the load ground follows the load feed: nothing but the load lies between them")
        return self

    @property
    def span_kinds(self) -> tuple[SpanKind, ...]:
        """What lies between each node and the next: as stated, or as the kinds of the two nodes show."""
        return tuple(_span_kind(a, b) for a, b in pairwise(self.nodes))

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Every reading of the path under its own name: ``node_1``, ``drop_1`` …, ``current``, ``source_voltage``."""
        found: list[Reading] = []
        for number, node in enumerate(self.nodes, 1):
            if node.texts and node.instrument is not None:
                found.append(
                    Reading(
                        name=f"node_{number}", texts=node.texts, instrument=node.instrument, range=node.range,
                        from_point=node.name, to_point=self.reference_point, load_state=self.load_state,
                    )
                )  # fmt: skip
            if node.drop is not None and number < len(self.nodes):
                found.append(
                    Reading(
                        name=f"drop_{number}", texts=node.drop.texts, instrument=node.drop.instrument,
                        range=node.drop.range, from_point=node.name, to_point=self.nodes[number].name,
                        load_state=self.load_state,
                    )
                )  # fmt: skip
        for name, reading in (("current", self.current), ("source_voltage", self.source_voltage)):
            if reading is not None:
                found.append(reading.model_copy(update={"name": name}))
        return tuple(found)


def _span_kind(a: PathNode, b: PathNode) -> SpanKind:
    if a.crosses is not None:
        return a.crosses
    if (a.kind, b.kind) == ("load feed", "load ground"):
        return "load"
    if a.wire is None and a.kind == b.kind:
        if a.kind in ("switch", "relay contact"):
            return "switch"
        if a.kind in ("fuse", "connector", "splice", "ground stud"):
            return "connection"
    return "wire"


class CircuitTest(Part):
    """One procedure carried out once, in one phase."""

    id: Name
    procedure: Name
    phase: Phase
    time: Time
    by: Name
    readings: tuple[Reading, ...] = ()
    given: Annotated[dict[Name, Given], AfterValidator(_in_order)] = Field(default_factory=dict)
    limits: tuple[LimitStated, ...] = ()
    ambient_degc: DecimalText | None = None
    conditions_met: tuple[Line, ...] = ()
    powered_by: Literal["", "vehicle", "outside", "nothing"] = ""
    deviations: Text = ""
    repeats_test: Name | None = None
    path: PathReadings | None = None
    note: Text = ""

    @property
    def taken(self) -> tuple[Reading, ...]:
        """Every reading of the test, those of its path included."""
        return self.readings if self.path is None else (*self.readings, *self.path.readings)


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
    meters: Annotated[dict[Name, dict[str, Any]], AfterValidator(_in_order)] = Field(default_factory=dict)
    procedures: Annotated[dict[Name, dict[str, Any]], AfterValidator(_in_order)] = Field(default_factory=dict)

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
