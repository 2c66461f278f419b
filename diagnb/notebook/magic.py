"""The ``%diagnb`` line magic: the form, and the same work on files that the command line does."""

from __future__ import annotations

import argparse
import os
import re
import secrets
import shlex
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import traitlets
from IPython.core.error import UsageError
from IPython.core.magic import Magics, line_magic, magics_class

from diagnb.errors import DiagnbError

_VERBS = {
    "form": "open this notebook's sheet, or the one named",
    "open": "open an earlier sheet by its name; without a name, list them",
    "show": "show a record: a JSON file or a report",
    "evaluate": "derived values, uncertainties and verdicts of a record",
    "check": "what would get this claim rejected",
    "report": "render a record as a PDF, and sign it when a key is given",
    "verify": "does this report prove itself? five answers",
}


class _Parser(argparse.ArgumentParser):
    """Says what is wrong as one line in the cell instead of leaving the process."""

    def error(self, message: str) -> Any:
        raise UsageError(f"{message}. %{self.prog} --help says more.")

    def exit(self, status: int = 0, message: str | None = None) -> Any:
        raise _HelpShown


class _HelpShown(Exception):
    pass


def parser() -> argparse.ArgumentParser:
    """The arguments of ``%diagnb``."""
    top = _Parser(prog="diagnb", description="Circuit records: form, evaluation, report, verification.")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", parser_class=_Parser)
    made = {name: verbs.add_parser(name, help=text, description=text) for name, text in _VERBS.items()}
    made["form"].add_argument("sheet", nargs="?", default="", help="name of the sheet; by default the notebook's own")
    made["form"].add_argument("--new", action="store_true", help="begin a new sheet in this notebook")
    made["open"].add_argument("sheet", nargs="?", default="", help="name of the sheet")
    for name in ("show", "evaluate", "check", "report"):
        made[name].add_argument("record", type=Path, help="a record (JSON) or a report (PDF)")
    made["report"].add_argument("-o", "--output", type=Path, required=True, metavar="FILE.pdf")
    made["report"].add_argument("--key", type=Path, help="the technician's key file; the passphrase is asked for")
    made["report"].add_argument("--language", default="", help="en, fr, de or es")
    made["report"].add_argument("--paper", choices=("A4", "Letter"), default="A4")
    made["verify"].add_argument("reports", type=Path, nargs="+", metavar="FILE.pdf")
    made["verify"].add_argument("--trust", type=Path, help="the shop's trust list (default: the one of the folder)")
    return top


