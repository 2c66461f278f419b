"""How the form looks: three views and three sizes of type. Each is a class of the form's root that the style sheet knows."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import ipywidgets as widgets

VIEWS = (("Bright sun", "dn-bright"), ("Night view", "dn-night"), ("Day view", "dn-day"))
"""Label and class. Until one is chosen the form is as light or dark as the notebook."""
SIZES = (("Larger type", "dn-large"), ("Largest type", "dn-largest"), ("Ordinary type", ""))


class LookButton:
    """A button that goes round its choices and is called after the one that it brings next.

    ``choices`` are (label, class) pairs; before the first press the root has none of the classes.
    """

    def __init__(self, choices: tuple[tuple[str, str], ...]) -> None:
        self._choices = choices
        self._next = 0
        self.worn = ""
        """The class that the root has now, blank for none."""
        self.button = widgets.Button(description=choices[0][0])

    def wear(self, root: Any, names: Collection[str]) -> None:
        """Give the root the one of ``names`` that is among the choices, as if it had been pressed; none: leave it."""
        for place, (_, name) in enumerate(self._choices):
            if name and name in names and name != self.worn:
                self._next = place
                self.turn(root)

    def turn(self, root: Any) -> None:
        """Give the root the next class in place of the one it had."""
        _, wanted = self._choices[self._next]
        for _, name in self._choices:
            if name and name != wanted:
                root.remove_class(name)
        if wanted:
            root.add_class(wanted)
        self.worn = wanted
        self._next = (self._next + 1) % len(self._choices)
        self.button.description = self._choices[self._next][0]
