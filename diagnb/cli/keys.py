"""``diagnb key``: a shop authority, a key for each person, the trust list with its history, revocation."""

from __future__ import annotations

import argparse
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.files import now, write_new
from diagnb.cli.logfile import NAME as LOG
from diagnb.cli.logfile import actor, add_log, log_for, write_down
from diagnb.cli.secrets import add_passphrase, passphrase, pin
from diagnb.cli.signers import add_token
from diagnb.cli.trustlog import trust_events
from diagnb.errors import fault

if TYPE_CHECKING:
    from diagnb.signing import Authority, TrustEntry, TrustList

_OVERLAP_DAYS = 30


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    key = commands.add_parser("key", help="keys, the trust list and revocation in a shop")
    actions = key.add_subparsers(dest="action", metavar="ACTION", required=True)
    init = actions.add_parser("init", help="make the shop's authority and its trust list")
    init.add_argument("name", metavar="SHOP")
    add = actions.add_parser(
        "add", help="make a key for a person, in a file or a token, signed by the shop's authority"
    )
    add.add_argument("name", metavar="NAME")
    add.add_argument("--role", required=True, help="technician, reviewer, …: stands in the certificate")
    rotate = actions.add_parser("rotate", help="make a new key for a person; the old one counts a little longer")
    rotate.add_argument("name", metavar="NAME", help="printed name, or the first 8 or more digits of the fingerprint")
    rotate.add_argument(
        "--overlap", type=int, default=_OVERLAP_DAYS, metavar="DAYS", help="how long the old key counts (default 30)"
    )
    for parser in (add, rotate):
        add_passphrase(parser, "the passphrase of the shop's authority")
        add_token(parser)
    trust = actions.add_parser(
        "trust", help="put a certificate, a revocation list or another shop's trust list on the trust list"
    )
    trust.add_argument(
        "file",
        metavar="FILE",
        type=Path,
        help="certificate (PEM, DER, .p12), revocation list, or trust.json of another shop",
    )
    trust.add_argument("--timestamp-service", action="store_true", help="it makes time stamps, nothing else")
    trust.add_argument("--since", metavar="DATE", help="count signatures made from then on only")
    trust.add_argument("--until", metavar="DATE", help="count signatures made before then only")
    add_passphrase(trust)
    revoke = actions.add_parser("revoke", help="end a key, or withdraw it when somebody else may have it")
    revoke.add_argument("name", metavar="NAME|FINGERPRINT")
    revoke.add_argument(
        "--reason",
        required=True,
        choices=("key-compromise", "person-left", "superseded", "no-longer-used", "unspecified"),
        help="person-left, superseded, no-longer-used: older signatures stay good; key-compromise, unspecified: only"
        " older signatures with a time stamp do",
    )
    revoke.add_argument("--since", metavar="DATE", help="since when the key does not count (default now)")
    add_passphrase(revoke, "the passphrase of the shop's authority")
    show = actions.add_parser("show", help="what stands on the trust list")
    show.add_argument("--history", action="store_true", help="also what the entries said before")
    runs = {init: run_init, add: run_add, rotate: run_rotate, trust: run_trust, revoke: run_revoke, show: run_show}
    for parser, run in runs.items():
        parser.add_argument(
            "--keys",
            type=Path,
            default=Path("keys"),
            metavar="DIR",
            help="folder of keys and trust list (default keys)",
        )
        parser.set_defaults(run=run)
        if parser is not show:
            add_log(parser)


def run_init(options: argparse.Namespace) -> int:
    """A new authority with an empty revocation list; its generated passphrase is shown once."""
    from diagnb.signing import MADE_HERE, TrustList, create_authority, generate_passphrase, save_key, trust_entry

    target = options.keys / "authority.p12"
    if target.exists():
        raise fault(str(target), "is there already", "a shop has one authority; use another folder for another shop")
    moment = now()
    authority = create_authority(name=options.name, moment=moment)
    secret = generate_passphrase()
    save_key(authority, target, secret.encode())
    trust = TrustList((trust_entry(authority.certificate, added=moment, added_by=MADE_HERE),))
    _save_trust(options, trust.with_new_revocation_list(authority, moment=moment))
    print(f"authority of {options.name}: {target}")
    print(f"trust list, give it to whoever verifies: {options.keys / 'trust.json'}")
    if not options.log:
        print(f"no audit log: issues and signatures are written down once one is begun (--log {options.keys / LOG})")
    print(f"passphrase, shown only now, keep it apart from the file: {secret}")
    return 0


def run_add(options: argparse.Namespace) -> int:
    """A new person's key; the generated passphrase of a key file is shown once."""
    trust = _load_trust(options)
    _token_whole(options)
    if any(e.name == options.name and e.kind == "person" and e.status == "trusted" for e in trust.entries):
        raise fault(options.name, "has a key already", "`diagnb key rotate` makes a new one")
    authority = _authority(options)
    _new_person(options, trust, authority, name=options.name, role=options.role, by="diagnb key add")
    return 0


