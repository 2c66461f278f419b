"""Beside the steps of a sheet: which is done, which lacks something, and above them whose record this is."""

from __future__ import annotations

import html
import threading
from collections.abc import Callable, Mapping

from diagnb.forms.model import FormModel
from diagnb.forms.parts import box, button
from diagnb.forms.rows import STEPS, StepState

_MARKS = {"done": "✓", "missing": "!", "open": "·"}


class StepList:
    """One button for each step; ``goer`` gives what a press of it does.

    Where there is little room the browser shows the open step alone and ``fold`` beside it, which opens the others
    (``static/shield.js``: also while the kernel is busy).
    """

    def __init__(self, goer: Callable[[str], Callable[[], object]]) -> None:
        self.buttons = {spec.id: button("", goer(spec.id)) for spec in STEPS}
        self.fold = button("All steps", lambda: None)
        self.fold.add_class("dn-fold")
        self.root = box([*self.buttons.values(), self.fold], "dn-steps")

    def mark(self, here: str, states: Mapping[str, StepState]) -> None:
        """Show the step that is open and the state of each."""
        for spec in STEPS:
            state = states[spec.id]
            text = f"{_MARKS[state.state]} {spec.title}" + (f" ({state.said})" if state.said else "")
            made = self.buttons[spec.id]
            if made.description != text:
                made.description = text
            (made.add_class if spec.id == here else made.remove_class)("dn-here")
        lacking = sum(state.state == "missing" for step, state in states.items() if step not in ("review", "sign"))
        said = f"All steps ({lacking} incomplete)" if lacking else "All steps"
        if self.fold.description != said:
            self.fold.description = said


class Soon:
    """``action`` once, ``seconds`` after the last call; it runs on a thread of its own."""

    def __init__(self, action: Callable[[], object], seconds: float) -> None:
        self._action, self.seconds = action, seconds
        self._timer: threading.Timer | None = None

    def __call__(self) -> None:
        self.cancel()
        self._timer = threading.Timer(self.seconds, self._action)
        self._timer.daemon = True
        self._timer.start()

    def cancel(self) -> None:
        """Forget a call that waits."""
        if self._timer is not None:
            self._timer.cancel()


def title_of(model: FormModel) -> str:
    """Unit, circuit and order as HTML."""
    said = [model.text(key) for key in ("vehicle.unit", "circuit.name") if model.text(key)]
    title = ", ".join(said) or "New circuit record"
    order = model.text("order.number")
    sub = f"Repair order {order}, sheet {model.sheet}" if order else f"Sheet {model.sheet}"
    return "".join(
        f'<div class="{name}" title="{html.escape(text)}">{html.escape(text)}</div>'
        for name, text in (("dn-title", title), ("dn-sub", sub))
    )


def remarks_of(model: FormModel) -> str:
    """What holds of the whole sheet as HTML: signed, read only, a correction, damage."""
    remarks = (model.locked, _revision(model), model.journal.damage)
    return "".join(f'<div class="dn-remark">{html.escape(remark)}</div>' for remark in remarks if remark)


def _revision(model: FormModel) -> str:
    """That this is a revision, of which, and why; blank for a first one."""
    reopened = model.journal.reopened
    if reopened is None or model.journal.closed is not None:
        return ""
    return f"Corrects revision {reopened.get('revision')}, which stays as it is: {reopened.get('reason')}"
