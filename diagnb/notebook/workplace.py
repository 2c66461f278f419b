"""A shop's workplace on this computer: folders, language, the clock and its zone, the log of what went wrong."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from diagnb.notebook.office import ShopOffice


@dataclass(frozen=True, slots=True)
class Workplace:
    """Where a shop's things lie and how its reports speak."""

    folder: Path
    keys: Path
    trust: Path
    technician: str = ""
    language: str = "en"
    paper: str = "A4"

    @property
    def drafts(self) -> Path:
        """The folder of the draft journals."""
        return self.folder / ".diagnb" / "drafts"

    def office(self) -> ShopOffice:
        """Keys and the issue of reports at this workplace."""
        return ShopOffice(self.keys, self.trust, self.folder, local_now, self.language, self.paper)


def local_now() -> dt.datetime:
    """The present moment with this computer's offset from UTC."""
    return dt.datetime.now(dt.UTC).astimezone()


def localise(moment: dt.datetime) -> dt.datetime:
    """A date and time as this computer's zone had it on that day, summer time included."""
    return moment.astimezone()


def log_into(path: Path, clock: Callable[[], dt.datetime]) -> Callable[[str], None]:
    def write(text: str) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        with os.fdopen(descriptor, "a", encoding="utf-8") as stream:
            stream.write(f"{clock().isoformat()}\n{text}\n")

    return write
