"""Below a signed report: begin a new revision of it, with the reason. The signed one stays as it is."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from diagnb.errors import fault
from diagnb.forms.model import FormModel
from diagnb.forms.parts import box, button, heading, row, text_box
from diagnb.forms.trouble import Reveal, Watched, say_at


class RevisionStep:
    """A reason and a button, and beside it what goes wrong. ``begun`` is called when the sheet takes entries again."""

    def __init__(
        self,
        model: FormModel,
        *,
        watched: Watched,
        reveal: Reveal,
        begun: Callable[[], None],
    ) -> None:
        self.model, self.begun = model, begun
        self.reason = widgets.Text(description="Why it is corrected", continuous_update=True)
        self.said = text_box("dn-said-revision")
        self.button = button("Correct it: begin a new revision", watched(self._begin, say_at(self.said, reveal)))
        self.root = box([heading("A correction"), self.reason, row([self.button]), self.said], "dn-step")
        self.refresh()

    def refresh(self) -> None:
        """Show it only while the sheet is signed and this form may write."""
        can = self.model.journal.closed is not None and not self.model.journal.read_only
        self.root.layout.display = "" if can else "none"
        self.said.value = ""

    def _begin(self) -> None:
        self.said.value = ""
        if not self.reason.value.strip():
            self.reason.focus()
            raise fault("Why it is corrected", "is missing", "say it in a sentence: it stands in the report")
        self.model.revise(self.reason.value)
        self.reason.value = ""
        self.refresh()
        self.begun()
