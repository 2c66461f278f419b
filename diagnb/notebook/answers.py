"""The five answers about a report, each as word, mark and evidence; for the review view and the rich display."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from diagnb.proof import signer_standing, standing

if TYPE_CHECKING:
    from diagnb.proof import Verification
    from diagnb.signing import SignerStatus

Word = Literal["yes", "no", "not checked", "other version"]
MARKS: dict[Word, str] = {"yes": "✓", "no": "✗", "not checked": "–", "other version": "≈"}


@dataclass(frozen=True, slots=True)
class Answer:
    """One question, its answer, and what shows it."""

    question: str
    word: Word
    evidence: tuple[str, ...]

    @property
    def said(self) -> str:
        """Mark and word."""
        return f"{MARKS[self.word]} {self.word}"


def overall(found: Verification) -> str:
    """Mark and word about the whole report; void and superseded come before trustworthy."""
    word = standing(found)
    if word == "TRUSTWORTHY":
        return "✓ Trustworthy: all five answers hold."
    mark = "✓" if found.counts else "✗"
    return f"{mark} {word.replace('NOT TRUSTWORTHY', 'Not trustworthy').replace('TRUSTWORTHY', 'Trustworthy')}."


def five_answers(found: Verification) -> tuple[Answer, ...]:
    """The answers in the order of :mod:`diagnb.proof`."""
    return (_unchanged(found), _signers(found), _later(found), _pages(found), _recomputed(found))


def _intact(found: Verification) -> bool:
    return bool(found.signatures) and all(s.intact for s in found.signatures)


def _unchanged(found: Verification) -> Answer:
    question = "Is every signed byte unchanged?"
    if not found.signatures:
        return Answer(question, "not checked", ("Nothing in this file is signed.",))
    evidence = [f"{s.field}: {'' if s.intact else 'NOT '}intact, covers {s.covers:,} bytes" for s in found.signatures]
    if found.file_sha256:
        evidence.append(f"SHA-256 of the file {found.file_sha256}")
    return Answer(question, "yes" if _intact(found) else "no", tuple(evidence))


def _signers(found: Verification) -> Answer:
    question = "Is it signed by people on the trust list?"
    if not found.signatures:
        return Answer(question, "not checked", ("Nothing in this file is signed.",))
    trusted = all(s.trusted for s in found.signatures)
    beside = "trust-list-beside" in found.reasons
    return Answer(question, "yes" if trusted else "no", tuple(_signer(s, beside=beside) for s in found.signatures))


def _signer(s: SignerStatus, *, beside: bool) -> str:
    if not s.signer:
        return f"{s.field or 'A signature'}: can't be read, so it names nobody."
    when = s.signed_at.isoformat(sep=" ") if s.signed_at else "no time"
    clock = "proven by a time stamp" if s.timestamped else "by the signer's own clock"
    ends = f"; certificate valid until {s.valid_until:%Y-%m-%d}" if s.valid_until else ""
    meaning = f", “{s.reason}”" if s.reason else ""
    return f"{s.field}: {s.signer} ({s.role or 'no role'}), {when} {clock}; {signer_standing(s, beside=beside)}{ends}{meaning}"


def _later(found: Verification) -> Answer:
    question = "Was nothing added later?"
    if not _intact(found):
        return Answer(question, "not checked", ("A signature is missing or broken.",))
    if found.later_changes:
        return Answer(question, "no", ("Something other than a permitted signature stands after a signature.",))
    later = len(found.signatures) - 1
    counted = "nothing" if not later else "1 countersignature" if later == 1 else f"{later} countersignatures"
    stamps = f" and {len(found.stamps)} time stamps" if found.stamps else ""
    return Answer(question, "yes", (f"After the first signature: {counted}{stamps}.",))


def _pages(found: Verification) -> Answer:
    question = "Do the pages come from the embedded record?"
    if found.pages == "same":
        how = "all that they show is the same" if "drawn-alike" in found.notes else "the same byte for byte"
        if found.later_changes:
            return Answer(
                question, "no", (f"As they were signed, {how}; what was added since changes what is seen now.",)
            )
        return Answer(question, "yes", (f"Drawn again from the record and compared, {how}.",))
    if found.pages == "differ":
        return Answer(question, "no", ("Drawn again from the record, the pages come out otherwise.",))
    if found.pages == "other-version":
        return Answer(
            question,
            "other version",
            (f"Not checked: drawn by {found.made_with}. Read the recomputed record, not the pages.",),
        )
    return Answer(question, "not checked", ())


def _recomputed(found: Verification) -> Answer:
    question = "Does recomputing give the same results?"
    if not found.results or found.evaluation is None:
        return Answer(question, "not checked", ())
    if "evaluation-missing" in found.reasons or "evaluation-unreadable" in found.reasons:
        return Answer(question, "not checked", ("The report carries no evaluation to compare with.",))
    if found.differing:
        some = tuple(f"{d.where}: in the report {d.embedded}, recomputed {d.recomputed}" for d in found.differing[:5])
        return Answer(question, "no", (f"{len(found.differing)} differences.", *some))
    return Answer(question, "yes", (f"All {found.results} results, every number and every verdict.",))
