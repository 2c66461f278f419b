"""What can be written after ``%diagnb``: one verb and its arguments, with help."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from IPython.core.error import UsageError

VERBS = {
    "form": "open this notebook's sheet (a record while it is filled in), or the one named",
    "open": "open an earlier sheet by its name; without a name, list them",
    "show": "show a record: a JSON file or a report",
    "evaluate": "derived values, uncertainties and verdicts of a record",
    "check": "what would get this claim rejected",
    "report": "render a record as a PDF, and sign it when a key is given",
    "verify": "does this report prove itself? five answers",
    "review": "open a signed report: the five answers, its pages beside the recomputed record, countersign",
    "countersign": "countersign a report that proves itself; writes a new file beside it",
    "procedure": "show a test procedure; without an id, list them",
    "meter": "show an instrument's accuracy sheet; without an id, list them",
}


class Parser(argparse.ArgumentParser):
    """Says what is wrong as one line in the cell instead of leaving the process."""

    def error(self, message: str) -> Any:
        raise UsageError(f"{message}. %{self.prog} --help says more.")

    def exit(self, status: int = 0, message: str | None = None) -> Any:
        raise HelpShown


class HelpShown(Exception):
    """Help was printed, so there is nothing to do."""


def parser() -> argparse.ArgumentParser:
    """The arguments of ``%diagnb``."""
    from diagnb.report.wording import LANGUAGES

    top = Parser(
        prog="diagnb",
        description="Circuit records: form, evaluation, report, verification, review. Without a verb the form opens.",
    )
    verbs = top.add_subparsers(dest="verb", metavar="VERB", parser_class=Parser)
    made = {name: verbs.add_parser(name, help=text, description=text) for name, text in VERBS.items()}
    made["form"].add_argument("sheet", nargs="?", default="", help="name of the sheet; by default the notebook's own")
    made["form"].add_argument("--new", action="store_true", help="begin a new sheet in this notebook")
    made["open"].add_argument("sheet", nargs="?", default="", help="name of the sheet")
    for name in ("show", "evaluate", "check", "report"):
        made[name].add_argument("record", type=Path, help="a record (JSON) or a report (PDF)")
    made["report"].add_argument("-o", "--output", type=Path, required=True, metavar="FILE.pdf")
    made["report"].add_argument("--key", type=Path, help="the technician's key file; the passphrase is asked for")
    made["report"].add_argument("--language", choices=LANGUAGES, metavar="L", help="en, fr, de or es")
    made["report"].add_argument("--paper", choices=("A4", "Letter"), help="by default that of the settings")
    made["verify"].add_argument("reports", type=Path, nargs="+", metavar="FILE.pdf")
    for name in ("review", "countersign"):
        made[name].add_argument("report", type=Path, metavar="FILE.pdf")
    for name in ("verify", "review", "countersign"):
        made[name].add_argument("--trust", type=Path, help="the shop's trust list (default: that of the settings)")
    counter = made["countersign"]
    counter.add_argument("--key", type=Path, required=True, help="the reviewer's key file; the passphrase is asked for")
    counter.add_argument("--meaning", metavar="TEXT", help="what the signature means")
    counter.add_argument(
        "--despite", default="", metavar="TEXT", help="why it is signed although the claim would be rejected"
    )
    for noun in ("procedure", "meter"):
        made[noun].add_argument("id", nargs="?", default="", help="as the list without an id shows it")
    return top


def options_of(verb: str) -> tuple[str, ...]:
    """The options of one verb; of ``%diagnb`` itself where there is no such verb."""
    found = next((a for a in parser()._actions if isinstance(a, argparse._SubParsersAction)), None)
    one = found.choices.get(verb) if found else None
    if one is None:
        return ("--help",)
    return tuple(option for action in one._actions for option in action.option_strings)
