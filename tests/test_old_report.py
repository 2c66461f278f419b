"""A report kept from an earlier day must go on proving itself, whatever draws and computes reports today.

The file, its trust list and what it proves are in `tests/data/reports`. They are never made anew because a later version
can't read them: that is the fault this test looks for. `python tests/test_old_report.py` makes the first one.
"""

from __future__ import annotations

import json
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from diagnb.proof import verify_report
from diagnb.signing import load_trust

FOLDER = Path(__file__).parent / "data" / "reports"
STAMPED = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
YEAR = timedelta(days=365)


@pytest.mark.parametrize(("years", "now"), [(0, True), (5, False)])
def test_an_old_report_still_gives_its_answers(years: int, now: bool) -> None:
    known = json.loads((FOLDER / "proves.json").read_text(encoding="utf-8"))
    found = verify_report(
        FOLDER / "stamped.pdf",
        trust=load_trust(FOLDER / "trust.json"),
        moment=STAMPED + years * YEAR + timedelta(days=30),
        expected=("Technician", "Reviewer"),
    )
    assert found.reasons == ()
    assert found.trustworthy
    assert found.pages in ("same", "other-version")
    assert not found.later_changes
    assert (found.record_id, found.digest, found.results) == (known["record"], known["digest"], known["results"])
    assert [(s.signer, s.role, s.timestamped) for s in found.signatures] == [
        ("R. Example", "technician", True),
        ("M. Sample", "reviewer", True),
    ]
    assert all(s.trusted and s.trusted_now == now for s in found.signatures)
    assert [s.time for s in found.stamps] == [STAMPED]


def test_an_old_report_whose_stamp_was_not_renewed() -> None:
    found = verify_report(
        FOLDER / "stamped.pdf", trust=load_trust(FOLDER / "trust.json"), moment=STAMPED + 7 * YEAR, expected=()
    )
    assert {"timestamp-expired", "certificate-expired"} <= set(found.reasons)
    assert all(s.intact for s in found.signatures)
    assert found.pages in ("same", "other-version")
    assert found.differing == ()


def make() -> None:
    """Make the files; their keys are thrown away."""
    sys.path.insert(0, str(Path(__file__).parent / "signing"))
    from stamping import time_service

    from diagnb.evaluation import evaluate
    from diagnb.record import load_record
    from diagnb.report import render_report
    from diagnb.shipped import templates_directory
    from diagnb.signing import TrustList, certify, countersign, create_authority, create_person, timestamp, trust_entry

    signed = STAMPED - timedelta(days=1)
    made = signed - timedelta(days=60)
    record = load_record(templates_directory() / "demo-record.json")
    authority = create_authority(name="Example shop (invented)", moment=made)
    technician, reviewer = (
        create_person(authority, name=name, role=role, moment=made)
        for name, role in (("R. Example", "technician"), ("M. Sample", "reviewer"))
    )
    with tempfile.TemporaryDirectory() as folder, time_service(Path(folder), made=made) as service:
        trust = TrustList((trust_entry(authority.certificate, added=made, added_by="test"), service.entry(made)))
        trust = trust.with_new_revocation_list(authority, moment=STAMPED)
        service.at(signed)
        url = service.url()
        pdf = render_report(record, evaluate(record), moment=signed)
        pdf = certify(
            pdf, key=technician, field="Technician", reason="I took these readings", moment=signed, timestamp_url=url
        )
        pdf = countersign(
            pdf, key=reviewer, field="Reviewer", reason="I reviewed this record", moment=signed, timestamp_url=url
        )
        service.at(STAMPED)
        pdf = timestamp(pdf, url=url, trust=trust, moment=STAMPED)
    found = verify_report(pdf, trust=trust, moment=STAMPED, expected=("Technician", "Reviewer"))
    assert found.trustworthy, found.reasons
    FOLDER.mkdir(parents=True, exist_ok=True)
    with (FOLDER / "stamped.pdf").open("xb") as stream:
        stream.write(pdf)
    (FOLDER / "trust.json").write_text(trust.to_json(), encoding="utf-8")
    proves = {"record": found.record_id, "digest": found.digest, "results": found.results, "made_with": found.made_with}
    (FOLDER / "proves.json").write_text(json.dumps(proves, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    make()
