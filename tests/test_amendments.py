"""Amendments and voids: the report shows what changed, names what it replaces, and can't be had otherwise."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from diagnb.audit import AuditLog, Event, lines_of
from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.lineage import against_replaced, read_shop_log
from diagnb.proof import verify_report
from diagnb.record import Record, amend, canonical_bytes, differences, digest, load_record, plain, void
from diagnb.report import Options, render_report
from diagnb.report.blocks import Cell, Notice, Table
from diagnb.report.compose import compose
from diagnb.report.wording import load_wording
from diagnb.shipped import templates_directory
from diagnb.signing import TrustList, certify, countersign, create_authority, create_person, trust_entry

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
DEMO = load_record(templates_directory() / "demo-record.json")
SALT = "5a" * 32


class Shop:
    def __init__(self) -> None:
        self.authority = create_authority(name="Example shop (invented)", moment=MOMENT)
        self.technician = create_person(self.authority, name="R. Example", role="technician", moment=MOMENT)
        self.reviewer = create_person(self.authority, name="M. Sample", role="reviewer", moment=MOMENT)
        self.trust = TrustList((trust_entry(self.authority.certificate, added=MOMENT, added_by="test"),))

    def issue(self, record: Record, **options: Any) -> bytes:
        pdf = render_report(record, evaluate(record), moment=MOMENT, **options)
        return certify(pdf, key=self.technician, field="Technician", reason="test", moment=MOMENT)

    def verify(self, pdf: bytes, **options: Any) -> Any:
        return verify_report(pdf, trust=self.trust, moment=MOMENT + timedelta(days=30), **options)


@pytest.fixture(scope="module")
def shop() -> Shop:
    return Shop()


def changed(record: Record = DEMO, **values: Any) -> Record:
    document = plain(record) | values
    return load_record(document)


def better() -> Record:
    document = plain(DEMO)
    document["vehicle"]["odometer"]["value"] = "61204"
    document["cause"] = "High resistance at the frame stud; the strap itself is sound."
    document["tests"][2]["readings"][0]["texts"][1] = "1.412 V"
    document["findings"].append({"text": "The strap was measured again on the bench.", "tests": ["3"]})
    document["parts"].pop()
    return load_record(document)


def longer() -> Record:
    document = plain(DEMO)
    again = next(t for t in document["tests"] if t["id"] == "1") | {"id": "9", "phase": "as left"}
    again["readings"] = [again["readings"][0] | {"texts": ["12.61 V"]}]
    document["tests"].append(again)
    document["tests"][0]["time"] = "2026-03-02T08:31:00+01:00"
    return load_record(document)


def test_an_added_test_is_told_in_words_with_its_reading_first() -> None:
    found = {c.where: (c.before, c.after) for c in differences(DEMO, longer())}
    before, after = found["tests[9]"]
    assert before == ""
    assert after.startswith("Battery open-circuit voltage and state of charge, as left: 12.61 V; instrument M1; ")
    assert not set('{}"') & set(after)
    assert found["tests[1].time"] == ("2026-03-02T08:30:00+01:00", "2026-03-02T08:31:00+01:00")
    gone = {c.where: c.before for c in differences(better(), DEMO)}
    assert gone["findings[3]"] == "text The strap was measured again on the bench.; tests 3"
    part = next(c for c in differences(DEMO, better()) if c.where == "parts[1]")
    assert part.before.startswith("action installed; number GS-70-450; description ground strap")


def test_a_report_whose_changes_stand_there_as_before_still_proves_itself(shop: Shop) -> None:
    record = amend(DEMO, longer(), reason="battery measured again")
    document = plain(record)
    assert document["replaces"]["changes"] == [c.model_dump(exclude_defaults=True) for c in differences(DEMO, longer())]
    old = [c.model_dump(exclude_defaults=True) for c in differences(DEMO, longer(), as_json=True)]
    assert old != document["replaces"]["changes"]
    document["replaces"]["changes"] = old
    assert against_replaced(load_record(document), DEMO) == ()
    document["replaces"]["changes"] = old[:-1]
    assert against_replaced(load_record(document), DEMO) == ("changes-differ",)


def test_a_void_report_says_so_in_its_outcome_box_and_no_verdict_beside_it() -> None:
    record = void(DEMO, reason="another bus")
    for language, word in (("en", "VOID"), ("de", "UNGÜLTIG")):
        wording = load_wording(language)
        blocks = compose(record, evaluate(record), wording, Options(moment=MOMENT, language=language))
        notices = [b for b in blocks if isinstance(b, Notice)]
        assert notices[0].heading == word
        assert notices[1].heading.endswith(f": {word}")
        assert not any(wording.verdict(verdict) in notices[1].text for verdict in ("pass", "fail"))


def test_an_amendment_names_what_it_replaces_and_lists_what_changed() -> None:
    record = amend(DEMO, better(), reason="odometer digits swapped")
    assert record.revision == 2
    assert record.replaces is not None
    assert (record.replaces.revision, record.replaces.digest) == (1, digest(DEMO))
    found = {c.where: (c.before, c.after) for c in record.replaces.changes}
    assert found["vehicle.odometer.value"] == ("61240", "61204")
    assert found["tests[3].readings[drop].texts[1]"] == ("1.421 V", "1.412 V")
    assert found["findings[3]"][0] == ""
    assert found["parts[1]"][1] == ""
    assert set(found) == {
        "vehicle.odometer.value",
        "cause",
        "tests[3].readings[drop].texts[1]",
        "findings[3]",
        "parts[1]",
    }
    assert load_record(canonical_bytes(record)) == record


def test_an_inserted_test_is_one_change_and_not_all_that_follow() -> None:
    document = plain(DEMO)
    document["tests"].insert(0, {**document["tests"][0], "id": "0"})
    assert [c.where for c in differences(DEMO, load_record(document))] == ["tests[0]"]


def test_a_changed_procedure_is_shown_by_its_digest() -> None:
    document = plain(DEMO)
    document["procedures"]["feed-side-drop"] = {**document["procedures"]["feed-side-drop"], "title": "Other title"}
    (change,) = differences(DEMO, load_record(document))
    assert change.where == "procedures.feed-side-drop"
    assert change.before.startswith("SHA-256 ") and change.before != change.after


def test_very_many_changes_are_bounded() -> None:
    document = plain(DEMO)
    document["parts"] = [{**document["parts"][0], "number": f"P{i}"} for i in range(900)]
    found = differences(DEMO, load_record(document))
    assert len(found) == 500
    assert found[-1].after.endswith("further changes")


@pytest.mark.parametrize(
    ("old", "new", "reason", "said"),
    [
        (DEMO, better(), "  ", "reason"),
        (DEMO, DEMO, "why", "nothing differs"),
        (DEMO, changed(id="OTHER-1"), "why", "another record"),
        (void(DEMO, reason="wrong bus"), better(), "why", "void already"),
    ],
)
def test_what_is_no_amendment_is_refused(old: Record, new: Record, reason: str, said: str) -> None:
    with pytest.raises(InputFault, match=said):
        amend(old, new, reason=reason)


def test_void_keeps_everything_but_the_standing() -> None:
    record = void(DEMO, reason="readings of another bus")
    kept, was = plain(record), plain(DEMO)
    assert record.status == "void"
    assert {k: v for k, v in kept.items() if k not in ("revision", "replaces", "status")} == {
        k: v for k, v in was.items() if k != "revision"
    }
    with pytest.raises(InputFault, match="becomes void by a revision"):
        changed(status="void")
    with pytest.raises(InputFault, match="void already"):
        void(record, reason="again")


@pytest.mark.parametrize("language", ["en", "fr", "de", "es"])
def test_the_report_shows_the_difference_in_the_readers_language(language: str) -> None:
    record = amend(DEMO, better(), reason="odometer digits swapped")
    wording = load_wording(language)
    blocks = compose(record, evaluate(record), wording, Options(moment=MOMENT, language=language))
    table = next(b for b in blocks if isinstance(b, Table) and b.head[1] == wording.say("label.before"))
    first = table.rows[0]
    assert isinstance(first[0], Cell)
    assert first[0].text == wording.say("label.odometer")
    assert first[1:] == ("61240", "61204")
    words = [row[0].text for row in table.rows if isinstance(row[0], Cell)]
    assert f"{wording.say('label.test')} 3, {wording.say('label.reading')} drop" in words
    added = next(row for row in table.rows if isinstance(row[0], Cell) and row[0].detail == "findings[3]")
    assert wording.say("text.change-added") in str(added[1])


@pytest.mark.system
@pytest.mark.parametrize(
    ("language", "mark"), [("en", "VOID"), ("de", "UNGÜLTIG"), ("fr", "ANNULÉ"), ("es", "ANULADO")]
)
def test_a_void_report_says_so_on_every_page(tmp_path: Path, language: str, mark: str) -> None:
    import subprocess

    record = void(DEMO, reason="readings of another bus")
    path = tmp_path / "void.pdf"
    path.write_bytes(render_report(record, evaluate(record), moment=MOMENT, language=language))
    raw = subprocess.run(["pdftotext", "-raw", str(path), "-"], capture_output=True, text=True, check=True).stdout
    pages = raw.split("\f")[:-1]
    title = load_wording(language).say("page.void-title")
    assert all(title in page for page in pages)
    assert "readings of another bus" in " ".join(pages[0].split())
    assert all("\n".join(mark) in page for page in pages), "set aslant, so one letter a line"


def test_verification_against_the_replaced_report(shop: Shop) -> None:
    record = amend(DEMO, better(), reason="odometer digits swapped")
    old, new = shop.issue(DEMO), shop.issue(record)
    assert shop.verify(new, replaces=old).trustworthy
    assert shop.verify(old, replaces=new).reasons == ("replaced-report-missing",)
    other = shop.issue(changed(complaint="Ramp does not move."))
    assert shop.verify(new, replaces=other).reasons == ("replaced-report-differs",)
    damaged = bytearray(old)
    damaged[3000] ^= 1
    assert "replaced-report-unproved" in shop.verify(new, replaces=bytes(damaged)).reasons


def test_a_signer_who_hides_a_change_is_found(shop: Shop) -> None:
    document = plain(amend(DEMO, better(), reason="odometer digits swapped"))
    document["replaces"]["changes"] = [c for c in document["replaces"]["changes"] if "readings" not in c["where"]]
    hiding = shop.issue(load_record(document))
    assert shop.verify(hiding).trustworthy, "by itself the report is consistent"
    assert shop.verify(hiding, replaces=shop.issue(DEMO)).reasons == ("changes-differ",)


class Logged:
    """A shop that writes its log: three revisions of one record."""

    def __init__(self, shop: Shop, path: Path) -> None:
        self.shop, self.path = shop, path
        self.log = AuditLog(path, create=True)
        self.reports: list[bytes] = []
        first = DEMO
        second = amend(first, better(), reason="odometer digits swapped")
        for record, action in ((first, "issue"), (second, "amend")):
            self.issue(record, action)

    def issue(self, record: Record, action: Any) -> bytes:
        event = Event(
            action=action, actor="R. Example", record=record.id, revision=record.revision, digest=digest(record),
            replaces=record.replaces.digest if record.replaces else "",
        )  # fmt: skip
        _, head = self.log.append(event, clock=lambda: MOMENT)
        pdf = self.shop.issue(record, log_head=str(head))
        self.reports.append(pdf)
        return pdf

    def ask(self, pdf: bytes) -> Any:
        return self.shop.verify(pdf, log=read_shop_log(self.path))


@pytest.fixture
def logged(shop: Shop, tmp_path: Path) -> Logged:
    return Logged(shop, tmp_path / "audit.jsonl")


def test_the_log_knows_which_report_stands(logged: Logged) -> None:
    first, second = (logged.ask(pdf) for pdf in logged.reports)
    assert (first.trustworthy, first.log) == (True, "superseded")
    assert "superseded" in first.notes
    assert (second.trustworthy, second.log) == (True, "current")
    last = second.record
    third = logged.issue(void(last, reason="wrong bus"), "void")
    assert [logged.ask(pdf).log for pdf in logged.reports] == ["void", "void", "current"]
    assert logged.ask(logged.reports[1]).reasons == ("void",)
    found = logged.ask(third)
    assert found.trustworthy and "void-notice" in found.notes


def test_a_report_that_was_never_logged(logged: Logged, shop: Shop) -> None:
    found = logged.ask(shop.issue(changed(complaint="made behind the shop's back")))
    assert (found.log, found.reasons) == ("not in the log", ("not-in-log",))


def test_a_log_rewritten_as_a_whole_is_found_by_an_issued_report(logged: Logged) -> None:
    lines = lines_of(logged.path)
    logged.path.unlink()
    forged = AuditLog(logged.path, create=True)
    from diagnb.audit import read_line

    for line in lines:
        event = read_line(line).event
        forged.append(Event(action=event.action, actor="R. Example", record=event.record, digest=event.digest, reason="cleaned"), clock=lambda: MOMENT)  # fmt: skip
    assert forged.check().good
    found = logged.ask(logged.reports[1])
    assert (found.log, found.reasons) == ("log differs", ("log-differs",))


def test_a_broken_log_is_said(logged: Logged) -> None:
    logged.path.write_bytes(logged.path.read_bytes().replace(b"R. Example", b"R. Exemple", 1))
    assert logged.ask(logged.reports[1]).reasons == ("log-broken",)


def test_a_countersignature_cut_off_is_found_by_the_log(logged: Logged, shop: Shop) -> None:
    import hashlib

    before = logged.reports[1]
    after = countersign(before, key=shop.reviewer, field="Reviewer", reason="test", moment=MOMENT)
    logged.log.append(
        Event(
            action="sign", actor="M. Sample", signer="M. Sample", digest=logged.ask(before).digest,
            replaces=hashlib.sha256(before).hexdigest(), file_sha256=hashlib.sha256(after).hexdigest(),
        ),
        clock=lambda: MOMENT,
    )  # fmt: skip
    assert logged.ask(after).trustworthy
    assert shop.verify(before).trustworthy, "the file itself shows nothing"
    assert logged.ask(before).reasons == ("signature-cut-off",)


def test_old_records_keep_their_canonical_form() -> None:
    assert not {"status", "redaction", "replaces"} & set(plain(DEMO))