def run_rotate(options: argparse.Namespace) -> int:
    """A new key for a person; the old certificate counts for signatures before the end of the overlap."""
    trust = _load_trust(options)
    _token_whole(options)
    old = trust.search(options.name)
    if old.kind != "person":
        raise fault(options.name, f"is a {old.kind}, not a person", "rotate the keys of people")
    if not 0 <= options.overlap <= 366:
        raise fault("--overlap", f"is {options.overlap} days", "use 0 to 366")
    authority = _authority(options)
    moment = now()
    until = moment + timedelta(days=options.overlap)
    ended = trust.with_ended(old.fingerprint, until=until, moment=moment, by="diagnb key rotate")
    _new_person(options, ended, authority, name=old.name, role=old.role, by="diagnb key rotate")
    print(f"old key {old.fingerprint[:16]}: counts for signatures before {until:%Y-%m-%d}")
    return 0


def run_trust(options: argparse.Namespace) -> int:
    """One certificate or revocation list more on the trust list; what it said before is kept."""
    from diagnb.signing import read_certificate, read_revocation_list, trust_entry

    data = options.file.read_bytes()
    if data.lstrip()[:1] == b"{":
        return _take_over(options, data)
    trust = _load_trust(options)
    if _is_revocation_list(data):
        each = read_revocation_list(data)
        _save_trust(options, trust.with_revocation_list(each))
        print(f"revocation list of {each.last_update_utc:%Y-%m-%d} with {len(each)} entries is on the trust list")
        return 0
    packed = options.file.suffix.lower() in (".p12", ".pfx")
    secret = passphrase(options, f"Passphrase of {options.file.name}") if packed else None
    certificate = read_certificate(data, passphrase=secret)
    entry = trust_entry(
        certificate,
        added=now(),
        added_by="diagnb key trust",
        since=_moment("--since", options.since),
        until=_moment("--until", options.until),
        timestamp_service=options.timestamp_service,
    )
    earlier = trust.find(entry.fingerprint)
    if earlier is not None and earlier.status == "revoked":
        raise fault(str(options.file), "is revoked on the trust list", "a revoked key never counts again")
    _save_trust(options, trust.with_entry(entry))
    print(f"{entry.kind} {entry.name} ({entry.role or 'no role'}) is trusted")
    print(f"compare this fingerprint by another way than the file came: {entry.fingerprint}")
    return 0


def _take_over(options: argparse.Namespace, data: bytes) -> int:
    """Another shop's trust list into this one: what it adds, what it has withdrawn since; nothing here is softened."""
    from diagnb.signing import TrustList, load_trust

    own = options.keys / "trust.json"
    trust = _load_trust(options) if own.is_file() else TrustList(())
    changed, told = trust.joined(load_trust(data))
    if not told:
        print(f"{options.file}: says nothing that {own} does not say already")
        return 0
    _save_trust(options, changed)
    for entry in told:
        print(f"{entry.kind} {entry.name} ({entry.role or 'no role'}): {entry.status}; fingerprint {entry.fingerprint}")
    print("compare these fingerprints with the shop by another way than the file came")
    return 0


def run_revoke(options: argparse.Namespace) -> int:
    """Say what will happen, then end the key's time, or revoke it, also in a revocation list of the shop's authority."""
    from diagnb.signing.revocation import HARMLESS

    trust = _load_trust(options)
    entry = trust.search(options.name)
    moment = now()
    since = _moment("--since", options.since) or moment
    if since > moment:
        raise fault("--since", "lies ahead", "a key is revoked from now on or from an earlier day")
    harmless = options.reason in HARMLESS
    if harmless:
        changed = trust.with_ended(
            entry.fingerprint, until=since, moment=moment, by="diagnb key revoke", reason=options.reason
        )
    else:
        changed = trust.with_revoked(
            entry.fingerprint, moment=moment, invalid_since=since, reason=options.reason, by="diagnb key revoke"
        )
    print("\n".join(_what_follows(entry, since, harmless=harmless)), flush=True)
    if _issued_here(trust, entry):
        changed = changed.with_new_revocation_list(_authority(options), moment=moment)
    _save_trust(options, changed)
    done = "counts for signatures before then only" if harmless else "is revoked, does not count since"
    print(f"{entry.name} ({entry.kind}) {done}: {since:%Y-%m-%d %H:%M %Z}, {options.reason}")
    print(f"give the new trust list to whoever verifies: {options.keys / 'trust.json'}")
    return 0


def _what_follows(entry: TrustEntry, since: datetime, *, harmless: bool) -> list[str]:
    """What becomes of older signatures, said before it is done."""
    day = f"{since:%Y-%m-%d %H:%M %Z}"
    many = "how many reports carry this key is not known here; `diagnb verify FOLDER` afterwards counts them"
    if harmless:
        return [
            f"signatures of {entry.name} dated before {day} stay good; later ones do not count",
            "a date without a time stamp is the signer's own word: take the key away from whoever leaves, and where"
            " somebody else may have it, use --reason key-compromise",
            many,
        ]
    return [
        f"every signature of {entry.name} without a time stamp from before {day} verifies no longer, however old",
        "reports that are to stay good need a time stamp before this is done, or a signature by somebody else"
        " (a person who only left: --reason person-left keeps what is older)",
        many,
    ]


