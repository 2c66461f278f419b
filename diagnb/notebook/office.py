"""Keys of this computer and the issue of reports, for the form and the magics."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import tempfile
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnb.errors import fault
from diagnb.evaluation import Evaluation
from diagnb.forms.office import NO_PHOTOS, Issued, Strokes, files_folder
from diagnb.record import Record, digest

_LONGEST_PART = 20
MEANING = "I took these readings and made this report"
"""What the technician's signature says."""


@dataclass(frozen=True, slots=True)
class ShopOffice:
    """Keys in ``keys`` (a folder of its owner alone), reports into ``reports``, in one language and paper size.

    ``trust`` is the trust list that a new key is added to.
    """

    keys: Path
    trust: Path
    reports: Path
    clock: Callable[[], datetime]
    language: str = "en"
    paper: str = "A4"

    def key_files(self) -> tuple[Path, ...]:
        """The key files there are, by name."""
        if not self.keys.is_dir():
            return ()
        people = (p for p in self.keys.iterdir() if p.suffix in (".p12", ".pem") and p.stem != "authority")
        return tuple(sorted(p for p in people if p.is_file()))

    def keys_of(self, name: str) -> tuple[Path, ...]:
        """The key files that were made for a person of this name: named after it, with a number from the second on."""
        stem = re.escape(_stem(name))
        return tuple(path for path in self.key_files() if re.fullmatch(rf"{stem}(-\d+)?", path.stem))

    def new_passphrase(self) -> str:
        """A generated passphrase for a new key."""
        from diagnb.signing import generate_passphrase

        return generate_passphrase()

    def make_key(self, *, name: str, passphrase: bytes) -> Path:
        """A key for a shop of one: it signs its own certificate, and this computer's trust list takes it in."""
        from diagnb.signing import TrustList, load_trust, save_key, self_signed_person, trust_entry

        moment = self.clock()
        key = self_signed_person(name=name, role="technician", moment=moment)
        trust = load_trust(self.trust) if self.trust.exists() else TrustList(())
        path = self._free_name(name)
        save_key(key, path, passphrase)
        entry = trust_entry(key.certificate, added=moment, added_by=name)
        write_whole(self.trust, trust.with_entry(entry).to_json().encode())
        return path

    def _free_name(self, name: str) -> Path:
        stem = _stem(name)
        path, number = self.keys / f"{stem}.p12", 1
        while path.exists():
            number += 1
            path = self.keys / f"{stem}-{number}.p12"
        return path

    def issue(
        self,
        *,
        record: Record,
        evaluation: Evaluation,
        key_file: Path,
        passphrase: bytes,
        strokes: Strokes,
        photos: Mapping[str, bytes] = NO_PHOTOS,
        recorded: Mapping[str, bytes] = NO_PHOTOS,
    ) -> Issued:
        """Render, sign and write the report, the ``recorded`` files beside it. Raises a named fault when one step fails."""
        from diagnb.issuing import issue_report
        from diagnb.report import prepare_photos, render_report
        from diagnb.signing import load_key

        path = self.reports / report_name(record)
        if path.exists():
            raise fault(str(path), "is there already", "move it away: a signed report is never overwritten")
        key = load_key(key_file, passphrase)
        signer = record.person("technician").name
        if _folded(key.name) != _folded(signer):
            raise fault("key", f"belongs to {key.name}, but the technician is {signer}", "choose the right key")
        moment = self.clock().replace(microsecond=0)
        pictures = prepare_photos(record, photos)
        drawn = tuple(tuple((float(x), float(y)) for x, y in stroke) for stroke in strokes)

        def render(*, log_head: str, salt: str) -> bytes:
            return render_report(
                record, evaluation, moment=moment, language=self.language, paper=self.paper, technician="technician",
                strokes=drawn, log_head=log_head, salt=salt, photos=pictures,
            )  # fmt: skip

        # Before the report: what it says is kept has to be there when it is.
        for name, data in recorded.items():
            write_whole(files_folder(path) / Path(name).name, data)
        issue_report(
            record, salt=secrets.token_hex(32), render=render,
            sign=lambda pdf: sign_report(pdf, key=key, location=record.order.site, moment=moment),
            write=lambda pdf: write_whole(path, pdf), key=key,
            book=book_beside(self.keys, clock=self.clock, actor=key.name, file=path.name),
        )  # fmt: skip
        return Issued(path, digest(record))


def report_name(record: Record) -> str:
    """The name of a record's report: order and unit, as far as there are any, then the record's own name and its revision.

    Order and unit are there for people in a list of files; the rest says which record it is.
    """
    said = (_short(record.order.number), _short(record.vehicle.unit or ""))
    return "-".join([*(part for part in said if part), f"{record.id}-r{record.revision}.pdf"])


def _short(text: str) -> str:
    """A text as part of a file's name: letters and digits without marks, dashes for the rest, cut where it is long."""
    letters = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9]+", "-", letters)[:_LONGEST_PART].strip("-")


def book_beside(folder: Path, *, clock: Callable[[], datetime], actor: str, file: str) -> Any:
    """The shop's log beside its keys (``audit.jsonl``) and what is written down there; None where there is no log."""
    from diagnb.audit import AuditLog
    from diagnb.issuing import Book

    path = folder / "audit.jsonl"
    return Book(log=AuditLog(path), clock=clock, actor=actor, file=file) if path.is_file() else None


def sign_report(pdf: bytes, *, key: Any, location: str, moment: datetime) -> bytes:
    """The report with the technician's certification signature. Raises SigningFault."""
    from diagnb.signing import certify

    return certify(pdf, key=key, field="Technician", reason=MEANING, location=location, moment=moment)


def _stem(name: str) -> str:
    """A person's name as the name of a file."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "technician"


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def write_whole(path: Path, data: bytes) -> None:
    """The file is there as a whole or not at all, whatever happens meanwhile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
