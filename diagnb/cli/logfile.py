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
        help=f"the shop's audit log (default: {NAME} beside the keys, in keys/ here, or here, if there; a command that"
        " issues or signs starts a stated one that is missing)",
    )
    parser.add_argument(
        "--by", metavar="NAME", default="", help="who does this, for the log (default: signer or login)"
    )


def log_for(
    options: argparse.Namespace, *folders: Path | None, create: bool = True, here: bool = False
) -> AuditLog | None:
    """The stated log, or the first ``audit.jsonl`` that is there in these folders, or none.

    ``here`` looks in ``keys/`` and in the current folder too, after the folders.
    """
    if options.log:
        return AuditLog(options.log, create=create)
    places = [*folders, *((Path("keys"), Path()) if here else ())]
    found = (folder / NAME for folder in places if folder is not None)
    return next((AuditLog(path) for path in found if path.is_file()), None)


def log_asked(options: argparse.Namespace, report: Path) -> tuple[AuditLog | None, bool]:
    """The log that a verification asks, and whether it may have come with the report.

    The stated one; else ``audit.jsonl`` in ``keys/`` here, here, beside the stated trust list or in the folder above
    it; else beside the report, where whoever made the report may have put it.
    """
    trust: Path | None = getattr(options, "trust", None)
    around = (trust.parent, trust.parent.parent) if trust else ()
    own = log_for(options, Path("keys"), Path(), *around, create=False)
    if own is not None:
        return own, False
    return log_for(options, report.parent, create=False), True


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
