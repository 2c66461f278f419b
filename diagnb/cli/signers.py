"""Whose key signs: a key file or a hardware token, chosen by options, opened once."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from diagnb.cli.secrets import add_passphrase, add_pin, passphrase, pin
from diagnb.errors import Fault, InputFault


def add_token(parser: argparse.ArgumentParser) -> None:
    """The options that name a token, as a group of their own."""
    group = parser.add_argument_group("a key in a token instead of a file")
    group.add_argument("--token-library", metavar="FILE", type=Path, help="the token maker's PKCS#11 library")
    group.add_argument("--token-label", metavar="LABEL", help="label of the token")
    group.add_argument("--token-key", metavar="LABEL", default="diagnb", help="label of the key (default diagnb)")
    add_pin(group)


def add_signer(parser: argparse.ArgumentParser, *, key_help: str) -> None:
    """The options that name a key, and a time-stamp service."""
    group = parser.add_argument_group("who signs")
    group.add_argument("--key", metavar="KEY", type=Path, help=key_help)
    add_passphrase(group)
    group.add_argument("--timestamp-url", metavar="URL", help="RFC 3161 service that stamps the signature")
    add_token(parser)


def check_signer(options: argparse.Namespace, *, needed: bool) -> None:
    """Raise InputFault when the options name no key, two, or half a token."""
    faults = []
    token = (options.token_library, options.token_label)
    if any(token) and not all(token):
        faults.append(Fault("--token-library", "and --token-label belong together", "give both"))
    if options.key and any(token):
        faults.append(Fault("--key", "and a token are named", "give one of them"))
    if needed and not options.key and not any(token):
        faults.append(Fault("--key", "is missing", "give a key file, or a token's library and label"))
    if options.timestamp_url and not options.key and not any(token):
        faults.append(Fault("--timestamp-url", "stamps a signature, and no key is named", "give --key"))
    if faults:
        raise InputFault(faults)


@contextmanager
def signer(options: argparse.Namespace, *, needed: bool) -> Iterator[Any]:
    """The key that the options name, open while the block runs; None when they name none and none is needed."""
    from diagnb.signing import load_key, open_token

    check_signer(options, needed=needed)
    if options.key:
        yield load_key(options.key, passphrase(options, f"Passphrase of {options.key.name}"))
    elif options.token_library:
        secret = pin(options, f"PIN of the token {options.token_label}")
        with open_token(
            options.token_library, label=options.token_label, pin=secret, key_label=options.token_key
        ) as token:
            yield token
    else:
        yield None


def shown_signer(key: Any, meaning: str) -> dict[str, str]:
    """What an analysis prints in the box of its signature; nothing when nobody signs."""
    return {"signer": key.name, "role": getattr(key, "role", ""), "meaning": meaning} if key is not None else {}
