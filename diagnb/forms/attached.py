"""Files attached to a sheet: photos, and recorded traces whose features become readings.

The file lies in the store beside the journal; the sheet names its hash. How a trace is read stands in editable fields
(``attachments.a1.delimiter`` …), filled in with what was guessed. A feature that is put into a reading leaves there
its text and, under ``.trace``, the whole reading with hash, column, points and contributions; a text typed over it
later is a reading by hand again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from diagnb.errors import InputFault, fault
from diagnb.forms.entries import instrument_for
from diagnb.forms.fields import items, read_decimal
from diagnb.forms.library import Library
from diagnb.forms.path_nodes import reading_specs
from diagnb.record import attached_name

if TYPE_CHECKING:
    from diagnb.traces import Feature, Trace

_PICTURES = (b"\xff\xd8", b"\x89PNG", b"RIFF")
_CSV = "text/csv"


def is_photo(values: Mapping[str, str], name: str) -> bool:
    """Whether an attachment is a photo; otherwise it is a recorded trace."""
    return values.get(f"attachments.{name}.media_type", "").startswith("image/")


def entries_of_file(
    values: Mapping[str, str], *, name: str, file_name: str, data: bytes, sha256: str
) -> dict[str, str]:
    """The entries of a new attachment ``name``: its hash and, of a trace, how it was guessed to be read.

    Raises InputFault for a file that is attached already, and for one that is neither a photo nor a table of numbers.
    """
    known = {values.get(f"attachments.{a}.sha256"): a for a in items(values, "attachments")}
    if sha256 in known:
        raise fault(file_name, "is attached already", f"it is “{values.get(f'attachments.{known[sha256]}.name', '')}”")
    taken = {values.get(f"attachments.{a}.name", "") for a in items(values, "attachments")}
    kept = {
        "name": _free(attached_name(PurePath(file_name).name or "file"), taken),
        "sha256": sha256,
        "size": str(len(data)),
        "shows": "",
    }
    if data.startswith(_PICTURES):
        from diagnb.report import photo_attachment

        kept["media_type"] = photo_attachment(data, name=kept["name"]).media_type
    else:
        kept |= {"media_type": _CSV, **guessed_texts(data, kept["name"])}
    return {f"attachments.{name}.{part}": text for part, text in kept.items()}


def _free(wanted: str, taken: set[str]) -> str:
    stem, dot, ending = wanted.rpartition(".")
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{stem[:90]}-{number}.{ending}" if dot else f"{wanted[:90]}-{number}"
    return found


def guessed_texts(data: bytes, name: str) -> dict[str, str]:
    """How a recorder's file was guessed to be read, as texts of the fields. Raises InputFault where nothing fits."""
    from diagnb.traces import read_trace
    from diagnb.traces.description import DELIMITERS

    guess = read_trace(data, name=name).description
    first = guess.columns[0]
    words = {mark: word for word, mark in DELIMITERS.items()}
    by_column = guess.time.interval is None
    return {
        "delimiter": words[guess.delimiter], "decimal": guess.decimal, "encoding": guess.encoding, "header_lines": str(guess.header_lines),
        "time_column": str(guess.time.column) if by_column else "", "time_unit": guess.time.unit if by_column else "",
        "interval": "" if by_column else f"{guess.time.interval:.12g} s",
        "column": str(first.column), "title": first.name, "unit": first.unit,
        "guessed": "; ".join(guess.guessed),
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class TraceView:
    """A trace as its fields say it is read, and what can be taken from it.

    ``reading`` is the feature as the plain form of a reading; blank fields leave it, or the feature, None and
    ``missing`` says what is still to be chosen.
    """

    trace: Trace
    column: str
    feature: Feature | None = None
    reading: Mapping[str, Any] | None = None
    window: tuple[float, float] | None = None
    missing: str = ""


def trace_of(values: Mapping[str, str], name: str, data: bytes) -> Trace:
    """The trace as the fields say. Raises InputFault with every fault."""
    from diagnb.traces import read_trace

    def text(part: str) -> str:
        return values.get(f"attachments.{name}.{part}", "").strip()

    header = text("header_lines")
    if not header.isdigit():
        raise fault("lines above the numbers", f"{header!r} is not a count", "for example 1")
    time: dict[str, Any] = {"interval": text("interval")} if text("interval") else {
        "column": _place(text("time_column")), "unit": text("time_unit") or "s"}  # fmt: skip
    column: dict[str, Any] = {
        "column": _place(text("column")),
        "name": text("title") or f"column {text('column')}",
        "unit": text("unit"),
    }
    if text("adapter"):
        column |= {"adapter": text("adapter"), "gives": text("gives")}
    plain: dict[str, Any] = {
        "schema": "diagnb-trace/1", "delimiter": text("delimiter"), "decimal": text("decimal"), "encoding": text("encoding") or "utf-8",
        "header_lines": int(header), "time": time, "columns": [column],
    }  # fmt: skip
    return read_trace(data, plain, name=text("name"))


def _place(text: str) -> str | int:
    return int(text) if text.isdigit() else text


def view_of(values: Mapping[str, str], library: Library, name: str, data: bytes) -> TraceView:
    """The trace with the feature that is asked for. Raises InputFault where the fields do not fit the file."""
    from diagnb.traces import reading_from_feature, take_feature, window_of
    from diagnb.traces.kinds import KINDS

    def text(part: str) -> str:
        return values.get(f"attachments.{name}.{part}", "").strip()

    trace = trace_of(values, name, data)
    column = trace.columns[0].name
    window = None
    if text("from") or text("to"):
        first, last = float(trace.time[0]), float(trace.time[-1])
        window = window_of(trace, text("from") or f"{first!r} s", text("to") or f"{last!r} s")
    view = TraceView(trace, column, window=window)
    instrument = text("instrument")
    meter = library.meters.get(values.get(f"instruments.{instrument}.meter", ""))
    if meter is None or instrument not in items(values, "instruments"):
        return TraceView(
            trace, column, window=window, missing="Choose the recorder among the instruments of this sheet."
        )
    if not text("feature"):
        return TraceView(trace, column, window=window, missing="Choose what is taken from the trace.")
    if KINDS[text("feature")].threshold and not text("threshold"):
        return TraceView(trace, column, window=window, missing="State the threshold, for example 9.6 V.")
    ambient: float | None = None
    try:
        ambient = float(read_decimal("°C")(values.get("conditions.ambient_degc", "")))
    except InputFault:
        ambient = None
    threshold = text("threshold") if KINDS[text("feature")].threshold else ""
    feature = take_feature(
        text("feature"),
        trace=trace,
        column=column,
        sheet=meter,
        window=window,
        threshold=threshold,
        ambient_degc=ambient,
    )
    test, _, wanted = text("reading").partition(".")
    spec = next((s for s in readings_open(values, library) if s[0] == text("reading")), None)
    if spec is None:
        return TraceView(trace, column, feature, window=window, missing="Choose the reading that it becomes.")
    points = _points(values, library, test, wanted)
    reading = reading_from_feature(
        feature=feature,
        trace=trace,
        column=column,
        sheet=meter,
        instrument=instrument,
        name=wanted,
        attachment=text("name"),
        **points,
    )
    return TraceView(view.trace, column, feature, reading, window)


def _points(values: Mapping[str, str], library: Library, test: str, wanted: str) -> dict[str, str]:
    procedure = library.procedures[values[f"tests.{test}.procedure"]]
    spec = next(s for s in reading_specs(values, test, procedure) if s.name == wanted)
    start, _, end = spec.points.partition(" to ")
    return {k: v for k, v in (("from_point", start), ("to_point", end), ("load_state", spec.load_state)) if v}


def readings_open(values: Mapping[str, str], library: Library) -> tuple[tuple[str, str], ...]:
    """``(test.reading, title)`` of every reading that a feature may become; nodes of a path are read by hand."""
    found = []
    for test in items(values, "tests"):
        procedure = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
        if procedure is None or procedure.kind == "path":
            continue
        phase = values.get(f"tests.{test}.phase", "")
        found += [(f"{test}.{s.name}", f"{s.title} ({procedure.title}, {phase})") for s in procedure.readings]
    return tuple(found)


def taken_into_reading(view: TraceView) -> dict[str, str]:
    """What a feature leaves at its reading: the parts of the key ``tests.t1.readings.name``, "" being the text itself."""
    assert view.reading is not None
    whole = json.dumps(dict(view.reading), ensure_ascii=False, sort_keys=True)
    return {"": view.reading["texts"][0], ".instrument": view.reading["instrument"], ".trace": whole}


def reading_from_trace(values: Mapping[str, str], key: str, library: Library) -> dict[str, Any] | None:
    """The plain reading that a trace left at ``key``, while its text is still the trace's and its file is attached."""
    stored = values.get(f"{key}.trace", "")
    if not stored:
        return None
    try:
        reading = json.loads(stored)
        attached = reading["trace"]["sha256"]
        same = [" ".join(t.split()) for t in reading["texts"]] == [" ".join(values.get(key, "").split())]
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    for name in items(values, "attachments"):
        if values.get(f"attachments.{name}.sha256") == attached and same:
            _, test, _, wanted, *_ = key.split(".")
            procedure = library.procedures.get(values.get(f"tests.{test}.procedure", ""))
            spec = procedure.reading(wanted) if procedure else None
            instrument = reading["instrument"]
            if spec is None or instrument not in items(values, "instruments"):
                return None
            chosen = values.get(f"{key}.instrument") or instrument_for(values, library, test, spec)
            trace = {**reading["trace"], "attachment": values.get(f"attachments.{name}.name", "")}
            return {**reading, "trace": trace} if chosen == instrument else None
    return None
