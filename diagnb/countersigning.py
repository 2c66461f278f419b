"""A second person puts a signature on a report, and only on one that proves itself.

The report is verified before and after; nothing is written unless both hold. A report that the log calls void or
replaced is refused, and one whose claim would be rejected needs the reviewer's reason for signing it all the same.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.errors import DiagnbError, Fault, SigningFault
from diagnb.proof import REASONS, TECHNICIAN, Verification, connect, verify_report
from diagnb.signing import REMEDIES, TrustList, countersign, embedded_files, signature_fields

if TYPE_CHECKING:
    from diagnb.issuing import Book
    from diagnb.lineage import ShopLog
    from diagnb.readiness import Remark
    from diagnb.report.blocks import Point

Strokes = tuple[tuple["Point", ...], ...]

_MOST_BESIDE = 300
_LARGEST_BESIDE = 8 * 2**20


@dataclass(frozen=True, slots=True)
class Countersigned:
    """The report with one signature more, the field that it stands in, and its verification.

    ``despite``: the codes of the remarks that would get the claim rejected; ``line``: the number of its line in the
    log, where there is one.
    """

    pdf: bytes
    field: str
    verification: Verification
    despite: tuple[str, ...] = ()
    line: int | None = None


def free_place(pdf: bytes) -> str | None:
    """The first signature field that nobody has signed; None when all are. Raises SigningFault."""
    return next((name for name, signed in signature_fields(pdf).items() if not signed), None)


def countersign_report(
    pdf: bytes,
    *,
    key: Any,
    trust: TrustList,
    moment: datetime,
    meaning: str,
    strokes: Strokes = (),
    language: str = "en",
    write: Callable[[bytes], None],
    book: Book | None = None,
    log: ShopLog | None = None,
    place: str | None = None,
    despite: str = "",
    timestamp_url: str | None = None,
    beside: Path | None = None,
) -> Countersigned:
    """Sign a reviewer's field, ``place`` or the first free one, and write the file.

    ``key`` is the reviewer's, ``meaning`` what the signature says, ``strokes`` a drawn signature; the field shows
    name, role, time, meaning and the drawing. ``book`` writes the line of the log, ``log`` is asked about the report
    before, ``despite`` says why a report is signed whose claim would be rejected; of the file ``beside`` the other
    reports in its folder are asked whether they replace this one: a log is not always at hand. Raises SigningFault, with nothing
    written: the report doesn't prove itself under ``trust``, is void or replaced, its claim would be rejected and
    ``despite`` is blank, the key belongs to somebody who made it or signed it already, no place is left, or the
    trust list doesn't know the key.
    """
    before = verify_report(pdf, trust=trust, moment=moment, log=log)
    require_proof(before)
    refuse_insider(before, key)
    if beside is not None:
        refuse_replaced(before, beside, trust=trust, moment=moment)
    against = rejecting(before)
    if against and not despite.strip():
        raise _would_be_rejected(against)
    if before.pages != "same" and not despite.strip():
        raise SigningFault(
            Fault(
                "report", f"is not countersigned: {REASONS['pages-not-proved']} [pages-not-proved]",
                "have it made anew, or say why it is signed all the same (--despite TEXT)",
            )
        )  # fmt: skip
    unproved = ("pages-not-proved",) if before.pages != "same" else ()
    codes = tuple(dict.fromkeys((*unproved, *(remark.code for remark in against))))
    field = place or free_place(pdf)
    if field is None:
        raise SigningFault(
            Fault("report", "has no place left for a signature", "more places are made when a report is rendered")
        )
    why = f"countersigned despite {', '.join(codes)}: {despite.strip()}" if codes else ""
    signed = countersign(
        pdf, key=key, field=field, reason=f"{meaning}; {why}" if why else meaning, moment=moment, timestamp_url=timestamp_url,
        appearance=reviewers_field(key, moment=moment, meaning=meaning, strokes=strokes, language=language),
    )  # fmt: skip
    after = verify_report(signed, trust=trust, moment=moment, expected=(TECHNICIAN, field))
    require_trusted_key(after, key, field)
    require_proof(after)
    write(signed)
    line = None
    if book is not None:
        line = book.signed(
            signed, key=key, record=after.record_id, revision=after.revision, digest=after.digest, before=pdf,
            remark=why,
        )  # fmt: skip
    return Countersigned(signed, field, after, codes, line)


def require_proof(found: Verification) -> None:
    """Raise SigningFault with every reason why this report doesn't prove itself, or that a later one replaces it."""
    against = (*found.reasons, *(code for code in found.notes if code == "superseded"))
    if against:
        raise SigningFault([
            Fault("report", f"is not countersigned: {REASONS.get(code, code)} [{code}]", _REMEDIES.get(code, ""))
            for code in against
        ])  # fmt: skip


