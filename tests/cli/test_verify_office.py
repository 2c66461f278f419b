"""What an office relies on when it verifies reports: forgeries, void and replaced ones, altered files, dates, tables."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from diagnb.audit import AuditLog, Event
from diagnb.cli import main
from diagnb.evaluation import evaluate
from diagnb.proof import connect, judged_with, verify_report
from diagnb.record import Record, differences, digest, load_record, plain, read_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import SigningKey, TrustList, certify, countersign, create_authority, create_person, trust_entry

MOMENT = datetime.now(UTC).replace(microsecond=0) - timedelta(days=1)
Said = pytest.CaptureFixture[str]


@dataclass(frozen=True)
class Shop:
    """An invented shop with two people, and what it signs."""

    technician: SigningKey
    reviewer: SigningKey
    trust: TrustList

    def sign(self, record: Record, moment: datetime = MOMENT) -> bytes:
        pdf = render_report(record, evaluate(record), moment=moment)
        return certify(pdf, key=self.technician, field="Technician", reason="test", moment=moment)


def shop(name: str, years: int = 3) -> Shop:
    authority = create_authority(name=name, moment=MOMENT)
    technician, reviewer = (
        create_person(authority, name=n, role=r, years=years, moment=MOMENT)
        for n, r in (("R. Example", "technician"), ("M. Sample", "reviewer"))
    )
    return Shop(technician, reviewer, TrustList((trust_entry(authority.certificate, added=MOMENT, added_by="test"),)))


def changed(record: Record, **said: Any) -> Record:
    document = plain(record)
    for place, value in said.items():
        document[place] = value
    return read_record(json.loads(json.dumps(document)))


def later(record: Record, **said: Any) -> Record:
    """The next revision, with what changed and why."""
    stated = {"revision": record.revision, "digest": digest(record), "reason": "test"}
    draft = changed(record, revision=record.revision + 1, replaces=stated, **said)
    changes = [each.model_dump(mode="json") for each in differences(record, draft)]
    return changed(draft, replaces={**stated, "changes": changes})


@pytest.fixture(scope="module")
def ours() -> Shop:
    return shop("Example shop (invented)")


@pytest.fixture(scope="module")
def record() -> Record:
    return changed(load_record(templates_directory() / "demo-record.json"), demonstration=False)


@pytest.fixture(scope="module")
def good(ours: Shop, record: Record) -> bytes:
    return ours.sign(record)


@pytest.fixture
def desk(tmp_path: Path, ours: Shop, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with an umlaut; the shop's list lies in `given/`."""
    place = tmp_path / "Prüf stand"
    (place / "given").mkdir(parents=True)
    (place / "mail").mkdir()
    (place / "given" / "trust.json").write_text(ours.trust.to_json(), encoding="utf-8")
    monkeypatch.chdir(place)
    return place


def table(path: str) -> list[dict[str, str]]:
    with Path(path).open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


TRUST = ("--trust", "given/trust.json")


def test_a_folder_of_forgeries_with_its_own_trust_list_is_not_trustworthy(
    desk: Path, record: Record, capsys: Said
) -> None:
    forger = shop("Example shop (invented)")
    pdf = forger.sign(record)
    for number in range(5):
        Path(f"mail/r{number}.pdf").write_bytes(pdf)
    Path("mail/trust.json").write_text(forger.trust.to_json(), encoding="utf-8")
    assert main(["verify", "mail", "--csv", "out.csv"]) == 1
    said = capsys.readouterr().out
    assert "0 of 5 trustworthy" in said
    assert said.count("NOT TRUSTWORTHY: nobody vouches for the trust list that lay beside it") == 5
    assert "2 signed by a trusted person: yes" not in said
    assert f"trust list asked for 5 files: {Path('mail/trust.json')}" in said and "nobody vouches for it" in said
    rows = table("out.csv")
    assert {(r["trustworthy"], r["trusted"], r["trust list"]) for r in rows} == {
        ("no", "no", str(Path("mail/trust.json")))
    }
    assert "nobody vouches" in rows[0]["why"]
    # The whole way with the list that the shop gave: a stranger.
    assert main(["verify", "mail/r0.pdf", *TRUST]) == 1
    said = capsys.readouterr().out
    assert "NOT on the trust list" in said and "by another way" in said
    # A list in keys/ of the folder, or a stated one, is the office's own choice.
    shutil.copytree("given", "keys")
    Path("mail/own.pdf").write_bytes(shop("x").sign(record))
    assert main(["verify", "mail/own.pdf"]) == 1
    assert f"trust list asked: {Path('keys/trust.json')}" in capsys.readouterr().out


