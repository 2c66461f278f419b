"""The last step: who signs, with which key, the signature itself, and the file that comes out.

The passphrase goes from its field into the signing call and nowhere else: not into the journal, not into the
notebook, and the field is emptied at once.
"""

from __future__ import annotations

import html
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from diagnb.errors import DiagnbError, Fault, InputFault, fault
from diagnb.evaluation import Evaluation
from diagnb.forms.model import FormModel
from diagnb.forms.office import Issued, Office, files_folder
from diagnb.forms.parts import box, button, heading, row, text_box
from diagnb.forms.presenter import Presenter
from diagnb.forms.trouble import Reveal, Watched, say_at
from diagnb.forms.widgets import Acknowledge, EntryGrid, Row, SaveFileButton, SecretField, SignaturePad
from diagnb.readiness import Remark
from diagnb.record import Record

_TYPED = "signature.typed_name"
_SHORTEST = 12
"""The fewest characters of a passphrase."""


class SigningStep:
    """Choose a key, sign, export. ``closed`` is called once the sheet is closed.

    What goes wrong stands beside the button that was pressed; ``reveal`` brings the place of this class into view,
    ``lead_to`` puts the focus there too.
    """

    def __init__(
        self,
        model: FormModel,
        *,
        office: Office,
        presenter: Presenter,
        watched: Watched,
        closed: Callable[[], None],
        reveal: Reveal = lambda _name: None,
        lead_to: Reveal = lambda _name: None,
    ) -> None:
        self.model, self.office, self.presenter, self.closed = model, office, presenter, closed
        self._lead_to = lead_to
        self.worker: threading.Thread | None = None
        self._asked: Record | None = None
        self._watched = watched
        self._reveal = reveal
        self.said_at_key = text_box("dn-said-key")
        self.said_at_sign = text_box("dn-said-sign")
        self.state = text_box()
        self.key = widgets.Dropdown(description="Key")
        self.elsewhere = widgets.Text(description="Or a key file elsewhere", continuous_update=False)
        self.passphrase = SecretField()
        self.make = button("Make a key for this technician", self._beside(self.said_at_key, self._make_key))
        self.made = text_box()
        self.question_at_key = text_box()
        self.another = button("Make another key", self._beside(self.said_at_key, lambda: self._make_key(another=True)))
        self.keep = button("Use the key there is", self._beside(self.said_at_key, self._keep_key), go=True)
        self.asking_at_key = box([self.question_at_key, row([self.keep, self.another])])
        self.asking_at_key.layout.display = "none"
        self.pad = SignaturePad()
        self.typed = EntryGrid(on_edit=self._edit, sheet=model.sheet, title="Signature", rows=self._typed_rows())
        self.sign = button("Sign report", self._beside(self.said_at_sign, self._ask), go=True)
        self.question = text_box()
        self.confirm = button("Yes, sign now", self._beside(self.said_at_sign, self._start), go=True)
        self.refuse = button("Not yet", self._beside(self.said_at_sign, self._not_yet))
        self.result = text_box("dn-signed")
        self.save = SaveFileButton(provide=self._file, label="Save the report")
        self.keys = box(
            [
                heading("Key"),
                self.key,
                self.elsewhere,
                self.passphrase,
                row([self.make]),
                self.said_at_key,
                self.asking_at_key,
                self.made,
            ]
        )
        self.hand = box([heading("Signature"), self.pad, self.typed])
        self.asking = box([self.question, row([self.confirm, self.refuse])])
        self.asking.layout.display = "none"
        self.root = box(
            [
                self.state,
                self.keys,
                self.hand,
                row([self.sign]),
                self.asking,
                self.said_at_sign,
                self.result,
                self.save,
            ]
        )
        self.root.add_class("dn-step")

    def _beside(self, place: Any, action: Callable[[], object]) -> Callable[[], None]:
        """``action`` with what it has to say beside its button; what was said before goes first."""

        watched = self._watched(action, say_at(place, self._reveal))

        def run() -> None:
            self.quiet()
            watched()

        return run

    def quiet(self) -> None:
        """Take away what was said; it belonged to an earlier press of a button."""
        self.said_at_key.value = self.said_at_sign.value = ""

    @property
    def is_busy(self) -> bool:
        """Whether a report is being signed at this moment."""
        return self.worker is not None and self.worker.is_alive()

    # -- what is shown -----------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Bring the step up to date with the model and with the keys there are."""
        self._list_keys()
        outcome = self.model.journal.closed
        is_open = outcome is None
        for part in (self.keys, self.hand, self.sign):
            part.layout.display = "" if is_open else "none"
        self.pad.locked = bool(self.model.locked)
        self.typed.locked = self.model.locked
        if outcome is not None:
            self._show_result(Path(str(outcome.get("report", ""))), str(outcome.get("digest", "")))
            self.state.value = ""
            return
        self.save.layout.display = "none"
        faults = self.model.faults()
        self.sign.disabled = bool(faults) or bool(self.model.locked)
        if self.model.locked:
            self.state.value = _remark(self.model.locked)
        elif faults:
            self.state.value = _remark(f"{len(faults)} entries are missing or wrong: see the step Review.")
        else:
            name = self.model.text("people.technician.name")
            rejecting = len(self.model.review().rejecting)
            count = "1 remark" if rejecting == 1 else f"{rejecting} remarks"
            but = f", but {count} would get this claim rejected: see the step Review" if rejecting else ""
            self.state.value = _remark(f"The record is complete{but}. {name} signs for what stands in it.")

    def summary(self) -> str:
        """The results so far as an HTML table: as found, isolating, as left."""
        evaluation = self.model.review().evaluation
        if evaluation is None or not evaluation.tests:
            return ""
        return _results_table(evaluation, self.presenter, self.model.which)

    def _typed_rows(self) -> list[Row]:
        return [
            {
                "kind": "text",
                "key": _TYPED,
                "label": "Or type your name",
                "hint": "instead of a drawing",
                "text": self.model.text(_TYPED),
                "version": self.model.journal.number_of(_TYPED),
            }
        ]

    def _edit(self, _grid: EntryGrid, key: str, text: str, acknowledge: Acknowledge) -> list[Row]:
        acknowledge(self.model.keep(key, text))
        return []

    def _list_keys(self) -> None:
        options = [(path.stem, str(path)) for path in self.office.key_files()]
        if tuple(self.key.options) != tuple(options):
            before = self.key.value
            self.key.options = options
            known = [value for _, value in options]
            own = [str(path) for path in self.office.keys_of(self.model.text("people.technician.name").strip())]
            # The technician's own, or the only one there is; among other people's keys the choice is left to them.
            usual = own[0] if own and own[0] in known else known[0] if len(known) == 1 else None
            self.key.value = before if before in known else usual
        self.elsewhere.description = "Or a key file elsewhere" if options else "Key file"
        self.key.layout.display = "" if options else "none"
        self.made.value = "" if options else _remark("There is no key here yet. Make one: it stays on this computer.")

    # -- keys --------------------------------------------------------------------------------------------

    def _make_key(self, *, another: bool = False) -> None:
        name = self.model.text("people.technician.name").strip()
        if not name:
            raise fault(
                "people.technician.name", "the technician's name is missing", "enter it at Instruments and people"
            )
        if not another and (known := self.office.keys_of(name)):
            self.question_at_key.value = _remark(
                f"There is a key for {name} already: {', '.join(path.name for path in known)}. Make another one?"
            )
            self.asking_at_key.layout.display = ""
            return
        self.asking_at_key.layout.display = "none"
        typed = self.passphrase.secret
        if typed and len(typed) < _SHORTEST:
            raise fault(
                "passphrase",
                f"has fewer than {_SHORTEST} characters",
                f"type {_SHORTEST} or more, or leave the field blank and one is made",
            )
        passphrase = typed or self.office.new_passphrase()
        path = self.office.make_key(name=name, passphrase=passphrase.encode())
        self._list_keys()
        self.key.value = str(path)
        if typed:
            self.made.value = _remark(f"The key {path.name} is made, with the passphrase that you typed.")
            return
        self.passphrase.reveal(
            passphrase, "The key is made. Write its passphrase down now; it is shown once and kept nowhere:"
        )

    def _keep_key(self) -> None:
        """Use the key there is."""
        self.asking_at_key.layout.display = "none"
        name = self.model.text("people.technician.name").strip()
        known = self.office.keys_of(name)
        if known:
            self.key.value = str(known[0])

    # -- signing -----------------------------------------------------------------------------------------

    def _ask(self) -> None:
        self._check_signature()
        record, evaluation = self.model.frozen()
        self._asked = record
        counted = _counted(evaluation, self.presenter)
        self.question.value = _rejections(self.model.rejections(record, evaluation)) + _remark(
            f"Sign record {record.id}, repair order {record.order.number}, {len(record.tests)} tests (verdicts: {counted})? "
            "After this the sheet takes no more entries; a correction is a new revision."
        )
        self.asking.layout.display = ""
        self.sign.layout.display = "none"
        self.refuse.focus()

    def _check_signature(self) -> None:
        if self._key_file() is None:
            raise fault("key", "no key is chosen", "choose one, or make one")
        if not self.passphrase.secret:
            raise fault("passphrase", "is missing", "type the passphrase of the key")
        typed = " ".join(self.model.text(_TYPED).split()).casefold()
        name = " ".join(self.model.text("people.technician.name").split()).casefold()
        if not self.pad.strokes and typed and typed != name:
            raise fault(
                "signature",
                f"“{self.model.text(_TYPED).strip()}” is not the technician's name",
                f"type it as it stands on the sheet: {self.model.text('people.technician.name').strip()}",
            )
        if not self.pad.strokes and not typed:
            raise fault("signature", "is missing", "draw it, or type the technician's name as it stands on the sheet")

    def _key_file(self) -> Path | None:
        """The key file to sign with: the path typed, else the one chosen."""
        typed = self.elsewhere.value.strip().strip('"')
        if typed:
            return Path(typed).expanduser()
        return Path(self.key.value) if self.key.value else None

    def _not_yet(self) -> None:
        self.asking.layout.display = "none"
        self.refresh()

    def _start(self) -> None:
        self._check_signature()
        key, strokes = self._key_file(), [list(stroke) for stroke in self.pad.strokes]
        if key is None:
            return
        record, evaluation = self.model.seal()
        if record != self._asked:
            self.model.unseal()
            self._not_yet()
            raise fault("sheet", "has changed since the question was asked", "look at it again, then sign")
        passphrase = self.passphrase.take().encode()
        self.confirm.disabled = self.refuse.disabled = True
        self.result.value = _remark("Signing …")

        def work() -> None:
            try:
                issued = self.office.issue(
                    record=record,
                    evaluation=evaluation,
                    key_file=key,
                    passphrase=passphrase,
                    strokes=strokes,
                    photos=self.model.photos(),
                    recorded=self.model.recorded(),
                )
                self._finish(issued, record)
                self.quiet()
            except DiagnbError as error:
                self.result.value = ""
                raise _not_signed(error) from error
            except BaseException:
                self.result.value = ""
                raise
            finally:
                self.model.unseal()
                self.confirm.disabled = self.refuse.disabled = False
                self.asking.layout.display = "none"
                self.refresh()
            self._lead_to("dn-signed")

        self.worker = threading.Thread(target=self._beside(self.said_at_sign, work), name="diagnb-issue")
        self.worker.start()

    def _finish(self, issued: Issued, record: Record) -> None:
        try:
            self.model.close({"report": str(issued.path), "digest": issued.digest}, record)
        except InputFault as error:
            raise fault(
                str(issued.path), "was signed and written, but the sheet could not be closed", str(error)
            ) from error
        self.closed()

    def _show_result(self, path: Path, digest: str) -> None:
        self.result.value = (
            f'<div class="dn-good" role="status">✓ Signed. The report is at<br><b>{html.escape(str(path))}</b>'
            f'{_beside(path)}<br><span class="dn-detail">SHA-256 of the record {html.escape(digest)}</span></div>'
        )
        self.save.ready = path.is_file()
        self.save.layout.display = ""

    def _file(self) -> tuple[str, str, bytes]:
        outcome = self.model.journal.closed or {}
        path = Path(str(outcome.get("report", "")))
        return path.name, "application/pdf", path.read_bytes()


