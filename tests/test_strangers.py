"""Who signed is not who the record names, or belongs to another shop: what that is worth."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from diagnb.cli import main
from diagnb.evaluation import evaluate
from diagnb.proof import connect, standing, verify_report
from diagnb.record import Record, amend, load_record, plain, void
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import TrustList, certify, create_authority, create_person, load_trust, trust_entry

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
DEMO = load_record(templates_directory() / "demo-record.json")


class Shops:
    """Two shops whose authorities an office trusts alike."""

    def __init__(self) -> None:
        self.north = create_authority(name="North workshop (invented)", moment=MOMENT)
        self.south = create_authority(name="South workshop (invented)", moment=MOMENT)
        self.trust = TrustList(
            tuple(trust_entry(a.certificate, added=MOMENT, added_by="test") for a in (self.north, self.south))
        )

    def signed(self, authority: Any, name: str, *, role: str = "technician", record: Record = DEMO) -> bytes:
        key = create_person(authority, name=name, role=role, moment=MOMENT)
        pdf = render_report(record, evaluate(record), moment=MOMENT)
        return certify(pdf, key=key, field="Technician", reason="I took these readings", moment=MOMENT)

    def verify(self, pdf: bytes, name: str = "report.pdf", *, days: float = 30) -> Any:
        return verify_report(pdf, trust=self.trust, moment=MOMENT + timedelta(days=days), name=name)


@pytest.fixture(scope="module")
def shops() -> Shops:
    return Shops()


def test_a_report_signed_by_somebody_whom_its_record_does_not_name_is_not_believed(shops: Shops) -> None:
    found = shops.verify(shops.signed(shops.south, "U. Specimen"))
    assert found.reasons == ("signer-not-named",)
    assert not found.trustworthy


@pytest.mark.parametrize("name", ["R. Example", "r.  EXAMPLE", "M. Sample"])
def test_case_and_blanks_of_a_name_do_not_count_and_any_person_of_the_record_may_sign(shops: Shops, name: str) -> None:
    assert shops.verify(shops.signed(shops.north, name)).reasons == ()


def test_a_key_of_the_office_signs_for_the_shop_and_is_said_to(shops: Shops) -> None:
    found = shops.verify(shops.signed(shops.north, "Records office", role="office"))
    assert found.trustworthy
    assert "signed-by-office" in found.notes


def test_another_shop_can_neither_void_nor_replace_a_report(shops: Shops) -> None:
    genuine = shops.verify(shops.signed(shops.north, "R. Example"), "genuine.pdf")
    spite = shops.verify(shops.signed(shops.south, "S. Muster", record=void(DEMO, reason="spite")), "spite.pdf")
    document = plain(DEMO)
    document["cause"] = "another cause"
    other = amend(DEMO, load_record(document), reason="spite")
    replacing = shops.verify(shops.signed(shops.south, "R. Example", record=other), "replacing.pdf")
    assert spite.trustworthy and replacing.trustworthy
    found = connect([genuine, spite, replacing])[0]
    assert standing(found) == "TRUSTWORTHY"
    assert found.counts
    (said,) = found.relations
    assert "replacing.pdf, spite.pdf" in said and "another shop" in said


def test_the_own_shop_can_do_both(shops: Shops) -> None:
    genuine = shops.verify(shops.signed(shops.north, "R. Example"), "genuine.pdf")
    notice = shops.verify(shops.signed(shops.north, "S. Foreman", record=void(DEMO, reason="wrong bus")), "void.pdf")
    assert connect([genuine, notice])[0].state == "void"


def test_a_report_that_ran_out_is_told_from_a_forged_one(shops: Shops) -> None:
    report = shops.signed(shops.north, "R. Example")
    old = shops.verify(report, days=365 * 9)
    assert "ANY MORE" in standing(old)
    stranger = verify_report(report, trust=TrustList(()), moment=MOMENT)
    assert standing(stranger) == "NOT TRUSTWORTHY"


def test_the_trust_list_of_another_shop_is_taken_over_with_what_it_withdraws(
    shops: Shops, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    person = create_person(shops.south, name="S. Muster", role="technician", moment=MOMENT)
    north = TrustList((trust_entry(shops.north.certificate, added=MOMENT, added_by="test"),))
    south = TrustList(
        tuple(trust_entry(c, added=MOMENT, added_by="test") for c in (shops.south.certificate, person.certificate))
    ).with_new_revocation_list(shops.south, moment=MOMENT)
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys" / "trust.json").write_text(north.to_json(), encoding="utf-8")
    (tmp_path / "south.json").write_text(south.to_json(), encoding="utf-8")
    assert main(["key", "trust", "south.json"]) == 0
    said = capsys.readouterr().out
    assert "S. Muster (technician): trusted; fingerprint " in said and "by another way" in said
    joined = load_trust(tmp_path / "keys" / "trust.json")
    assert {e.name for e in joined.entries} == {"North workshop (invented)", "South workshop (invented)", "S. Muster"}
    assert len(joined.revocation_lists) == 1
    withdrawn = south.with_revoked(south.search("S. Muster").fingerprint, moment=MOMENT, reason="key-compromise")
    (tmp_path / "south.json").write_text(withdrawn.to_json(), encoding="utf-8")
    assert main(["key", "trust", "south.json"]) == 0
    assert load_trust(tmp_path / "keys" / "trust.json").search("S. Muster").status == "revoked"
    (tmp_path / "south.json").write_text(south.to_json(), encoding="utf-8")
    assert main(["key", "trust", "south.json"]) == 0
    assert "says nothing" in capsys.readouterr().out
    assert load_trust(tmp_path / "keys" / "trust.json").search("S. Muster").status == "revoked"


def test_two_trust_lists_on_one_line_are_a_fault_and_not_the_last_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", "x.pdf", "--trust", "a.json", "--trust", "b.json"]) == 2
    assert "diagnb key trust" in capsys.readouterr().err


def test_no_copy_is_made_of_a_report_whose_signer_nobody_trusts(
    shops: Shops, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "report.pdf").write_bytes(shops.signed(shops.south, "R. Example"))
    north = TrustList((trust_entry(shops.north.certificate, added=MOMENT, added_by="test"),))
    (tmp_path / "trust.json").write_text(north.to_json(), encoding="utf-8")
    copy = [
        "redact",
        str(tmp_path / "report.pdf"),
        "-o",
        str(tmp_path / "copy.pdf"),
        "--trust",
        str(tmp_path / "trust.json"),
    ]
    assert main(copy) == 2
    assert "the signer is not on the trust list" in capsys.readouterr().err
    assert not (tmp_path / "copy.pdf").exists()


@pytest.mark.parametrize(("listed", "severity", "status"), [(True, "rejects", 1), (False, "weakens", None)])
def test_a_stranger_is_a_ground_of_rejection_once_a_list_was_asked(
    shops: Shops,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    listed: bool,
    severity: str,
    status: int | None,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "report.pdf").write_bytes(shops.signed(shops.south, "R. Example"))
    north = TrustList((trust_entry(shops.north.certificate, added=MOMENT, added_by="test"),))
    (tmp_path / "north.json").write_text(north.to_json(), encoding="utf-8")
    done = main(["check", "report.pdf", "--json", *(["--trust", "north.json"] if listed else [])])
    (found,) = (r for r in json.loads(capsys.readouterr().out) if r["code"] == "signer-not-trusted")
    assert found["severity"] == severity
    assert status is None or done == status


def test_a_shop_s_log_has_no_say_in_reports_of_another_shop(
    shops: Shops, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["key", "init", "East workshop", "--log", "keys/audit.jsonl"]) == 0
    assert (tmp_path / "keys" / "audit.jsonl").is_file()
    (tmp_path / "north.pdf").write_bytes(shops.signed(shops.north, "R. Example"))
    own = TrustList((trust_entry(shops.north.certificate, added=MOMENT, added_by="diagnb key init"),))
    (tmp_path / "list.json").write_text(own.to_json(), encoding="utf-8")  # as that shop has it itself
    assert main(["key", "trust", "list.json"]) == 0
    assert main(["verify", "north.pdf", "--json"]) == 0
    out = capsys.readouterr().out
    (found,) = json.loads(out[out.index("[\n") :])
    assert (found["trustworthy"], found["log"]) == (True, "not checked")
