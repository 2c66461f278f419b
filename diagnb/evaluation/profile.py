"""The voltage profile of a path test, as evidence: nodes, spans, the span that fails, whether the drops add up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from diagnb.record.document import NodeKind, SpanKind


@dataclass(frozen=True, slots=True)
class ProfilePoint:
    """One node. ``value``, ``expanded`` (95 %) and ``expected`` are in volts against the reference point.

    A node that was not probed has neither value nor refusal; ``expected`` is None where no wire data reach it.
    """

    number: int
    name: str
    kind: NodeKind
    value: float | None
    expanded: float | None
    refusal: str | None
    expected: float | None = None


@dataclass(frozen=True, slots=True)
class ProfileSpan:
    """What lies between two nodes: one span, or a stretch over nodes without a value.

    ``name`` is that of its results (``span_3_drop``, …), ``first`` and ``last`` are the numbers of its nodes.
    """

    name: str
    title: str
    kind: SpanKind
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Profile:
    """Everything that belongs to the path as a whole.

    ``failing`` names the span or stretch with the largest ``excess`` (volts) over its limit, "" where none is over;
    ``probability`` is that of its drop being over the limit. ``adds_up`` says whether source voltage, drops and
    load agree within the uncertainty of their sum; None where nothing independent was read.
    """

    reference_point: str
    points: tuple[ProfilePoint, ...]
    spans: tuple[ProfileSpan, ...]
    failing: str = ""
    excess: float | None = None
    probability: float | None = None
    adds_up: bool | None = None

    def span(self, name: str) -> ProfileSpan:
        """The span called ``name``. KeyError when there is none."""
        for candidate in self.spans:
            if candidate.name == name:
                return candidate
        raise KeyError(name)

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "reference_point": self.reference_point,
            "points": [
                {"number": p.number, "name": p.name, "kind": p.kind, "value": p.value, "expanded": p.expanded,
                 "refusal": p.refusal, "expected": p.expected}
                for p in self.points
            ],
            "spans": [
                {"name": s.name, "title": s.title, "kind": s.kind, "first": s.first, "last": s.last}
                for s in self.spans
            ],
            "failing": self.failing or None,
            "excess": self.excess,
            "probability_over_limit": self.probability,
            "adds_up": self.adds_up,
        }  # fmt: skip
