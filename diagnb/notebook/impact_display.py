"""An impact in a notebook: what changes, how many verdicts move from which word to which, what to look at again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnb.notebook.written import Shown, Table
from diagnb.quantities.counting import counted
from diagnb.report.charts import Box, Element, Label, Line, Picture

if TYPE_CHECKING:
    from diagnb.impact import Impact

_WIDTH, _LABEL, _LANE, _BAR = 490.0, 190.0, 22.0, 220.0
_MOST = 50


def describe_impact(impact: Impact) -> Shown:
    """The change, its counts, the transitions as a table and as bars, the reports to look at again."""
    from diagnb.impact.document import (
        change_sentence,
        counts_sentences,
        impact_wording,
        not_cleared_sentence,
        outcome_sentence,
    )

    wording = impact_wording("en")
    lines = [
        *counts_sentences(impact, wording),
        f"{counted(len(impact.changed), 'verdict changes', 'verdicts change')}.",
    ]
    if impact.window.since or impact.window.until:
        since, until = impact.window.since, impact.window.until
        lines.append(f"Tests from {since.date() if since else 'the beginning'} to {until.date() if until else 'now'}.")
    if len(impact.reexamine) > _MOST:
        lines.append(f"The first {_MOST} of {len(impact.reexamine):,} reports to re-examine are listed.")
    lines += [f"Not judged again: {found}" for found in impact.not_judged_again[:20]]
    if not impact.changed:
        lines.append(f"{outcome_sentence(impact, wording)}.")
    if impact.not_cleared:
        lines.append(f"Not cleared: {not_cleared_sentence(impact, wording)}")
        lines += [f"Not cleared because {wording.reason(reason)}: {n:,}." for reason, n in impact.unjudged]
    all_pairs = tuple((old, new, f"{n:,}") for old, new, n in impact.transitions)
    moves = tuple((phase, old, new, f"{n:,}") for phase, old, new, n in impact.moves)
    again = tuple(
        (r.claim, r.record, str(r.revision), str(r.changed), str(r.as_left), str(r.into_fail), str(r.out_of_fail), ", ".join(n for n, _ in r.reports))
        for r in impact.reexamine[:_MOST]
    )  # fmt: skip
    tables = [Table(("Before", "After", "Results"), all_pairs)] if all_pairs else []
    if moves:
        tables.append(Table(("Phase", "Before", "After", "Results"), moves))
    if again:
        tables.append(
            Table(
                (
                    "Claim",
                    "Record",
                    "Revision",
                    "Verdicts changed",
                    "Of these as left",
                    "Now fail",
                    "No longer fail",
                    "Files",
                ),
                again,
            )
        )
    picture = transitions_picture(impact)
    return Shown(change_sentence(impact, wording), tuple(lines), tuple(tables), (picture,) if picture else ())


def transitions_picture(impact: Impact) -> Picture | None:
    """A bar for each pair of different verdicts, its length the number of results; None when nothing changes."""
    moves = [(f"{old} → {new}", n) for old, new, n in impact.transitions if old != new and n]
    if not moves:
        return None
    longest = max(n for _, n in moves)
    drawn: list[Element] = [Label((0, 12), "Results whose verdict changes", 9, bold=True)]
    for index, (said, n) in enumerate(moves):
        top = 20 + index * _LANE
        drawn.append(Label((_LABEL - 8, top + 13), said, 8, align="right"))
        drawn.append(Box((_LABEL, top + 3), max(_BAR * n / longest, 1.5), _LANE - 8, 0.35))
        drawn.append(Label((_LABEL + max(_BAR * n / longest, 1.5) + 6, top + 13), f"{n:,}", 8, bold=True))
    height = 24 + len(moves) * _LANE
    drawn.append(Line((_LABEL, 20), (_LABEL, height - 2), 0.8))
    alt = "Results whose verdict changes: " + "; ".join(f"{said}: {n:,}" for said, n in moves)
    return Picture(_WIDTH, height, tuple(drawn), alt)
