"""``diagnb archive`` and ``diagnb impact`` as a foreman types them: exit status, one line of error, files made."""

from __future__ import annotations

import csv
import hashlib
import json
import subprocess
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from diagnb.cli import main
from diagnb.cli.oneline import one_line
from diagnb.evaluation import evaluate
from diagnb.quantities import value_with_uncertainty
from diagnb.record import canonical_bytes, load_record
from diagnb.report import prepare_photos, render_report
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

DEMO = templates_directory() / "demo-record.json"
EXAMPLES = Path(__file__).parents[1] / "data" / "records"


@pytest.fixture
def store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """An archive with the demonstration record and its signed report."""
    name = str(tmp_path / "shop.sqlite")
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 0
    assert main(["archive", "add", name, str(DEMO), str(tmp_path / "demo" / "report.pdf"), "--by", "office"]) == 0
    capsys.readouterr()
    return name


def output(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(list(arguments))
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def test_a_record_and_its_report_are_kept_and_found(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    record = load_record(DEMO)
    assert output(capsys, "archive", "get", store, record.id)[1].encode() == canonical_bytes(record) + b"\n"
    assert record.id in output(capsys, "archive", "list", store, "--claim", record.order.number)[1]
    assert output(capsys, "archive", "list", store, "--claim", "nobody's")[1] == ""
    history = json.loads(output(capsys, "archive", "history", store, record.id, "--json")[1])
    (kept,) = history["files"]
    assert (kept["kind"], kept["name"]) == ("report", "report.pdf")
    out = tmp_path / "again.pdf"
    assert main(["archive", "get", store, record.id, "--file", kept["sha256"], "-o", str(out)]) == 0
    assert out.read_bytes() == (tmp_path / "demo" / "report.pdf").read_bytes()


def test_adding_again_changes_nothing_and_says_so(store: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, said, _ = output(capsys, "archive", "add", store, str(DEMO))
    assert "head of the archive, keep it elsewhere: " in said
    assert status == 0 and said.startswith("0 added, 1 there already")


def test_an_altered_report_is_not_kept(store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    altered = bytearray((tmp_path / "demo" / "report.pdf").read_bytes())
    altered[len(altered) // 2] ^= 1
    path = tmp_path / "altered.pdf"
    path.write_bytes(altered)
    status, said, _ = output(
        capsys, "archive", "add", store, str(path), "--trust", str(tmp_path / "demo" / "trust.json")
    )
    assert status == 1 and f"NOT KEPT: {path}: does not prove itself: " in said
    assert "is not kept" not in said and "0 reports kept, 1 fault\n" in said


def test_a_report_of_somebody_unknown_is_kept_with_a_note(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    moved = tmp_path / "elsewhere" / "report.pdf"
    moved.parent.mkdir()
    moved.write_bytes((tmp_path / "demo" / "report.pdf").read_bytes())
    other = str(tmp_path / "b.sqlite")
    status, said, _ = output(capsys, "archive", "add", other, str(moved))
    assert status == 0 and "kept, but no trust list was named" in said
    assert "NOT PROVED: no trust list was named" in output(capsys, "archive", "history", other, load_record(DEMO).id)[1]
    assert "1 of the reports: kept without proof" in output(capsys, "archive", "audit", other)[1]


def test_a_named_trust_list_refuses_a_stranger_unless_despite_says_why(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The report is whole, its signer only not on the list; a record that was kept so says so wherever it is looked at."""
    moment = datetime.now(UTC)
    other = create_authority(name="Another shop (invented)", moment=moment)
    lists = {"other": tmp_path / "other.json", "own": tmp_path / "demo" / "trust.json"}
    stranger = TrustList((trust_entry(other.certificate, added=moment, added_by="test"),))
    lists["other"].write_text(stranger.to_json(), encoding="utf-8")
    report, new = tmp_path / "demo" / "report.pdf", str(tmp_path / "new.sqlite")
    strange = [new, str(report), "--trust", str(lists["other"])]
    status, said, _ = output(capsys, "archive", "add", *strange)
    assert status == 1 and "0 added" in said and "0 reports kept, 1 fault" in said
    assert f"NOT KEPT: {report}: does not prove itself: the signer is not on the trust list" in said
    assert "--despite TEXT" in said and "kept, but" not in said
    status, _, error = output(capsys, "archive", "add", *strange, "--despite", "x")
    assert status == 2 and "--despite: says too little" in error
    status, said, _ = output(capsys, "archive", "add", *strange, "--despite", "the auditor asked\nfor it")
    assert status == 0 and "1 added" in said and "kept, but the signer is not on the trust list" in said
    record = load_record(DEMO).id
    wanted = "kept despite that: the auditor asked\\nfor it"
    for action in (["list", new], ["history", new, record], ["audit", new]):
        status, said, _ = output(capsys, "archive", *action)
        assert status == 0 and wanted in said, action
        assert "the auditor asked" in output(capsys, "archive", *action, "--json")[1]
    # The same report, proved: no word of it anywhere.
    proved = str(tmp_path / "proved.sqlite")
    assert output(capsys, "archive", "add", proved, str(report), "--trust", str(lists["own"]))[0] == 0
    for action in (["list", proved], ["history", proved, record], ["audit", proved]):
        assert "despite" not in output(capsys, "archive", *action)[1]
    # Another content of that revision is refused, and the refusal says what the stored one is.
    plain = {**json.loads(canonical_bytes(load_record(DEMO))), "complaint": "the genuine words"}
    (tmp_path / "genuine.json").write_text(json.dumps(plain), encoding="utf-8")
    status, said, _ = output(capsys, "archive", "add", new, str(tmp_path / "genuine.json"))
    assert status == 1 and "came from a report that does not prove itself (not-trusted; kept despite that" in said


@pytest.mark.parametrize("drawn", [True, False])
def test_a_photo_inside_the_report_is_not_said_to_be_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], drawn: bool
) -> None:
    moment, taken = datetime.now(UTC), BytesIO()
    Image.new("RGB", (300, 200), (90, 20, 20)).save(taken, "JPEG")
    photo = {"name": "bolt.jpg", "sha256": hashlib.sha256(taken.getvalue()).hexdigest(), "media_type": "image/jpeg", "size": len(taken.getvalue())}  # fmt: skip
    record = load_record(
        {**json.loads(canonical_bytes(load_record(DEMO))), "attachments": [photo], "demonstration": False}
    )
    authority = create_authority(name="Shop (invented)", moment=moment)
    key = create_person(authority, name=record.people[0].name, role="technician", moment=moment)
    trust = TrustList((trust_entry(authority.certificate, added=moment, added_by="test"),))
    (tmp_path / "list.json").write_text(trust.to_json(), encoding="utf-8")
    photos = prepare_photos(record, {"bolt.jpg": taken.getvalue()} if drawn else {})
    pdf = render_report(record, evaluate(record), moment=moment, photos=photos)
    (tmp_path / "r.pdf").write_bytes(certify(pdf, key=key, field="Technician", reason="measured", moment=moment))
    status, said, _ = output(capsys, "archive", "add", str(tmp_path / "a.sqlite"), str(tmp_path / "r.pdf"), "--trust", str(tmp_path / "list.json"))  # fmt: skip
    assert status == 0 and "1 report kept" in said
    assert ("note: 1 photo: shown by the reports" in said, "bolt.jpg is not beside it" in said) == (drawn, not drawn)


def test_a_report_whose_pages_nobody_can_prove_is_kept_and_says_so(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a report drawn by another edition is found: the record proves itself, the pages can't be drawn again."""
    from diagnb.proof import verification

    own = verification.made_with()
    monkeypatch.setattr(verification, "made_with", lambda: "another edition of this program")
    assert verification.edition_of(verification.made_with()) != verification.edition_of(own)
    new, trust = str(tmp_path / "new.sqlite"), str(tmp_path / "demo" / "trust.json")
    status, said, _ = output(capsys, "archive", "add", new, str(tmp_path / "demo" / "report.pdf"), "--trust", trust)
    assert status == 0 and "1 added" in said and "kept, but other drawing code made the pages" in said
    assert "NOT PROVED: other drawing code" in output(capsys, "archive", "history", new, load_record(DEMO).id)[1]
    status, said, _ = output(capsys, "archive", "audit", new)
    assert status == 0 and "1 of the reports: kept without proof of signer or pages (pages-not-proved)" in said


def test_the_audit_finds_a_change_and_a_cut(store: str, capsys: pytest.CaptureFixture[str]) -> None:
    import sqlite3

    status, said, _ = output(capsys, "archive", "audit", store, "--recompute", "--json")
    found = json.loads(said)
    assert status == 0 and found["sound"] and found["recomputed"] == 1
    with sqlite3.connect(store) as connection:
        for verb in ("update", "delete"):
            connection.execute(f"DROP TRIGGER attached_no_{verb}")
        connection.execute("UPDATE attached SET name = 'x.pdf'")
    status, said, _ = output(capsys, "archive", "audit", store, "--head", found["head"])
    assert status == 1 and "FOUND" in said


OLD = (
    'schema = "diagnb-csv-mapping/1"\nid = "{order}"\nzone = "+01:00"\n[columns]\n"order.number" = "order"\ntime = "when"\n'
    '[constants]\n"vehicle.system_voltage" = "24"\n[[instruments]]\nid = "M1"\nmeter = "handheld-6000"\nserial = "H6-9"\n'
    '[[tests]]\nprocedure = "ground-side-drop"\nreadings = [{ name = "drop", column = "drop", unit = "mV", instrument = "M1" }]\n'
)


def old_table(tmp_path: Path) -> tuple[str, str, str]:
    """Addresses of an archive that is still to be made, of a mapping without dates of calibration, and of a table."""
    store, mapping, table = tmp_path / "a.sqlite", tmp_path / "m.toml", tmp_path / "old.csv"
    mapping.write_text(OLD, encoding="utf-8")
    table.write_text("order,when,drop\nRO-1,2025-03-04T00:12,98.5\nRO-2,2025-03-04T08:12,50.1\n", encoding="utf-8")
    return str(store), str(mapping), str(table)


def test_old_records_are_listed_under_their_own_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store, mapping, table = old_table(tmp_path)
    assert main(["archive", "import", store, table, "--mapping", mapping]) == 0
    capsys.readouterr()
    lines = output(capsys, "archive", "list", store)[1].splitlines()
    assert len(lines) == 2 and all("2025-03-04" in line for line in lines)
    assert {r["day"] for r in json.loads(output(capsys, "archive", "list", store, "--json")[1])} == {"2025-03-04"}


def test_the_example_of_a_mapping_is_named_written_and_works(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "diagnb archive mapping" in " ".join(output(capsys, "archive", "import", "--help")[1].split())
    folder = tmp_path / "try"
    assert output(capsys, "archive", "mapping", str(folder))[0] == 0
    table, mapping = (str(folder / f"mapping-example.{kind}") for kind in ("csv", "toml"))
    status, said, _ = output(capsys, "archive", "import", str(tmp_path / "a.sqlite"), table, "--mapping", mapping)
    assert (
        status == 0
        and "NOT JUDGED: 1 of 3 results that a limit applies to: " in said
        and "due_column" in said
        and "3 added" in said
    )
    status, _, error = output(capsys, "archive", "mapping", str(folder))
    assert status == 2 and "is there already" in error


def test_import_of_a_folder_and_of_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store, mapping, table = str(tmp_path / "a.sqlite"), tmp_path / "m.toml", tmp_path / "old.csv"
    mapping.write_text(OLD, encoding="utf-8")
    table.write_text("order,when,drop\nRO-1,2025-03-04T08:12,98.5\nRO-2,2025-03-04T08:12,=1+1\n", encoding="utf-8")
    status, said, _ = output(
        capsys, "archive", "import", store, str(EXAMPLES), str(table), "--mapping", str(mapping), "--json"
    )
    found: dict[str, Any] = json.loads(said)
    assert status == 1
    assert found["added"] == len(list(EXAMPLES.glob("*.json"))) + 1
    assert [f["where"] for f in found["faults"]] == ["old.csv, row 3, drop"]
    assert output(capsys, "archive", "import", store, str(table))[0] == 2
    assert output(capsys, "archive", "import", store, str(tmp_path / "nowhere"))[0] == 1


def test_export_gives_back_every_byte(store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    record = load_record(DEMO)
    assert output(capsys, "archive", "export", store, str(tmp_path / "out"))[0] == 0
    place = tmp_path / "out" / record.id / "revision-1"
    assert (place / "record.json").read_bytes() == canonical_bytes(record)
    (report,) = place.glob("report-*.pdf")
    assert report.read_bytes() == (tmp_path / "demo" / "report.pdf").read_bytes()
    assert output(capsys, "archive", "export", store, str(tmp_path / "pq"), "--parquet")[0] == 0
    assert list((tmp_path / "pq").glob("*.parquet"))


def test_export_writes_nothing_into_a_folder_that_holds_something_else(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    copy, out = tmp_path / "pq", tmp_path / "out"
    assert output(capsys, "archive", "export", store, str(copy), "--parquet")[0] == 0
    assert output(capsys, "archive", "export", store, str(copy), "--parquet")[0] == 0
    before = sorted(p.name for p in copy.rglob("*"))
    status, _, error = output(capsys, "archive", "export", store, str(copy))
    assert status == 2 and "holds something else: archive.txt, results-" in error and "--into" in error
    assert sorted(p.name for p in copy.rglob("*")) == before
    # An earlier export of the same archive is brought up to date; a stranger's file stops it.
    assert output(capsys, "archive", "export", store, str(out))[0] == 0
    assert output(capsys, "archive", "export", store, str(out))[0] == 0
    status, _, error = output(capsys, "archive", "export", store, str(out), "--parquet")
    assert status == 2 and not list(out.glob("*.parquet"))
    (out / "accounts.xls").write_bytes(b"mine")
    status, _, error = output(capsys, "archive", "export", store, str(out))
    assert status == 2 and "holds something else: accounts.xls" in error
    assert output(capsys, "archive", "export", store, str(out), "--into")[0] == 0


def test_what_is_in_a_field_can_not_break_or_turn_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = json.loads(canonical_bytes(load_record(DEMO)))
    plain["vehicle"] = {**plain["vehicle"], "unit": "7\u202e31"}
    path, store = tmp_path / "r.json", str(tmp_path / "a.sqlite")
    path.write_text(json.dumps(plain), encoding="utf-8")
    assert output(capsys, "archive", "add", store, str(path), "--by", "x\ny\x1b[2J")[0] == 0
    status, listed, _ = output(capsys, "archive", "list", store)
    assert status == 0 and listed.count("\n") == 1 and "7\\u202e31" in listed and "\u202e" not in listed
    history = output(capsys, "archive", "history", store, plain["id"])[1]
    assert "by x\\ny\\x1b[2J" in history and "\x1b" not in history
    assert one_line("Größe 5 µm – naïve عربى \u200d") == "Größe 5 µm – naïve عربى \u200d"


def test_import_and_audit_say_what_they_count_and_who_names_no_vehicle(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = [load_record(DEMO), *(load_record(p) for p in sorted(EXAMPLES.glob("*.json")))]
    results = [r for record in records for t in evaluate(record).tests for r in t.results]
    plain = json.loads(canonical_bytes(records[0]))
    plain["vehicle"] = {k: v for k, v in plain["vehicle"].items() if k != "vin"} | {"unit": "   "}
    (tmp_path / "demo.json").write_text(json.dumps(plain), encoding="utf-8")
    store = str(tmp_path / "a.sqlite")
    said = output(capsys, "archive", "import", store, str(EXAMPLES), str(tmp_path / "demo.json"))[1]
    assert f"note: {plain['id']}, revision 1: names no vehicle: VIN and unit are missing or blank" in said
    limited = sum(
        r.reason != "reading-missing" and (r.limit is not None or r.reason == "limit-missing") for r in results
    )
    assert f"{len(results):,} new results, {limited:,} of them with a limit that applies" in said
    said = output(capsys, "archive", "audit", store)[1]
    assert f"{len(results):,} results ({limited:,} of them with a limit that applies)" in said


def test_impact_writes_list_table_and_signed_report(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    change = ["limit", store, "--procedure", "ground-side-drop", "--result", "ground_drop", "--upper", "0.05",
              "--limit-unit", "V", "--source", "bulletin (invented)"]  # fmt: skip
    files = {kind: tmp_path / f"impact.{kind}" for kind in ("csv", "pdf")}
    status, said, _ = output(
        capsys, "impact", *change, "--csv", str(files["csv"]), "--pdf", str(files["pdf"]), "--language", "de"
    )
    assert status == 1 and "pass → fail: 1" in said and "report.pdf" in said
    assert "revision 1: 1 verdict changes, as left: pass → fail: 1  (report.pdf)" in said
    assert "Ground-side voltage drop" in said and "ground_drop" not in said and "value" not in said.split("\n")[1]
    with files["csv"].open(encoding="utf-8-sig", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert (row["phase"], row["old_verdict"], row["new_verdict"]) == ("as left", "pass", "fail")
    (printed,) = [r for t in evaluate(load_record(DEMO)).tests for r in t.results if r.name == "ground_drop" and t.phase == "as left"]  # fmt: skip
    assert (row["old_value"], row["old_expanded"]) == value_with_uncertainty(
        printed.value, printed.expanded_uncertainty
    )
    assert files["pdf"].read_bytes().startswith(b"%PDF-")
    found = json.loads(output(capsys, "impact", *change, "--json")[1])
    assert found["reexamine"][0]["reports"][0]["name"] == "report.pdf"
    assert found["reexamine"][0]["moves"] == [{"phase": "as left", "old": "pass", "new": "fail", "results": 1}]


@pytest.mark.system
def test_the_box_of_the_list_shows_who_signed_it(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moment = datetime.now(UTC)
    save_key(
        self_signed_person(name="E. Example", role="engineer", moment=moment),
        tmp_path / "e.p12",
        b"five quiet words on paper",
    )
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("getpass.getpass", lambda *_: "five quiet words on paper")
    change = ["impact", "rule", "simple", store, "--pdf", str(tmp_path / "list.pdf")]
    for more, there in (([], False), (["--key", str(tmp_path / "e.p12")], True)):
        output(capsys, *change, *more)
        text = subprocess.run(
            ["pdftotext", tmp_path / "list.pdf", "-"], capture_output=True, text=True, check=True
        ).stdout
        said = " ".join(text.split())
        box = "Meaning: I answer for this list of reports to re-examine"
        assert (f"E. Example engineer {moment:%Y}" in said, box in said) == (there, there)


def test_impact_of_an_instrument_starts_at_its_last_calibration(store: str, capsys: pytest.CaptureFixture[str]) -> None:
    serial = load_record(DEMO).instruments[0]
    status, said, _ = output(capsys, "impact", "instrument", store, "--serial", serial.serial, "--gain-percent", "-2", "--found", "2026-11-20")  # fmt: skip
    assert status in (0, 1) and f"tests from {serial.calibrated} to 2026-11-20" in said
    for option in ("--found", "--since", "--until"):
        status, _, error = output(capsys, "impact", "instrument", store, "--serial", serial.serial, "--gain-percent", "2", option, "2999-01-01")  # fmt: skip
        assert status == 2 and f"{option}: 2999-01-01 has not come yet" in error
    status, _, error = output(capsys, "impact", "instrument", store, "--serial", serial.serial[:-1], "--gain-percent", "2")  # fmt: skip
    assert status == 2 and f"alike are {serial.serial}" in error and "--since" not in error
    status, _, error = output(capsys, "impact", "instrument", store, "--serial", "NOBODY", "--gain-percent", "2")
    assert status == 2 and "no stored reading" in error and error.count("\n") == 1


def test_impact_of_what_nobody_could_judge_is_no_all_clear(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store, mapping, table = old_table(tmp_path)
    assert main(["archive", "import", store, table, "--mapping", mapping]) == 0
    capsys.readouterr()
    change = ["instrument", store, "--serial", "H6-9", "--gain-percent", "-5", "--since", "2025-01-01"]
    status, said, _ = output(capsys, "impact", *change)
    assert status == 1 and "NOT CLEARED: 2 of 2 results" in said and "calibration" in said
    assert (
        "Nothing is cleared" in said and "No verdict changes" not in said and "RO-1 revision 1, RO-2 revision 1" in said
    )
    found = json.loads(output(capsys, "impact", *change, "--json")[1])
    assert found["not_cleared_because"] == [{"reason": "calibration-unknown", "results": 2}]
    status, _, error = output(capsys, "impact", *change, "--function", "dc volts")
    assert status == 2 and "it has dc voltage" in error


@pytest.mark.parametrize(
    "arguments",
    [
        ["archive", "list", "nowhere.sqlite"],
        ["archive", "get", "{store}", "NOBODY"],
        ["archive", "audit", "{store}", "--head", "nonsense"],
        ["archive", "grant", "{store}", "bay"],
        ["impact", "rule", "{store}", "lenient"],
        ["impact", "rule", "{store}", "simple", "--since", "yesterday"],
        ["impact", "procedure", "{store}", "nowhere.toml"],
        ["impact", "sheet", "{store}", "nowhere.toml"],
        ["impact", "coefficient", "{store}", "--meter", "nothing", "--percent-per-kelvin", "1"],
    ],
)
def test_wrong_use_is_one_line_and_exit_2(store: str, capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    status, _, error = output(capsys, *(a.replace("{store}", store) for a in arguments))
    assert status == 2
    assert error.startswith("diagnb: ") and error.count("\n") == 1
