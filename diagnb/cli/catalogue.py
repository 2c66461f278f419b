"""``diagnb procedure``, ``meter`` and ``schema``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from diagnb.errors import InputFault


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    for noun, text in (("procedure", "test procedures"), ("meter", "accuracy sheets of instruments")):
        parent = commands.add_parser(noun, help=f"list, show or check {text}")
        actions = parent.add_subparsers(dest="action", metavar="ACTION", required=True)
        listed = actions.add_parser("list", help="one line each")
        listed.add_argument("--folder", type=Path, help="work folder whose own files win over the shipped ones")
        shown = actions.add_parser("show", help="the file itself, to copy and edit")
        shown.add_argument("name", metavar="ID", help=f"id, as diagnb {noun} list shows it")
        shown.add_argument("--folder", type=Path)
        checked = actions.add_parser("check", help="check a shop's own file and report every fault")
        checked.add_argument("files", metavar="FILE.toml", type=Path, nargs="+")
        for action, run in ((listed, run_list), (shown, run_show), (checked, run_check)):
            action.set_defaults(run=run, noun=noun)
    schema = commands.add_parser("schema", help="JSON Schema of a record")
    schema.add_argument("what", choices=("record",), nargs="?", default="record")
    schema.set_defaults(run=run_schema)


def _files(options: argparse.Namespace) -> dict[str, Path]:
    if options.noun == "procedure":
        from diagnb.procedures import procedure_files

        return procedure_files(options.folder / "procedures" if options.folder else None)
    from diagnb.meters import sheet_files

    return sheet_files(options.folder / "meters" if options.folder else None)


def run_list(options: argparse.Namespace) -> int:
    """One line each: id, title; of a procedure its number, what may feed the circuit, where its limits come from."""
    for name, path in _files(options).items():
        if options.noun == "procedure":
            from diagnb.procedures import load_procedure

            procedure = load_procedure(path)
            tags = ", ".join(sorted({tag for e in procedure.limits for tag in e.tags})) or "no limit"
            print(f"{name:38} {procedure.number:5} {procedure.title} [{procedure.energise}; {tags}]")
        else:
            from diagnb.meters import load_sheet

            sheet = load_sheet(path)
            print(f"{name:24} {sheet.title} [{', '.join(f.name for f in sheet.functions)}]")
    return 0


def run_show(options: argparse.Namespace) -> int:
    """Print the file."""
    from diagnb.errors import fault

    files = _files(options)
    if options.name not in files:
        raise fault(options.name, f"there is no such {options.noun}", f"see diagnb {options.noun} list")
    print(files[options.name].read_text(encoding="utf-8"), end="")
    return 0


def run_check(options: argparse.Namespace) -> int:
    """Exit 1 when a file has a fault; every fault is printed, and what looks like a slip without being one."""
    from diagnb.meters import load_sheet
    from diagnb.procedures import load_procedure

    load: Any = load_procedure if options.noun == "procedure" else load_sheet
    bad = False
    for path in options.files:
        try:
            found = load(path)
            if path.stem != found.id:
                bad = True
                print(
                    f"{path.name}: the file is not called after its id (call it {found.id}.toml, or make the id {path.stem!r})"
                )
                continue
            print(f"{path}: no fault")
            if options.noun == "meter":
                from diagnb.meters import oddities

                for odd in oddities(found, known=_functions_read()):
                    print(f"  look again: {odd}")
        except InputFault as error:
            bad = True
            print("\n".join(str(fault) for fault in error.faults))
    return 1 if bad else 0


def _functions_read() -> frozenset[str]:
    """The functions that the shipped procedures ask of an instrument."""
    from diagnb.procedures import load_procedure, procedure_files

    return frozenset(r.function for path in procedure_files().values() for r in load_procedure(path).readings)


def run_schema(options: argparse.Namespace) -> int:
    """Print the JSON Schema."""
    from diagnb.record import json_schema

    print(json.dumps(json_schema(), ensure_ascii=False, indent=1))
    return 0
