"""The plain widgets that the screens are put together from, with the classes of the style sheet."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from typing import Any

import ipywidgets as widgets


def text_box(name: str = "") -> Any:
    """A place for HTML that a screen fills."""
    return _classed(widgets.HTML(), name)


def heading(text: str) -> Any:
    """A heading inside a step."""
    return widgets.HTML(f'<h3 class="dn-heading">{html.escape(text)}</h3>')


def button(label: str, action: Callable[[], object], *, go: bool = False) -> Any:
    """A button that calls ``action``; ``go`` marks the one that most people want next."""
    made = _classed(widgets.Button(description=label), "dn-go" if go else "")
    made.on_click(lambda _button: action())
    return made


def box(children: Sequence[Any], name: str = "") -> Any:
    """Parts one below the other."""
    return _classed(widgets.VBox(list(children)), name)


def row(children: Sequence[Any]) -> Any:
    """Buttons side by side."""
    return box(children, "dn-buttons")


def _classed(made: Any, name: str) -> Any:
    if name:
        made.add_class(name)
    return made
