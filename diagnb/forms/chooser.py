"""The list of tests on screen: words that narrow it, and the choice."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from diagnb.forms.model import FormModel
from diagnb.forms.picker import first_offered, offered


class Chooser:
    """``find`` takes words or a number, ``choice`` holds the procedures that fit them and the circuit."""

    def __init__(self, model: FormModel, *, guarded: Callable[[Callable[[], object]], Callable[[], None]]) -> None:
        self.model = model
        self.find = widgets.Text(description="Find a test", placeholder="words or number")
        self.choice = widgets.Dropdown(description="Test to add")
        self.offer()
        narrow = guarded(self.offer)
        self.find.observe(lambda _change: narrow(), names="value")

    def offer(self) -> None:
        """Bring the list up to date with the circuit, the system voltage and the words typed."""
        options = offered(
            self.model.library.procedures.values(),
            system_voltage=self.model.text("vehicle.system_voltage"),
            circuit_class=self.model.text("circuit.class"),
            words=self.find.value,
        )
        if tuple(self.choice.options) == options:
            return
        before = self.choice.value
        self.choice.options = options
        names = [name for _, name in options]
        self.choice.value = before if before and before in names else first_offered(options) or None
