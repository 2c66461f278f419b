"""``diagnb lab``: JupyterLab on a work folder, on this machine alone."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from diagnb.errors import Fault, MissingPackage
from diagnb.shipped import templates_directory


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    lab = commands.add_parser("lab", help="open JupyterLab on a work folder, made if missing")
    lab.add_argument("folder", metavar="DIR", type=Path, nargs="?", default=Path())
    lab.add_argument("--no-browser", action="store_true", help="start the server, print its address, open nothing")
    lab.set_defaults(run=run_lab)


def make_folder(folder: Path) -> Path:
    """The work folder with its starter notebook; nothing that is there already is touched."""
    folder.mkdir(parents=True, exist_ok=True)
    notebook = folder / "circuit-test.ipynb"
    if not notebook.exists():
        shutil.copyfile(templates_directory() / "notebooks" / "circuit-test.ipynb", notebook)
    return notebook


def run_lab(options: argparse.Namespace) -> int:
    """Start JupyterLab on loopback and wait for it."""
    import importlib.util

    if importlib.util.find_spec("jupyterlab") is None:
        raise MissingPackage(
            Fault("jupyterlab", "is not installed", "pip install 'diagnb[lab]', or from a clone: pip install '.[lab]'")
        )
    notebook = make_folder(options.folder)
    command = [sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--ServerApp.root_dir={options.folder.resolve()}"]
    command += ["--no-browser"] if options.no_browser else [f"--LabApp.default_url=/lab/tree/{notebook.name}"]
    return subprocess.run(command, check=False).returncode
