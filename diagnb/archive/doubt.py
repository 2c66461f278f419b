"""What speaks against a report that was kept all the same: part of its entry in the chain, so it can't be taken out unseen."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a kept report does not prove itself: reason codes of its verification, and what whoever kept it ``despite`` that
    wrote ("" where nobody was asked, because no trust list was named)."""

    reasons: tuple[str, ...]
    despite: str = ""

    def __str__(self) -> str:
        return ", ".join(self.reasons) + (f"; kept despite that: {self.despite}" if self.despite else "")

    def to_plain(self) -> dict[str, Any]:
        """As JSON, and as the members that it adds to the body of an entry."""
        return {"unproved": list(self.reasons), "despite": self.despite}


def doubt_in(body: Mapping[str, Any]) -> Doubt | None:
    """The doubt that the body of an entry carries."""
    reasons = body.get("unproved")
    return Doubt(tuple(map(str, reasons)), str(body.get("despite", ""))) if isinstance(reasons, list) else None


def doubts_in(bodies: list[str]) -> dict[tuple[str, int, str], Doubt]:
    """By record, revision and SHA-256 of the report, "" for the record itself."""
    found = {}
    for text in bodies:
        body = json.loads(text)
        doubt = doubt_in(body)
        if doubt is not None:
            found[str(body["record"]), int(body["revision"]), str(body.get("sha256", ""))] = doubt
    return found
