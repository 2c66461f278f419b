"""Passphrases and PINs: from a prompt or an open file descriptor, never from the command line."""

from __future__ import annotations

import argparse
import getpass
import os
import sys

from diagnb.errors import fault

_LONGEST = 4096


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
