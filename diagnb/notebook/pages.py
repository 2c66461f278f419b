"""Pages of a report as pictures. The only file that knows pypdfium2; without it the browser's own viewer shows them."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any

from diagnb.errors import fault

_LOCK = threading.Lock()
"""The library that draws is not made for two threads at once."""
_MOST_PIXELS = 3000
_POINTS = 72.0


def can_draw() -> bool:
    """Whether the library that draws is installed (extra ``pages``)."""
    return find_spec("pypdfium2") is not None


class Pages:
    """The pages of one PDF, each drawn when it is asked for. Raises InputFault for a file that can't be opened."""

    def __init__(self, pdf: bytes) -> None:
        self._pdf = pdf
        with _opened(pdf) as document:
            self.count = len(document)

    def draw(self, number: int, *, dots_per_inch: float = 144.0) -> bytes:
        """Page ``number`` (from 1) with its signatures as PNG, at most 3000 pixels a side."""
        if not 1 <= number <= self.count:
            raise fault("page", f"{number} is not a page", f"there are {self.count}")
        with _opened(self._pdf) as document:
            page = document[number - 1]
            scale = min(dots_per_inch / _POINTS, _MOST_PIXELS / max(*page.get_size(), 1.0))
            bitmap = page.render(scale=scale, may_draw_forms=True)
            picture = bitmap.to_pil().copy()
            bitmap.close()
            page.close()
        stream = io.BytesIO()
        picture.save(stream, "PNG")
        return stream.getvalue()


@contextmanager
def _opened(pdf: bytes) -> Iterator[Any]:
    """The file as long as the block runs; opening it takes a few milliseconds."""
    import pypdfium2

    with _LOCK:
        try:
            document = pypdfium2.PdfDocument(pdf)
        except pypdfium2.PdfiumError as error:
            raise fault("report", f"can't be drawn: {error}") from error
        try:
            document.init_forms()
            yield document
        finally:
            document.close()