@magics_class
class Diagnb(Magics):
    """Settings of the circuit record form: ``%config Diagnb.technician = 'A. Person'``."""

    technician = traitlets.Unicode("", help="name put into a new sheet").tag(config=True)
    folder = traitlets.Unicode("", help="the shop's folder; by default the notebook's own").tag(config=True)
    locale = traitlets.Unicode("en", help="language of results and reports: en, fr, de or es").tag(config=True)
    paper = traitlets.Enum(("A4", "Letter"), "A4", help="paper of reports").tag(config=True)

    @line_magic
    def diagnb(self, line: str) -> Any:
        """Open the form, or show, evaluate, check, report or verify a file. See ``%diagnb --help``."""
        try:
            options = parser().parse_args(shlex.split(line))
        except _HelpShown:
            return None
        except ValueError as error:
            raise UsageError(f"{error}: put a path with blanks in quotes") from None
        verb = options.verb or "form"
        if verb == "form" and not options.verb:
            options.sheet, options.new = "", False
        try:
            return getattr(self, f"_{verb}")(options)
        except DiagnbError as error:
            raise UsageError("\n".join(str(found) for found in error.faults)) from None

    # -- sheets ------------------------------------------------------------------------------------------

    def _workplace(self) -> Any:
        from diagnb.notebook.opening import Workplace

        folder = Path(self.folder).expanduser() if self.folder else Path.cwd()
        keys = folder / "keys"
        return Workplace(folder, keys, keys / "trust.json", self.technician, self.locale, self.paper)

    def _form(self, options: argparse.Namespace) -> None:
        from diagnb.notebook.opening import checked_name, local_now, new_name, sheet_of

        place = self._workplace()
        notebook = Path(os.environ.get("JPY_SESSION_NAME", "")).name
        if options.sheet:
            name = checked_name(options.sheet)
        else:
            now = local_now()
            name = new_name(place, now=now) if options.new else sheet_of(place, notebook, now=now)
        self._show_sheet(place, name, notebook)
        if not options.sheet:
            self._write_into_cell(name)

    def _show_sheet(self, place: Any, name: str, notebook: str) -> None:
        from diagnb.notebook.opening import open_sheet

        _display(open_sheet(place, name, notebook=notebook).root)
        note = "If the form above is missing, run this cell again: everything typed into sheet {} is kept."
        page = f'<p style="font-size:0.9em">{note.format(f"<b>{name}</b>")}</p>'
        _display({"text/plain": note.format(name), "text/html": page}, raw=True)

    def _write_into_cell(self, name: str) -> None:
        """Put the sheet's name into the cell, so that a renamed or copied notebook finds it again."""
        shell: Any = self.shell
        if not hasattr(shell, "kernel"):
            return
        cell = shell.history_manager.input_hist_raw[-1]
        changed, count = re.subn(
            r"^(\s*%diagnb)(?:\s+form)?(?:\s+--new)?[ \t]*$", rf"\1 form {name}", cell, flags=re.MULTILINE
        )
        if count == 1:
            shell.set_next_input(changed, replace=True)

    def _open(self, options: argparse.Namespace) -> None:
        from diagnb.notebook.opening import drafts

        known = drafts(self._workplace())
        if not options.sheet:
            print("\n".join(known) or "There is no sheet in this folder yet.")
        elif options.sheet not in known:
            raise UsageError(f"there is no sheet {options.sheet!r} here; there are: {', '.join(known) or 'none'}")
        else:
            self._show_sheet(self._workplace(), options.sheet, "")

    # -- files -------------------------------------------------------------------------------------------

    def _record(self, path: Path) -> Any:
        """The record in a JSON file, or the one that a report carries (its signatures are not looked at)."""
        from diagnb.record import load_record

        folder = self._workplace().folder
        if path.suffix.lower() != ".pdf":
            return load_record(path, folder=folder)
        from diagnb.errors import fault
        from diagnb.signing import embedded_files

        try:
            found = embedded_files(path.read_bytes()).get("record.json")
        except OSError as error:
            raise fault(str(path), f"can't be read: {error.strerror}") from error
        if found is None:
            raise fault(str(path), "carries no record", "is it a report of this package?")
        return load_record(found.data, folder=folder)

    def _show(self, options: argparse.Namespace) -> Any:
        return self._record(options.record)

    def _evaluate(self, options: argparse.Namespace) -> Any:
        from diagnb.evaluation import evaluate

        return evaluate(self._record(options.record))

    def _check(self, options: argparse.Namespace) -> Any:
        from diagnb.evaluation import evaluate
        from diagnb.notebook.remarks import Remarks
        from diagnb.readiness import check

        record = self._record(options.record)
        return Remarks(record.id, check(record, evaluate(record)))

    def _report(self, options: argparse.Namespace) -> None:
        from diagnb.evaluation import evaluate
        from diagnb.issuing import issue_report
        from diagnb.notebook.office import book_beside, sign_report, write_whole
        from diagnb.notebook.opening import local_now
        from diagnb.report import render_report

        record = self._record(options.record)
        evaluation, moment = evaluate(record), local_now().replace(microsecond=0)

        def render(*, log_head: str, salt: str) -> bytes:
            language = options.language or self.locale
            return render_report(
                record, evaluation, moment=moment, language=language, paper=options.paper, log_head=log_head, salt=salt
            )

        key = book = None
        state = "not signed; give --key to sign it"
        if options.key:
            import getpass

            from diagnb.signing import load_key

            key = load_key(options.key, getpass.getpass(f"Passphrase of {options.key.name}: ").encode())
            book = book_beside(options.key.parent, clock=local_now, actor=key.name, file=options.output.name)

            state = f"signed by {key.name}"

        def sign(pdf: bytes) -> bytes:
            return sign_report(pdf, key=key, location=record.order.site, moment=moment)

        issue_report(
            record, salt=secrets.token_hex(32), render=render, sign=sign if key else None,
            write=lambda pdf: write_whole(options.output, pdf), key=key, book=book,
        )  # fmt: skip
        print(f"{options.output}: {state}")

    def _verify(self, options: argparse.Namespace) -> Any:
        from diagnb.notebook.opening import local_now
        from diagnb.proof import verify_report
        from diagnb.signing import load_trust

        place = self._workplace()
        found = []
        for path in options.reports:
            candidates = [options.trust] if options.trust else [path.parent / "trust.json", place.trust]
            source = next((p for p in candidates if options.trust or p.is_file()), None)
            trust = load_trust(source) if source else None
            found.append(verify_report(path, trust=trust, moment=local_now()))
        if len(found) == 1:
            return found[0]
        for one in found:
            _display(one)
        return None


def _display(value: Any, **options: Any) -> None:
    from IPython.display import display

    display(value, **options)  # type: ignore[no-untyped-call]


# -- completion and registration ---------------------------------------------------------------------------


def complete(ipython: Any, event: Any) -> list[str]:
    """Completions after ``%diagnb``: verbs, sheets, options, files."""
    words = event.line.split("%diagnb", 1)[-1].split()
    begun = event.symbol
    position = len(words) - (1 if begun else 0)
    if position <= 0:
        return [verb for verb in _VERBS if verb.startswith(begun)]
    return sorted({c for c in _candidates(ipython, words[0], begun) if c.startswith(begun)})


def _candidates(ipython: Any, verb: str, begun: str) -> Iterable[str]:
    if begun.startswith("-"):
        options = {"report": ("-o", "--output", "--key", "--language", "--paper"), "verify": ("--trust",)}
        return (*options.get(verb, ()), "--help")
    if verb in ("form", "open"):
        from diagnb.notebook.opening import drafts

        magic = _registered(ipython)
        return drafts(magic._workplace()) if magic else ()
    ends = (".pdf",) if verb == "verify" else (".json", ".pdf")
    folder = Path(begun).parent
    files = folder.iterdir() if folder.is_dir() else ()
    return (p.as_posix() + ("/" if p.is_dir() else "") for p in files if p.is_dir() or p.suffix in ends)


def _registered(ipython: Any) -> Diagnb | None:
    return next((c for c in ipython.configurables if isinstance(c, Diagnb)), None)


def install(ipython: Any) -> None:
    """Register the magic, its settings and its completion."""
    magic = Diagnb(ipython)
    ipython.register_magics(magic)
    if magic not in ipython.configurables:
        ipython.configurables.append(magic)
    hook: Callable[[Any, Any], list[str]] = complete
    ipython.set_hook("complete_command", hook, str_key="%diagnb")


def remove(ipython: Any) -> None:
    """Take the magic, its settings and its completion back."""
    ipython.magics_manager.magics["line"].pop("diagnb", None)
    ipython.magics_manager.registry.pop("Diagnb", None)
    ipython.configurables[:] = [c for c in ipython.configurables if type(c).__name__ != "Diagnb"]
    dispatchers = ipython.strdispatchers.get("complete_command")
    if dispatchers is not None:
        dispatchers.strs.pop("%diagnb", None)
