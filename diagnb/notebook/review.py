"""The review view: a signed report with its five answers, its pages beside the recomputed record, and the
countersignature. It shows what other rooms have found out, and decides nothing.

The passphrase goes from its field into the signing call and nowhere else, and the field is emptied at once.
"""

from __future__ import annotations

import html
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from diagnb.errors import DiagnbError, fault
from diagnb.forms.parts import box, button, heading, row, text_box
from diagnb.forms.widgets import SaveFileButton, SecretField, Shield, SignaturePad
from diagnb.notebook.examined import answers_html, readiness_html, record_html
from diagnb.notebook.live import LiveLine, PageView
from diagnb.notebook.pages import Pages, can_draw
from diagnb.notebook.present import ReportPresenter
from diagnb.notebook.reviewing import MEANINGS, Examined, ReviewOffice, review_office

if TYPE_CHECKING:
    from diagnb.notebook.remarks import Remarks
    from diagnb.proof import Verification

Log = Callable[[str], None]
_OWN_WORDS = "In own words …"
_CONFIRMED = "the reviewer saw the remarks and confirmed"


def review(
    report: str | Path,
    *,
    folder: str | Path = ".",
    keys: str | Path | None = None,
    trust: str | Path | None = None,
    language: str = "en",
) -> ReviewView:
    """Open a signed report for review: the last line of a cell shows it.

    ``keys`` is the folder of the key files (by default ``keys`` of ``folder``), ``trust`` the shop's trust list (by
    default ``trust.json`` of the keys, else the one beside the report). Raises InputFault when the file can't be
    opened; what is wrong inside it is shown.
    """
    from diagnb.notebook.workplace import local_now, log_into

    home = Path(folder).expanduser()
    office = review_office(
        folder=home, keys=Path(keys).expanduser() if keys else home / "keys",
        trust=Path(trust).expanduser() if trust else None, clock=local_now, language=language,
    )  # fmt: skip
    log = home / ".diagnb" / "form.log"
    return ReviewView(Path(report).expanduser(), office=office, log=log_into(log, local_now), language=language)


