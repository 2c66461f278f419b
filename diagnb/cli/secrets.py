"""Passphrases, PINs and passwords: from a prompt, a descriptor, a file or the key ring, never from the command line."""

from __future__ import annotations

import argparse
import getpass
import os
import stat
import sys
from pathlib import Path

from diagnb.errors import Fault, MissingPackage, fault

_LONGEST = 4096
_SHORTEST_PASSWORD = 12


def add_passphrase(parser: argparse._ActionsContainer, whose: str = "the passphrase") -> None:
    """The option that names where the passphrase comes from."""
    parser.add_argument(
        "--passphrase-fd",
        type=int,
        metavar="N",
        help=f"read {whose} from this open file descriptor (0 is standard input)",
    )


def add_pin(parser: argparse._ActionsContainer) -> None:
    """The option that names where a token's PIN comes from."""
    parser.add_argument(
        "--pin-fd",
        type=int,
        metavar="N",
        help="read the token's PIN from this open file descriptor; may be the same one, the PIN on the next line",
    )


def passphrase(options: argparse.Namespace, prompt: str) -> bytes:
    """The passphrase as bytes. Raises InputFault when there is none."""
    return _secret("passphrase", options.passphrase_fd, prompt)


def pin(options: argparse.Namespace, prompt: str) -> str:
    """The PIN as text. Raises InputFault when there is none."""
    try:
        return _secret("pin", options.pin_fd, prompt).decode()
    except UnicodeDecodeError:
        raise fault("pin", "is not text") from None


def add_password(parser: argparse._ActionsContainer) -> None:
    """The options that name where the password of a page comes from."""
    parser.add_argument("--password-fd", type=int, metavar="N", help="read the password from this open file descriptor")
    parser.add_argument("--password-file", type=Path, metavar="FILE", help="read it from a file only you can read")
    parser.add_argument(
        "--password-keyring", metavar="NAME", help="take it from this system's key ring (keyring set diagnb NAME)"
    )


def names_password(options: argparse.Namespace) -> bool:
    """Whether an option says where the password comes from."""
    return any(v is not None for v in (options.password_fd, options.password_file, options.password_keyring))


def password(options: argparse.Namespace) -> str:
    """The password of a page, 12 characters at least. Raises InputFault when there is none, or a shorter one."""
    if options.password_file is not None:
        given = _from_file(options.password_file)
    elif options.password_keyring is not None:
        given = _from_keyring(options.password_keyring)
    else:
        given = _secret("password", options.password_fd, "Password for this page")
        again = options.password_fd is None and getpass.getpass("The same again: ").encode()
        if again is not False and again != given:
            raise fault("password", "was typed differently the second time")
    try:
        text = given.decode()
    except UnicodeDecodeError:
        raise fault("password", "is not text") from None
    if len(text) < _SHORTEST_PASSWORD:
        raise fault("password", "is too short", f"{_SHORTEST_PASSWORD} characters or more")
    return text


def _from_file(path: Path) -> bytes:
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise fault(str(path), "can be read by others on this machine", f"chmod 600 {path}")
    with path.open("rb") as stream:
        return stream.readline(_LONGEST).rstrip(b"\r\n")


def _from_keyring(name: str) -> bytes:
    try:
        import keyring
    except ImportError:
        raise MissingPackage(Fault("keyring", "is not installed", "pip install keyring")) from None
    from keyring.errors import KeyringError

    try:
        found: str | None = keyring.get_password("diagnb", name)
    except KeyringError as error:
        raise fault("--password-keyring", f"the key ring can't be read: {error}") from error
    if found is None:
        raise fault("--password-keyring", f"the key ring has no {name!r}", f"keyring set diagnb {name}")
    return found.encode()


def _secret(what: str, descriptor: int | None, prompt: str) -> bytes:
    if descriptor is not None:
        given = _line(what, descriptor)
    elif sys.stdin.isatty():
        given = getpass.getpass(f"{prompt}: ").encode()
    else:
        raise fault(what, "there is no terminal to ask on", f"use --{what}-fd")
    if not given:
        raise fault(what, "is empty")
    return given


def _line(what: str, descriptor: int) -> bytes:
    """One line, byte by byte, so that the next secret may stand on the next line of the same descriptor."""
    given = bytearray()
    try:
        while len(given) < _LONGEST and (byte := os.read(descriptor, 1)) not in (b"", b"\n"):
            given += byte
    except OSError as error:
        raise fault(f"--{what}-fd", f"can't be read: {error.strerror}") from error
    return bytes(given).rstrip(b"\r")
