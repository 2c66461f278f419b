"""The writer of every revision that is added to a report: it grows at its end, nothing else changes."""

from __future__ import annotations

from typing import Any


def quiet_writer(reader: Any) -> Any:
    """A writer of one more revision that leaves document information and XMP alone: they are part of what was signed."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    class QuietWriter(IncrementalPdfFileWriter):
        """pyHanko would write itself into both at every signature."""

        def _update_meta(self) -> None:
            return None

    return QuietWriter.from_reader(reader)
