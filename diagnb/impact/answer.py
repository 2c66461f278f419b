"""What a change does: the answer of an impact, frozen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from diagnb.conformity import WORDS
from diagnb.errors import Fault
from diagnb.impact.change import Change, Window

_PLACE = {word: place for place, word in enumerate(WORDS)}
PHASES = ("as left", "as found", "isolating")
"""In the order in which they are reported: what a vehicle left with decides a claim."""


class ChangedResult(NamedTuple):
    """One result whose verdict changes. Values and U in ``unit``, unrounded; None without a value. ``phase`` is one of
    :data:`PHASES`, ``title`` what the report calls the result."""

    claim: str
    record: str
    revision: int
    vin: str
    vehicle: str
    phase: str
    test: str
    procedure: str
    result: str
    title: str
    unit: str
    old_value: float | None
    old_expanded: float | None
    old_verdict: str
    new_value: float | None
    new_expanded: float | None
    new_verdict: str


@dataclass(frozen=True, slots=True)
class Reexamine:
    """One revision with changed verdicts, and the issued reports of it that the archive keeps (name, digest).

    ``moves`` counts every phase and pair of verdicts (phase, old, new, results) apart: a pass that becomes a conditional
    pass shows there only.
    """

    claim: str
    record: str
    revision: int
    changed: int
    into_fail: int
    out_of_fail: int
    reports: tuple[tuple[str, str], ...]
    moves: tuple[tuple[str, str, str, int], ...] = ()

    @property
    def as_left(self) -> int:
        """Changed verdicts of tests as left: these decide a claim."""
        return sum(n for phase, _, _, n in self.moves if phase == "as left")


@dataclass(frozen=True, slots=True)
class Impact:
    """What a change does, of the results that it concerns (``concerned``) and no others.

    ``to_judge`` counts those of them that ask for a verdict: a limit applies, and the readings were taken; a limit or rule
    that was asked about by name counts what was not read too. ``unjudged`` are those that get no verdict after the change,
    by reason code: of these nothing is known, they are not cleared. ``unjudged_in`` names their records. ``results`` were
    judged again. ``transitions`` counts those to judge by (old, new) verdict, with those that lose one. ``changed`` and
    ``reexamine`` begin with what changes as left. ``titles`` are what reports call procedures ("id"), results
    ("procedure/result") and accuracy sheets ("meter id").
    """

    change: Change
    window: Window
    head: str
    tests: int
    results: int
    moved: int
    from_documents: int
    transitions: tuple[tuple[str, str, int], ...]
    changed: tuple[ChangedResult, ...]
    reexamine: tuple[Reexamine, ...]
    not_judged_again: tuple[Fault, ...]
    to_judge: int = 0
    unjudged: tuple[tuple[str, int], ...] = ()
    unjudged_in: tuple[tuple[str, str, int], ...] = ()
    concerned: int = 0
    titles: tuple[tuple[str, str], ...] = ()

    @property
    def moves(self) -> tuple[tuple[str, str, str, int], ...]:
        """Changed verdicts by phase and pair of verdicts (phase, old, new, results), as left first."""
        found = Counter((c.phase, c.old_verdict, c.new_verdict) for c in self.changed)
        return tuple((*move, n) for move, n in sorted(found.items(), key=lambda item: order_of_move(item[0])))

    @property
    def not_cleared(self) -> int:
        """Results that ask for a verdict and get none."""
        return sum(n for _, n in self.unjudged)

    @property
    def not_asked(self) -> int:
        """Results that it concerns and that ask for no verdict: no limit applies, or they were not read."""
        return self.concerned - self.to_judge

    @property
    def nothing_judged(self) -> bool:
        """Whether verdicts are asked for, and not one could be given."""
        return self.to_judge > 0 and self.not_cleared == self.to_judge

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "schema": "diagnb-impact/2", "change": self.change.to_plain(), "window": self.window.to_plain(),
            "archive_head": self.head, "tests": self.tests, "concerned": self.concerned, "results": self.results, "not_asked": self.not_asked,
            "moved": self.moved, "judged_from_documents": self.from_documents,
            "transitions": [{"old": a, "new": b, "results": n} for a, b, n in self.transitions],
            "moves": [{"phase": p, "old": a, "new": b, "results": n} for p, a, b, n in self.moves],
            "changed": [c._asdict() for c in self.changed],
            "reexamine": [
                {
                    "claim": r.claim, "record": r.record, "revision": r.revision, "changed": r.changed,
                    "as_left": r.as_left, "into_fail": r.into_fail, "out_of_fail": r.out_of_fail,
                    "moves": [{"phase": p, "old": a, "new": b, "results": n} for p, a, b, n in r.moves],
                    "reports": [{"name": n, "sha256": s} for n, s in r.reports],
                }
                for r in self.reexamine
            ],
            "not_judged_again": [{"where": f.where, "what": f.what} for f in self.not_judged_again],
            "to_judge": self.to_judge, "not_cleared": self.not_cleared,
            "not_cleared_because": [{"reason": reason, "results": n} for reason, n in self.unjudged],
            "not_cleared_in": [{"claim": c, "record": r, "revision": n} for c, r, n in self.unjudged_in],
        }  # fmt: skip


def order_of_move(move: Sequence[Any]) -> tuple[int, int, int]:
    """Where a move (phase, old, new, …) stands in a list."""
    phase, old, new = move[:3]
    return PHASES.index(phase), _PLACE[old], _PLACE[new]
