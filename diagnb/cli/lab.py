"""``diagnb lab``: JupyterLab on a work folder, on this machine alone unless ``--listen`` says otherwise."""

from __future__ import annotations

import argparse
import datetime as dt
import os
from pathlib import Path
from typing import Any

from diagnb.cli.listening import Listening, add_server_options, listening
from diagnb.cli.workfolder import make_folder, need, prepare_server

_PORT = 8640
_STARTER = "circuit-test.ipynb"
_MAY = "can run any program here in your name, and so read and change all that you can"


def add_commands(commands: Any) -> None:
    """Add the command of this file."""
    lab = commands.add_parser("lab", help="open JupyterLab on a work folder, made if missing")
    lab.add_argument("folder", metavar="DIR", type=Path, nargs="?", default=Path(), help="the work folder (default .)")
    add_server_options(lab, port=_PORT)
    lab.set_defaults(run=run_lab)


def run_lab(options: argparse.Namespace) -> int:
    """Start JupyterLab and wait for its end."""
    need("jupyterlab", "lab")
    place = listening(options, folder=options.folder, now=dt.datetime.now(dt.UTC))
    notebook = make_folder(options.folder, _STARTER)
    prepare_server(os.environ)
    from jupyterlab.labapp import LabApp

    for line in place.said(_MAY):
        print(line, flush=True)
    arguments = _arguments(place, notebook)
    # Handed over inside this process, so neither token nor password stands in a list of processes.
    LabApp.launch_instance([*arguments, *(["--ServerApp.open_browser=False"] if options.no_browser else [])])
    return 0


def _arguments(place: Listening, notebook: Path) -> list[str]:
    given = [
        f"--ServerApp.ip={place.address}",
        f"--ServerApp.port={place.port}",
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={notebook.parent}",
        "--LabApp.default_url=/lab",  # the launcher with its two cards; the starter notebook stands in the list beside it
        "--LabApp.news_url=None",  # these ask the network
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
        "--ServerApp.answer_yes=True",
        "--Application.log_level=WARN",
        f"--IdentityProvider.token={place.token}",
        f"--PasswordIdentityProvider.hashed_password={place.password_hash}",
    ]
    if place.is_alone:
        return [*given, "--ServerApp.allow_root=True"]
    return [*given, f"--ServerApp.certfile={place.certificate}", f"--ServerApp.keyfile={place.key}"]
