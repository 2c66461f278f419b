"""Log, amendments, voids, redacted copies and photos as a shop meets them on the command line."""

from __future__ import annotations

import csv
import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from diagnb.audit import AuditLog, Event
from diagnb.cli import main
from diagnb.shipped import templates_directory

DEMO = templates_directory() / "demo-record.json"


class Bench:
    """A work folder with an umlaut in its name: keys, log, a record with a photo."""

    def __init__(self, place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.place, self.capsys = place, capsys
        self.secrets: dict[str, str] = {}
        place.mkdir(parents=True)
        monkeypatch.chdir(place)
        monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
        monkeypatch.setattr("getpass.getpass", self.ask)
        self.current = ""
        assert self.run("key", "init", "Example shop")[0] == 0
        self.secrets["authority"] = self.said.rsplit(": ", 1)[1].strip()
        for name, role in (("R. Example", "technician"), ("M. Sample", "reviewer"), ("Records office", "office")):
            self.current = "authority"
            assert self.run("key", "add", name, "--role", role)[0] == 0
            self.secrets[role] = self.said.rsplit(": ", 1)[1].strip()
        AuditLog(place / "keys" / "audit.jsonl", create=True)
        (place / "keys" / "audit.jsonl").touch()
        (place / "record.json").write_bytes(DEMO.read_bytes())
        Image.new("RGB", (300, 200), "#808080").save(place / "stud.jpg")

    def ask(self, prompt: str = "") -> str:
        return self.secrets[self.current]

    def run(self, *arguments: str, who: str = "") -> tuple[int, str]:
        self.current = who or self.current
        status = main([*arguments])
        captured = self.capsys.readouterr()
        self.said, self.complained = captured.out, captured.err
        return status, captured.out

    def signed(self, *arguments: str, who: str = "technician") -> tuple[int, str]:
        key = {"technician": "r-example", "reviewer": "m-sample", "office": "records-office"}[who]
        return self.run(*arguments, "--key", f"keys/{key}.p12", who=who)

    def verify(self, *arguments: str) -> list[dict[str, Any]]:
        self.run("verify", *arguments, "--trust", "keys/trust.json", "--json")
        found: list[dict[str, Any]] = json.loads(self.said)
        return found


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path / "Prüf stand", monkeypatch, capsys)


def edited(bench: Bench) -> None:
    text = (bench.place / "record.json").read_text(encoding="utf-8")
    (bench.place / "edited.json").write_text(text.replace("61240", "61204"), encoding="utf-8")


