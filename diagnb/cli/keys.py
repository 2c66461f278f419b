"""``diagnb key``: a shop authority, a key for each person, the trust list."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import Any

from diagnb.cli.files import now, write_new
from diagnb.cli.secrets import add_passphrase, passphrase
from diagnb.errors import fault


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    key = commands.add_parser("key", help="keys and the trust list of a shop")
    actions = key.add_subparsers(dest="action", metavar="ACTION", required=True)
    init = actions.add_parser("init", help="make the shop's authority and its trust list")
    init.add_argument("name", metavar="SHOP")
    add = actions.add_parser("add", help="make a key for a person, signed by the shop's authority")
    add.add_argument("name", metavar="NAME")
    add.add_argument("--role", required=True, help="technician, reviewer, …: stands in the certificate")
    add_passphrase(add)
    show = actions.add_parser("show", help="list the trust list")
    for parser in (init, add, show):
        parser.add_argument(
            "--keys",
            type=Path,
            default=Path("keys"),
            metavar="DIR",
            help="folder of keys and trust list (default keys)",
        )
    init.set_defaults(run=run_init)
    add.set_defaults(run=run_add)
    show.set_defaults(run=run_show)


def run_init(options: argparse.Namespace) -> int:
    """A new authority; its generated passphrase is shown once."""
    from diagnb.signing import TrustList, create_authority, generate_passphrase, save_key, trust_entry

    target = options.keys / "authority.p12"
    if target.exists():
        raise fault(str(target), "is there already", "a shop has one authority; use another folder for another shop")
    moment = now()
    authority = create_authority(name=options.name, moment=moment)
    secret = generate_passphrase()
    save_key(authority, target, secret.encode())
    trust = TrustList((trust_entry(authority.certificate, added=moment, added_by="diagnb key init"),))
    write_new(options.keys / "trust.json", trust.to_json().encode())
    print(f"authority of {options.name}: {target}")
    print(f"trust list, give it to whoever verifies: {options.keys / 'trust.json'}")
    print(f"passphrase, shown only now, keep it apart from the file: {secret}")
    return 0


def run_add(options: argparse.Namespace) -> int:
    """A new person's key; its generated passphrase is shown once."""
    from diagnb.signing import create_person, generate_passphrase, load_authority, save_key

    authority = load_authority(options.keys / "authority.p12", passphrase(options, "Passphrase of the authority"))
    person = create_person(authority, name=options.name, role=options.role, moment=now())
    stem = re.sub(r"[^a-z0-9]+", "-", options.name.lower()).strip("-") or "person"
    target = options.keys / f"{stem}.p12"
    if target.exists():
        raise fault(str(target), "is there already", "give the person another printed name, or move the old key away")
    secret = generate_passphrase()
    save_key(person, target, secret.encode())
    print(f"key of {options.name} ({options.role}): {target}")
    print(f"passphrase, shown only now, for this person alone: {secret}")
    return 0


def run_show(options: argparse.Namespace) -> int:
    """One line an entry."""
    from diagnb.signing import load_trust

    for entry in load_trust(options.keys / "trust.json").entries:
        span = f"{entry.since or 'any time'} to {entry.until or 'open'}"
        print(f"{entry.status:8} {entry.kind:9} {entry.name} ({entry.role or 'no role'})  {span}  {entry.fingerprint}")
    return 0