class ReviewView:
    """One report under review. ``root`` is what a notebook displays; ``verification`` and ``remarks`` say the same to code."""

    def __init__(
        self, report: Path, *, office: ReviewOffice, log: Log = lambda _text: None, language: str = "en"
    ) -> None:
        self.office, self.log = office, log
        self.presenter = ReportPresenter(language)
        self.examined = office.examine(report)
        self.worker: threading.Thread | None = None
        self._asked: Examined | None = None
        self.title, self.answers, self.record, self.readiness = (text_box() for _ in range(4))
        self.pages = PageView()
        self.said = LiveLine()
        self.refusal = text_box()
        self.key = widgets.Dropdown(description="Key of the reviewer")
        self.elsewhere = widgets.Text(description="Or a key file elsewhere", continuous_update=False)
        self.passphrase = SecretField()
        self.meaning = widgets.Dropdown(description="My signature means", options=[*MEANINGS, _OWN_WORDS])
        self.own_words = widgets.Text(description="In own words")
        self.own_words.layout.display = "none"
        self.meaning.observe(lambda change: self._show_own_words(change["new"]), "value")
        self.pad = SignaturePad()
        self.typed = widgets.Text(description="Or type your name")
        self.sign = button("Countersign", self._watched(self._ask), go=True)
        self.question = text_box()
        self.confirm = button("Yes, countersign now", self._watched(self._start), go=True)
        self.not_yet = button("Not yet", self._watched(self._not_now))
        self.asking = box([self.question, row([self.confirm, self.not_yet])])
        self.save = SaveFileButton(provide=self._file, label="Save this report")
        self.hand = box(
            [
                self.key, self.elsewhere, self.passphrase, self.meaning, self.own_words, self.pad, self.typed,
                row([self.sign]), self.asking,
            ],
            "dn-hand",
        )  # fmt: skip
        self.root = self._frame()
        self._show()

    @property
    def verification(self) -> Verification:
        """The five answers about the report that is shown."""
        return self.examined.found

    @property
    def remarks(self) -> Remarks | None:
        """What would get the claim rejected; None when the report carries no record."""
        return self.examined.remarks

    def countersign(
        self,
        key_file: str | Path,
        passphrase: bytes,
        *,
        meaning: str = MEANINGS[0],
        typed_name: str = "",
        strokes: Any = (),
        despite: str = "",
    ) -> Path:
        """Countersign without the form: returns the path of the new file, which the view then shows.

        Raises a named fault and writes nothing when the report doesn't prove itself, its claim would be rejected and
        ``despite`` does not say why it is signed all the same, the key belongs to somebody who made it, or the trust
        list doesn't know the key.
        """
        path = self.office.countersign(
            self.examined, key_file=Path(key_file), passphrase=passphrase, meaning=meaning, strokes=strokes,
            typed_name=typed_name, despite=despite,
        )  # fmt: skip
        self.examined = self.office.examine(path)
        self._show()
        return path

    def _ipython_display_(self) -> None:
        """Show the view, and a text that stays when the notebook is opened without a kernel."""
        from IPython.display import display

        from diagnb.notebook.display import bundle

        display(self.root)  # type: ignore[no-untyped-call]
        kept = bundle("verification", self.verification)
        note = "The review above lives as long as the kernel; run this cell again to open it. What it found:"
        kept["text/html"] = f'<details><summary style="cursor:pointer">{note}</summary>{kept["text/html"]}</details>'
        kept["text/plain"] = f"{kept['text/plain']}"
        display(kept, raw=True)  # type: ignore[no-untyped-call]

    def __repr__(self) -> str:
        state = "trustworthy" if self.verification.trustworthy else "not trustworthy"
        return f"ReviewView({str(self.examined.path)!r}, {state})"

    # -- what is shown -----------------------------------------------------------------------------------

    def _frame(self) -> Any:
        head = box([self.title], "dn-head")
        pages = box([heading("Pages of the report"), self.pages], "dn-column")
        record = box([heading("Record inside, recomputed here"), self.record], "dn-column")
        two = widgets.Box([pages, record])
        two.add_class("dn-two")
        body = box(
            [
                heading("Does it prove itself?"), self.answers, two, heading("Claim readiness"), self.readiness,
                heading("Countersign"), self.refusal, self.hand, self.said, row([self.save]),
            ],
            "dn-step",
        )  # fmt: skip
        root = box([Shield(), head, body], "dn-root")
        root.add_class("dn-review")
        return root

    def _show(self) -> None:
        examined = self.examined
        self.title.value = (
            f'<div class="dn-title">Review of {html.escape(examined.path.name)}</div>'
            f'<div class="dn-sub">{html.escape(str(examined.path))}, {len(examined.pdf):,} bytes</div>'
        )
        self.answers.value = answers_html(examined)
        self.record.value = record_html(examined, self.presenter)
        self.readiness.value = readiness_html(examined)
        self._show_pages()
        self.refusal.value = f'<div class="dn-remark">{html.escape(examined.refusal)}</div>' if examined.refusal else ""
        self.hand.layout.display = "none" if examined.refusal else ""
        self.save.ready = True
        self._list_keys()
        self._put_off()

    def _show_pages(self) -> None:
        title = f"Report {self.examined.path.name}"
        if not self.examined.can_be_drawn:
            self.pages.show(
                title=title,
                note="The pages are not drawn, because nobody vouches for this file. Save it to look at it elsewhere.",
            )
        elif can_draw():
            try:
                pages = Pages(self.examined.pdf)
            except DiagnbError as error:
                self.pages.show(title=title, note=str(error))
                return
            self.pages.show(title=title, count=pages.count, draw=pages.draw)
        else:
            pdf = self.examined.pdf
            self.pages.show(
                title=title, whole=lambda: pdf,
                note="Shown by the browser's own viewer. With the extra `pages` installed the pages stand here as pictures.",
            )  # fmt: skip

    def _list_keys(self) -> None:
        options = [(path.stem, str(path)) for path in self.office.key_files()]
        if list(self.key.options) != options:
            self.key.options = options
        self.key.layout.display = "" if options else "none"

    def _show_own_words(self, chosen: str) -> None:
        self.own_words.layout.display = "" if chosen == _OWN_WORDS else "none"

    def _file(self) -> tuple[str, str, bytes]:
        return self.examined.path.name, "application/pdf", self.examined.pdf

    # -- countersigning ----------------------------------------------------------------------------------

    def _said_meaning(self) -> str:
        return str(self.own_words.value if self.meaning.value == _OWN_WORDS else self.meaning.value).strip()

    def _key_file(self) -> Path:
        typed = self.elsewhere.value.strip().strip('"')
        if typed:
            return Path(typed).expanduser()
        if not self.key.value:
            raise fault("key", "no key is chosen", "choose one, or name a key file")
        return Path(self.key.value)

    def _check(self) -> None:
        self._key_file()
        if not self.passphrase.secret:
            raise fault("passphrase", "is missing", "type the passphrase of the key")
        if not self._said_meaning():
            raise fault("meaning", "is blank", "say what your signature means")
        if not self.pad.strokes and not self.typed.value.strip():
            raise fault("signature", "is missing", "draw it, or type your name")

    def _ask(self) -> None:
        self._check()
        self._asked = self.examined
        codes = dict.fromkeys(r.code for r in self.remarks or () if r.severity == "rejects")
        warning = f" These remarks would get its claim rejected: {', '.join(codes)}." if codes else ""
        text = (
            f"Countersign record {self.verification.record_id}, revision {self.verification.revision}, with the key "
            f"{self._key_file().stem}, saying “{self._said_meaning()}”?{warning} A signature can't be taken back."
        )
        self.question.value = f'<div class="dn-remark" role="status">{html.escape(text)}</div>'
        self.asking.layout.display = ""
        self.sign.layout.display = "none"
        self.not_yet.focus()

    def _put_off(self) -> None:
        self.asking.layout.display = "none"
        self.sign.layout.display = ""

    def _not_now(self) -> None:
        self._put_off()
        self.sign.focus()

    def _start(self) -> None:
        self._check()
        if self._asked is not self.examined or (self.worker is not None and self.worker.is_alive()):
            return
        key, meaning, typed = self._key_file(), self._said_meaning(), self.typed.value
        strokes = [list(stroke) for stroke in self.pad.strokes]
        passphrase = self.passphrase.take().encode()
        self.confirm.disabled = self.not_yet.disabled = True
        self.said.say("Countersigning …")

        def work() -> None:
            try:
                path = self.countersign(
                    key, passphrase, meaning=meaning, typed_name=typed, strokes=strokes, despite=_CONFIRMED
                )
                self.pad.strokes, self.typed.value = [], ""
                word = "verified" if self.verification.trustworthy else "NOT verified"
                self.said.say(
                    f"✓ Countersigned and {word}. The new file is {path}; the one before is unchanged.", "good"
                )
            finally:
                self.confirm.disabled = self.not_yet.disabled = False
                self._put_off()

        self.worker = threading.Thread(target=self._watched(work), name="diagnb-countersign")
        self.worker.start()

    def _watched(self, action: Callable[[], object]) -> Callable[[], None]:
        """``action``, whose faults become plain lines beside it; others go to the log as well."""

        def run() -> None:
            try:
                action()
            except DiagnbError as error:
                self.said.say("✗ " + " ".join(f"{found}." for found in error.faults), "trouble")
            except Exception:  # noqa: BLE001 - a callback's exception would be seen by nobody
                self.log(traceback.format_exc())
                self.said.say(
                    "✗ Something went wrong; .diagnb/form.log has the details. Look whether a new file stands beside the report.",
                    "trouble",
                )

        return run
