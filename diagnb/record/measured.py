"""What was measured: instruments, conditions, readings and where they come from, paths, the tests that hold them."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    Field,
    StringConstraints,
    model_validator,
)

from diagnb.record.part import (
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
    SpanKind,
    Text,
    Time,
    Whole,
    in_order,
)


class CertificatePoint(Part):
    """One line of a calibration certificate: the indication's error at a nominal value, with U and k."""

    nominal: DecimalText
    error: DecimalText
    expanded_uncertainty: DecimalText
    coverage_factor: DecimalText = "2"


class CertificateRange(Part):
    """The points of a certificate for one range, all in ``unit``; they replace the accuracy limit where they reach."""

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
    def _datesin_order(self) -> Instrument:
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
    parameters: Annotated[dict[Name, Line], AfterValidator(in_order)] = Field(default_factory=dict)
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
    given: Annotated[dict[Name, Given], AfterValidator(in_order)] = Field(default_factory=dict)
    limits: tuple[LimitStated, ...] = ()
    ambient_degc: DecimalText | None = None
    conditions_met: tuple[Line, ...] = ()
    conditions_not_met: tuple[Line, ...] = ()
    """Conditions of the procedure that the technician found not to hold."""
    powered_by: Literal["", "vehicle", "outside", "nothing"] = ""
    deviations: Text = ""
    repeats_test: Name | None = None
    path: PathReadings | None = None
    note: Text = ""

    @property
    def taken(self) -> tuple[Reading, ...]:
        """Every reading of the test, those of its path included."""
        return self.readings if self.path is None else (*self.readings, *self.path.readings)
