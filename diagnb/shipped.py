"""Where the data that ships with the package is: the templates a shop may copy and edit, the cards of the launcher."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def templates_directory() -> Path:
    """The shipped templates: inside the installed package, or beside it in an editable checkout."""
    package = Path(__file__).resolve().parent
    for candidate in (package / "templates", package.parent / "templates"):
        if candidate.is_dir():
            return candidate
    message = f"the templates that ship with diagnb are missing beside {package}; install diagnb again"
    raise FileNotFoundError(message)


@cache
def cards_directory() -> Path:
    """A data folder as Jupyter looks for them: the kernel card, the launcher card, the frame of the code-free page.

    A wheel puts the cards into ``share/jupyter`` too, where any JupyterLab of that environment finds them.
    """
    return Path(__file__).resolve().parent / "notebook" / "cards"
