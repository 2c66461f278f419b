"""Does this report prove itself? Five questions, each with its evidence.

1. Is every signed byte unchanged?  2. Who signed, trusted by the shop's list, and when?  3. Was anything added
later that is not a permitted signature?  4. Do the pages come from the embedded record?  5. Does recomputing
the record give every number and verdict of the embedded evaluation?

Only bytes that the first signature covers are read for 4 and 5. A hostile file is an answer, never an exception.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import rfc8785

from diagnb.errors import DiagnbError
from diagnb.evaluation import Evaluation, evaluate
from diagnb.lineage import LogState, ShopLog, against_original, against_replaced
from diagnb.proof.claim import Claim, claim_of
from diagnb.proof.comparison import Difference, compare
from diagnb.proof.contents import ANALYSES, Contents
from diagnb.proof.inside import look_inside
from diagnb.record import Record
from diagnb.report.options import read_options
from diagnb.report.pdf.metadata import edition_of, made_with
from diagnb.report.report import render_with
from diagnb.signing import (
    SignatureStatus,
    SignerStatus,
    StampStatus,
    TrustList,
    comes_from,
    unlike_pages,
    verify_signatures,
    what_was_added,
)

Pages = Literal["same", "differ", "other-version", "not checked"]
State = Literal["current", "superseded", "void", "unknown"]
OFFICE = "office"
"""Role of a key that signs for a shop, not for a person who took part."""
THROW_AWAY = "(throw-away key)"
"""How the name of an authority ends that was made for one demonstration and thrown away."""
TECHNICIAN = "Technician"
ENGINEER = "Engineer"
"""Who signs an analysis report."""
MOST_BYTES = 256 * 2**20


@dataclass(frozen=True, slots=True)
class Verification:
    """The five answers. ``trustworthy`` is true only when all hold; ``notes`` do not speak against the file.

    ``state`` is what is known of its record's later life, from the shop's log or from other files of one call;
    ``relations`` says it in words. ``replaces`` is the SHA-256 of the record that this one says it replaces.
    ``found_inside``, where a signature is broken or something was added: what differs, for people, proved by nobody.
    """

    file: str
    trustworthy: bool
    signatures: tuple[SignerStatus, ...]
    later_changes: bool
    record_id: str
    revision: int
    digest: str
    digest_matches: bool
    pages: Pages
    results: int
    differing: tuple[Difference, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...] = ()
    made_with: str = ""
    log: LogState = "not checked"
    log_head: str = ""
    digest_head: str = ""
    file_sha256: str = ""
    original: str = ""
    status: str = ""
    salt: str = field(default="", repr=False)
    stamps: tuple[StampStatus, ...] = ()
    trust_list: str = ""
    state: State = "unknown"
    relations: tuple[str, ...] = ()
    replaces: str = ""
    claim: Claim = field(default_factory=Claim)
    found_inside: tuple[str, ...] = ()
    record: Record | None = field(default=None, repr=False, compare=False)
    evaluation: Evaluation | None = field(default=None, repr=False, compare=False)

    @property
    def analysis(self) -> str:
        """The code of the reason that says which analysis this is; "" for everything else."""
        return next((r for r in self.reasons if r in ANALYSES.values()), "")

    @property
    def counts(self) -> bool:
        """Whether it proves itself and nothing says that its record was replaced or declared void."""
        return self.trustworthy and self.state not in ("superseded", "void")

    @property
    def valid_until(self) -> datetime | None:
        """When the first certificate of its signatures ends: without a time stamp it proves itself until then."""
        return min((s.valid_until for s in self.signatures if s.valid_until is not None), default=None)

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb verify --json``."""
        return {
            "file": self.file,
            "trustworthy": self.trustworthy,
            "signatures": [
                {
                    "signer": s.signer, "role": s.role, "intact": s.intact, "trusted": s.trusted,
                    "signed_at": s.signed_at.isoformat() if s.signed_at else None, "timestamped": s.timestamped,
                    "issuer": s.issuer, "field": s.field, "meaning": s.reason, "trusted_now": s.trusted_now,
                    "proven_at": s.proven_at.isoformat() if s.proven_at else None,
                    "valid_until": s.valid_until.isoformat() if s.valid_until else None,
                }
                for s in self.signatures
            ],
            "stamps": [
                {
                    "service": s.service, "time": s.time.isoformat() if s.time else None, "intact": s.intact, "trusted": s.trusted,
                    "renew_before": s.renew_before.isoformat() if s.renew_before else None,
                }
                for s in self.stamps
            ],
            "later_changes": self.later_changes,
            "record": {"id": self.record_id, "revision": self.revision, "digest": self.digest, "digest_matches": self.digest_matches},
            "pages": self.pages,
            "log": self.log,
            "state": self.state,
            "relations": list(self.relations),
            "trust_list": self.trust_list,
            "claim": self.claim.to_plain(),
            "recomputed": {"results": self.results, "differing": len(self.differing)},
            "reasons": list(self.reasons),
            "notes": list(self.notes),
            "differences": [{"where": d.where, "embedded": d.embedded, "recomputed": d.recomputed} for d in self.differing],
            "found_inside": list(self.found_inside),
        }  # fmt: skip


