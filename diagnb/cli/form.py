"""``diagnb form``: the form as a code-free page on a work folder, on this machine alone unless ``--listen`` is given."""

from __future__ import annotations

import argparse
import datetime as dt
import os
from pathlib import Path
from typing import Any

from diagnb.cli.listening import add_server_options, listening
from diagnb.cli.workfolder import make_folder, need, prepare_server

_PORT = 8641
_STARTER = "circuit-page.ipynb"
_MAY = (
    "can read and change the unsigned sheets of this folder, and sign with a key of it if they know its passphrase too"
)


def add_commands(commands: Any) -> None:
    """Add the command of this file."""
    form = commands.add_parser("form", help="open the form as a page without code, on a work folder, made if missing")
    form.add_argument("folder", metavar="DIR", type=Path, nargs="?", default=Path(), help="the work folder (default .)")
    add_server_options(form, port=_PORT)
    form.set_defaults(run=run_form)


def run_form(options: argparse.Namespace) -> int:
    """Start the page's server and wait for its end."""
    need("voila", "page")
    place = listening(options, folder=options.folder, now=dt.datetime.now(dt.UTC))
    notebook = make_folder(options.folder, _STARTER)
    prepare_server(os.environ)
    from diagnb.cli.pageserver import serve

    return serve(notebook, place=place, open_browser=not options.no_browser, say=place.said(_MAY))