def test_a_demonstration_record_of_a_shop_key_is_no_exception(desk: Path, record: Record, capsys: Said) -> None:
    forger = shop("Another shop (invented)")
    Path("mail/r.pdf").write_bytes(forger.sign(changed(record, demonstration=True)))
    Path("mail/trust.json").write_text(forger.trust.to_json(), encoding="utf-8")
    assert main(["verify", "mail/r.pdf"]) == 1
    said = capsys.readouterr().out
    assert "throw-away" not in said and "[demonstration]" in said
    assert main(["check", "mail/r.pdf"]) in (0, 1)
    assert "signer-not-trusted" in capsys.readouterr().out


def test_the_demonstration_alone_proves_itself_and_says_as_what(desk: Path, capsys: Said) -> None:
    assert main(["demo"]) == 0
    capsys.readouterr()
    assert main(["verify", "diagnb-demo/report.pdf", "--csv", "out.csv"]) == 0
    assert "as a demonstration only" in table("out.csv")[0]["why"]
    said = capsys.readouterr().out
    assert "report.pdf: TRUSTWORTHY as a demonstration only (trust list came with it)" in said
    assert "throw-away key" in said


def test_void_and_replaced_reports_are_connected_in_one_call(
    desk: Path, ours: Shop, record: Record, good: bytes, capsys: Said
) -> None:
    second = later(record, complaint="ramp slow, and slower when cold")
    notice = later(second, status="void")
    files = {"a-first": good, "b-second": ours.sign(second), "d-same": good}
    for name, pdf in files.items():
        Path(f"mail/{name}.pdf").write_bytes(pdf)
    assert main(["verify", "mail", *TRUST, "--json"]) == 1
    by_name = {Path(v["file"]).stem: v for v in json.loads(capsys.readouterr().out)}
    assert {n: v["state"] for n, v in by_name.items()} == {
        "a-first": "superseded",
        "b-second": "unknown",
        "d-same": "superseded",
    }
    assert by_name["a-first"]["relations"] == [
        "superseded by b-second.pdf (revision 2)",
        "the same record stands in d-same.pdf too",
    ]
    Path("mail/e-notice.pdf").write_bytes(ours.sign(notice))
    Path("mail/f-other.pdf").write_bytes(ours.sign(changed(record, id="ANOTHER-1")))
    assert main(["verify", "mail", *TRUST, "--csv", "out.csv"]) == 1
    said = capsys.readouterr().out
    assert "a-first.pdf: VOID: declared void by e-notice.pdf" in said
    assert "b-second.pdf: VOID: declared void by e-notice.pdf" in said
    assert f"e-notice.pdf: VOID: this report declares record {record.id} void" in said
    assert "f-other.pdf: TRUSTWORTHY  " in said and "; no reviewer has signed" in said
    assert "1 of 5 trustworthy, 4 void" in said
    assert "1 signed bytes" not in said and "; the same record stands in d-same.pdf too" in said
    assert "superseded by e-notice" not in said and "\nnot trustworthy" not in said
    assert [r["state"] for r in table("out.csv")] == ["void", "void", "void", "void", "unknown"]
    # The notice alone is no good claim either.
    assert main(["verify", "mail/e-notice.pdf", *TRUST]) == 1
    assert main(["verify", "mail/a-first.pdf", "mail/b-second.pdf", *TRUST]) == 1
    assert "SUPERSEDED by b-second.pdf" in capsys.readouterr().out


