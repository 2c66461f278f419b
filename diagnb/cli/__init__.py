"""The command ``diagnb``: options in, one line of error out. Exit 0 good, 1 found something, 2 usage or bad input."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from diagnb.errors import DiagnbError
from diagnb.version import VERSION


def build_parser() -> argparse.ArgumentParser:
    """The parser with all commands; a command's own module is imported only when it runs."""
    from diagnb.cli import (
        amendments,
        archive,
        catalogue,
        demonstration,
        fleet,
        form,
        impact,
        keys,
        lab,
        log,
        readiness,
        records,
        reports,
        stamps,
        traces,
        verification,
    )
    from diagnb.cli.examples import explain

    parser = argparse.ArgumentParser(
        prog="diagnb",
        description="Record circuit tests on 12, 24 and 48 V vehicles, judge them with the meter's uncertainty, "
        "sign the report and check it later.",
        epilog="Exit status: 0 good, 1 found something, 2 wrong use or bad input.",
    )
    parser.add_argument("--version", action="version", version=f"diagnb {VERSION}")
    parser.add_argument("--debug", action="store_true", help="show the whole traceback of an unexpected error")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for module in (
        demonstration,
        form,
        lab,
        records,
        readiness,
        traces,
        reports,
        stamps,
        verification,
        amendments,
        log,
        keys,
        catalogue,
        archive,
        impact,
        fleet,
    ):
        module.add_commands(commands)
    explain(parser)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status. Never a traceback, unless ``--debug`` asks for one."""
    for stream in (sys.stdout, sys.stderr):
        # A console of another code page must not break on Ω or ±.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        chosen = build_parser().parse_args(arguments)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        return int(chosen.run(chosen))
    except DiagnbError as error:
        for fault in error.faults[:50]:
            _complain(str(fault))
        if len(error.faults) > 50:
            _complain(f"… and {len(error.faults) - 50} more")
        return 2
    except KeyboardInterrupt:
        _complain("stopped; nothing half-written was left")
        return 2
    except BrokenPipeError:
        # The reader of a pipe went away; Python would complain again when it closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        _complain(f"{error.filename or 'file'}: {error.strerror or error}")
        return 2
    except Exception as error:
        if chosen.debug:
            raise
        _complain(f"something went wrong inside: {type(error).__name__}: {error} (run again with --debug to report it)")
        return 2


def _complain(line: str) -> None:
    print("diagnb: " + " ".join(line.splitlines()), file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
