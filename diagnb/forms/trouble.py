"""What goes wrong in a callback of the form: a line for the technician, a traceback for the log, never silence."""

from __future__ import annotations

import functools
import html
import traceback
from collections.abc import Callable
from typing import Any, ParamSpec

from diagnb.errors import DiagnbError
from diagnb.forms.parts import text_box

P = ParamSpec("P")
Log = Callable[[str], None]
Watched = Callable[[Callable[[], object], Callable[[str], None]], Callable[[], None]]
"""``(action, say)`` → ``action`` whose faults are said by ``say`` and logged."""
Reveal = Callable[[str], None]
"""Brings the place with this class into view."""


def say_at(place: Any, reveal: Reveal) -> Callable[[str], None]:
    """Say what went wrong at ``place``, a text box beside the button that was pressed."""

    def say(text: str) -> None:
        place.value = f'<div class="dn-trouble" role="alert" aria-live="assertive">{html.escape(text)}</div>'
        reveal(place._dom_classes[0])

    return say


class Trouble:
    """The line of trouble at the foot of the form (``line`` is its widget) and the log behind it.

    ``log`` takes the text of a traceback; ``log_file`` names the file it goes to, blank when there is none.
    """

    def __init__(self, log: Log, log_file: str = "") -> None:
        self.log = log
        self.line = text_box("dn-trouble-box")
        self._log_file = log_file

    def say(self, text: str) -> None:
        """Show one line of trouble; blank takes it away."""
        value = f'<div class="dn-trouble" role="alert">{html.escape(text)}</div>' if text else ""
        if self.line.value != value:
            self.line.value = value

    def tell(self, text: str) -> None:
        """Show one line of what has just happened, in the place of trouble."""
        self.line.value = f'<div class="dn-told" role="status">{html.escape(text)}</div>'

    def went_wrong(self, error: Exception) -> str:
        """Log the fault of the program that is being handled; returns the line for it: nothing is lost, what it was, where the details are."""
        self.log(traceback.format_exc())
        where = f"details are in {self._log_file}" if self._log_file else "details are in the log"
        return f"Something went wrong ({type(error).__name__}); entries are saved; {where}."

    def watched(self, action: Callable[P, object], say: Callable[[str], None]) -> Callable[P, None]:
        """``action`` so that a fault in it is said by ``say``; one of the program goes to the log as well."""

        @functools.wraps(action)
        def run(*args: P.args, **kwargs: P.kwargs) -> None:
            try:
                action(*args, **kwargs)
            except DiagnbError as error:
                say("; ".join(str(f) for f in error.faults))
            except Exception as error:  # noqa: BLE001 - a callback's exception is seen by nobody unless it is said
                say(self.went_wrong(error))

        return run