def test_a_forged_notice_makes_nothing_void(ours: Shop, record: Record, good: bytes) -> None:
    forger = shop("Example shop (invented)")
    first = verify_report(good, trust=ours.trust, name="first.pdf")
    notice = verify_report(forger.sign(later(record, status="void")), trust=ours.trust, name="notice.pdf")
    one, two = connect([first, notice])
    assert one.trustworthy and one.counts and one.state == "unknown"
    assert one.relations == ("notice.pdf says that it replaces this report, but does not prove itself",)
    assert not two.trustworthy
    beside = judged_with(verify_report(forger.sign(later(record, status="void")), trust=forger.trust), "x", beside=True)
    assert connect([first, beside])[0].counts


def test_verify_says_which_log_it_asked_and_never_writes_into_a_foreign_one(
    desk: Path, good: bytes, record: Record, capsys: Said
) -> None:
    Path("mail/r.pdf").write_bytes(good)
    main(["verify", "mail/r.pdf", *TRUST])
    assert "log: not asked (no audit.jsonl found; name it with --log)" in capsys.readouterr().out

    def log_in(folder: str) -> Path:
        path = Path(folder) / "audit.jsonl"
        path.parent.mkdir(exist_ok=True)
        issued = Event(action="issue", actor="R. Example", record=record.id, revision=1, digest=digest(record))
        AuditLog(path, create=True).append_all([issued], clock=lambda: MOMENT)
        return path

    for folder, foreign in (("mail", True), ("given", False), (".", False), ("keys", False)):
        path = log_in(folder)
        before = path.read_bytes()
        main(["verify", "mail/r.pdf", *TRUST])
        said = capsys.readouterr().out
        assert f"log asked: {path}" in said
        assert ("may have come with it" in said) == foreign
        assert (path.read_bytes() == before) == foreign
        assert "in the shop's log: current" in said


def test_the_end_of_the_certificate_is_said_before_and_after(
    desk: Path, record: Record, capsys: Said, monkeypatch: Any
) -> None:
    brief = shop("Brief shop (invented)", years=1)
    Path("given/trust.json").write_text(brief.trust.to_json(), encoding="utf-8")
    Path("mail/r.pdf").write_bytes(brief.sign(record))
    assert main(["verify", "mail/r.pdf", *TRUST, "--csv", "out.csv"]) == 0
    said = capsys.readouterr().out
    ends = brief.technician.certificate.not_valid_after_utc
    assert f"certificate valid until {ends:%Y-%m-%d}" in said
    assert "stamp it now: `diagnb timestamp` [certificate-ends-soon]" in said
    assert table("out.csv")[0]["valid until"] == ends.isoformat()
    monkeypatch.setattr("diagnb.cli.verification.now", lambda: MOMENT + timedelta(days=3 * 365))
    assert main(["verify", "mail/r.pdf", *TRUST]) == 1
    said = capsys.readouterr().out
    assert "the certificate has EXPIRED" in said and "NOT on the trust list" not in said
    assert "the shop's own log alone proves no date" in " ".join(said.split())


