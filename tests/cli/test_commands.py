"""The command line as its users meet it: real files, exit status, one line of error."""

from __future__ import annotations

import copy
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diagnb.cli import main
from diagnb.shipped import templates_directory

DEMO = templates_directory() / "demo-record.json"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A work folder with blanks and an umlaut in its name, holding the demonstration's files."""
    folder = tmp_path_factory.mktemp("Prüf stand") / "demo"
    assert main(["demo", "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def plain() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(DEMO.read_text(encoding="utf-8"))
    return document


def written(folder: Path, document: Any) -> Path:
    path = folder / "record.json"
    path.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
    return path


def test_demo_makes_a_report_that_verifies(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(
            [
                "verify",
                str(demo / "report.pdf"),
                "--trust",
                str(demo / "trust.json"),
                "--expect",
                "Technician",
                "--expect",
                "Reviewer",
            ]
        )
        == 0
    )
    out = capsys.readouterr().out
    assert "report.pdf: TRUSTWORTHY" in out
    assert "yes, byte for byte" in out


def test_trust_list_beside_the_report_is_found(demo: Path) -> None:
    assert main(["verify", str(demo / "report.pdf")]) == 0


def test_one_flipped_byte_is_found(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = bytearray((demo / "report.pdf").read_bytes())
    data[20_000] ^= 1
    broken = tmp_path / "broken.pdf"
    broken.write_bytes(data)
    assert main(["verify", str(broken), "--trust", str(demo / "trust.json"), "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)
    assert not found["trustworthy"]
    assert "digest-mismatch" in found["reasons"]


def test_a_folder_of_reports_is_verified_a_line_each_and_what_is_wrong_in_full(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = (demo / "report.pdf").read_bytes()
    for number in range(5):
        place = tmp_path / ("deeper" if number == 4 else ".")
        place.mkdir(exist_ok=True)
        (place / f"r{number}.pdf").write_bytes(data)
    (tmp_path / "r2.pdf").write_bytes(data + b"more")
    options = ("--trust", str(demo / "trust.json"))
    assert main(["verify", str(tmp_path), *options]) == 1
    said = capsys.readouterr().out.splitlines()
    assert sum(": TRUSTWORTHY  " in line for line in said) == 4
    wrong = said.index(f"{tmp_path / 'r2.pdf'}: NOT TRUSTWORTHY")
    assert "not checked" in said[wrong + 2]
    assert said[-1] == f"not trustworthy: {tmp_path / 'r2.pdf'}"
    # Where no shell unfolds a pattern the command does.
    assert main(["verify", str(tmp_path / "r[!2].pdf").replace("r[!2]", "*"), *options, "--in-full"]) == 1
    assert capsys.readouterr().out.count("5 recomputed") == 4
    (tmp_path / "none").mkdir()
    assert main(["verify", str(tmp_path / "none")]) == 2
    assert "holds no report" in capsys.readouterr().err


def test_verify_json_has_the_promised_shape(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["verify", str(demo / "report.pdf"), "--json"])
    (found,) = json.loads(capsys.readouterr().out)
    assert set(found) >= {
        "file",
        "trustworthy",
        "signatures",
        "later_changes",
        "record",
        "pages",
        "recomputed",
        "reasons",
    }
    assert set(found["signatures"][0]) >= {"signer", "role", "intact", "trusted", "signed_at", "timestamped"}
    assert set(found["record"]) == {"id", "revision", "digest", "digest_matches"}
    assert found["pages"] == "same"
    assert found["recomputed"]["results"] > 10
    assert found["recomputed"]["differing"] == 0


def test_evaluate_json_has_the_promised_shape(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evaluate", str(DEMO), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) >= {"record", "revision", "engine", "tests"}
    result = found["tests"][2]["results"][0]
    wanted = {
        "name", "value", "unit", "standard_uncertainty", "degrees_of_freedom", "coverage_factor", "expanded_uncertainty",
        "coverage", "interval", "method", "limit", "rule", "conformance_probability", "verdict", "reason", "budget", "advice",
    }  # fmt: skip
    assert set(result) >= wanted
    assert result["verdict"] == "fail"
    assert set(result["budget"][0]) >= {"source", "contribution", "share"}
    infinite = found["tests"][5]["results"][0]
    assert infinite["degrees_of_freedom"] is None


def test_check_says_where_and_how_to_repair(
    tmp_path: Path, plain: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(DEMO)]) == 0
    del plain["vehicle"]["vin"]
    capsys.readouterr()
    assert main(["check", str(written(tmp_path, plain)), "--json"]) == 1
    remarks = json.loads(capsys.readouterr().out)
    assert all(set(r) == {"code", "severity", "where", "message", "repair"} for r in remarks)
    assert remarks[0]["code"] == "vin-missing"


BROKEN = {
    "cut off": ('{"schema": "diagnb-record/1", "id":', "is not JSON"),
    "newer version": ('{"schema": "diagnb-record/9"}', "made by a newer version"),
    "another document": ('{"schema": "something"}', "is unknown"),
    "a list": ("[1, 2]", "is not an object"),
    "not a number": ('{"schema": "diagnb-record/1", "x": NaN}', "NaN"),
    "a key twice": ('{"schema": "diagnb-record/1", "id": "a", "id": "b"}', "stands twice"),
    "too deep": ("[" * 100_000, "is not JSON that can be read"),
    "empty": ("", "is not JSON"),
}


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("command", ["evaluate", "check", "report"])
def test_broken_files_get_one_line_and_exit_2(
    name: str, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, said = BROKEN[name]
    path = tmp_path / "record.json"
    path.write_text(text, encoding="utf-8")
    extra = ["-o", str(tmp_path / "out.pdf")] if command == "report" else []
    assert main([command, str(path), *extra]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in captured.err
    assert len(captured.err.splitlines()) == 1
    assert "Traceback" not in captured.err
    assert not (tmp_path / "out.pdf").exists()


def test_all_faults_of_a_record_come_at_once_with_their_path(
    tmp_path: Path, plain: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    broken = copy.deepcopy(plain)
    broken["tests"][0]["readings"][0]["texts"] = ["12.36 furlong"]
    broken["tests"][2]["by"] = "nobody"
    broken["tests"][4]["procedure"] = "no-such-procedure"
    assert main(["evaluate", str(written(tmp_path, broken))]) == 2
    err = capsys.readouterr().err
    for place in ("tests[0].readings[0].texts", "tests[2].by", "tests[4].procedure"):
        assert place in err
    broken["vehicle"]["in_service"] = "2025-02-30"
    broken["created"] = "yesterday"
    broken["surprise"] = 1
    assert main(["evaluate", str(written(tmp_path, broken))]) == 2
    err = capsys.readouterr().err
    for place in ("vehicle.in_service", "created", "surprise"):
        assert place in err


def test_missing_file_and_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evaluate", str(tmp_path / "nothing.json")]) == 2
    assert "nothing.json" in capsys.readouterr().err
    assert main(["no-such-command"]) == 2
    assert main(["verify", str(tmp_path / "nothing.pdf")]) == 2
    out, err = capsys.readouterr()
    assert err.endswith("nothing.pdf: is not there; check the name\n")
    assert "TRUSTWORTHY" not in out
    assert main(["verify", str(tmp_path / "nothing.pdf"), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)[0]["reasons"] == ["file-unreadable"]


def test_keys_sign_a_report_that_the_shop_trusts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = tmp_path / "keys"
    assert main(["key", "init", "Example shop", "--keys", str(keys)]) == 0
    secret = capsys.readouterr().out.rsplit(": ", 1)[1].strip()
    secrets = {}
    for name, role in (("R. Example", "technician"), ("M. Sample", "reviewer")):
        done = run(["key", "add", name, "--role", role, "--keys", str(keys), "--passphrase-fd", "0"], secret)
        assert done.returncode == 0, done.stderr
        secrets[role] = done.stdout.rsplit(": ", 1)[1].strip()
    report = tmp_path / "report.pdf"
    done = run(
        [
            "report",
            str(DEMO),
            "-o",
            str(report),
            "--key",
            str(keys / "r-example.p12"),
            "--passphrase-fd",
            "0",
            "--language",
            "de",
        ],
        secrets["technician"],
    )
    assert done.returncode == 0, done.stderr
    assert secrets["technician"] not in done.stdout + done.stderr
    done = run(
        ["countersign", str(report), "--key", str(keys / "m-sample.p12"), "--passphrase-fd", "0"], secrets["reviewer"]
    )
    assert done.returncode == 0, done.stderr
    assert main(["verify", str(report), "--trust", str(keys / "trust.json"), "--expect", "Reviewer"]) == 0
    assert main(["key", "show", "--keys", str(keys)]) == 0
    assert "Example shop" in capsys.readouterr().out


def test_a_wrong_passphrase_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = tmp_path / "keys"
    main(["key", "init", "Example shop", "--keys", str(keys)])
    capsys.readouterr()
    done = run(
        ["key", "add", "R. Example", "--role", "technician", "--keys", str(keys), "--passphrase-fd", "0"], "wrong"
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "Traceback" not in done.stderr


def run(arguments: list[str], secret: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, the passphrase on its standard input."""
    return subprocess.run(
        [sys.executable, "-m", "diagnb", *arguments], input=secret + "\n", capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip


def test_an_unsigned_report_says_so_and_does_not_verify(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = tmp_path / "out.pdf"
    assert main(["report", str(DEMO), "-o", str(report)]) == 0
    assert "NOT signed" in capsys.readouterr().out
    assert main(["verify", str(report)]) == 1
    assert "no-signature" in capsys.readouterr().out


@pytest.mark.parametrize("noun", ["procedure", "meter"])
def test_catalogue_lists_shows_and_checks(noun: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([noun, "list"]) == 0
    names = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert len(names) >= 3
    for name in names:
        assert main([noun, "show", name]) == 0
        own = tmp_path / f"{name}.toml"
        own.write_text(capsys.readouterr().out, encoding="utf-8")
        assert main([noun, "check", str(own)]) == 0
        capsys.readouterr()
    own.write_text(own.read_text(encoding="utf-8").replace('title = "', 'tittle = "', 1), encoding="utf-8")
    assert main([noun, "check", str(own)]) == 1
    out = capsys.readouterr().out
    assert "tittle" in out
    assert "unknown key" in out


def test_a_shops_own_procedure_wins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "procedures").mkdir()
    text = (templates_directory() / "procedures" / "ground-side-drop.toml").read_text(encoding="utf-8")
    own = text.replace('upper = "0.1"', 'upper = "2.0"').replace(
        "common practice for a power ground", "shop sheet 7 (invented)"
    )
    (tmp_path / "procedures" / "ground-side-drop.toml").write_text(own, encoding="utf-8")
    assert main(["evaluate", str(DEMO), "--json", "--folder", str(tmp_path)]) == 0
    found = json.loads(capsys.readouterr().out)
    result = found["tests"][2]["results"][0]
    assert result["verdict"] == "pass"
    assert result["limit"]["source"] == "shop sheet 7 (invented)"


def test_schema_is_json_schema(capsys: pytest.CaptureFixture[str]) -> None:
    import jsonschema

    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(DEMO.read_text(encoding="utf-8")), schema)


def test_verify_says_which_trust_list_was_asked(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["verify", str(demo / "report.pdf")])
    out = capsys.readouterr().out
    assert f"trust list asked: {demo / 'trust.json'}" in out
    assert "may have come with it" in out
    main(["verify", str(demo / "report.pdf"), "--trust", str(demo / "trust.json")])
    assert "may have come with it" not in capsys.readouterr().out
    alone = tmp_path / "alone.pdf"
    alone.write_bytes((demo / "report.pdf").read_bytes())
    assert main(["verify", str(alone)]) == 1
    assert "no trust list was given" in capsys.readouterr().out


def test_a_report_checked_without_a_list_is_not_called_altered(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = tmp_path / "alone.pdf"
    alone.write_bytes((demo / "report.pdf").read_bytes())
    main(["check", str(alone)])
    out = capsys.readouterr().out
    assert "signer-not-trusted" in out
    assert "altered-after-signing" not in out
    data = bytearray((demo / "report.pdf").read_bytes())
    at = data.rindex(b"/Root")
    data[at:at] = b"% added later\n"
    alone.write_bytes(data)
    main(["check", str(alone), "--trust", str(demo / "trust.json")])
    assert "altered-after-signing" in capsys.readouterr().out


def test_nobody_countersigns_his_own_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = tmp_path / "keys"
    main(["key", "init", "Example shop", "--keys", str(keys)])
    secret = capsys.readouterr().out.rsplit(": ", 1)[1].strip()
    done = run(
        ["key", "add", "R. Example", "--role", "technician", "--keys", str(keys), "--passphrase-fd", "0"], secret
    )
    own = done.stdout.rsplit(": ", 1)[1].strip()
    report, key = tmp_path / "report.pdf", str(keys / "r-example.p12")
    assert run(["report", str(DEMO), "-o", str(report), "--key", key, "--passphrase-fd", "0"], own).returncode == 0
    done = run(["countersign", str(report), "--key", key, "--passphrase-fd", "0"], own)
    assert done.returncode == 2
    assert "second person" in done.stderr


def test_a_file_not_called_after_its_id_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "my-ground.toml"
    own.write_text(
        (templates_directory() / "procedures" / "ground-side-drop.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    assert main(["procedure", "check", str(own)]) == 1
    assert "call it ground-side-drop.toml" in capsys.readouterr().out


def test_a_report_that_was_altered_is_not_countersigned(demo: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken.pdf"
    data = bytearray((demo / "report.pdf").read_bytes())
    data[20_000] ^= 1
    broken.write_bytes(data)
    keys = tmp_path / "keys"
    made = run(["key", "init", "Shop (invented)", "--keys", str(keys)], "")
    authority = made.stdout.rsplit(":", 1)[1].strip()
    person = run(
        ["key", "add", "M. Sample", "--role", "reviewer", "--keys", str(keys), "--passphrase-fd", "0"], authority
    )
    own = person.stdout.rsplit(":", 1)[1].strip()
    done = run(["countersign", str(broken), "--key", str(keys / "m-sample.p12"), "--passphrase-fd", "0"], own)
    assert done.returncode == 2
    assert "is not countersigned: the signed bytes have been changed" in done.stderr
    assert broken.read_bytes() == bytes(data)
