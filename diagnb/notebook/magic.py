"""The ``%diagnb`` line magic: the form, the review, and the same work on files that the command line does."""

from __future__ import annotations

import argparse
import os
import re
import secrets
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import traitlets
from IPython.core.error import UsageError
from IPython.core.magic import Magics, line_magic, magics_class

from diagnb.errors import DiagnbError
from diagnb.notebook.arguments import HelpShown, parser
from diagnb.notebook.completion import complete

_LONGEST_NAME = 200


@magics_class
class Diagnb(Magics):
    """Settings of the circuit record form: ``%config Diagnb.technician = 'A. Person'``."""

    technician = traitlets.Unicode("", help="name put into a new sheet").tag(config=True)
    folder = traitlets.Unicode("", help="the work folder; by default the notebook's own").tag(config=True)
    keys = traitlets.Unicode("", help="folder of the key files; by default `keys` of the work folder").tag(config=True)
    trust = traitlets.Unicode("", help="the shop's trust list; by default `trust.json` of the keys").tag(config=True)
    locale = traitlets.Unicode("en", help="language of results and reports: en, fr, de or es").tag(config=True)
    paper = traitlets.Unicode("A4", help="paper of reports: A4 or Letter").tag(config=True)

    @traitlets.validate("locale")
    def _known_language(self, proposal: Any) -> str:
        from diagnb.report.wording import LANGUAGES

        return self._one_of("locale", proposal["value"], LANGUAGES)

    @traitlets.validate("paper")
    def _known_paper(self, proposal: Any) -> str:
        return self._one_of("paper", proposal["value"], ("A4", "Letter"))

    @traitlets.validate("technician")
    def _printable_name(self, proposal: Any) -> str:
        name = str(proposal["value"]).strip()
        if not name.isprintable() or len(name) > _LONGEST_NAME:
            raise traitlets.TraitError(f"Diagnb.technician: one line of at most {_LONGEST_NAME} characters")
        return name

    @traitlets.validate("folder", "keys")
    def _a_folder(self, proposal: Any) -> str:
        return self._place(proposal, Path.is_file, "is a file; name a folder")

    @traitlets.validate("trust")
    def _a_file(self, proposal: Any) -> str:
        return self._place(proposal, lambda path: not path.is_file(), "is not a file; name the shop's trust list")

    @staticmethod
    def _one_of(setting: str, value: str, known: tuple[str, ...]) -> str:
        if value not in known:
            raise traitlets.TraitError(f"Diagnb.{setting}: there is no {value!r}; use one of {', '.join(known)}")
        return value

    @staticmethod
    def _place(proposal: Any, is_wrong: Callable[[Path], bool], why: str) -> str:
        text = str(proposal["value"]).strip()
        if text and is_wrong(Path(text).expanduser()):
            raise traitlets.TraitError(f"Diagnb.{proposal['trait'].name}: {text!r} {why}")
        return text

    @line_magic
    def diagnb(self, line: str) -> Any:
        """Open the form, or show, evaluate, check, report, verify, review or countersign a file. See ``%diagnb --help``."""
        try:
            options = parser().parse_args(shlex.split(line))
        except HelpShown:
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

    def workplace(self) -> Any:
        """The work folder, its keys and its trust list, as the settings say."""
        from diagnb.notebook.workplace import Workplace

        folder = Path(self.folder).expanduser() if self.folder else Path.cwd()
        keys = Path(self.keys).expanduser() if self.keys else folder / "keys"
        trust = Path(self.trust).expanduser() if self.trust else keys / "trust.json"
        return Workplace(folder, keys, trust, self.technician, self.locale, self.paper)

    def _form(self, options: argparse.Namespace) -> None:
        from diagnb.notebook.opening import checked_name, new_name, sheet_of
        from diagnb.notebook.page import asked_sheet, is_page
        from diagnb.notebook.workplace import local_now

        place = self.workplace()
        page = is_page(os.environ)
        notebook = "" if page else Path(os.environ.get("JPY_SESSION_NAME", "")).name
        wanted = options.sheet or (asked_sheet(os.environ) if page else "")
        if wanted:
            name = checked_name(wanted)
        else:
            now = local_now()
            name = new_name(place, now=now) if options.new else sheet_of(place, notebook, now=now)
        if page:
            self._show_page(place, name)
            return
        self._show_sheet(place, name, notebook)
        if not options.sheet:
            self._write_into_cell(name)

    def _show_page(self, place: Any, name: str) -> None:
        from ipywidgets import HTML

        from diagnb.notebook.opening import new_name, open_sheet
        from diagnb.notebook.page import links_above, links_below, unsigned
        from diagnb.notebook.workplace import local_now

        # Widgets, because the links of other output are taken for files.
        if above := links_above(here=name, others=unsigned(place)):
            _display(HTML(above))
        _display(open_sheet(place, name, waits=True).root)
        fresh = new_name(place, now=local_now())
        _display(HTML(links_below(here=name, fresh=fresh)))

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

        known = drafts(self.workplace())
        if not options.sheet:
            print("\n".join(known) or "There is no sheet in this folder yet.")
        elif options.sheet not in known:
            raise UsageError(f"there is no sheet {options.sheet!r} here; there are: {', '.join(known) or 'none'}")
        else:
            self._show_sheet(self.workplace(), options.sheet, "")

    # -- files -------------------------------------------------------------------------------------------

    def _record(self, path: Path) -> Any:
        """The record in a JSON file, or the one that a report carries (its signatures are not looked at)."""
        from diagnb.record import load_record

        folder = self.workplace().folder
        if path.suffix.lower() != ".pdf":
            return load_record(path, folder=folder)
        from diagnb.errors import fault
        from diagnb.signing import embedded_files

        try:
            found = embedded_files(path.read_bytes()).get("record.json")
        except OSError as error:
            raise fault(str(path), f"can't be read: {error.strerror}") from error
        if found is None:
            raise fault(str(path), "carries no record", "hand in a report that this package made")
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
        from diagnb.notebook.workplace import local_now
        from diagnb.report import render_report

        record = self._record(options.record)
        evaluation, moment = evaluate(record), local_now().replace(microsecond=0)

        def render(*, log_head: str, salt: str) -> bytes:
            language = options.language or self.locale
            return render_report(
                record,
                evaluation,
                moment=moment,
                language=language,
                paper=options.paper or self.paper,
                log_head=log_head,
                salt=salt,
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
        from diagnb.notebook.reviewing import trust_for
        from diagnb.notebook.workplace import local_now
        from diagnb.proof import connect, verify_report

        own = self.workplace().trust
        found = []
        for path in options.reports:
            source = trust_for(path, stated=options.trust, own=own)
            print(source.said())
            found.append(source.judged(verify_report(path, trust=source.trust, moment=local_now())))
        found = connect(found)
        if len(found) == 1:
            return found[0]
        for one in found:
            _display(one)
        return None

    # -- review ------------------------------------------------------------------------------------------

    def _view(self, options: argparse.Namespace) -> Any:
        from diagnb.notebook.review import review

        place = self.workplace()
        return review(
            options.report, folder=place.folder, keys=place.keys, language=place.language,
            trust=options.trust or (self.trust or None),
        )  # fmt: skip

    def _review(self, options: argparse.Namespace) -> Any:
        return self._view(options)

    def _countersign(self, options: argparse.Namespace) -> Any:
        import getpass

        from diagnb.notebook.reviewing import MEANINGS, review_office
        from diagnb.notebook.workplace import local_now
        from diagnb.signing import load_key

        place = self.workplace()
        office = review_office(
            folder=place.folder, keys=place.keys, language=place.language, clock=local_now,
            trust=options.trust or (Path(self.trust) if self.trust else None),
        )  # fmt: skip
        examined = office.examine(options.report)
        secret = getpass.getpass(f"Passphrase of {options.key.name}: ").encode()
        path = office.countersign(
            examined, key_file=options.key, passphrase=secret, meaning=options.meaning or MEANINGS[0],
            typed_name=load_key(options.key, secret).name, despite=options.despite,
        )  # fmt: skip
        print(f"{path}: countersigned")
        return office.examine(path).found

    # -- catalogue ---------------------------------------------------------------------------------------

    def _procedure(self, options: argparse.Namespace) -> Any:
        return self._listed("procedure", options.id)

    def _meter(self, options: argparse.Namespace) -> Any:
        return self._listed("meter", options.id)

    def _listed(self, noun: str, name: str) -> Any:
        from diagnb.notebook import catalogue

        folder = self.workplace().folder
        if name:
            return catalogue.load(noun, name, folder)
        print("\n".join(catalogue.lines(noun, folder)))
        return None


def _display(value: Any, **options: Any) -> None:
    from IPython.display import display

    display(value, **options)  # type: ignore[no-untyped-call]


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
