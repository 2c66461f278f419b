"""Where the data that ships with the package is: the templates a shop may copy and edit."""

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
