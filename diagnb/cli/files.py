"""Files and the clock, read and written at the outermost layer and nowhere deeper."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any


def add_folder(parser: argparse.ArgumentParser) -> None:
    """The option that names a shop's own sheets and procedures."""
    parser.add_argument(
        "--folder",
        type=Path,
        help="work folder with the shop's own meters/ and procedures/, which win over the shipped ones",
    )


def now() -> datetime:
    """The clock, read here and nowhere deeper."""
    return datetime.now().astimezone().replace(microsecond=0)


def trust_path(report: Path, stated: Path | None) -> Path | None:
    """The stated trust list, or ``trust.json`` beside the report when it is there."""
    beside = report.parent / "trust.json"
    return stated or (beside if beside.is_file() else None)


def trust_for(report: Path, stated: Path | None) -> Any:
    """The stated trust list, or ``trust.json`` beside the report, or an empty one."""
    from diagnb.signing import TrustList, load_trust

    source = trust_path(report, stated)
    return load_trust(source) if source else TrustList(())


def write_new(path: Path, data: bytes) -> None:
    """Write a whole file or nothing: beside it first, then moved into place."""
    import os

    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(path.name + ".part")
    with partial.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    partial.replace(path)