def test_a_record_through_its_whole_life(bench: Bench) -> None:
    assert bench.run("attach", "record.json", "stud.jpg", "--shows", "ground stud")[0] == 0
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 0
    first = (bench.place / "r1.pdf").read_bytes()
    assert bench.signed("countersign", "r1.pdf", who="reviewer")[0] == 0
    assert b"Im" in first and b"/DCTDecode" in first
    (whole,) = bench.verify("r1.pdf", "--expect", "Technician", "--expect", "Reviewer")
    assert whole["trustworthy"] and whole["log"] == "current"
    (bench.place / "cut.pdf").write_bytes(first)
    assert bench.verify("cut.pdf")[0]["reasons"] == ["signature-cut-off"]
    edited(bench)
    status, said = bench.signed("amend", "edited.json", "--of", "r1.pdf", "--trust", "keys/trust.json", "--reason", "digits swapped", "-o", "r2.pdf")  # fmt: skip
    assert status == 0 and "vehicle.odometer.value: 61240 → 61204" in said
    assert bench.verify("r2.pdf", "--replaces", "r1.pdf")[0]["trustworthy"]
    assert bench.verify("r1.pdf")[0]["log"] == "superseded"
    assert bench.signed("redact", "r2.pdf", "--trust", "keys/trust.json", "-o", "c2.pdf", who="office")[0] == 0
    (copy,) = bench.verify("c2.pdf", "--original", "r2.pdf")
    assert copy["trustworthy"] and "redacted-copy" in copy["notes"]
    assert (
        bench.signed("void", "r2.pdf", "--trust", "keys/trust.json", "--reason", "another bus", "-o", "r3.pdf")[0] == 0
    )
    found = bench.verify("r1.pdf", "r2.pdf", "c2.pdf", "r3.pdf", "--csv", "found.csv", "--processes", "2")
    assert [v["log"] for v in found] == ["void", "void", "void", "current"]
    with (bench.place / "found.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["file"] for row in rows] == ["r1.pdf", "r2.pdf", "c2.pdf", "r3.pdf"]
    assert [row["trustworthy"] for row in rows] == ["no", "no", "no", "yes"]
    assert bench.run("log", "verify", "--report", "r1.pdf", "r2.pdf", "c2.pdf", "r3.pdf")[0] == 0
    assert bench.run("log", "show", "--record", "DEMO-2026-0117")[0] == 0
    for action in ("issue", "sign", "amend", "redact", "void", "verify"):
        assert f" {action} " in bench.said
    assert not any(
        secret in (bench.place / "keys" / "audit.jsonl").read_text("utf-8") for secret in bench.secrets.values()
    )


def test_proofs_for_outsiders(bench: Bench) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    head = AuditLog("keys/audit.jsonl").head()
    bench.signed("report", "record.json", "-o", "again.pdf")
    for arguments in (["--record", "DEMO-2026-0117"], ["--line", "1"], ["--since", str(head)]):
        assert bench.run("log", "prove", *arguments)[0] == 0
        Path("proof.json").write_text(bench.said, encoding="utf-8")
        stated = json.loads(bench.said)["head"]
        assert bench.run("log", "verify", "--proof", "proof.json", "--head", stated)[0] == 0
        assert bench.run("log", "verify", "--proof", "proof.json", "--head", f"9:{'a' * 64}")[0] == 1
    assert bench.run("log", "verify", "--head", str(head))[0] == 0
    lines = Path("keys/audit.jsonl").read_bytes()
    Path("keys/audit.jsonl").write_bytes(lines.replace(b"R. Example", b"X. Example", 1))
    assert bench.run("log", "verify", "--head", str(head))[0] == 1
    assert "NOT whole" in bench.said
    assert bench.verify("r1.pdf", "--dont-log")[0]["reasons"] == ["log-broken"]


def test_wrong_use_is_one_line_and_writes_nothing(bench: Bench) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    edited(bench)
    Path("broken.pdf").write_bytes(Path("r1.pdf").read_bytes()[:-3000])
    wrong = [
        ["amend", "record.json", "--of", "r1.pdf", "--reason", "x", "-o", "out.pdf"],
        ["amend", "edited.json", "--of", "broken.pdf", "--reason", "x", "-o", "out.pdf"],
        ["amend", "edited.json", "--of", "r1.pdf", "--reason", " ", "-o", "out.pdf"],
        ["amend", "edited.json", "--of", "missing.pdf", "--reason", "x", "-o", "out.pdf"],
        ["void", "broken.pdf", "--reason", "x", "-o", "out.pdf"],
        ["redact", "r1.pdf", "-o", "out.pdf", "--fields", "tests[0].readings[0].texts[0]"],
        ["redact", "r1.pdf", "-o", "out.pdf", "--fields", "no.such.place"],
        ["verify", "r1.pdf", "--log", "missing.jsonl"],
        ["verify", "r1.pdf", "r1.pdf", "--replaces", "r1.pdf"],
        ["attach", "record.json", "edited.json"],
        ["report", "record.json", "-o", "out.pdf", "--photos", "nowhere"],
        ["log", "prove"],
        ["log", "verify", "missing.jsonl"],
    ]
    for arguments in wrong:
        more = ["--trust", "keys/trust.json"] if arguments[0] in ("amend", "void", "redact") else []
        assert bench.run(*arguments, *more)[0] == 2, arguments
        assert "Traceback" not in bench.complained
        assert bench.complained.startswith("diagnb: ")
        assert not Path("out.pdf").exists()
    assert "missing.jsonl: is not there (name the log" in bench.complained, (
        "a log that is missing says how to start one"
    )
    before = Path("r1.pdf").read_bytes()
    assert bench.run("void", "r1.pdf", "--reason", "x", "-o", "r1.pdf", "--trust", "keys/trust.json")[0] == 2
    assert Path("r1.pdf").read_bytes() == before


def test_a_name_that_also_stands_in_a_free_text_stops_the_copy(bench: Bench) -> None:
    text = Path("record.json").read_text(encoding="utf-8")
    Path("record.json").write_text(
        text.replace("The feed side was not", "R. Example says that the feed side was not"), encoding="utf-8"
    )
    bench.signed("report", "record.json", "-o", "r1.pdf")
    redact = ["redact", "r1.pdf", "--trust", "keys/trust.json", "-o", "c1.pdf"]
    assert bench.run(*redact)[0] == 2
    assert "findings[1].text" in bench.complained
    assert bench.run(*redact, "--fields", "personal", "findings[1].text")[0] == 0
    assert bench.run(*redact, "--allow-mentions")[0] == 0


def rejected(bench: Bench) -> None:
    """A record whose meter was overdue on the day: its claim would be rejected."""
    document = json.loads((bench.place / "record.json").read_text(encoding="utf-8"))
    for instrument in document["instruments"]:
        instrument["due"] = "2025-12-31"
    (bench.place / "overdue.json").write_text(json.dumps(document), encoding="utf-8")


def test_a_claim_that_would_be_rejected_is_countersigned_only_with_a_reason(bench: Bench) -> None:
    rejected(bench)
    bench.signed("report", "overdue.json", "-o", "r1.pdf")
    before = Path("r1.pdf").read_bytes()
    arguments = ["countersign", "r1.pdf", "--meaning", "claim approved"]
    assert bench.signed(*arguments, who="reviewer")[0] == 2
    assert "[meter-overdue]" in bench.complained and "nothing was signed" in bench.complained
    assert Path("r1.pdf").read_bytes() == before
    status, said = bench.signed(*arguments, "--despite", "certificate seen by hand", "-o", "new.pdf", who="reviewer")
    assert status == 0, bench.complained
    assert "new.pdf: Reviewer countersigned by M. Sample" in said
    assert "countersigned despite: no-fault-proved, meter-overdue (certificate seen by hand)" in said
    assert "trust list asked: keys/trust.json" in said and "written to the log keys/audit.jsonl, line " in said
    assert Path("r1.pdf").read_bytes() == before
    last = AuditLog("keys/audit.jsonl").check().entries[-1].event
    assert (last.action, last.signer, last.file) == ("sign", "M. Sample", "new.pdf")
    assert last.remark.endswith("meter-overdue: certificate seen by hand")
    assert bench.verify("new.pdf", "--expect", "Technician", "--expect", "Reviewer")[0]["trustworthy"]
    assert bench.signed(*arguments, "--despite", "x", "-o", "new.pdf", who="reviewer")[0] == 2
    assert "is there already" in bench.complained


def test_a_void_or_replaced_report_is_not_countersigned(bench: Bench) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    edited(bench)
    bench.signed("amend", "edited.json", "--of", "r1.pdf", "--reason", "digits swapped", "-o", "r2.pdf")
    first = Path("r1.pdf").read_bytes()
    assert bench.signed("countersign", "r1.pdf", who="reviewer")[0] == 2
    assert "a later revision replaces this report [superseded]" in bench.complained
    bench.signed("void", "r2.pdf", "--reason", "another bus", "-o", "r3.pdf")
    for report in ("r1.pdf", "r2.pdf"):
        assert bench.signed("countersign", report, "--log", "keys/audit.jsonl", who="reviewer")[0] == 2
        assert "declared void later [void]" in bench.complained
    assert Path("r1.pdf").read_bytes() == first


def test_only_a_signer_on_the_list_beside_the_key_is_countersigned(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list beside the report doesn't count: it may have come with it."""
    bench.signed("report", "record.json", "-o", "r1.pdf")
    other = Bench(tmp_path / "office", monkeypatch, capsys)
    for name in ("r1.pdf", "trust.json"):
        source = bench.place / ("keys/trust.json" if name == "trust.json" else name)
        (other.place / name).write_bytes(source.read_bytes())
    assert other.signed("countersign", "r1.pdf", who="reviewer")[0] == 2
    assert "the signer is not on the trust list [not-trusted]" in other.complained
    assert "trust list asked: keys/trust.json" in other.complained
    assert (other.place / "r1.pdf").read_bytes() == (bench.place / "r1.pdf").read_bytes()
    # this office takes the technician in, and its own log, which issued nothing, does not stand in the way
    theirs = next(e for e in json.loads(Path("trust.json").read_text("utf-8"))["entries"] if e["name"] == "R. Example")
    Path("theirs.pem").write_text(theirs["certificate"], encoding="ascii")
    assert other.run("key", "trust", "theirs.pem")[0] == 0
    assert other.signed("countersign", "r1.pdf", who="reviewer")[0] == 0, other.complained
    assert "can't say whether this one is void" in other.complained
    assert "written to the log keys/audit.jsonl" in other.said
    Path("keys/audit.jsonl").unlink()
    Path("r1.pdf").write_bytes((bench.place / "r1.pdf").read_bytes())
    assert other.signed("countersign", "r1.pdf", "--trust", "keys/trust.json", who="reviewer")[0] == 0
    assert "written to no log" in other.said


def text_of(path: str) -> str:
    """The words of the pages, blanks between them."""
    found = subprocess.run(["pdftotext", path, "-"], check=True, capture_output=True, timeout=60)
    return " ".join(found.stdout.decode().split())


def test_a_copy_says_who_it_is_by_and_that_its_original_was_reviewed(bench: Bench) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    redact = ["redact", "r1.pdf", "--trust", "keys/trust.json", "-o"]
    assert bench.signed(*redact, "before.pdf", who="office")[0] == 0
    assert "remark" not in bench.complained
    assert "Original reviewed" not in text_of("before.pdf")
    bench.signed("countersign", "r1.pdf", who="reviewer")
    assert bench.signed(*redact, "own.pdf")[0] == 0
    assert "reads the name of its signer, R. Example" in bench.complained and "--role office" in bench.complained
    assert bench.signed(*redact, "c1.pdf", who="office")[0] == 0
    said = text_of("c1.pdf")
    assert "Original reviewed" in said and "Copy made and signed by" in said
    assert "Place of the digital signature of whoever made this copy" in said
    for wrong in ("Not yet reviewed", "the technician's digital signature", "R. Example", "M. Sample"):
        assert wrong not in said
    assert bench.verify("c1.pdf", "--original", "r1.pdf")[0]["reasons"] == []


@pytest.mark.parametrize(
    "typed",
    [
        ["--fields", "vin", "personal", "r1.pdf"],
        ["--fields", "vin,personal", "r1.pdf"],
        ["r1.pdf", "--fields", "vin", "--fields", "personal"],
    ],
    ids=" ".join,
)
def test_fields_may_be_typed_as_they_come(bench: Bench, typed: list[str]) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    status, said = bench.run("redact", "--trust", "keys/trust.json", "-o", "c1.pdf", *typed)
    assert status == 0, bench.complained
    assert "  vehicle.vin[0:11]" in said and "  people[0].name" in said
    assert bench.run("redact", "--fields", "vin", "-o", "c2.pdf")[0] == 2
    assert "name the signed original" in bench.complained


def test_what_an_amendment_changed_is_told_in_sentences(bench: Bench) -> None:
    document = json.loads(Path("record.json").read_text(encoding="utf-8"))
    again = json.loads(json.dumps(document["tests"][0])) | {"id": "9", "phase": "as left"}
    again["readings"][0]["texts"] = ["12.61 V"]
    document["tests"].append(again)
    document["parts"].pop()
    document["cause"] = "The strap alone."
    Path("edited.json").write_text(json.dumps(document), encoding="utf-8")
    bench.signed("report", "record.json", "-o", "r1.pdf")
    status, said = bench.signed("amend", "edited.json", "--of", "r1.pdf", "--reason", "measured again", "-o", "r2.pdf")
    assert status == 0, bench.complained
    assert "  test 9 added: Battery open-circuit voltage and state of charge, as left: 12.61 V; instrument M1;" in said
    assert "  part 2 removed: action installed; number GS-70-450;" in said
    assert "→ The strap alone." in said
    assert "{" not in said
    assert bench.verify("r2.pdf", "--replaces", "r1.pdf")[0]["reasons"] == []


def test_a_damaged_log_is_told_once_and_a_cut_one_by_its_end(bench: Bench) -> None:
    bench.signed("report", "record.json", "-o", "r1.pdf")
    path = Path("keys/audit.jsonl")
    log = AuditLog(path)
    clock = iter(datetime(2026, 5, 1, 8, minute, tzinfo=UTC) for minute in range(60))
    log.append_all(
        [Event(action="verify", actor="office", record=f"V-{n}") for n in range(50)], clock=lambda: next(clock)
    )
    head, lines = str(log.head()), path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:4] + lines[5:]))
    assert bench.run("log", "verify")[0] == 1
    wrong = [line for line in bench.said.splitlines() if line.startswith("WRONG: ")]
    assert wrong == [
        "WRONG: line 5: says that it is line 6: 1 line is missing before it",
        "WRONG: line 5: is not bound to the line before it (a line was changed, added or removed),"
        f" and {len(lines) - 6} following lines depend on it",
    ]
    path.write_bytes(b"".join(lines[:-3]))
    assert bench.run("log", "verify", "--head", head)[0] == 1
    end = (
        f"it ends at line {len(lines) - 3}, the head given is of line {len(lines)}: the last 3 lines may have been cut"
    )
    assert end in bench.said


