"""The audit log as the commands use it: which file, who acts, what is written down."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from diagnb.audit import AuditLog, Event
from diagnb.cli.files import now
from diagnb.errors import DiagnbError

NAME = "audit.jsonl"


def add_log(parser: argparse.ArgumentParser) -> None:
    """The options that name the log and whoever acts."""
    parser.add_argument(
        "--log",
        metavar="FILE",
        type=Path,
        help=f"the shop's audit log; started when missing (default: {NAME} beside keys or in the work folder, if there)",
    )
    parser.add_argument(
        "--by", metavar="NAME", default="", help="who does this, for the log (default: signer or login)"
    )


def log_for(options: argparse.Namespace, *folders: Path | None, create: bool = True) -> AuditLog | None:
    """The stated log, or the first ``audit.jsonl`` that is there in these folders, or none."""
    if options.log:
        return AuditLog(options.log, create=create)
    found = (folder / NAME for folder in folders if folder is not None)
    return next((AuditLog(path) for path in found if path.is_file()), None)


def actor(options: argparse.Namespace, key: Any = None) -> str:
    """Who acts: as stated, or the signer, or whoever is logged in."""
    if options.by.strip():
        return str(options.by.strip())
    if key is not None:
        return str(key.name)
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def write_down(log: AuditLog, events: Sequence[Event], *, stated: bool) -> None:
    """Add lines. A log that was only found by its place and can't be written is said, not a failure."""
    if not events:
        return
    try:
        log.append_all(events, clock=now)
    except DiagnbError as error:
        if stated:
            raise
        print(f"diagnb: not written to the log: {error}", file=sys.stderr)
