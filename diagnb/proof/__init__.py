"""Does this report prove itself? The five answers about a report file."""

from diagnb.proof.comparison import SAME_TO, Difference, compare
from diagnb.proof.contents import own_properties
from diagnb.proof.verification import (
    MOST_BYTES,
    REASONS,
    TECHNICIAN,
    Pages,
    Verification,
    ask_log,
    same_person,
    unanswered,
    verify_report,
)

__all__ = [
    "MOST_BYTES",
    "REASONS",
    "SAME_TO",
    "TECHNICIAN",
    "Difference",
    "Pages",
    "Verification",
    "ask_log",
    "compare",
    "own_properties",
    "same_person",
    "unanswered",
    "verify_report",
]
