"""The evaluation inside a report against the recomputed one, number by number and verdict by verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

SAME_TO = 1e-9
"""Relative difference up to which two recomputed numbers are the same: other libraries round the last bits otherwise."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One place where recomputation and embedded evaluation disagree."""

    where: str
    embedded: str
    recomputed: str


_NEEDED = frozenset(
    {
        "record", "revision", "record_digest", "tests", "id", "procedure", "phase", "results", "name", "value", "unit",
        "standard_uncertainty", "coverage_factor", "expanded_uncertainty", "interval", "limit", "rule",
        "conformance_probability", "verdict", "reason", "budget",
    }
)  # fmt: skip
"""Keys that every evaluation has; one that leaves any of them out differs."""


def compare(embedded: Any, recomputed: Any, where: str = "") -> Iterable[Difference]:
    """Places where two plain evaluations differ: numbers beyond :data:`SAME_TO`, everything else at all.

    ``engine`` is left out, and keys that only a later version writes: another version may recompute.
    """
    if isinstance(embedded, Mapping) and isinstance(recomputed, Mapping):
        for key in sorted(set(embedded) | set(recomputed)):
            if where == "" and key == "engine":
                continue
            place = f"{where}.{key}".lstrip(".")
            if key not in embedded and key not in _NEEDED:
                # A later version says more; what the report says is still compared in full.
                continue
            if key not in embedded or key not in recomputed:
                yield Difference(
                    place, "present" if key in embedded else "absent", "present" if key in recomputed else "absent"
                )
            else:
                yield from compare(embedded[key], recomputed[key], place)
    elif isinstance(embedded, list) and isinstance(recomputed, list):
        if len(embedded) != len(recomputed):
            yield Difference(where, f"{len(embedded)} entries", f"{len(recomputed)} entries")
            return
        for i, (a, b) in enumerate(zip(embedded, recomputed, strict=True)):
            yield from compare(a, b, f"{where}[{i}]")
    elif _number(embedded) and _number(recomputed):
        if not math.isclose(embedded, recomputed, rel_tol=SAME_TO, abs_tol=1e-12):
            yield Difference(where, repr(embedded), repr(recomputed))
    elif embedded != recomputed or type(embedded) is not type(recomputed):
        yield Difference(where, repr(embedded)[:200], repr(recomputed)[:200])


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
