"""A report that something is built on has to prove itself as far as its bytes go; who signed it is only said."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from diagnb.cli.files import now, trust_for
from diagnb.errors import fault

if TYPE_CHECKING:
    from diagnb.proof import Verification
    from diagnb.record import Record

_ABOUT_TRUST = frozenset(
    {
        "not-trusted", "certificate-expired", "certificate-not-yet-valid", "certificate-revoked",
        "outside-trust-period", "expected-signature-missing", "timestamp-not-trusted", "signing-time-in-future",
        "signer-not-named",
    }
)  # fmt: skip
"""What does not hinder working on: who signed is asked by whoever verifies the result."""


_STRANGERS = frozenset({"not-trusted", "certificate-revoked", "outside-trust-period", "signer-not-named"})


def proved_report(path: Path, trust: Path | None, *, trusted: bool = False) -> tuple[Verification, Record]:
    """The report's verification, and the record inside. Raises InputFault where it carries no record or does not prove itself.

    ``trusted``: a signer whom nobody trusts is a fault too; one whose certificate has run out is not.
    """
    from diagnb.proof import REASONS, verify_report

    found = verify_report(path, trust=trust_for(path, trust), moment=now(), expected=())
    borne = _ABOUT_TRUST - _STRANGERS if trusted else _ABOUT_TRUST
    wrong = [reason for reason in found.reasons if reason not in borne]
    if found.record is None or wrong:
        why = "; ".join(REASONS.get(reason, reason) for reason in wrong) or "it carries no record"
        raise fault(str(path), f"does not prove itself: {why}", "see diagnb verify")
    if found.reasons:
        said = "; ".join(REASONS[reason] for reason in found.reasons)
        print(f"diagnb: note: the work goes on: {path}: {said}", file=sys.stderr)
    return found, found.record
