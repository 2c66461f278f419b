"""Who may reach a server that a command starts: this machine alone, or others with a password and an encrypted line."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import secrets
import socket
from dataclasses import dataclass
from pathlib import Path

from diagnb.cli.certificate import checked_pair, fingerprint, own_certificate
from diagnb.cli.secrets import add_password, names_password, password
from diagnb.errors import Fault, InputFault, fault

_LOOPBACK = "127.0.0.1"
_EVERYWHERE = ("0.0.0.0", "::")  # noqa: S104 - compared with, not bound


@dataclass(frozen=True, slots=True)
class Listening:
    """Where a server listens. ``token`` opens it on this machine alone; elsewhere ``password_hash`` and TLS do."""

    address: str
    port: int
    token: str = ""
    password_hash: str = ""
    certificate: Path | None = None
    key: Path | None = None

    def __post_init__(self) -> None:
        alone = bool(self.token) and self.address == _LOOPBACK
        others = bool(self.password_hash and self.certificate and self.key)
        if not alone and not others:
            message = "a server that others reach has a password, a certificate and its key"
            raise ValueError(message)

    @property
    def is_alone(self) -> bool:
        """Whether only this machine reaches it."""
        return not self.password_hash

    @property
    def page(self) -> str:
        """The address to type or to open."""
        host = socket.gethostname() if self.address in _EVERYWHERE else self.address
        host = f"[{host}]" if ":" in host else host
        return f"{'http' if self.is_alone else 'https'}://{host}:{self.port}/" + (
            f"?token={self.token}" if self.token else ""
        )

    def said(self, what_they_may: str) -> list[str]:
        """In plain words: where it is, and who may then do what."""
        if self.is_alone or self.certificate is None:
            return [f"{self.page}", "Only this machine reaches it. Ctrl+C ends it."]
        return [
            self.page,
            "Every device that reaches this computer over its network reaches this page, on a wireless network too. "
            f"Whoever also knows the password {what_they_may}.",
            f"Before the password is typed, compare the certificate's SHA-256 fingerprint: {fingerprint(self.certificate)}",
            "Ctrl+C ends it.",
        ]


def add_server_options(parser: argparse.ArgumentParser, *, port: int) -> None:
    """The options of a command that starts a server."""
    parser.add_argument("--port", type=int, default=port, metavar="N", help=f"port to listen on (default {port})")
    parser.add_argument("--no-browser", action="store_true", help="start the server, print its address, open nothing")
    group = parser.add_argument_group("for other devices, such as a tablet in the bay")
    group.add_argument("--listen", metavar="ADDRESS", help="an address of this machine; wants a password, encrypts")
    add_password(group)
    group.add_argument("--certificate", type=Path, metavar="FILE", help="PEM certificate (default: one is made here)")
    group.add_argument("--certificate-key", type=Path, metavar="FILE", help="its key, PEM without passphrase")


def listening(options: argparse.Namespace, *, folder: Path, now: dt.datetime) -> Listening:
    """Where the options want the server to listen. Raises InputFault for what must not or can't be."""
    _check(options)
    if options.listen is None:
        _check_free(_LOOPBACK, options.port)
        return Listening(_LOOPBACK, options.port, token=secrets.token_urlsafe(24))
    _check_free(options.listen, options.port)
    from jupyter_server.auth.security import passwd

    hashed = str(passwd(password(options)))  # type: ignore[no-untyped-call]
    if options.certificate:
        certificate, key = options.certificate.resolve(), options.certificate_key.resolve()
        checked_pair(certificate, key)
    else:
        certificate, key = own_certificate(folder.resolve() / ".diagnb", address=options.listen, now=now)
    return Listening(options.listen, options.port, password_hash=hashed, certificate=certificate, key=key)


def _check(options: argparse.Namespace) -> None:
    faults = []
    if not 1 <= options.port <= 65535:
        faults.append(Fault("--port", f"{options.port} is no port", "a number from 1024 to 65535"))
    if options.listen is None and (names_password(options) or options.certificate or options.certificate_key):
        faults.append(Fault("--listen", "is missing", "without it only this machine reaches the page; add an address"))
    if bool(options.certificate) != bool(options.certificate_key):
        faults.append(Fault("--certificate", "and --certificate-key belong together", "give both, or neither"))
    if faults:
        raise InputFault(faults)


def _check_free(address: str, port: int) -> None:
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as probe:
            if os.name == "posix":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(place)
    except OSError as error:
        why = error.strerror or str(error)
        raise fault(f"{address}:{port}", f"can't be listened on: {why}", "another --port, or an own address") from error
