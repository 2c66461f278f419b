"""A report issued from the form stands in the shop's log when there is one, and can be redacted later."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from diagnb.audit import AuditLog
from diagnb.evaluation import evaluate
from diagnb.lineage import read_shop_log
from diagnb.notebook.office import ShopOffice
from diagnb.proof import verify_report
from diagnb.record import Record, load_record, plain
from diagnb.redaction import check_redaction, redact
from diagnb.shipped import templates_directory
from diagnb.signing import load_trust

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)


@pytest.fixture
def record() -> Record:
    document = plain(load_record(templates_directory() / "demo-record.json"))
    document["people"][0]["id"] = "technician"
    for test in document["tests"]:
        test["by"] = "technician"
    for shown in document["cautions_shown"]:
        shown["to"] = "technician"
    return load_record(document)


@pytest.mark.parametrize("logged", [True, False])
def test_a_report_from_the_form_is_logged_and_redactable(tmp_path: Path, record: Record, logged: bool) -> None:
    office = ShopOffice(tmp_path / "keys", tmp_path / "trust.json", tmp_path / "reports", lambda: MOMENT)
    key = office.make_key(name="R. Example", passphrase=b"a long phrase of words")
    log = office.keys / "audit.jsonl"
    if logged:
        log.touch()
    done = office.issue(
        record=record, evaluation=evaluate(record), key_file=key, passphrase=b"a long phrase of words", strokes=()
    )
    found = verify_report(
        done.path, trust=load_trust(office.trust), moment=MOMENT, log=read_shop_log(log) if logged else None
    )
    assert found.trustworthy, found.reasons
    assert found.log == ("current" if logged else "not checked")
    assert [e.event.action for e in AuditLog(log).check().entries] == ["issue", "sign"] if logged else not log.exists()
    assert found.record is not None
    copy = redact(found.record, secret=found.salt)
    assert copy.redaction is not None
    assert check_redaction(copy)
    assert copy.redaction.head == found.digest_head