def verify_report(
    source: bytes | str | Path,
    *,
    trust: TrustList | None = None,
    moment: datetime | None = None,
    expected: tuple[str, ...] = (TECHNICIAN,),
    name: str = "",
    replaces: bytes | str | Path | None = None,
    original: bytes | str | Path | None = None,
    log: ShopLog | None = None,
) -> Verification:
    """Answer the five questions about a report: a PDF's bytes or path.

    ``trust`` is the shop's trust list (nobody is trusted without one), ``moment`` the time of verification (with
    zone; now when left out), ``expected`` the signature fields that must be signed. Against ``replaces`` the earlier
    report, ``original`` the report that a redacted copy was made of, and ``log`` the shop's log the report is checked
    too. Raises nothing for the content of the file; a file that can't be opened is an answer too.
    """
    label = name or (str(source) if not isinstance(source, bytes) else "report")
    try:
        pdf = source if isinstance(source, bytes) else _read(Path(source))
    except OSError:
        return unanswered(label, "file-unreadable")
    if moment is None:
        moment = datetime.now(UTC)
    status = verify_signatures(pdf, trust=trust or TrustList(()), moment=moment, expected_fields=expected)
    found = _verification(label, pdf, status)
    if found.analysis and expected == (TECHNICIAN,):
        # Nobody was told which field to expect, and this one is signed by somebody else. It stays no record.
        status = verify_signatures(pdf, trust=trust or TrustList(()), moment=moment, expected_fields=(ENGINEER,))
        found = _verification(label, pdf, status)

    def other(source: bytes | str | Path) -> Verification:
        return verify_report(source, trust=trust, moment=moment)

    record = found.record
    if replaces is not None and record is not None:
        earlier = other(replaces)
        found = _with(found, "replaced-report-unproved" if not earlier.trustworthy else "")
        if earlier.record is not None:
            found = _with(found, *against_replaced(record, earlier.record))
    if original is not None and record is not None:
        source_report = other(original)
        found = _with(found, "original-unproved" if not source_report.trustworthy else "")
        if source_report.record is not None:
            found = _with(found, *against_original(record, source_report.record, source_report.salt))
    return found if log is None else ask_log(found, log)


def ask_log(found: Verification, log: ShopLog) -> Verification:
    """The verification with what the shop's log says about the report."""
    if not found.digest:
        return found
    if log.owners and found.signatures and found.signatures[0].issuer not in log.owners:
        return found  # another shop's report: this log knows nothing of it
    answer = log.answer(
        record=found.record_id, digest=found.digest, head=found.log_head, digest_head=found.digest_head,
        original=found.original, status=found.status, file_sha256=found.file_sha256,
    )  # fmt: skip
    states: dict[str, State] = {"current": "current", "superseded": "superseded", "void": "void"}
    state = "void" if found.status == "void" else states.get(answer.state, "unknown")
    return replace(_with(found, *answer.reasons), log=answer.state, notes=(*found.notes, *answer.notes), state=state)


def judged_with(found: Verification, trust_list: str, *, beside: bool) -> Verification:
    """The verification with the name of the trust list that was asked; "" for none.

    A list that only lay ``beside`` the report counts for nothing: whoever forges a report can put one there. The one
    exception is a demonstration signed with a throw-away key, which proves itself as that and no more.
    """
    named = replace(found, trust_list=trust_list)
    if not beside or not found.signatures:
        return named
    if {"demonstration", "throw-away-key"} <= set(found.notes):
        return replace(named, notes=(*found.notes, "demonstration-only")) if found.trustworthy else named
    signers = tuple(replace(s, trusted=False, trusted_now=False) for s in found.signatures)
    return _with(replace(named, signatures=signers), "trust-list-beside")


def _with(found: Verification, *reasons: str) -> Verification:
    more = tuple(dict.fromkeys((*found.reasons, *(r for r in reasons if r))))
    return replace(found, reasons=more, trustworthy=not more)


