"""Every change of the trust list stands in the shop's log."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from diagnb.audit import AuditLog
from diagnb.cli import main


def command(*arguments: str | Path) -> int:
    return main([str(argument) for argument in arguments])


@pytest.fixture
def keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    folder = tmp_path / "shop keys"
    assert (
        command("key", "init", "Example shop", "--keys", folder, "--log", folder / "audit.jsonl", "--by", "Office") == 0
    )
    secret = next(x for x in capsys.readouterr().out.splitlines() if x.startswith("passphrase")).rsplit(": ", 1)[1]
    monkeypatch.setattr("diagnb.cli.keys.passphrase", lambda *_: secret.encode())
    return folder


def test_lines_of_a_key_s_life(keys: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = keys / "audit.jsonl"
    shop = ("--keys", keys, "--by", "Office")
    assert command("key", "add", "R. Example", "--role", "technician", *shop) == 0
    assert command("key", "rotate", "R. Example", "--overlap", "0", *shop) == 0
    assert command("key", "revoke", "R. Example", "--reason", "key-compromise", *shop) == 0
    found = AuditLog(log).check()
    assert found.good
    events = [entry.event for entry in found.entries]
    assert {event.action for event in events} == {"trust"} and {event.actor for event in events} == {"Office"}
    said = [(event.signer, event.outcome, event.reason) for event in events if event.signer]
    assert said == [
        ("Example shop", "trusted", ""),
        ("R. Example", "trusted", ""),
        ("R. Example", "changed", "superseded"),
        ("R. Example", "trusted", ""),
        ("R. Example", "revoked", "key-compromise"),
    ]
    assert sum(event.outcome == "revocation list" for event in events) == 4
    assert events[-1].file_sha256 == hashlib.sha256((keys / "trust.json").read_bytes()).hexdigest()
    trusted = {entry["fingerprint"] for entry in json.loads((keys / "trust.json").read_text("utf-8"))["entries"]}
    assert {event.fingerprint for event in events if event.signer} == trusted
    capsys.readouterr()
    assert command("log", "show", log) == 0
    assert "key of R. Example; revoked; key-compromise" in capsys.readouterr().out


def test_a_certificate_taken_in_and_what_is_refused(keys: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = len(AuditLog(keys / "audit.jsonl").check().entries)
    assert command("key", "trust", keys / "missing.pem", "--keys", keys) == 2
    assert command("key", "revoke", "Nobody", "--reason", "superseded", "--keys", keys) == 2
    assert len(AuditLog(keys / "audit.jsonl").check().entries) == lines


def test_without_a_log_nothing_is_started(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command("key", "init", "Example shop", "--keys", tmp_path / "k") == 0
    assert sorted(p.name for p in (tmp_path / "k").iterdir()) == ["authority.p12", "trust.json"]
