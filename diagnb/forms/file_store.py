"""The files attached to a sheet: beside its journal, each named by its SHA-256, on disk before the journal names it."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path

from diagnb.errors import fault
from diagnb.forms.journal import flush_folder

MOST_BYTES = 64 * 2**20
_NAME = re.compile(r"[0-9a-f]{64}")


class FileStore:
    """A folder of files by content hash. It is made when the first file comes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, data: bytes) -> str:
        """Keep ``data`` and flush it to the disk; returns its SHA-256. The same content is kept once.

        Raises InputFault when it is too large or the disk refuses; then nothing is left behind.
        """
        if len(data) > MOST_BYTES:
            raise fault(
                "file", f"is larger than {MOST_BYTES // 2**20} MiB", "save it smaller, or export a shorter time"
            )
        name = hashlib.sha256(data).hexdigest()
        try:
            if self.holds(name):
                return name
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            descriptor, temporary = tempfile.mkstemp(dir=self.folder, prefix=".")
            try:
                with os.fdopen(descriptor, "wb") as stream:
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
                Path(temporary).replace(self.folder / name)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
            flush_folder(self.folder)
        except OSError as error:
            raise fault(
                "file", f"could not be written to disk: {error.strerror}", "free some space, then attach it again"
            ) from error
        return name

    def holds(self, name: str) -> bool:
        """Whether the file of this hash is here and whole."""
        try:
            return hashlib.sha256(self._path(name).read_bytes()).hexdigest() == name
        except OSError:
            return False

    def get(self, name: str) -> bytes:
        """The content of this hash. Raises InputFault when it is missing or was altered."""
        try:
            data = self._path(name).read_bytes()
        except OSError as error:
            raise fault("file", f"is missing beside the sheet: {error.strerror}", "attach it again") from error
        if hashlib.sha256(data).hexdigest() != name:
            raise fault("file", "was altered on the disk: its SHA-256 differs", "attach it again")
        return data

    def _path(self, name: str) -> Path:
        if not _NAME.fullmatch(name):
            raise fault("file", f"{name!r} is no SHA-256")
        return self.folder / name
