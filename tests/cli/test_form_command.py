"""``diagnb lab`` and ``diagnb form``: what they refuse, in one line, and the certificate they make."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import socket
import ssl
import sys
from pathlib import Path

import pytest

from diagnb.cli import main
from diagnb.cli.certificate import fingerprint, own_certificate
from diagnb.cli.listening import Listening, add_server_options, listening
from diagnb.cli.workfolder import make_folder, prepare_server
from diagnb.shipped import cards_directory, templates_directory

NOW = dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.UTC)
LONG = "long enough for a bay"


def options(*given: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_server_options(parser, port=free_port())
    return parser.parse_args(given)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def password_file(folder: Path, text: str) -> str:
    path = folder / "password.txt"
    path.write_text(text + "\n", encoding="utf-8")
    path.chmod(0o600)
    return str(path)


@pytest.mark.parametrize("command", ["lab", "form"])
@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--password-fd", "0"], "--listen: is missing"),
        (["--certificate-key", "k.pem"], "--certificate: and --certificate-key belong together"),
        (["--port", "0"], "--port: 0 is no port"),
        (["--listen", "127.0.0.1"], "password: there is no terminal to ask on"),
        (["--listen", "203.0.113.9", "--password-fd", "0"], "203.0.113.9:"),
    ],
)
def test_refusals_are_one_line_each_and_leave_no_folder(
    command: str, given: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(sys, "stdin", open(os.devnull, encoding="utf-8"))  # noqa: SIM115
    folder = tmp_path / "work"
    port = [] if "--port" in given else ["--port", str(free_port())]
    assert main([command, str(folder), "--no-browser", *port, *given]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert any(line.startswith(f"diagnb: {said}") for line in lines)
    assert not folder.exists()
    sys.stdin.close()


def test_a_port_in_use_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert main(["form", str(tmp_path), "--no-browser", "--port", port]) == 2
    assert f"127.0.0.1:{port}: can't be listened on" in capsys.readouterr().err


def test_alone_a_fresh_token_opens_the_page(tmp_path: Path) -> None:
    first = listening(options(), folder=tmp_path, now=NOW)
    assert first.is_alone
    assert first.address == "127.0.0.1"
    assert len(first.token) >= 32
    assert first.token != listening(options(), folder=tmp_path, now=NOW).token
    assert "Only this machine reaches it" in " ".join(first.said("…"))


def test_no_listening_without_a_password_and_a_certificate() -> None:
    with pytest.raises(ValueError, match="a password, a certificate"):
        Listening("192.0.2.7", 8641, token="t")
    with pytest.raises(ValueError, match="a password, a certificate"):
        Listening("192.0.2.7", 8641, password_hash="argon2:…")


def test_others_get_a_password_and_a_certificate_whose_fingerprint_is_printed(tmp_path: Path) -> None:
    chosen = options("--listen", "127.0.0.1", "--password-file", password_file(tmp_path, LONG))
    place = listening(chosen, folder=tmp_path, now=NOW)
    assert place.token == ""
    assert LONG not in place.password_hash
    assert place.certificate is not None
    said = " ".join(place.said("may write"))
    assert fingerprint(place.certificate) in said
    assert "Every device that reaches this computer" in said
    assert place.page.startswith("https://127.0.0.1:")
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(place.certificate, place.key)


def test_a_short_password_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = ["--listen", "127.0.0.1", "--password-file", password_file(tmp_path, "short"), "--port", str(free_port())]
    assert main(["form", str(tmp_path / "w"), *given]) == 2
    assert "password: is too short" in capsys.readouterr().err


def test_a_password_file_that_others_can_read_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if os.name != "posix":  # no file modes there
        return
    path = password_file(tmp_path, LONG)
    Path(path).chmod(0o644)
    port = str(free_port())
    assert main(["form", str(tmp_path / "w"), "--listen", "127.0.0.1", "--password-file", path, "--port", port]) == 2
    assert "can be read by others" in capsys.readouterr().err


def test_a_certificate_and_another_key_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    certificate, _ = own_certificate(tmp_path / "a", address="127.0.0.1", now=NOW)
    _, key = own_certificate(tmp_path / "b", address="127.0.0.1", now=NOW)
    given = ["--listen", "127.0.0.1", "--password-file", password_file(tmp_path, LONG), "--port", str(free_port())]
    assert (
        main(["form", str(tmp_path / "w"), *given, "--certificate", str(certificate), "--certificate-key", str(key)])
        == 2
    )
    assert "can't be used together" in capsys.readouterr().err


def test_the_certificate_stays_until_it_ends_or_the_address_changes(tmp_path: Path) -> None:
    made = fingerprint(own_certificate(tmp_path, address="192.0.2.7", now=NOW)[0])
    assert made == fingerprint(own_certificate(tmp_path, address="192.0.2.7", now=NOW + dt.timedelta(days=300))[0])
    other = fingerprint(own_certificate(tmp_path, address="192.0.2.8", now=NOW)[0])
    assert other != made
    assert other != fingerprint(own_certificate(tmp_path, address="192.0.2.8", now=NOW + dt.timedelta(days=395))[0])


def test_a_starter_that_was_changed_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "Prüf stand"
    made = make_folder(folder, "circuit-page.ipynb")
    assert made.read_bytes() == (templates_directory() / "notebooks" / "circuit-page.ipynb").read_bytes()
    made.write_text("{}", encoding="utf-8")
    assert make_folder(folder, "circuit-page.ipynb").read_text(encoding="utf-8") == "{}"


def test_the_server_finds_the_packaged_cards_first() -> None:
    environment = {"JUPYTER_PATH": "before"}
    prepare_server(environment)
    assert environment["JUPYTER_PATH"].split(os.pathsep) == [str(cards_directory()), "before"]
    assert (cards_directory() / "kernels" / "diagnb" / "kernel.json").is_file()
    assert (cards_directory() / "labextensions" / "diagnb" / "package.json").is_file()


def test_the_card_s_files_carry_the_version_of_the_package() -> None:
    import json

    from diagnb.version import VERSION

    extension = cards_directory() / "labextensions" / "diagnb"
    package = json.loads((extension / "package.json").read_text(encoding="utf-8"))
    assert package["version"] == VERSION
    assert package["jupyterlab"]["_build"]["load"] == f"static/remoteEntry.{VERSION}.js"
    assert (extension / package["jupyterlab"]["_build"]["load"]).is_file()
