"""The rows of the step for attached files: photos with their captions, traces with how they are read and what they give."""

from __future__ import annotations

import base64
import html

from diagnb.errors import InputFault
from diagnb.forms.attached import TraceView, is_photo, readings_open
from diagnb.forms.fields import Field, items
from diagnb.forms.model import FormModel
from diagnb.forms.presenter import Presenter
from diagnb.forms.row import FieldRows, Row, action, heading, note

_SHOWS = Field("shows", "What it shows", hint="stands below it in the report")
_DELIMITERS = tuple((word, word) for word in ("comma", "semicolon", "tab", "bar", "blank"))
_LAYOUT = (
    Field("delimiter", "Column separator", "choice", options=_DELIMITERS),
    Field("decimal", "Decimal mark", "choice", options=((".", "point"), (",", "comma"))),
    Field("header_lines", "Lines above the numbers", keyboard="numeric"),
    Field("time_column", "Time column", hint="its number"),
    Field("time_unit", "Unit of time", hint="s, ms, timestamp"),
    Field("interval", "Sample interval", hint="without a time column: 10 µs"),
    Field("column", "Value column", hint="its number"),
    Field("unit", "Unit of values", hint="V, A, mV"),
    Field("adapter", "Clamp or probe", hint="for example 10 mV/A"),
    Field("gives", "Unit it gives", hint="for example A"),
)  # fmt: skip
_WINDOW = (
    Field("from", "From", hint="20 ms; blank: the beginning"),
    Field("to", "To", hint="blank: the end"),
    Field("threshold", "Threshold", hint="for example 9.6 V"),
)


class RowsOfFiles(FieldRows):
    """Makes the rows of the attached files of one sheet."""

    def __init__(self, model: FormModel, presenter: Presenter) -> None:
        super().__init__(model)
        self.presenter = presenter
        self._thumbs: dict[str, str] = {}

    def rows(self) -> list[Row]:
        """Every attached file, the oldest first."""
        names = self.model.items("attachments")
        found: list[Row] = (
            []
            if names
            else [note("No file is attached. Photos are shown in the report without place and device data.")]
        )
        for name in names:
            base = f"attachments.{name}"
            kind = "Photo" if is_photo(self.model.values, name) else "Recorded trace"
            size = int(self.model.text(f"{base}.size") or 0)
            found.append(
                heading(
                    f"{kind}: {self.model.text(f'{base}.name')}",
                    f"{size:,} bytes, SHA-256 {self.model.text(f'{base}.sha256')[:16]}…",
                )
            )
            found += self._photo(name) if kind == "Photo" else self._trace(name)
            found.append(action(f"remove.{base}", f"Take this {kind.lower()} off the sheet"))
        return found

    def _photo(self, name: str) -> list[Row]:
        base = f"attachments.{name}"
        row: Row = {"kind": "picture", "key": f"{base}.picture", "label": "Photo", "picture": "", "said": ""}
        try:
            shown = html.escape(self.model.text(f"{base}.shows") or "photo without a caption", quote=True)
            row["picture"] = f'<img alt="{shown}" src="{self._thumb(self.model.text(f"{base}.sha256"))}">'
        except InputFault as error:
            row["said"] = str(error)
        return [row, self.field(_SHOWS, f"{base}.shows")]

    def _thumb(self, sha256: str) -> str:
        if sha256 not in self._thumbs:
            from diagnb.report.photos import thumbnail

            coded = base64.b64encode(thumbnail(self.model.files.get(sha256))).decode()
            self._thumbs = {**self._thumbs, sha256: f"data:image/jpeg;base64,{coded}"}
        return self._thumbs[sha256]

    def _trace(self, name: str) -> list[Row]:
        from diagnb.traces.kinds import KINDS

        base = f"attachments.{name}"
        values = self.model.values
        guessed = self.model.text(f"{base}.guessed")
        rows = [note(f"Guessed: {guessed}. Look through the fields and correct what is wrong.")] if guessed else []
        block = {"block": f"{base}.layout", "block_label": "How the file is read"}
        rows += [self.field(spec, f"{base}.{spec.name}") | block for spec in _LAYOUT]
        recorders = tuple((m, self.model.instrument_name(m)) for m in items(values, "instruments"))
        features = tuple((kind, known.title) for kind, known in KINDS.items())
        open_ = readings_open(values, self.model.library)
        why = (
            ""
            if open_
            else "no test on this sheet has a reading that a trace can give; a path's readings can't be taken from one"
        )
        chosen = (
            Field("instrument", "Recorder", "choice", needed=True, options=(("", "choose"), *recorders)),
            Field("feature", "Taken from the trace", "choice", needed=True, options=(("", "choose"), *features)),
            Field("reading", "It becomes the reading", "choice", needed=True, hint=why, options=(("", "choose"), *open_)),
        )  # fmt: skip
        rows += [self.field(spec, f"{base}.{spec.name}") for spec in chosen]
        block = {"block": f"{base}.window", "block_label": "Window: which part of it"}
        rows += [self.field(spec, f"{base}.{spec.name}") | block for spec in _WINDOW]
        rows.append(self._course(name))
        rows.append(self._use(name))
        rows.append(self.field(_SHOWS, f"{base}.shows"))
        return rows

    def _use(self, name: str) -> Row:
        """The button that takes the trace; where another value stands in the reading it says which one goes."""
        try:
            view, there = self.model.trace_view(name), self.model.replaced_by_trace(name)
        except InputFault:
            view, there = None, ""
        if view is None or view.reading is None or not there:
            return action(f"use-trace.{name}", "Put it into the reading")
        test, _, wanted = self.model.text(f"attachments.{name}.reading").partition(".")
        spec = self.model.spec(test, wanted)
        taken = view.reading["texts"][0]
        return action(
            f"replace-by-trace.{name}.{there}", f"Replace {there} by {taken}",
            f"“{spec.title if spec else wanted}” ({self.model.test_name(test)}) holds {there} already.",
            tone="caution", mark="!", detail="Undo brings it back.",
        )  # fmt: skip

    def _course(self, name: str) -> Row:
        row: Row = {
            "kind": "picture",
            "key": f"attachments.{name}.picture",
            "label": "Course of the trace",
            "picture": "",
        }
        try:
            view = self.model.trace_view(name)
        except InputFault as error:
            return row | {"said": "; ".join(str(f) for f in error.faults[:3]), "fails": True}
        return row | {"picture": self.presenter.trace_picture(view), "said": self._said_of(name, view)}

    def _said_of(self, name: str, view: TraceView) -> str:
        said = [
            f"{len(view.trace.time):,} samples, {view.trace.interval:.4g} s apart.",
            *(f"{r}." for r in view.trace.remarks()),
        ]
        if view.reading is not None and view.feature is not None:
            test, _, wanted = self.model.text(f"attachments.{name}.reading").partition(".")
            is_in = self.model.text(f"tests.{test}.readings.{wanted}") == view.reading["texts"][0]
            said.append(
                f"{view.reading['texts'][0]}: {'it stands in the reading' if is_in else 'not yet in the reading'}."
            )
        elif view.missing:
            said.append(view.missing)
        return " ".join(said)
