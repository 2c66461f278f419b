"""A remark of the readiness check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Severity = Literal["rejects", "weakens", "note"]


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark: a stable code, how much it matters, where in the record, what is wrong, what to do."""

    code: str
    severity: Severity
    where: str
    message: str
    repair: str

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb check --json``."""
        return {
            "code": self.code,
            "severity": self.severity,
            "where": self.where,
            "message": self.message,
            "repair": self.repair,
        }
