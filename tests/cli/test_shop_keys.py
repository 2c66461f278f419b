"""A shop's keys over the years, as the command line does it: made, replaced, withdrawn, stamped, in a token, in a batch."""

from __future__ import annotations

import copy
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from stamping import TimeService, time_service

from diagnb.cli import main
from diagnb.shipped import templates_directory
from diagnb.signing import load_trust, verify_signatures

DEMO = templates_directory() / "demo-record.json"


def run(
    arguments: list[str], *secrets: str, environment: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, its secrets line by line on standard input."""
    done = subprocess.run(
        [sys.executable, "-m", "diagnb", *arguments], input="".join(f"{s}\n" for s in secrets), capture_output=True,
        text=True, check=False, env={**os.environ, "PYTHONIOENCODING": "utf-8", **(environment or {})},
    )  # fmt: skip
    for secret in secrets:
        assert secret not in done.stderr
    return done


def secret_of(text: str) -> str:
    return next(line for line in text.splitlines() if line.startswith("passphrase")).rsplit(": ", 1)[1].strip()


class Shop:
    """A folder of keys made by the commands."""

    def __init__(self, folder: Path) -> None:
        self.keys = folder / "keys"
        self.authority = secret_of(self.done(["key", "init", "Example shop"]).stdout)
        self.technician = secret_of(
            self.done(["key", "add", "R. Example", "--role", "technician"], self.authority).stdout
        )
        self.manager = secret_of(self.done(["key", "add", "C. Specimen", "--role", "manager"], self.authority).stdout)
        self.reviewer = secret_of(self.done(["key", "add", "M. Sample", "--role", "reviewer"], self.authority).stdout)

    def moved(self, folder: Path) -> Shop:
        shutil.copytree(self.keys, folder / "keys")
        other = copy.copy(self)
        other.keys = folder / "keys"
        return other

    def done(self, arguments: list[str], *secrets: str) -> subprocess.CompletedProcess[str]:
        found = self.tried(arguments, *secrets)
        assert found.returncode == 0, found.stderr
        return found

    def tried(self, arguments: list[str], *secrets: str) -> subprocess.CompletedProcess[str]:
        more = ["--passphrase-fd", "0"] if secrets else []
        where = ["--keys", str(self.keys)] if arguments[0] == "key" else []
        return run([*arguments, *where, *more], *secrets)

    def report(self, target: Path, *more: str) -> Path:
        key = str(self.keys / "r-example.p12")
        self.done(["report", str(DEMO), "-o", str(target), "--key", key, *more], self.technician)
        return target

    def verify(self, report: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
        capsys.readouterr()
        main(["verify", str(report), "--trust", str(self.keys / "trust.json"), "--json", *more])
        (found,) = json.loads(capsys.readouterr().out)
        return found  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return Shop(tmp_path_factory.mktemp("shop"))


@pytest.fixture
def shop(made: Shop, tmp_path: Path) -> Shop:
    """The same shop in a folder that the test may change."""
    return made.moved(tmp_path / "shop")


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeService]:
    with time_service(
        tmp_path_factory.mktemp("time"), made=datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)
    ) as running:
        yield running


def test_rotation_keeps_the_old_reports_and_the_history(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = shop.report(tmp_path / "before.pdf")
    done = shop.done(["key", "rotate", "R. Example"], shop.authority)
    assert "r-example-2.p12" in done.stdout
    assert "counts for signatures before" in done.stdout
    assert shop.verify(before, capsys)["trustworthy"]
    after = tmp_path / "after.pdf"
    key = str(shop.keys / "r-example-2.p12")
    shop.done(["report", str(DEMO), "-o", str(after), "--key", key], secret_of(done.stdout))
    assert shop.verify(after, capsys)["trustworthy"]
    trust = load_trust(shop.keys / "trust.json")
    old, new = (e for e in trust.entries if e.name == "R. Example")
    assert (old.status, old.reason, new.until) == ("trusted", "superseded", None)
    assert old.until is not None
    assert [state.until for state in old.history] == [None]
    assert main(["key", "show", "--history", "--keys", str(shop.keys)]) == 0
    assert "before: trusted" in capsys.readouterr().out
    assert shop.tried(["key", "add", "R. Example", "--role", "technician"], shop.authority).returncode == 2
    assert shop.tried(["key", "rotate", "Example shop"], shop.authority).returncode == 2


def test_revoked_keys_do_not_count_and_the_list_says_since_when(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = shop.report(tmp_path / "report.pdf")
    done = shop.done(["key", "revoke", "R. Example", "--reason", "key-compromise"], shop.authority)
    assert "verifies no longer, however old" in done.stdout
    found = shop.verify(report, capsys)
    assert found["reasons"] == ["certificate-revoked"]
    assert found["signatures"][0]["intact"]
    trust = load_trust(shop.keys / "trust.json")
    entry = trust.search("R. Example")
    assert (entry.status, entry.reason, len(entry.history)) == ("revoked", "key-compromise", 1)
    (listed,) = trust.revocation_lists
    assert listed.get_revoked_certificate_by_serial_number(entry.certificate.serial_number) is not None
    assert main(["verify", str(report), "--trust", str(shop.keys / "trust.json")]) == 1
    assert "what helps: a time stamp from before" in capsys.readouterr().out
    for again in ("R. Example", entry.fingerprint[:12]):
        assert shop.tried(["key", "revoke", again, "--reason", "superseded"], shop.authority).returncode == 2
    assert shop.tried(["key", "revoke", "Nobody", "--reason", "superseded"], shop.authority).returncode == 2
    assert shop.tried(["key", "revoke", "M. Sample", "--reason", "person-left"], "no-such-thing").returncode == 2
    assert load_trust(shop.keys / "trust.json") == trust
    forged = tmp_path / "again.p12"
    forged.write_bytes((shop.keys / "r-example.p12").read_bytes())
    assert shop.tried(["key", "trust", str(forged)], shop.technician).returncode == 2


def test_who_left_keeps_what_was_signed_before(shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = shop.report(tmp_path / "report.pdf")
    time.sleep(1.1)  # signing times are whole seconds
    done = shop.done(["key", "revoke", "R. Example", "--reason", "person-left"], shop.authority)
    first, *_, last = done.stdout.splitlines()
    assert first.startswith("signatures of R. Example dated before ") and "stay good; later ones do not" in first
    assert "counts for signatures before then only" in done.stdout and last.endswith("trust.json")
    assert shop.verify(report, capsys)["reasons"] == []
    later = shop.report(tmp_path / "later.pdf")
    assert shop.verify(later, capsys)["reasons"] == ["outside-trust-period"]
    trust = load_trust(shop.keys / "trust.json")
    entry = trust.search("R. Example")
    assert (entry.status, entry.reason) == ("trusted", "person-left")
    assert all(len(each) == 0 for each in trust.revocation_lists)
    assert main(["key", "show", "--keys", str(shop.keys)]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^ended +person +R\. Example .*counts for signatures made before ", out, re.MULTILINE)
    assert f"certificate ends {entry.certificate.not_valid_after_utc:%Y-%m-%d}" in out
    assert re.search(r"^trusted +person +M\. Sample .*made at any time", out, re.MULTILINE)
    assert "open" not in out
    # a second day later changes nothing; that the key leaked does
    assert shop.tried(["key", "revoke", "R. Example", "--reason", "no-longer-used"], shop.authority).returncode == 2
    shop.done(["key", "revoke", entry.fingerprint[:12], "--reason", "key-compromise"], shop.authority)
    assert shop.verify(report, capsys)["reasons"] == ["certificate-revoked"]


def test_certificates_and_lists_are_put_on_another_list(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    report = shop.report(tmp_path / "report.pdf")
    trust = load_trust(shop.keys / "trust.json")
    other = Shop(tmp_path / "other")
    assert "not-trusted" in other.verify(report, capsys)["reasons"]
    done = other.done(["key", "trust", str(shop.keys / "r-example.p12")], shop.technician)
    assert trust.search("R. Example").fingerprint in done.stdout
    assert other.verify(report, capsys)["trustworthy"]
    certificate = tmp_path / "authority.pem"
    certificate.write_bytes(trust.search("Example shop").certificate.public_bytes(Encoding.PEM))
    other.done(["key", "trust", str(certificate), "--until", "2020-01-01"])
    listed = tmp_path / "revoked.crl"
    listed.write_bytes(trust.revocation_lists[0].public_bytes(Encoding.DER))
    other.done(["key", "trust", str(listed)])
    assert len(load_trust(other.keys / "trust.json").revocation_lists) == 2
    for bad in (DEMO, report):
        done = other.tried(["key", "trust", str(bad)])
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
    assert other.tried(["key", "trust", str(certificate), "--since", "soon"]).returncode == 2


def test_a_stamped_report_outlives_its_keys(
    shop: Shop, service: TimeService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    moment = datetime.now(UTC).replace(microsecond=0)
    service.at(moment)
    report = shop.report(tmp_path / "report.pdf", "--timestamp-url", service.url())
    assert "timestamp-not-trusted" in shop.verify(report, capsys)["reasons"]
    root = tmp_path / "root.pem"
    root.write_bytes(service.certificate("root").public_bytes(Encoding.PEM))
    shop.done(["key", "trust", str(root), "--timestamp-service"])
    found = shop.verify(report, capsys)
    assert found["reasons"] == []
    assert found["signatures"][0]["timestamped"]
    assert found["signatures"][0]["proven_at"] == moment.isoformat()
    trust = str(shop.keys / "trust.json")
    assert main(["timestamp", str(report), "--url", service.url(), "--trust", trust]) == 0
    assert "stamp again before" in capsys.readouterr().out
    found = shop.verify(report, capsys)
    assert found["reasons"] == []
    assert found["pages"] == "same"
    assert found["stamps"][0]["trusted"]
    later = verify_signatures(report.read_bytes(), trust=load_trust(trust), moment=moment + timedelta(days=5 * 365))
    assert later.reasons == ()
    assert not later.signatures[0].trusted_now
    assert main(["verify", str(report), "--trust", trust]) == 0
    out = capsys.readouterr().out
    assert "proven by a time stamp: yes; valid now: yes" in out
    assert "renew before" in out
    shop.done(["key", "revoke", "R. Example", "--reason", "person-left"], shop.authority)
    found = shop.verify(report, capsys)
    assert found["reasons"] == []
    assert found["signatures"][0]["trusted"]
    assert not found["signatures"][0]["trusted_now"]
    assert main(["timestamp", str(report), "--url", "http://127.0.0.1:9/", "--trust", trust]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_several_reviewers_sign_the_places_that_were_there(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = shop.report(tmp_path / "report.pdf", "--reviewers", "3", "--meaning", "I measured this vehicle")
    key = str(shop.keys / "m-sample.p12")
    shop.done(["countersign", str(report), "--key", key], shop.reviewer)
    assert shop.tried(["countersign", str(report), "--key", key], shop.reviewer).returncode == 2
    other = ["countersign", str(report), "--key", str(shop.keys / "c-specimen.p12")]
    shop.done([*other, "--field", "Reviewer3", "--meaning", "I approve the claim"], shop.manager)
    found = shop.verify(report, capsys, "--expect", "Technician", "--expect", "Reviewer", "--expect", "Reviewer3")
    assert found["reasons"] == []
    assert found["pages"] == "same"
    assert [(s["field"], s["meaning"]) for s in found["signatures"]] == [
        ("Technician", "I measured this vehicle"),
        ("Reviewer", "I reviewed this record"),
        ("Reviewer3", "I approve the claim"),
    ]
    missing = shop.verify(report, capsys, "--expect", "Reviewer2")
    assert missing["reasons"] == ["expected-signature-missing"]


def test_no_place_left(shop: Shop, tmp_path: Path) -> None:
    report = shop.report(tmp_path / "report.pdf")
    shop.done(["countersign", str(report), "--key", str(shop.keys / "m-sample.p12")], shop.reviewer)
    done = shop.tried(["countersign", str(report), "--key", str(shop.keys / "c-specimen.p12")], shop.manager)
    assert done.returncode == 2
    assert "no place left for a signature" in done.stderr


def test_a_key_in_a_token_signs(shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from test_token import LIBRARY, PIN

    (tmp_path / "tokens").mkdir()
    configuration = tmp_path / "softhsm2.conf"
    configuration.write_text(f"directories.tokendir = {tmp_path / 'tokens'}\nlog.level = ERROR\n")
    place = {"SOFTHSM2_CONF": str(configuration)}
    subprocess.run(
        ["softhsm2-util", "--init-token", "--free", "--label", "bay 3", "--pin", PIN, "--so-pin", "31415926"],
        check=True, capture_output=True, env={**os.environ, **place},
    )  # fmt: skip
    token = ["--token-library", str(LIBRARY), "--token-label", "bay 3", "--pin-fd", "0"]
    keys = ["--keys", str(shop.keys), "--passphrase-fd", "0"]
    done = run(
        ["key", "add", "T. Token", "--role", "technician", *keys, *token], shop.authority, PIN, environment=place
    )
    assert done.returncode == 0, done.stderr
    assert "never leaves it" in done.stdout
    assert not (shop.keys / "t-token.p12").exists()
    report = tmp_path / "report.pdf"
    mine = tmp_path / "mine.json"
    mine.write_text(DEMO.read_text(encoding="utf-8").replace('"R. Example"', '"T. Token"'), encoding="utf-8")
    done = run(["report", str(mine), "-o", str(report), *token], PIN, environment=place)
    assert done.returncode == 0, done.stderr
    found = shop.verify(report, capsys)
    assert found["reasons"] == []
    assert found["signatures"][0]["signer"] == "T. Token"
    done = run(["report", str(DEMO), "-o", str(report), *token], "0000", environment=place)
    assert done.returncode == 2
    assert "refused the PIN" in done.stderr
    for wrong in (["--token-label", "x"], [*token, "--key", "x"], ["--timestamp-url", "http://127.0.0.1:9/"]):
        assert run(["report", str(DEMO), "-o", str(report), *wrong], PIN, environment=place).returncode == 2


def test_a_batch_signs_what_can_be_signed_and_lists_the_rest(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = tmp_path / "records"
    records.mkdir()
    text = DEMO.read_text(encoding="utf-8")
    identity = json.loads(text)["id"]
    for number in range(5):
        (records / f"visit {number}.json").write_text(text.replace(identity, f"B-{number}"), encoding="utf-8")
    (records / "broken.json").write_text('{"schema": "diagnb-record/1"', encoding="utf-8")
    (records / "strange.json").write_text(text.replace('"tests"', '"texts"', 1), encoding="utf-8")
    target = tmp_path / "reports"
    key = str(shop.keys / "r-example.p12")
    arguments = ["report", "--batch", str(records), "-o", str(target), "--key", key, "--processes", "2"]
    done = shop.tried(arguments, shop.technician)
    assert done.returncode == 1, done.stderr
    assert "5 of 7 reports written, signed" in done.stdout
    assert re.search(r"broken\.json.*is not JSON", done.stderr)
    assert re.search(r"strange\.json.*texts", done.stderr)
    assert sorted(p.name for p in target.iterdir()) == [f"visit {n}.pdf" for n in range(5)]
    for each in target.iterdir():
        found = shop.verify(each, capsys)
        assert found["reasons"] == []
        assert found["pages"] == "same"
    assert shop.tried(arguments, "no-such-thing").returncode == 2
    assert main(["report", "--batch", str(tmp_path / "nothing"), "-o", str(target)]) == 2
    assert main(["report", "-o", str(target)]) == 2
    assert main(["report", str(DEMO), "--batch", str(records), "-o", str(target)]) == 2
    alone = tmp_path / "alone"
    assert main(["report", "--batch", str(records), "-o", str(alone), "--processes", "1"]) == 1
    assert "NOT signed" in capsys.readouterr().out
    assert len(list(alone.iterdir())) == 5


@pytest.mark.skipif(os.name != "posix", reason="file modes are a POSIX matter")
def test_key_files_are_for_their_owner_alone(shop: Shop) -> None:
    assert shop.keys.stat().st_mode & 0o077 == 0
    for each in shop.keys.glob("*.p12"):
        assert each.stat().st_mode & 0o077 == 0
