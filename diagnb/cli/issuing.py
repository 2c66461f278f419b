"""A record becomes a signed report: first its line in the log, then the pages that carry the log's head."""

from __future__ import annotations

import argparse
import hashlib
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
) -> bytes:
    """Render, sign and write a report; with a log its line comes first and its head stands in the report.

    ``quick`` signs in one pass with the same key, for batches.
    """
    from diagnb.audit import Event
    from diagnb.evaluation import evaluate
    from diagnb.record import digest
    from diagnb.redaction import digest_list
    from diagnb.report import render_report

    evaluation, moment = evaluate(record), now()
    salt = "" if record.redaction else secrets.token_hex(32)
    root = record.redaction.head if record.redaction else digest_list(record, salt).head

    def render(head: str) -> bytes:
        return render_report(
            record, evaluation, moment=moment, language=options.language, paper=options.paper,
            technician=options.technician, log_head=head, salt=salt, photos=photos,
            reviewers=options.reviewers,
        )  # fmt: skip

    pdf = render("")
    log = log_for(options, options.key.parent if options.key else None, getattr(options, "folder", None))
    if log is not None:
        replaces = record.redaction.of if record.redaction else record.replaces.digest if record.replaces else ""
        line = Event(
            action=action, actor=actor(options, key), record=record.id, revision=record.revision,
            digest=digest(record), replaces=replaces, root=root, file=output.name,
            reason=getattr(options, "reason", None) or "",
        )  # fmt: skip
        _, head = log.append(line, clock=now)
        pdf = render(str(head))
    if quick is not None:
        pdf = quick.certify(pdf, field="Technician", reason=meaning, moment=moment)
    elif key is not None:
        from diagnb.signing import certify

        url = options.timestamp_url
        pdf = certify(pdf, key=key, field="Technician", reason=meaning, moment=moment, timestamp_url=url)
    write_new(output, pdf)
    if log is not None and key is not None:
        log.append(signed_event(options, key, pdf, output, record.id, record.revision, digest(record)), clock=now)
    return pdf


def signed_event(
    options: argparse.Namespace,
    key: Any,
    pdf: bytes,
    output: Path,
    record: str,
    revision: int,
    digest: str,
    before: bytes | None = None,
) -> Any:
    """The line that says who signed which file."""
    from diagnb.audit import Event

    return Event(
        action="sign", actor=actor(options, key), record=record, revision=revision, digest=digest, signer=key.name,
        fingerprint=key.fingerprint, file=output.name, file_sha256=hashlib.sha256(pdf).hexdigest(),
        replaces=hashlib.sha256(before).hexdigest() if before is not None else "",
    )  # fmt: skip


def find_photos(record: Any, folder: Path | None, beside: Path) -> dict[str, bytes]:
    """The prepared photos of a record from ``folder``, by default from the record's own; those missing are left out."""
    from diagnb.report import prepare_photos
    from diagnb.report.photos import MOST_BYTES, photos_of

    place = folder or beside
    if folder is not None and not folder.is_dir():
        raise fault(str(folder), "is not a folder", "name the folder that holds the photos")
    files = {}
    for attachment in photos_of(record):
        path = place / attachment.name
        if path.is_file():
            if path.stat().st_size > MOST_BYTES:
                raise fault(str(path), f"is larger than {MOST_BYTES // 2**20} MiB", "save it smaller")
            files[attachment.name] = path.read_bytes()
        elif folder is not None:
            raise fault(str(path), "is not there", "the record lists it")
    return prepare_photos(record, files)
