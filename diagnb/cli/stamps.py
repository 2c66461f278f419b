"""``diagnb timestamp``: validation data and a time stamp over a signed report, so that it lasts."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from diagnb.cli.files import Once, now, trust_for, write_new


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    stamp = commands.add_parser(
        "timestamp", help="have a time-stamp service prove when a signed report existed; again before it expires"
    )
    stamp.add_argument("reports", metavar="FILE.pdf", type=Path, nargs="+")
    stamp.add_argument("--url", metavar="URL", required=True, help="address of an RFC 3161 time-stamp service")
    stamp.add_argument(
        "--trust",
        metavar="FILE",
        type=Path,
        action=Once,
        help="the shop's trust list (default: keys/trust.json here, else trust.json beside the report)",
    )
    stamp.add_argument(
        "--revocation-list",
        metavar="FILE",
        type=Path,
        action="append",
        default=[],
        help="a revocation list to put into the report; may be repeated",
    )
    stamp.add_argument("--no-fetch", action="store_true", help="don't fetch the lists that the certificates name")
    stamp.set_defaults(run=run_timestamp)


def run_timestamp(options: argparse.Namespace) -> int:
    """Exit 0 when every stamp counts, 1 when the trust list does not know the service."""
    from diagnb.signing import (
        NOTES,
        fetch_revocation_lists,
        read_revocation_list,
        signing_certificates,
        timestamp,
        verify_signatures,
    )

    given = tuple(read_revocation_list(path.read_bytes()) for path in options.revocation_list)
    counted = 0
    for path in options.reports:
        trust = trust_for(path, options.trust)
        pdf = path.read_bytes()
        moment = now()
        lists = given
        if not options.no_fetch:
            issuers = [e.certificate for e in trust.entries if e.kind != "person"]
            fetched, faults = fetch_revocation_lists([*signing_certificates(pdf), *issuers])
            lists += fetched
            for each in faults:
                print(f"diagnb: {each}", file=sys.stderr)
        stamped = timestamp(pdf, url=options.url, trust=trust, moment=moment, revocation_lists=lists)
        write_new(path, stamped)
        status = verify_signatures(stamped, trust=trust, moment=now())
        newest = status.stamps[-1]
        counted += newest.trusted
        when = f"{newest.time:%Y-%m-%d %H:%M:%S %Z}" if newest.time else "no time"
        print(f"{path}: stamped {when} by {newest.service}, {len(stamped) - len(pdf):,} bytes more")
        if newest.renew_before:
            print(f"  stamp again before {newest.renew_before:%Y-%m-%d}, when the service's certificate ends")
        if not newest.trusted:
            print(
                "  NOT on the trust list: add the service's authority with `diagnb key trust FILE --timestamp-service`"
            )
        for note in status.notes:
            if note.startswith(("revocation", "no-revocation")):
                print(f"  note: {NOTES[note]} [{note}]")
    return 0 if counted == len(options.reports) else 1
