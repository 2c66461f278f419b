"""A reviewer's desk with invented people: keys, the shop's trust list, and a signed report of the demonstration record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from diagnb.evaluation import evaluate
from diagnb.record import load_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import (
    TrustList,
    certify,
    create_authority,
    create_person,
    save_key,
    self_signed_person,
    trust_entry,
)

PASSPHRASE = b"five quiet words on paper"


@dataclass(frozen=True)
class Desk:
    """Key files are called reviewer.p12, technician.p12 and stranger.p12 (nobody trusts that one)."""

    folder: Path
    report: Path
    moment: datetime

    def key(self, name: str) -> Path:
        return self.folder / "keys" / f"{name}.p12"


def desk(folder: Path) -> Desk:
    """Make it."""
    moment = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=5)
    record = load_record(templates_directory() / "demo-record.json")
    authority = create_authority(name="Invented shop", moment=moment)
    people = {p.role: create_person(authority, name=p.name, role=p.role, moment=moment) for p in record.people}
    people["stranger"] = self_signed_person(name="S. Tranger", role="reviewer", moment=moment)
    keys = folder / "keys"
    for name, key in people.items():
        save_key(key, keys / f"{name}.p12", PASSPHRASE)
    trust = TrustList((trust_entry(authority.certificate, added=moment, added_by="the desk"),))
    (keys / "trust.json").write_text(trust.to_json(), encoding="utf-8")
    pdf = render_report(record, evaluate(record), moment=moment)
    pdf = certify(pdf, key=people["technician"], field="Technician", reason="I took these readings", moment=moment)
    report = folder / "claim 0117.pdf"
    report.write_bytes(pdf)
    return Desk(folder, report, moment)
