"""What every part of a record is made of: its kinds of text, number and time; frozen, unknown keys are faults."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
)

Phase = Literal["as found", "isolating", "as left"]
NodeKind = Literal[
    "source", "fuse", "switch", "relay contact", "connector", "splice", "load feed", "load ground", "ground stud",
    "source ground", "other",
]  # fmt: skip
SpanKind = Literal["connection", "wire", "switch", "load"]
CircuitClass = Literal["ordinary", "control module or data network", "restraint", "high voltage"]
Severity = Literal["rejects", "weakens", "note"]

V = TypeVar("V")


def in_order(entries: dict[str, V]) -> dict[str, V]:
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


def written(value: Any) -> Any:
    """Dates are written out; a bare number would be read as seconds since 1970."""
    if isinstance(value, int | float) or (isinstance(value, str) and not re.match(r"\d{4}-\d{2}-\d{2}", value)):
        raise ValueError("write dates as 2026-03-02 and times as 2026-03-02T09:30:00+01:00")
    return value


Time = Annotated[AwareDatetime, BeforeValidator(written)]
Day = Annotated[dt.date, BeforeValidator(written)]


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
