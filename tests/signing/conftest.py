"""The people who sign in these tests, all invented, and what they signed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import handmade
import pytest

from diagnb.signing.keys import Authority, SigningKey, create_authority, create_person
from diagnb.signing.sign import certify, countersign
from diagnb.signing.trust import TrustList, trust_entry

MADE = datetime(2030, 1, 7, 8, 0, tzinfo=UTC)
SIGNED = datetime(2030, 5, 31, 14, 30, tzinfo=UTC)
REVIEWED = datetime(2030, 5, 31, 16, 0, tzinfo=UTC)
CHECKED = datetime(2030, 6, 1, 9, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Shop:
    """An invented shop: its authority, two people, a trust list that holds only the authority."""

    authority: Authority
    technician: SigningKey
    reviewer: SigningKey
    trust: TrustList
    unsigned: bytes
    certified: bytes
    countersigned: bytes
    made: datetime = MADE
    signed: datetime = SIGNED
    reviewed: datetime = REVIEWED
    checked: datetime = CHECKED

    def certify(self, pdf: bytes, key: SigningKey | None = None) -> bytes:
        return certify(
            pdf,
            key=key or self.technician,
            field="Technician",
            reason="Measured and recorded",
            location="Bay 3",
            moment=SIGNED,
        )

    def countersign(self, pdf: bytes, key: SigningKey | None = None) -> bytes:
        return countersign(pdf, key=key or self.reviewer, field="Reviewer", reason="Reviewed", moment=REVIEWED)


@pytest.fixture(scope="session")
def shop() -> Shop:
    authority = create_authority(name="Invented Shop Authority", moment=MADE)
    technician = create_person(authority, name="Ada Invented", role="technician", moment=MADE)
    reviewer = create_person(authority, name="Ben Invented", role="reviewer", moment=MADE)
    trust = TrustList((trust_entry(authority.certificate, added=MADE, added_by="test"),))
    bare = Shop(authority, technician, reviewer, trust, handmade.write(handmade.objects()), b"", b"")
    certified = bare.certify(bare.unsigned)
    countersigned = bare.countersign(certified)
    return Shop(authority, technician, reviewer, trust, bare.unsigned, certified, countersigned)