def refuse_replaced(found: Verification, file: Path, *, trust: TrustList, moment: datetime) -> None:
    """Raise SigningFault when a report in the folder of ``file`` replaces the one found in it or declares it void."""
    others = [p for p in sorted(file.parent.glob("*.pdf"))[:_MOST_BESIDE] if p.name != file.name]
    alike = [p for p in others if p.stat().st_size < _LARGEST_BESIDE and _record_named(p) == found.record_id]
    own, *_ = connect([replace(found, file=str(file)), *(verify_report(p, trust=trust, moment=moment) for p in alike)])
    if own.state in ("void", "superseded") and own.relations:
        why = f"{REASONS[own.state]} [{own.state}]: {'; '.join(own.relations)}"
        raise SigningFault(Fault("report", f"is not countersigned: {why}", "review the one that counts instead"))


def _record_named(path: Path) -> str:
    """The id of the record that a report carries, taken from bytes that nobody has checked yet; blank without one."""
    try:
        return str(json.loads(embedded_files(path.read_bytes())["record.json"].data)["id"])
    except (DiagnbError, OSError, KeyError, TypeError, ValueError, RecursionError):
        return ""


def rejecting(found: Verification) -> tuple[Remark, ...]:
    """What would get the claim of this report rejected, by the shipped rules; nothing where it carries no record."""
    from diagnb.readiness import check

    if found.record is None or found.evaluation is None:
        return ()
    return tuple(remark for remark in check(found.record, found.evaluation) if remark.severity == "rejects")


def _would_be_rejected(against: Iterable[Remark]) -> SigningFault:
    return SigningFault([
        *(Fault(r.where, f"would get this claim rejected: {r.message} [{r.code}]", r.repair) for r in against),
        Fault(
            "report", "is not countersigned: what stands above would get its claim rejected",
            "have the record mended, or say why it is signed all the same (--despite TEXT)",
        ),
    ])  # fmt: skip


def refuse_insider(found: Verification, key: Any) -> None:
    """A review is by a second person. Raises SigningFault for whoever signed the report or took its readings."""
    mine = _folded(key.name)
    for made in found.signatures:
        if made.fingerprint == key.fingerprint or _folded(made.signer) == mine:
            raise _insider(key.name, f"has signed this report already ({made.field})")
    record = found.record
    if record is not None and mine in {_folded(record.person(test.by).name) for test in record.tests}:
        raise _insider(key.name, "took readings of this record")


def require_trusted_key(found: Verification, key: Any, field: str) -> None:
    """Raise SigningFault unless the signature in ``field`` is good under the trust list that was asked."""
    made = next((s for s in found.signatures if s.field == field), None)
    if made is None or made.trusted:
        return
    why: Iterable[str] = made.codes or ("not-trusted",)
    raise SigningFault([
        Fault(f"the key of {key.name}", f"is not accepted: {REASONS.get(code, code)} [{code}]", _KEY_REMEDIES.get(code, ""))
        for code in why
    ])  # fmt: skip


_REMEDIES = {
    **REMEDIES,
    "superseded": "countersign the later revision",
    "void": "nothing rests on a void record: leave it unsigned",
    "not-in-log": "ask the shop why its log does not know this report, or name the log of the shop that made it (--log)",
    "log-differs": "ask the shop; it may also be the log of another shop: name that of the one that made the report (--log)",
}

_KEY_REMEDIES = {
    "not-trusted": "ask the shop to put this key on its trust list, then countersign",
    "certificate-expired": "ask for a new key (`diagnb key rotate`)",
    "certificate-revoked": "ask for a new key (`diagnb key rotate`)",
}


def _insider(name: str, what: str) -> SigningFault:
    return SigningFault(Fault(name, what, "let a second person review and countersign it"))


def reviewers_field(key: Any, *, moment: datetime, meaning: str, strokes: Strokes = (), language: str = "en") -> bytes:
    """What the field of a countersignature shows, as a PDF of one page: name, role, time, meaning, a drawn signature."""
    from diagnb.report.pdf.countersignature import countersignature_page
    from diagnb.report.wording import load_wording

    role = getattr(key, "role", "")
    lines = load_wording(language).signer(name=key.name, role=role, moment=moment, meaning=meaning)
    return countersignature_page(lines=lines, strokes=strokes)


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()
