"""One signature or time stamp while it is looked at; frozen into a status at the end."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from diagnb.signing.status import SignerStatus, StampStatus


@dataclass(slots=True)
class Finding:
    """What is known so far about one signature field's value."""

    name: str
    revision: int = 1 << 30
    end: int = 0
    embedded: Any = None
    timestamp_only: bool = False
    certifies: bool = False
    intact: bool = False
    trusted: bool = False
    trusted_now: bool = False
    signer: str = ""
    role: str = ""
    issuer: str = ""
    signed_at: datetime | None = None
    stated_at: datetime | None = None
    proven_at: datetime | None = None
    expires: datetime | None = None
    timestamped: bool = False
    reason: str = ""
    location: str = ""
    fingerprint: str = ""
    codes: list[str] = field(default_factory=list)

    def add(self, code: str) -> None:
        """Note a reason once."""
        if code not in self.codes:
            self.codes.append(code)

    def signer_status(self) -> SignerStatus:
        """The finding about a person's signature, frozen."""
        return SignerStatus(
            field=self.name,
            signer=self.signer,
            role=self.role,
            intact=self.intact,
            trusted=self.trusted and self.intact,
            signed_at=self.signed_at,
            timestamped=self.timestamped,
            certifies=self.certifies,
            reason=self.reason,
            location=self.location,
            covers=self.end,
            fingerprint=self.fingerprint,
            codes=tuple(self.codes),
            stated_at=self.stated_at,
            proven_at=self.proven_at,
            trusted_now=self.trusted_now and self.trusted and self.intact,
            valid_until=self.expires,
            issuer=self.issuer,
        )

    def stamp_status(self) -> StampStatus:
        """The finding about a time stamp over the whole file, frozen."""
        return StampStatus(
            field=self.name,
            service=self.signer,
            time=self.signed_at,
            intact=self.intact,
            trusted=self.trusted and self.intact,
            covers=self.end,
            renew_before=self.expires,
            codes=tuple(self.codes),
        )