def run_show(options: argparse.Namespace) -> int:
    """One line an entry, newest state; with --history what it said before below it."""
    trust = _load_trust(options)
    moment = now()
    for entry in trust.entries:
        over = entry.status == "trusted" and entry.until is not None and entry.until <= moment
        ends = entry.certificate.not_valid_after_utc
        print(f"{'ended' if over else entry.status:8} {entry.kind:9} {_said(entry)}  {entry.fingerprint}")
        print(f"    certificate {'ended' if ends <= moment else 'ends'} {ends:%Y-%m-%d}")
        if options.history:
            for state in reversed(entry.history):
                print(f"    before: {state.status:8} {_said(state)}")
    for each in trust.revocation_lists:
        print(f"revocation list of {each.last_update_utc:%Y-%m-%d %H:%M}, {len(each)} entries")
    return 0


def _said(state: Any) -> str:
    if state.status == "revoked":
        span = f"does not count since {state.until or 'ever'}"
    else:
        parts = (f"from {state.since} on" if state.since else "", f"before {state.until}" if state.until else "")
        span = f"counts for signatures made {' and '.join(p for p in parts if p) or 'at any time'}"
    written = f"; written {state.added:%Y-%m-%d} by {state.added_by}" if state.added else ""
    why = f" ({state.reason})" if state.reason else ""
    return f"{state.name} ({state.role or 'no role'})  {span}{why}{written}"


def _new_person(
    options: argparse.Namespace, trust: TrustList, authority: Authority, *, name: str, role: str, by: str
) -> None:
    from diagnb.signing import create_in_token, create_person, generate_passphrase, save_key, trust_entry

    moment = now()
    if options.token_library:
        certificate = create_in_token(
            authority,
            options.token_library,
            label=options.token_label,
            pin=pin(options, f"PIN of the token {options.token_label}"),
            name=name,
            role=role,
            moment=moment,
            key_label=options.token_key,
        )
        where, secret = f"token {options.token_label}, key {options.token_key}", ""
    else:
        person = create_person(authority, name=name, role=role, moment=moment)
        target = _free_file(options.keys, name)
        secret = generate_passphrase()
        certificate, where = person.certificate, str(target)
    entry = trust_entry(certificate, added=moment, added_by=by)
    changed = trust.with_entry(entry).with_new_revocation_list(authority, moment=moment)
    if secret:  # only now: a key whose passphrase nobody saw must not be left behind
        save_key(person, target, secret.encode())
    _save_trust(options, changed)
    print(f"key of {name} ({role}): {where}")
    print(f"its certificate ends {certificate.not_valid_after_utc:%Y-%m-%d}; what a time stamp proves older stays good")
    if secret:
        print(f"passphrase, shown only now, for this person alone: {secret}")
    else:
        print("the key was made inside the token and never leaves it")


def _free_file(folder: Path, name: str) -> Path:
    stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "person"
    names = (f"{stem}.p12", *(f"{stem}-{number}.p12" for number in range(2, 1000)))
    return next(path for each in names if not (path := folder / each).exists())


def _token_whole(options: argparse.Namespace) -> None:
    if bool(options.token_library) != bool(options.token_label):
        raise fault("--token-library", "and --token-label belong together", "give both")


def _authority(options: argparse.Namespace) -> Authority:
    from diagnb.signing import load_authority

    return load_authority(options.keys / "authority.p12", passphrase(options, "Passphrase of the authority"))


def _issued_here(trust: TrustList, entry: TrustEntry) -> bool:
    from diagnb.signing import issued

    authorities = (e.certificate for e in trust.entries if e.kind == "authority")
    return entry.kind == "person" and any(issued(entry.certificate, each) for each in authorities)


def _load_trust(options: argparse.Namespace) -> TrustList:
    from diagnb.signing import load_trust

    return load_trust(options.keys / "trust.json")


def _save_trust(options: argparse.Namespace, trust: TrustList) -> None:
    """Save the trust list, then write into the log what became of it."""
    path = options.keys / "trust.json"
    log = log_for(options, options.keys)
    before = _load_trust(options) if log is not None and path.is_file() else None
    write_new(path, trust.to_json().encode())
    if log is not None:
        events = list(trust_events(before, trust, actor=actor(options), file=path.name))
        write_down(log, events, stated=bool(options.log))


def _is_revocation_list(data: bytes) -> bool:
    from diagnb.errors import SigningFault
    from diagnb.signing import read_revocation_list

    try:
        read_revocation_list(data)
    except SigningFault:
        return False
    return True


def _moment(where: str, text: str | None) -> datetime | None:
    """A date, at its start here, or a time with its zone."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise fault(where, f"{text!r} is no date", "write 2030-05-31 or 2030-05-31T08:00:00+02:00") from None
    return moment if moment.tzinfo else moment.astimezone()