def test_a_record_that_was_issued_twice_is_not_called_altered(bench: Bench) -> None:
    """A draft first, another language, a time-stamp service that didn't answer: each has its own line of the log."""
    assert bench.run("report", "record.json", "-o", "draft.pdf", "--log", "keys/audit.jsonl")[0] == 0
    assert bench.signed("report", "record.json", "-o", "first.pdf")[0] == 0
    assert bench.signed("report", "record.json", "-o", "second.pdf", "--language", "fr")[0] == 0
    for name in ("first.pdf", "second.pdf"):
        (found,) = bench.verify(name)
        assert (found["trustworthy"], found["log"], found["reasons"]) == (True, "current", [])


def test_a_countersigned_report_is_never_written_over(bench: Bench) -> None:
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 0
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 0
    assert bench.signed("countersign", "r1.pdf", "--despite", "generic limits are accepted", who="reviewer")[0] == 0
    before = (bench.place / "r1.pdf").read_bytes()
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 2
    assert "carries a countersignature and is kept" in bench.complained
    (bench.place / "batch").mkdir()
    (bench.place / "batch" / "r1.json").write_bytes((bench.place / "record.json").read_bytes())
    assert bench.signed("report", "--batch", "batch", "-o", ".")[0] != 0
    assert (bench.place / "r1.pdf").read_bytes() == before


