"""``diagnb trace``: what a recorder's file holds, its features with their uncertainty, and one of them into a record."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.files import add_folder, write_new
from diagnb.errors import DiagnbError, fault

if TYPE_CHECKING:
    from diagnb.traces import Feature, Trace


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    parent = commands.add_parser("trace", help="recorded traces: what a file holds, its features, one into a record")
    actions = parent.add_subparsers(dest="action", metavar="ACTION", required=True)
    described = actions.add_parser("describe", help="how the file is read, as TOML to keep, correct and hand in again")
    shown = actions.add_parser("show", help="features of a column, each with its uncertainty by source")
    taken = actions.add_parser("take", help="one feature as a reading of a record, the file listed with its hash")
    for action in (described, shown, taken):
        action.add_argument("file", metavar="FILE.csv", type=Path)
        action.add_argument("--description", metavar="FILE.toml", type=Path, help="how to read the file; else guessed")
    shown.add_argument("--feature", metavar="ID", action="append", default=[], help="only this one; may be repeated")
    shown.add_argument(
        "--meter",
        metavar="ID",
        default="recorder-12bit",
        help="accuracy sheet of the recorder (default recorder-12bit)",
    )
    shown.add_argument(
        "--ambient",
        metavar="DEGC",
        type=float,
        help="ambient temperature in °C; else the recorder's whole operating range",
    )
    shown.add_argument("--picture", metavar="FILE.svg", type=Path, help="draw the course with the points used")
    shown.add_argument("--json", action="store_true", help="print JSON instead of text")
    taken.add_argument("record", metavar="RECORD.json", type=Path)
    taken.add_argument("--feature", metavar="ID", required=True)
    taken.add_argument("--test", metavar="ID", required=True, help="id of the test in the record")
    taken.add_argument("--reading", metavar="NAME", required=True, help="name of the reading in its procedure")
    taken.add_argument("--instrument", metavar="ID", required=True, help="the recorder's id in the record")
    taken.add_argument("--shows", metavar="TEXT", default="", help="what the file shows")
    for action in (shown, taken):
        action.add_argument("--column", metavar="NAME", default="", help="needed when the file has several")
        action.add_argument("--from", dest="start", metavar="TIME", default="", help='window, for example "20 ms"')
        action.add_argument("--to", dest="end", metavar="TIME", default="")
        action.add_argument("--threshold", metavar="TEXT", default="", help='for example "9.6 V"')
        add_folder(action)
    described.set_defaults(run=run_describe)
    shown.set_defaults(run=run_show)
    taken.set_defaults(run=run_take)


def run_describe(options: argparse.Namespace) -> int:
    """The description on standard output; what a reader should know on the lines before it, as comments."""
    from diagnb.traces import load_trace

    trace = load_trace(options.file, options.description)
    print(f"# {len(trace.time)} samples, {trace.interval:g} s apart; SHA-256 {trace.sha256}")
    for remark in trace.remarks():
        print(f"# note: {remark}")
    print(trace.description.to_toml(), end="")
    return 0


def run_show(options: argparse.Namespace) -> int:
    """The features asked for, or all that need no threshold (with ``--threshold``, all that need one too).

    Exit 1 when a feature that was asked for can't be taken.
    """
    from diagnb.meters import load_meter, sheet_files
    from diagnb.traces import KINDS, load_trace, take_feature

    trace = load_trace(options.file, options.description)
    column = _column(trace, options.column)
    files = sheet_files(options.folder / "meters" if options.folder else None)
    sheet = load_meter(files.get(options.meter, options.meter)).sheet
    window = _window(trace, options)
    wanted = options.feature or [k for k, kind in KINDS.items() if options.threshold or not kind.threshold]
    rows: list[dict[str, Any]] = []
    points: list[tuple[float, float]] = []
    for name in wanted:
        needs = name not in KINDS or KINDS[name].threshold
        try:
            feature = take_feature(
                name, trace=trace, column=column, sheet=sheet, window=window, ambient_degc=options.ambient,
                threshold=options.threshold if needs else "",
            )  # fmt: skip
        except DiagnbError as error:
            rows.append({"feature": name, "refused": "; ".join(str(f) for f in error.faults)})
            continue
        rows.append(_row(feature))
        points += feature.points
    if options.json:
        print(
            json.dumps(
                {"file": trace.name, "sha256": trace.sha256, "column": column, "features": rows},
                indent=1,
                ensure_ascii=False,
            )
        )
    else:
        print("\n".join(_line(row) for row in rows))
    if options.picture:
        _draw(trace, column, points, options)
        print(f"{options.picture}: drawn")
    return 1 if options.feature and any("refused" in row for row in rows) else 0


def run_take(options: argparse.Namespace) -> int:
    """Write the record again with the reading in its test and the file in its list of attachments."""
    from diagnb.record import attached_name, load_record, read_json, sheet_of
    from diagnb.traces import attachment_from_trace, load_trace, reading_from_feature, take_feature

    document = read_json(options.record.read_bytes(), options.record.name)
    record = load_record(options.record, folder=options.folder)
    instrument = next((i for i in record.instruments if i.id == options.instrument), None)
    if instrument is None:
        listed = ", ".join(i.id for i in record.instruments)
        raise fault(options.instrument, "is no instrument of the record", f"it has {listed or 'none'}")
    test = next((t for t in document.get("tests", []) if t.get("id") == options.test), None)
    if test is None:
        raise fault(
            options.test, "is no test of the record", f"it has {', '.join(t.id for t in record.tests) or 'none'}"
        )
    data = options.file.read_bytes()
    trace = load_trace(options.file, options.description)
    column, sheet = _column(trace, options.column), sheet_of(record, instrument.meter)
    ambient = test.get("ambient_degc") or record.conditions.ambient_degc
    feature = take_feature(
        options.feature, trace=trace, column=column, sheet=sheet, window=_window(trace, options),
        threshold=options.threshold, ambient_degc=None if ambient is None else float(ambient),
    )  # fmt: skip
    name = attached_name(options.file.name)
    reading = reading_from_feature(
        feature=feature, trace=trace, column=column, sheet=sheet, instrument=instrument.id, name=options.reading,
        attachment=name,
    )  # fmt: skip
    test["readings"] = [*(r for r in test.get("readings", []) if r.get("name") != options.reading), reading]
    listed = document.setdefault("attachments", [])
    entry = attachment_from_trace(data=data, name=name, shows=options.shows)
    same = next((a for a in listed if a.get("name") == name), None)
    if same is None:
        listed.append(entry)
    elif same.get("sha256") != entry["sha256"]:
        raise fault(name, "another file of this name is listed already", "give the file another name")
    load_record(document, folder=options.folder)
    write_new(options.record, (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode())
    print(f"{options.record}: test {options.test}, {options.reading} = {reading['texts'][0]}  ({_line(_row(feature))})")
    print(f"{name}: {len(data):,} bytes, SHA-256 {entry['sha256']}")
    return 0


def _column(trace: Trace, stated: str) -> str:
    if stated:
        return trace.column(stated).name
    if len(trace.columns) == 1:
        return trace.columns[0].name
    raise fault("--column", "the file has several columns", f"name one of {', '.join(c.name for c in trace.columns)}")


def _window(trace: Trace, options: argparse.Namespace) -> tuple[float, float] | None:
    from diagnb.traces import window_of

    if not options.start and not options.end:
        return None
    first, last = float(trace.time[0]), float(trace.time[-1])
    return window_of(trace, options.start or f"{first!r} s", options.end or f"{last!r} s")


def _row(feature: Feature) -> dict[str, Any]:
    """A feature in its display unit, uncertainties as intervals and standard uncertainties."""
    from diagnb.quantities import unit
    from diagnb.traces import REMARKS

    scale = unit(feature.unit)
    low, high = (float(scale.from_si(x)) for x in feature.interval())
    return {
        "feature": feature.id, "value": float(scale.from_si(feature.value)), "unit": feature.unit,
        "expanded_uncertainty": (high - low) / 2, "interval": [low, high], "window_s": list(feature.window),
        "parameters": dict(feature.parameters), "remarks": [REMARKS[r] for r in feature.remarks],
        "sources": [{"source": s.name, "standard_uncertainty": s.standard_uncertainty / scale.factor} for s in feature.sources],
    }  # fmt: skip


def _line(row: dict[str, Any]) -> str:
    from diagnb.quantities import value_with_uncertainty

    if "refused" in row:
        return f"{row['feature']:20} not taken: {row['refused']}"
    value, expanded = (
        value_with_uncertainty(row["value"], row["expanded_uncertainty"])
        if row["expanded_uncertainty"] > 0
        else (f"{row['value']:g}", "0")
    )
    remarks = "".join(f"; {remark}" for remark in row["remarks"])
    return f"{row['feature']:20} {value} ± {expanded} {row['unit']} (95 %){remarks}"


def _draw(trace: Trace, column: str, points: list[tuple[float, float]], options: argparse.Namespace) -> None:
    from diagnb.quantities import parse_indication, unit
    from diagnb.report.traces import trace_picture

    source = trace.column(column)
    scale = unit(source.unit)
    picture = trace_picture(
        time=trace.time.tolist(), values=scale.from_si(source.values).tolist(), unit=source.unit, label=source.name,
        points=[(t, float(scale.from_si(x))) for t, x in points], window=_window(trace, options),
        threshold=None if not options.threshold
        else float(scale.from_si(parse_indication(options.threshold, unit=source.unit).value)),
    )  # fmt: skip
    write_new(options.picture, picture.svg(ink="black", paper="white").encode())
