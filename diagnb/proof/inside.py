"""What an altered file still holds, for people who ask what was changed. Nothing of it is proved."""

from __future__ import annotations

from diagnb.errors import DiagnbError
from diagnb.evaluation import evaluate
from diagnb.proof.comparison import compare
from diagnb.proof.contents import Contents

_MOST = 5


def look_inside(pdf: bytes) -> tuple[str, ...]:
    """Where the record and the evaluation of a file whose signature is broken contradict each other, in words.

    Reads bytes that nobody vouches for, so it only ever explains. Raises nothing for the content of the file.
    """
    try:
        found = Contents(pdf)
        if found.record is None:
            return ("the record inside can't be read any more",) if found.reasons else ()
        said = [] if found.digest_matches else ["the record inside is not the one whose digest the file states"]
        if found.evaluation is None:
            return (*said, "the evaluation inside can't be read any more")
        differing = list(compare(found.evaluation, evaluate(found.record).to_plain()))
    except (DiagnbError, ArithmeticError, ValueError, KeyError, TypeError, MemoryError, RecursionError):
        return ("record and evaluation inside can't be compared any more",)
    for each in differing[:_MOST]:
        said.append(
            f"{each.where}: the record inside gives {each.recomputed}, the evaluation inside says {each.embedded}"
        )
    if len(differing) > _MOST:
        said.append(f"and {len(differing) - _MOST} more differences between the two")
    if not said:
        said.append(
            "record and evaluation inside still agree with each other, so the change lies elsewhere, or was made in both"
        )
    return tuple(said)
