"""What an altered file still holds, for people who ask what was changed. Nothing of it is proved."""

from __future__ import annotations

from diagnb.evaluation import Evaluation, evaluate
from diagnb.proof.comparison import compare
from diagnb.proof.contents import Contents
from diagnb.report.pdf.metadata import made_with
from diagnb.report.report import render_with
from diagnb.signing import what_was_added

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
        recomputed = evaluate(found.record)
        differing = list(compare(found.evaluation, recomputed.to_plain()))
        drawn = _drawn_otherwise(pdf, found, recomputed)
    except Exception:  # noqa: BLE001 - bytes that nobody signed may break anything; then nothing is said
        return ("record and evaluation inside can't be compared any more",)
    for each in differing[:_MOST]:
        said.append(
            f"{each.where}: the record inside gives {each.recomputed}, the evaluation inside says {each.embedded}"
        )
    if len(differing) > _MOST:
        said.append(f"and {len(differing) - _MOST} more differences between the two")
    said += [f"not as the record inside gives it: {each}" for each in drawn]
    if not said:
        said.append(
            "record and evaluation inside still agree with each other, so the change lies elsewhere, or was made in both"
        )
    return tuple(said)


def _drawn_otherwise(pdf: bytes, found: Contents, recomputed: Evaluation) -> tuple[str, ...]:
    """Which pages are not those that the record inside gives, where this version drew them."""
    if found.record is None or found.options is None or found.engine != made_with():
        return ()
    return what_was_added(render_with(found.record, recomputed, found.options, photos=found.photos), pdf)