def _read(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(MOST_BYTES + 1)


def unanswered(label: str, reason: str) -> Verification:
    """The answer about a file that could not be looked at."""
    return Verification(label, False, (), False, "", 0, "", False, "not checked", 0, (), (reason,))


def same_person(signatures: Iterable[SignerStatus]) -> bool:
    """Whether a later signature is by whoever signed first: by the same key, or under the same name."""
    made = [s for s in signatures if s.intact]
    return any(s.fingerprint == made[0].fingerprint or s.signer == made[0].signer for s in made[1:])


def _verification(label: str, pdf: bytes, status: SignatureStatus) -> Verification:
    signed = status.signed_bytes
    if signed is None:
        why = status.reasons or ("no-signature",)
        return Verification(
            label, False, status.signatures, status.later_changes, "", 0, "", False, "not checked", 0, (), why,
            file_sha256=hashlib.sha256(pdf).hexdigest(), found_inside=look_inside(pdf) if status.signatures else (),
        )  # fmt: skip
    reasons = list(status.reasons)
    if same_person(status.signatures):
        reasons.append("reviewer-is-technician")
    found = Contents(signed)
    reasons += found.reasons
    pages: Pages = "not checked"
    packed_otherwise = False
    differing: tuple[Difference, ...] = ()
    results = 0
    if found.record is not None:
        recomputed = _evaluate(found.record, reasons)
        if recomputed is not None:
            results = sum(len(t.results) for t in recomputed.tests)
            if found.evaluation is not None:
                differing = tuple(compare(found.evaluation, recomputed.to_plain()))
                if differing:
                    reasons.append("evaluation-differs")
            pages, packed_otherwise = _pages(found, recomputed, pdf, status, reasons)
    else:
        recomputed = None
    record = found.record
    options = found.options
    redaction = record.redaction if record else None
    stranger = _stranger(record, status)
    if stranger is not None and stranger.role != OFFICE:
        reasons.append("signer-not-named")
    notes = [note for note, holds in (
        ("demonstration", record is not None and record.demonstration),
        ("throw-away-key", any(s.issuer.endswith(THROW_AWAY) for s in status.signatures)),
        ("signed-by-office", stranger is not None and stranger.role == OFFICE),
        ("void-notice", record is not None and record.status == "void"),
        ("redacted-copy", redaction is not None),
        ("pages-not-proved", pages == "other-version"),
        ("drawn-alike", packed_otherwise),
    ) if holds]  # fmt: skip
    ordered = tuple(dict.fromkeys(reasons))
    return Verification(
        label, not ordered, status.signatures, status.later_changes,
        record.id if record else "", record.revision if record else 0, found.digest, found.digest_matches,
        pages, results, differing, ordered, (*notes, *status.notes), found.engine,
        log_head=options.log_head if options else "", digest_head=found.digest_head,
        file_sha256=hashlib.sha256(pdf).hexdigest(), original=redaction.of if redaction else "", status=record.status if record else "",
        salt=options.salt if options else "", stamps=status.stamps,
        state="void" if record and record.status == "void" else "unknown",
        replaces=record.replaces.digest if record and record.replaces else "",
        claim=claim_of(record, recomputed) if record else Claim(),
        found_inside=what_was_added(signed, pdf) if "changed-after-signing" in ordered else (),
        record=record, evaluation=recomputed,
    )  # fmt: skip


def _stranger(record: Record | None, status: SignatureStatus) -> SignerStatus | None:
    """Who signed in the technician's place without being named in the record; a void notice or a copy names nobody."""
    if record is None or record.redaction is not None or record.status == "void":
        return None
    signed = next((s for s in status.signatures if s.field == TECHNICIAN and s.intact), None)
    return None if signed is None or is_named(record, signed.signer) else signed


def is_named(record: Record, name: str) -> bool:
    """Whether a person of the record has this name; case and blanks don't count."""
    return _folded(name) in {_folded(person.name) for person in record.people}


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()


def _evaluate(record: Record, reasons: list[str]) -> Evaluation | None:
    try:
        return evaluate(record)
    except (DiagnbError, ArithmeticError, ValueError, KeyError, MemoryError):
        reasons.append("record-unreadable")
        return None


def _pages(
    found: Contents, recomputed: Evaluation, pdf: bytes, status: SignatureStatus, reasons: list[str]
) -> tuple[Pages, bool]:
    """Draw the report again from record and recomputed evaluation and compare it, byte for byte where that can be.

    The same drawing code with other libraries packs the same pages differently: then what a viewer draws from is
    compared. What other drawing code made can't be compared at all, and nothing is said for its pages. The second value
    says that they are the same only in what they show.
    """
    if not found.rendering:
        reasons.append("rendering-unreadable")
        return "not checked", False
    drawing, libraries = edition_of(found.engine)
    if drawing != edition_of(made_with())[0]:
        return "other-version", False
    try:
        again = render_with(found.record, recomputed, read_options(found.rendering), photos=found.photos)  # type: ignore[arg-type]
    except DiagnbError:
        reasons.append("rendering-unreadable")
        return "not checked", False
    prefix = pdf[: status.unsigned_prefix_length]
    if prefix:
        same = again == prefix
    else:  # signed in one pass: the signature stands inside the one revision
        first = status.signatures[:1]
        same = bool(first) and comes_from(status.signed_bytes or b"", again, signature=first[0])
    if same:
        return "same", False
    other_libraries = libraries != edition_of(made_with())[1]
    if other_libraries or _last_digits_differ(found, recomputed, reasons):
        unlike = unlike_pages(again, prefix or status.signed_bytes or b"")
        if not unlike:
            return "same", True
        # Pictures and fonts are packed by libraries; what is written where is not.
        if other_libraries and all(each.endswith((": picture", ": font")) for each in unlike):
            return "other-version", False
    reasons.append("pages-differ")
    return "differ", False


def _last_digits_differ(found: Contents, recomputed: Evaluation, reasons: list[str]) -> bool:
    """Whether the evaluation inside agrees in what counts, but not to the byte that drawing again would need."""
    agreed = found.evaluation is not None and "evaluation-differs" not in reasons
    return agreed and found.evaluation_bytes != rfc8785.dumps(recomputed.to_plain())
