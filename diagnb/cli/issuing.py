"""A record becomes a signed report: first its line in the log, then the pages that carry the log's head."""

from __future__ import annotations

import argparse
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from diagnb.cli.files import now, write_new
from diagnb.cli.logfile import actor, log_for
from diagnb.cli.signers import add_signer
from diagnb.errors import fault

if TYPE_CHECKING:
    from diagnb.signing import OnePassSigner

MEANING = {
    "Technician": "I took these readings and made this report",
    "Reviewer": "I reviewed this record",
    "Copy": "This copy was made from the signed original",
    "Void": "I declare this record void",
}


def add_rendering(parser: argparse.ArgumentParser) -> None:
    """The options that decide what a report looks like and who signs it."""
    add_signer(parser, key_help="the technician's key file; without a key the report is unsigned")
    parser.add_argument("--language", default="en", metavar="L", help="en, fr, de or es (default en)")
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    parser.add_argument("--technician", default="", metavar="ID", help="id of the person in the record who signs")
    parser.add_argument(
        "--reviewers", metavar="N", type=int, default=1, help="places for countersignatures (default 1)"
    )


def issue(
    options: argparse.Namespace,
    record: Any,
    *,
    key: Any,
    output: Path,
    action: Literal["issue", "amend", "void", "redact"] = "issue",
    meaning: str = MEANING["Technician"],
    photos: Mapping[str, bytes] | None = None,
    quick: OnePassSigner | None = None,
    original_reviewed: bool = False,
) -> bytes:
    """Render, sign and write a report; with a log its line comes first and its head stands in the report.

    ``quick`` signs in one pass with the same key, for batches. ``original_reviewed``: on a redacted copy.
    """
    from diagnb.evaluation import evaluate
    from diagnb.issuing import issue_report
    from diagnb.report import render_report

    refuse_to_overwrite_a_countersignature(output)
    evaluation, moment = evaluate(record), now()

    def render(*, log_head: str, salt: str, draft: bool = False) -> bytes:
        return render_report(
            record, evaluation, moment=moment, language=options.language, paper=options.paper,
            technician=options.technician, log_head=log_head, salt=salt, photos=photos,
            reviewers=options.reviewers, original_reviewed=original_reviewed, draft=draft,
        )  # fmt: skip

    def sign(pdf: bytes) -> bytes:
        from diagnb.signing import certify

        if quick is not None:
            return quick.certify(pdf, field="Technician", reason=meaning, moment=moment)
        url = options.timestamp_url
        return certify(pdf, key=key, field="Technician", reason=meaning, moment=moment, timestamp_url=url)

    return issue_report(
        record, salt=secrets.token_hex(32), render=render, check=lambda: render(log_head="", salt="", draft=True), sign=sign if key is not None else None,
        write=lambda pdf: write_new(output, pdf), key=key, book=book_for(options, key, output, action=action),
    )  # fmt: skip


def refuse_to_overwrite_a_countersignature(path: Path) -> None:
    """Raise InputFault when the file there carries the signature of more than one person: nobody can make that again."""
    from diagnb.errors import SigningFault
    from diagnb.signing import signature_fields

    if not path.is_file():
        return
    try:
        signed = sum(signature_fields(path.read_bytes()).values())
    except SigningFault:
        return
    if signed > 1:
        raise fault(str(path), "carries a countersignature and is kept", "write to another file, or move this one away")


def book_for(
    options: argparse.Namespace,
    key: Any,
    output: Path,
    *,
    action: Literal["issue", "amend", "void", "redact"] = "issue",
) -> Any:
    """The shop's log with what it writes down about this command, or None where there is no log."""
    from diagnb.issuing import Book

    folders = (options.key.parent if options.key else None, getattr(options, "folder", None))
    log = log_for(options, *folders, here=key is not None)
    if log is None:
        return None
    reason = getattr(options, "reason", None) or ""
    return Book(log=log, clock=now, actor=actor(options, key), file=output.name, action=action, reason=reason)


def find_photos(record: Any, folder: Path | None, beside: Path) -> dict[str, bytes]:
    """The prepared photos of a record from ``folder``, by default from the record's own; those missing are left out."""
    from diagnb.record import attached_name
    from diagnb.report import prepare_photos
    from diagnb.report.photos import MOST_BYTES, photos_of

    place = folder or beside
    if folder is not None and not folder.is_dir():
        raise fault(str(folder), "is not a folder", "name the folder that holds the photos")
    files = {}
    wanted = photos_of(record)
    by_name = {attached_name(p.name): p for p in place.iterdir()} if wanted else {}
    for attachment in wanted:
        path = by_name.get(attachment.name, place / attachment.name)
        if path.is_file():
            if path.stat().st_size > MOST_BYTES:
                raise fault(str(path), f"is larger than {MOST_BYTES // 2**20} MiB", "save it smaller")
            files[attachment.name] = path.read_bytes()
        elif folder is not None:
            raise fault(str(path), "is not there", "the record lists it")
    return prepare_photos(record, files)
