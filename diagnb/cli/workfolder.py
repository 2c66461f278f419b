"""The work folder: made if missing, with its starter notebook; and the cards shown to the server that opens it."""

from __future__ import annotations

import importlib.util
import os
import shutil
import warnings
from collections.abc import MutableMapping
from pathlib import Path

from diagnb.errors import missing_package
from diagnb.shipped import cards_directory, templates_directory


def make_folder(folder: Path, starter: str) -> Path:
    """The starter notebook in its work folder; nothing that is there already is touched."""
    folder.mkdir(parents=True, exist_ok=True)
    notebook = folder.resolve() / starter
    if not notebook.exists():
        shutil.copyfile(templates_directory() / "notebooks" / starter, notebook)
    return notebook


def prepare_server(environment: MutableMapping[str, str]) -> None:
    """Let the server and its kernels find the packaged cards, also where nothing was installed beside the package.

    What Jupyter's parts warn each other of is nothing that a technician could act on, so it is not shown.
    """
    warnings.filterwarnings("ignore", category=DeprecationWarning)
    for name in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH"):
        before = environment.get(name, "")
        environment[name] = os.pathsep.join(part for part in (str(cards_directory()), before) if part)


def need(package: str, extra: str) -> None:
    """Raise MissingPackage when ``package`` is not there."""
    if importlib.util.find_spec(package) is None:
        raise missing_package(package, extra)
