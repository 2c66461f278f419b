"""A record becomes a signed report: first its line in the shop's log, then the pages that carry the log's head.

So a report proves that the log knew of it, and a report that the log does not know of stands out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal, Protocol

from diagnb.audit import MOST_TEXT, AuditLog, Event, Head
from diagnb.record import Record, digest
from diagnb.redaction import digest_list

if TYPE_CHECKING:
    from diagnb.signing import Signer


class Render(Protocol):
    """What draws the unsigned report, given the head of the log and the secret of the digest list."""

    def __call__(self, *, log_head: str, salt: str) -> bytes: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """The shop's log together with what it writes down: who acts, what, which file, and why."""

    log: AuditLog
    clock: Callable[[], datetime]
    actor: str
    file: str
    action: Literal["issue", "amend", "void", "redact"] = "issue"
    reason: str = ""

    def issued(self, record: Record, root: str) -> Head:
        """Write the line of an issue; returns the head over everything up to and with it."""
        of = record.redaction.of if record.redaction else record.replaces.digest if record.replaces else ""
        event = Event(
            action=self.action, actor=self.actor, record=record.id, revision=record.revision, digest=digest(record),
            replaces=of, root=root, file=self.file, reason=self.reason,
        )  # fmt: skip
        return self.log.append(event, clock=self.clock)[1]

    def signed(
        self,
        pdf: bytes,
        *,
        key: Any,
        record: str,
        revision: int,
        digest: str,
        before: bytes = b"",
        remark: str = "",
    ) -> int:
        """Write the line of a signature; ``before`` is the file as it was, when it carried a signature already.

        Returns the number of the line, counted from 1.
        """
        event = Event(
            action="sign", actor=self.actor, record=record, revision=revision, digest=digest, signer=key.name,
            fingerprint=key.fingerprint, file=self.file, file_sha256=hashlib.sha256(pdf).hexdigest(),
            replaces=hashlib.sha256(before).hexdigest() if before else "", remark=remark[:MOST_TEXT],
        )  # fmt: skip
        return self.log.append(event, clock=self.clock)[0].seq + 1


def issue_report(
    record: Record,
    *,
    salt: str,
    render: Render,
    sign: Callable[[bytes], bytes] | None,
    write: Callable[[bytes], None],
    key: Signer | None = None,
    book: Book | None = None,
    check: Callable[[], object] | None = None,
) -> bytes:
    """Render, sign and write one report; returns its bytes.

    ``salt`` (64 hexadecimal digits of fresh chance) is left out for a redacted copy. With a ``book`` it is first seen
    that the report can be rendered: by ``check``, which raises otherwise, or by rendering it. Then it is written down,
    then rendered with the head of the log. Raises what its steps raise; a line of an issue without one of a signature
    says that the report was never finished.
    """
    salt = "" if record.redaction else salt
    if book is None:
        pdf = render(log_head="", salt=salt)
    else:
        if check is not None:
            check()
        else:
            render(log_head="", salt=salt)
        root = record.redaction.head if record.redaction else digest_list(record, salt).head
        pdf = render(log_head=str(book.issued(record, root)), salt=salt)
    if sign is not None:
        pdf = sign(pdf)
    write(pdf)
    if book is not None and key is not None:
        book.signed(pdf, key=key, record=record.id, revision=record.revision, digest=digest(record))
    return pdf
