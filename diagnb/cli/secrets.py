"""Passphrases: from a prompt or an open file descriptor, never from the command line."""

from __future__ import annotations

import argparse
import getpass
import os
import sys

from diagnb.errors import fault


def add_passphrase(parser: argparse.ArgumentParser) -> None:
    """The option that names where the passphrase comes from."""
    parser.add_argument(
        "--passphrase-fd",
        type=int,
        metavar="N",
        help="read the passphrase from this open file descriptor (0 is standard input)",
    )


def passphrase(options: argparse.Namespace, prompt: str) -> bytes:
    """The passphrase as bytes. Raises InputFault when there is none."""
    if options.passphrase_fd is not None:
        try:
            with os.fdopen(options.passphrase_fd, "rb", closefd=False) as stream:
                given = stream.readline().rstrip(b"\r\n")
        except OSError as error:
            raise fault("--passphrase-fd", f"can't be read: {error.strerror}") from error
    elif sys.stdin.isatty():
        given = getpass.getpass(f"{prompt}: ").encode()
    else:
        raise fault("passphrase", "there is no terminal to ask on", "use --passphrase-fd")
    if not given:
        raise fault("passphrase", "is empty")
    return given