def _beside(report: Path) -> str:
    """Where the recorded files lie that the report names, as HTML; blank when there are none."""
    folder = files_folder(report)
    kept = html.escape(
        f"The recorded files lie in {folder.name} beside it: keep them together, the report does not hold them."
    )
    return f"<br>{kept}" if folder.is_dir() else ""


def _counted(evaluation: Evaluation, presenter: Presenter) -> str:
    """How many verdicts of each kind, phase by phase: a fault that was found is no fail of the repair."""
    said = []
    for phase in dict.fromkeys(test.phase for test in evaluation.tests):
        results = [r for test in evaluation.tests if test.phase == phase for r in test.results if r.to_judge]
        words = [r.verdict.verdict for r in results]
        counts = [f"{words.count(w)} {presenter.verdict(w)}" for w in dict.fromkeys(words)]
        said += [f"{phase} {', '.join(counts)}"] if counts else []
    return "; ".join(said) or "none"


def _results_table(evaluation: Evaluation, presenter: Presenter, which: Callable[[str], str]) -> str:
    lines = []
    for test in evaluation.tests:
        for result in test.results:
            if not result.to_judge:
                continue
            word = result.verdict.verdict
            cells = (
                ", ".join(part for part in (test.phase, which(test.id)) if part),
                result.title,
                presenter.value(result),
                presenter.limit(result),
                presenter.verdict(word),
            )
            kinds = ("dn-short", "", "dn-number", "dn-number", "dn-short")
            shown = (f'<td class="{kind}">{html.escape(cell)}</td>' for kind, cell in zip(kinds, cells, strict=True))
            lines.append("<tr>" + "".join(shown) + "</tr>")
    head = "".join(f'<th scope="col">{h}</th>' for h in ("Phase", "Result", "Value ± U", "Limit", "Verdict"))
    return f'<h3 class="dn-heading">Results</h3><table class="dn-table"><thead><tr>{head}</tr></thead><tbody>{"".join(lines)}</tbody></table>'


def _not_signed(error: DiagnbError) -> DiagnbError:
    """The same faults, said as what they mean here; a wrong passphrase in so many words."""
    if any("wrong passphrase" in found.what for found in error.faults):
        return InputFault([Fault("Not signed", "the passphrase is wrong for this key", "type it again, then sign")])
    return InputFault([Fault(f"Not signed: {found.where}", found.what, found.repair) for found in error.faults])


def _rejections(remarks: Sequence[Remark]) -> str:
    """What would get the claim rejected, as a list and a question; blank when there is nothing."""
    if not remarks:
        return ""
    count = "1 remark" if len(remarks) == 1 else f"{len(remarks)} remarks"
    said = "".join(f"<li>{html.escape(remark.message)}</li>" for remark in remarks)
    return (
        f'<div class="dn-trouble" role="status"><b>✕ {count} would get this claim rejected:</b>'
        f"<ul>{said}</ul>Sign all the same?</div>"
    )


def _remark(text: str) -> str:
    return f'<div class="dn-remark" role="status">{html.escape(text)}</div>'
