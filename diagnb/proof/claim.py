"""What an office looks a report up by, and what came out, in a few words."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from diagnb.evaluation import Evaluation
from diagnb.record import Record

_WORST_FIRST = ("fail", "conditional fail", "not judged", "conditional pass", "pass")


@dataclass(frozen=True, slots=True)
class Claim:
    """Repair order, vehicle and worst verdict as found and as left; "" for what is not there."""

    order: str = ""
    vin: str = ""
    unit: str = ""
    as_found: str = ""
    as_left: str = ""

    def to_plain(self) -> dict[str, str]:
        """As JSON."""
        return asdict(self)


def claim_of(record: Record, evaluation: Evaluation | None) -> Claim:
    """The claim that a record speaks of; verdicts only where it could be recomputed."""
    return Claim(
        order=record.order.number,
        vin=record.vehicle.vin,
        unit=record.vehicle.unit,
        as_found=_worst(evaluation, "as found"),
        as_left=_worst(evaluation, "as left"),
    )


def _worst(evaluation: Evaluation | None, phase: str) -> str:
    if evaluation is None:
        return ""
    words = {r.verdict.verdict for t in evaluation.tests if t.phase == phase for r in t.results if r.to_judge}
    return next((word for word in _WORST_FIRST if word in words), "")
