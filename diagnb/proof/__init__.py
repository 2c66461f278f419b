"""Does this report prove itself? The five answers about a report file."""

from diagnb.proof.claim import Claim
from diagnb.proof.comparison import SAME_TO, Difference, compare
from diagnb.proof.contents import own_properties
from diagnb.proof.reasons import REASONS, REMEDIES
from diagnb.proof.standing import signer_standing, standing
from diagnb.proof.together import connect
from diagnb.proof.verification import (
    MOST_BYTES,
    TECHNICIAN,
    THROW_AWAY,
    Pages,
    State,
    Verification,
    ask_log,
    judged_with,
    same_person,
    unanswered,
    verify_report,
)

__all__ = [
    "MOST_BYTES",
    "REASONS",
    "REMEDIES",
    "SAME_TO",
    "TECHNICIAN",
    "THROW_AWAY",
    "Claim",
    "Difference",
    "Pages",
    "State",
    "Verification",
    "ask_log",
    "compare",
    "connect",
    "judged_with",
    "own_properties",
    "same_person",
    "signer_standing",
    "standing",
    "unanswered",
    "verify_report",
]
