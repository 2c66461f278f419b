"""A report as its reviewer finds it, and the countersignature: what the review view asks of the world outside it."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.countersigning import free_place
from diagnb.errors import DiagnbError, fault
from diagnb.forms.office import Strokes
from diagnb.notebook.office import ShopOffice, book_beside
from diagnb.notebook.remarks import Remarks
from diagnb.proof import MOST_BYTES, Verification, judged_with, verify_report
from diagnb.signing import TrustList, load_trust

if TYPE_CHECKING:
    from diagnb.lineage import ShopLog

MEANINGS = (
    "I reviewed this record",
    "I reviewed this record and agree with its verdicts",
    "I verified this report and accept the claim",
)
"""What a reviewer's signature may say; own words are possible too."""


@dataclass(frozen=True, slots=True)
class TrustSource:
    """The trust list that is asked, where it lies, and whether it may have come with the report."""

    trust: TrustList
    path: Path | None
    may_be_foreign: bool = False

    def said(self) -> str:
        """One sentence for people."""
        if self.path is None:
            return "No trust list was found, so nobody is trusted."
        warning = " It lay beside the report and may have come with it: compare it with the list you were given."
        return f"Trust list asked: {self.path}.{warning if self.may_be_foreign else ''}"

    def judged(self, found: Verification) -> Verification:
        """The verification with the list that was asked; one that only lay beside the report counts for nothing."""
        return judged_with(found, str(self.path or ""), beside=self.may_be_foreign)


def trust_for(report: Path, *, stated: Path | None, own: Path) -> TrustSource:
    """The stated trust list; else the shop's ``own``; else ``trust.json`` beside the report; else an empty one.

    Raises SigningFault for a list that can't be read.
    """
    beside = report.parent / "trust.json"
    path = stated or next((p for p in (own, beside) if p.is_file()), None)
    if path is None:
        return TrustSource(TrustList(()), None)
    return TrustSource(load_trust(path), path, may_be_foreign=stated is None and path != own)


@dataclass(frozen=True, slots=True)
class Examined:
    """One report: its bytes, the five answers, what would get the claim rejected, the place left to countersign."""

    path: Path
    pdf: bytes
    found: Verification
    remarks: Remarks | None
    place: str | None
    trusted_by: str

    @property
    def can_be_drawn(self) -> bool:
        """Whether somebody vouches for the pages: they come from the record, or trusted people signed all bytes."""
        signed = bool(self.found.signatures) and all(s.intact and s.trusted for s in self.found.signatures)
        return self.found.pages == "same" or signed

    @property
    def refusal(self) -> str:
        """Why this report is not to be countersigned, as a sentence; blank when it may be."""
        if not self.found.trustworthy:
            return "This report can't be countersigned, because it does not prove itself. The reasons stand above."
        if "superseded" in self.found.notes:
            return "This report can't be countersigned, because a later revision replaces it."
        return "" if self.place else "Every place for a signature is taken, so nothing is left to countersign."


@dataclass(frozen=True, slots=True)
class ReviewOffice:
    """Reports are examined and countersigned with the keys and the trust list of this shop."""

    shop: ShopOffice
    stated_trust: Path | None = None

    def key_files(self) -> tuple[Path, ...]:
        """The key files there are, by name."""
        return self.shop.key_files()

    def examine(self, report: Path) -> Examined:
        """Verify one report, against the shop's log too where there is one. Raises InputFault when it can't be opened."""
        from diagnb.readiness import check

        try:
            with report.open("rb") as stream:
                pdf = stream.read(MOST_BYTES + 1)
        except OSError as error:
            raise fault(str(report), f"can't be read: {error.strerror}") from error
        source = self._trust(report)
        found = verify_report(pdf, trust=source.trust, moment=self.shop.clock(), name=report.name, log=self._log())
        found = source.judged(found)
        remarks = None
        if found.record is not None and found.evaluation is not None:
            remarks = Remarks(found.record.id, check(found.record, found.evaluation))
        place = None
        with contextlib.suppress(DiagnbError):
            place = free_place(pdf)
        return Examined(report, pdf, found, remarks, place, source.said())

    def countersign(
        self,
        examined: Examined,
        *,
        key_file: Path,
        passphrase: bytes,
        meaning: str,
        strokes: Strokes = (),
        typed_name: str = "",
        despite: str = "",
    ) -> Path:
        """Countersign what was examined and write a new file beside it; returns its path.

        A drawn signature, or the key's name typed, is needed; ``despite`` says why a report is signed whose claim
        would be rejected. Raises a named fault and writes nothing when one step fails; no file is ever overwritten.
        """
        from diagnb.countersigning import countersign_report
        from diagnb.signing import load_key

        if not meaning.strip():
            raise fault("meaning", "is blank", "say what your signature means")
        key = load_key(key_file, passphrase)
        if not strokes and _folded(typed_name) != _folded(key.name):
            raise fault(
                "signature", "is missing", f"draw it, or type the name in the key as it stands there: {key.name}"
            )
        drawn = tuple(tuple((float(x), float(y)) for x, y in stroke) for stroke in strokes)
        written: list[Path] = []
        book = book_beside(self.shop.keys, clock=self.shop.clock, actor=key.name, file=free_name(examined.path).name)
        try:
            countersign_report(
                examined.pdf, key=key, trust=self._trust(examined.path).trust,
                moment=self.shop.clock().replace(microsecond=0), meaning=meaning.strip(), strokes=drawn,
                language=self.shop.language, book=book, log=self._log(), despite=despite, beside=examined.path,
                write=lambda pdf: written.append(write_beside(examined.path, pdf)),
            )  # fmt: skip
        except DiagnbError as error:
            if not written:
                raise
            raise fault(
                str(written[0]), "is countersigned and written, but stands in no line of the log", str(error)
            ) from error
        return written[0]

    def _trust(self, report: Path) -> TrustSource:
        return trust_for(report, stated=self.stated_trust, own=self.shop.trust)

    def _log(self) -> ShopLog | None:
        from diagnb.lineage import read_shop_log

        path = self.shop.keys / "audit.jsonl"
        return read_shop_log(path) if path.is_file() else None


def free_name(report: Path) -> Path:
    """A name beside the report that no file has: ``report-countersigned.pdf``, then ``-2`` and so on."""
    stem = re.sub(r"-countersigned(-\d+)?$", "", report.stem)
    path, number = report.with_name(f"{stem}-countersigned.pdf"), 1
    while path.exists():
        number += 1
        path = report.with_name(f"{stem}-countersigned-{number}.pdf")
    return path


def write_beside(report: Path, data: bytes) -> Path:
    """Write a new file beside the report, as a whole or not at all; what is there stays, even in a race."""
    descriptor, name = tempfile.mkstemp(dir=report.parent, prefix=f".{report.name}.")
    temporary = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        while True:
            path = free_name(report)
            with contextlib.suppress(FileExistsError):
                _claim(path, temporary, data)
                return path
    finally:
        temporary.unlink(missing_ok=True)


def _claim(path: Path, whole: Path, data: bytes) -> None:
    """Give the whole file this name unless another has it. Raises FileExistsError."""
    try:
        path.hardlink_to(whole)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with path.open("xb") as stream:
            stream.write(data)


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


Clock = Callable[[], datetime]


def review_office(*, folder: Path, keys: Path, trust: Path | None, clock: Clock, **how: Any) -> ReviewOffice:
    """An office for these folders; ``trust`` stated wins over ``trust.json`` of the keys. ``how``: language, paper."""
    return ReviewOffice(ShopOffice(keys, keys / "trust.json", folder, clock, **how), trust)