def noted(pdf: bytes) -> bytes:
    """A note put on the second page, as a viewer saves it."""
    from pyhanko.pdf_utils import generic
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    writer = IncrementalPdfFileWriter(BytesIO(pdf))
    page = writer.root["/Pages"]["/Kids"][1]
    note = generic.DictionaryObject(
        {
            generic.pdf_name("/Type"): generic.pdf_name("/Annot"),
            generic.pdf_name("/Subtype"): generic.pdf_name("/Text"),
            generic.pdf_name("/Rect"): generic.ArrayObject([generic.NumberObject(n) for n in (9, 9, 30, 30)]),
            generic.pdf_name("/Contents"): generic.pdf_string("approved"),
        }
    )
    page[generic.pdf_name("/Annots")] = generic.ArrayObject([*page.get("/Annots", ()), writer.add_object(note)])
    writer.update_container(page)
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def test_altered_files_say_what_helps_and_what_differs(desk: Path, good: bytes, capsys: Said) -> None:
    flipped = bytearray(good)
    flipped[20_000] ^= 1
    at = good.index(b"/ByteRange")
    files = {
        "flipped": (bytes(flipped), "digest-mismatch"),
        "range": (good[:at] + good[at:].replace(b"/ByteRange [0 ", b"/ByteRange [1 ", 1), "byte-range-wrong"),
        "cut": (good[:9000], "unreadable"),
        "text": (b"this is no report", "unreadable"),
        "noted": (noted(good), "changed-after-signing"),
    }
    for name, (pdf, code) in files.items():
        Path(f"mail/{name}.pdf").write_bytes(pdf)
        assert main(["verify", f"mail/{name}.pdf", *TRUST]) == 1
        said = capsys.readouterr().out
        assert f"[{code}]" in said, said
        assert said.count("what helps: ") >= 1, said
        assert ":  ()" not in said
    assert "page 2: a note" in said
    assert "as they were signed yes, byte for byte; NOT as they are seen now" in said
    Path("mail/flipped.pdf").write_bytes(bytes(flipped))
    main(["verify", "mail/flipped.pdf", *TRUST])
    assert "what the altered file holds, proved by nobody" in capsys.readouterr().out
    from diagnb.signing.reading import open_pdf

    page = open_pdf(good).root["/Pages"]["/Kids"][1].raw_get("/Contents").reference
    at = good.index(b"stream", good.index(b"\n%d 0 obj" % page.idnum)) + 90
    Path("mail/page.pdf").write_bytes(good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :])
    main(["verify", "mail/page.pdf", *TRUST])
    assert "not as the record inside gives it: page 2: other page content" in capsys.readouterr().out


def test_an_altered_evaluation_is_named_number_by_number(record: Record, ours: Shop) -> None:
    from diagnb.proof.inside import look_inside

    evaluation = evaluate(record)
    lying = evaluation.tests[2].results[0]
    object.__setattr__(evaluation, "tests", tuple(
        replace(t, results=(replace(lying, value=0.001), *t.results[1:])) if i == 2 else t for i, t in enumerate(evaluation.tests)
    ))  # fmt: skip
    pdf = bytearray(certify(
        render_report(record, evaluation, moment=MOMENT), key=ours.technician, field="Technician", reason="t", moment=MOMENT
    ))  # fmt: skip
    said = "\n".join(look_inside(bytes(pdf)))
    assert "the record inside gives" in said and "the evaluation inside says 0.001" in said


def test_a_missing_file_is_wrong_use_and_the_others_are_verified(desk: Path, good: bytes, capsys: Said) -> None:
    Path("mail/r.pdf").write_bytes(good)
    assert main(["verify", "mail/r.pdf", "mail/none.pdf", *TRUST, "--csv", "out.csv"]) == 2
    captured = capsys.readouterr()
    assert "none.pdf: is not there" in captured.err
    assert "r.pdf: TRUSTWORTHY" in captured.out
    lost = table("out.csv")[1]
    assert (lost["revision"], lost["results"], lost["differing"]) == ("", "", "")


def test_the_table_has_what_an_office_looks_up(
    desk: Path, ours: Shop, record: Record, good: bytes, capsys: Said
) -> None:
    both = countersign(good, key=ours.reviewer, field="Reviewer", reason="test", moment=MOMENT)
    for number in range(4):
        Path(f"mail/r{number}.pdf").write_bytes(both)
    assert main(["verify", "mail", *TRUST, "--csv", "out.csv"]) == 0
    said = capsys.readouterr().out
    row = table("out.csv")[0]
    assert (
        row["repair order"] == record.order.number
        and row["VIN"] == record.vehicle.vin
        and row["unit"] == record.vehicle.unit
    )
    assert (row["as found"], row["reviewer"], row["why"]) == ("fail", "M. Sample", "")
    assert row["as left"] in ("pass", "conditional pass", "conditional fail", "fail", "not judged")
    assert row["trust list"] == str(Path("given/trust.json"))
    assert said.count("[no-time-stamp]") == 1 and "note, 4 ×: no trusted time stamp" in said
    assert "no reviewer has signed" not in said
