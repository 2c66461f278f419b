"""Live parts of the review view: the pages of a report, and a line that is read aloud when it changes.

Pictures and files travel in messages when the browser asks for them, so no saved notebook holds them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import anywidget
import traitlets

from diagnb.errors import DiagnbError

_STATIC = Path(__file__).parent / "static"


class PageView(anywidget.AnyWidget):
    """One page at a time, with buttons to turn it and to enlarge it.

    ``mode``: ``pictures`` (``draw`` gives the PNG of a page), ``viewer`` (``whole`` gives the PDF for the browser's
    own viewer) or ``none`` (``note`` says why).
    """

    _esm = _STATIC / "pages.js"
    _css = _STATIC / "review.css"
    mode = traitlets.Enum(("pictures", "viewer", "none"), "none").tag(sync=True)
    count = traitlets.Int(0).tag(sync=True)
    note = traitlets.Unicode("").tag(sync=True)
    title = traitlets.Unicode("").tag(sync=True)
    version = traitlets.Int(0).tag(sync=True)

    def __init__(self, **state: Any) -> None:
        super().__init__(**state)
        self._draw: Callable[[int], bytes] | None = None
        self._whole: Callable[[], bytes] | None = None
        self.on_msg(self._received)

    def show(
        self,
        *,
        title: str,
        note: str = "",
        count: int = 0,
        draw: Callable[[int], bytes] | None = None,
        whole: Callable[[], bytes] | None = None,
    ) -> None:
        """Show another file."""
        self._draw, self._whole = draw, whole
        mode: Literal["pictures", "viewer", "none"] = "pictures" if draw else "viewer" if whole else "none"
        with self.hold_sync():
            self.mode, self.count, self.title, self.note = mode, count, title, note
            self.version += 1

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if not isinstance(message, dict):
            return
        wanted, number = message.get("k"), message.get("number")
        try:
            if wanted == "page" and self._draw is not None and isinstance(number, int):
                self.send({"k": "page", "number": number, "version": self.version}, buffers=[self._draw(number)])
            elif wanted == "whole" and self._whole is not None:
                self.send({"k": "whole", "version": self.version}, buffers=[self._whole()])
        except DiagnbError as error:
            self.send({"k": "fault", "text": str(error)})


class LiveLine(anywidget.AnyWidget):
    """What has just happened: ``good``, ``trouble`` or ``quiet``. The region is always there, so changes are read aloud."""

    _esm = _STATIC / "live_line.js"
    text = traitlets.Unicode("").tag(sync=True)
    tone = traitlets.Enum(("quiet", "good", "trouble"), "quiet").tag(sync=True)

    def say(self, text: str, tone: Literal["quiet", "good", "trouble"] = "quiet") -> None:
        """Show and announce this."""
        with self.hold_sync():
            self.text, self.tone = text, tone
        self.send({"k": "reveal"})
