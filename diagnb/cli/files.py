"""Files and the clock, read and written at the outermost layer and nowhere deeper."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.proof import Verification


def add_folder(parser: argparse.ArgumentParser) -> None:
    """The option that names a shop's own sheets and procedures."""
    parser.add_argument(
        "--folder",
        type=Path,
        help="work folder with the shop's own meters/ and procedures/, which win over the shipped ones",
    )


class Once(argparse.Action):
    """An option whose second mention is a fault, where a silent last word would mislead."""

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, option: str | None = None
    ) -> None:
        given = f"_{self.dest}_given"
        if getattr(namespace, given, False):
            parser.error(f"{option} stands twice: one trust list is asked; `diagnb key trust OTHER.json` joins several")
        setattr(namespace, given, True)
        setattr(namespace, self.dest, values)


def now() -> datetime:
    """The clock, read here and nowhere deeper."""
    return datetime.now().astimezone().replace(microsecond=0)


def trust_path(report: Path, stated: Path | None) -> Path | None:
    """The stated trust list; else the one in ``keys/`` here; else ``trust.json`` beside the report."""
    own, beside = Path("keys") / "trust.json", report.parent / "trust.json"
    return stated or next((path for path in (own, beside) if path.is_file()), None)


def lay_beside(path: Path | None, stated: Path | None) -> bool:
    """Whether a trust list was only found beside the report, so that it may have come with it."""
    return path is not None and stated is None and path.parent != Path("keys")


def trust_line(report: Path, stated: Path | None) -> str:
    """Which list was asked, and a warning when it may have come with the report."""
    path = trust_path(report, stated)
    if path is None:
        return "  no trust list was given, so nobody is trusted (name the shop's own list with --trust)"
    warning = " It lay beside the report and may have come with it: compare it with the list you were given."
    return f"  trust list asked: {path} ({authorities_of(path)}).{warning if lay_beside(path, stated) else ''}"


def authorities_of(path: Path) -> str:
    """Whose keys a trust list accepts, in a few words."""
    from diagnb.signing import load_trust

    return ", ".join(e.name for e in load_trust(path).entries if e.kind == "authority") or "single people only"


def judged(found: Verification, report: Path, stated: Path | None) -> Verification:
    """The verification with the list that was asked; a list that only lay beside the report counts for nothing."""
    from diagnb.proof import judged_with

    path = trust_path(report, stated)
    return judged_with(found, str(path or ""), beside=lay_beside(path, stated))


def trust_for(report: Path, stated: Path | None) -> Any:
    """The trust list of :func:`trust_path`, or an empty one."""
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