def test_why_a_report_was_countersigned_all_the_same_stands_in_its_signature(bench: Bench) -> None:
    text = (bench.place / "record.json").read_text(encoding="utf-8")
    (bench.place / "record.json").write_text(text.replace('"61240"', '"161240"'), encoding="utf-8")
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 0
    assert bench.signed("countersign", "r1.pdf", "--despite", "agreed with the customer", who="reviewer")[0] == 0
    bench.run("verify", "r1.pdf", "--trust", "keys/trust.json")
    assert "countersigned despite outside-coverage: agreed with the customer" in bench.said


def test_what_lies_beside_a_report_speaks_where_no_log_is_at_hand(bench: Bench) -> None:
    (bench.place / "keys" / "audit.jsonl").unlink()
    edited(bench)
    assert bench.signed("report", "record.json", "-o", "r1.pdf")[0] == 0
    assert bench.signed("amend", "edited.json", "--of", "r1.pdf", "--reason", "digits swapped", "-o", "r2.pdf")[0] == 0
    before = (bench.place / "r1.pdf").read_bytes()
    assert bench.signed("countersign", "r1.pdf", "--despite", "generic limits", who="reviewer")[0] == 2
    assert "superseded by r2.pdf" in bench.complained
    assert (bench.place / "r1.pdf").read_bytes() == before
    assert bench.signed("countersign", "r2.pdf", "--despite", "generic limits", who="reviewer")[0] == 0
