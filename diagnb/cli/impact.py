"""``diagnb impact``: what changes over the whole archive when something proves wrong. No record is touched."""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import io
import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnb.cli.archive import add_workers, chosen_workers, progress
from diagnb.cli.files import now, write_new
from diagnb.cli.oneline import one_line
from diagnb.cli.signers import add_signer, check_signer, shown_signer, signer
from diagnb.errors import fault
from diagnb.quantities.counting import counted

if TYPE_CHECKING:
    from diagnb.archive import Archive
    from diagnb.impact import Impact

MEANING = "I answer for this list of reports to re-examine"


def add_commands(commands: Any) -> None:
    """Add the commands of this file."""
    parent = commands.add_parser("impact", help="which stored verdicts and reports change when something proves wrong")
    actions = parent.add_subparsers(dest="action", metavar="CHANGE", required=True)
    instrument = actions.add_parser("instrument", help="an instrument was found to be off")
    instrument.add_argument("--serial", required=True, metavar="NUMBER")
    instrument.add_argument(
        "--gain-percent", type=float, default=0.0, metavar="P", help="showed P %% too much (negative: too little)"
    )
    instrument.add_argument("--offset", type=float, default=0.0, metavar="NUMBER", help="showed this much too much")
    instrument.add_argument("--offset-unit", default="", metavar="UNIT", help="unit of the offset")
    instrument.add_argument("--function", default="", help="only this function of it, for example 'dc voltage'")
    instrument.add_argument(
        "--found",
        metavar="DAY",
        help="day on which it was found, as in 2026-11-20 (default: today); what was read up to it is judged again",
    )
    limit = actions.add_parser("limit", help="a procedure's limit has another value")
    limit.add_argument("--lower", metavar="NUMBER")
    limit.add_argument("--upper", metavar="NUMBER")
    limit.add_argument("--limit-unit", required=True, metavar="UNIT")
    limit.add_argument("--source", required=True, help="where the new limit comes from")
    limit.add_argument(
        "--system",
        default="",
        choices=("", "12", "24", "48"),
        metavar="{12,24,48}",
        help="only vehicles of this system voltage",
    )
    rule = actions.add_parser("rule", help="another decision rule")
    rule.add_argument("rule", metavar="RULE", help="simple, guarded-95 or guarded-U")
    for parser, needed in ((limit, True), (rule, False)):
        parser.add_argument("--procedure", required=needed, default="", metavar="ID")
        parser.add_argument("--result", required=needed, default="", metavar="NAME")
    procedure = actions.add_parser("procedure", help="another version of a procedure")
    procedure.add_argument("file", type=Path, metavar="FILE.toml")
    coefficient = actions.add_parser("coefficient", help="an accuracy sheet lacked its temperature coefficient")
    coefficient.add_argument("--meter", required=True, metavar="ID")
    coefficient.add_argument(
        "--percent-per-kelvin",
        type=float,
        required=True,
        metavar="P",
        help="P %% of the accuracy limit for each kelvin",
    )
    coefficient.add_argument("--function", default="")
    sheet = actions.add_parser(
        "sheet", help="another version of an accuracy sheet: wrong per cent, counts or temperatures"
    )
    sheet.add_argument(
        "file", type=Path, metavar="FILE.toml", help="the corrected sheet, with the id of the stored one"
    )
    for name, parser in actions.choices.items():
        parser.add_argument("store", metavar="ARCHIVE", help="the archive: a file, or postgresql://user@host/name")
        parser.add_argument("--since", metavar="DAY", help="tests from this day on" + (" (default: last calibration in the records)" if name == "instrument" else ""))  # fmt: skip
        parser.add_argument("--until", metavar="DAY", help="tests up to the end of this day")
        parser.add_argument("--all-revisions", action="store_true", help="superseded revisions too")
        parser.add_argument("--json", action="store_true", help="print the complete list as JSON")
        parser.add_argument("--csv", type=Path, metavar="FILE", help="write the changed results as CSV")
        parser.add_argument(
            "--pdf", type=Path, metavar="FILE", help="write a report of its own; signed when --key is given"
        )
        parser.add_argument("--language", default="en", metavar="L")
        parser.add_argument("--paper", choices=("A4", "Letter"), default="A4")
        add_signer(parser, key_help="key file of who answers for the list")
        add_workers(parser)
        parser.set_defaults(run=run_impact, kind=name)


def run_impact(options: argparse.Namespace) -> int:
    """Exit 1 when a verdict changes, or when something is not cleared because nothing of it can be judged; else 0."""
    from diagnb.archive import open_archive
    from diagnb.impact import find_impact

    check_signer(options, needed=False)
    with (
        open_archive(options.store, moment=now()) as archive,
        chosen_workers(options) as pool,
        progress("judged again") as show,
    ):
        found = find_impact(
            archive, _change(options), window=_window(options, archive), all_revisions=options.all_revisions,
            executor=pool, progress=show,
        )  # fmt: skip
    if options.csv:
        write_new(options.csv, csv_text(found).encode("utf-8-sig"))
    if options.pdf:
        _write_pdf(options, found)
    if options.json:
        print(json.dumps(found.to_plain(), ensure_ascii=False, indent=1))
    else:
        print("\n".join(_lines(found)))
    return 1 if found.changed or found.nothing_judged or found.not_judged_again else 0


def _change(options: argparse.Namespace) -> Any:
    from diagnb import impact

    if options.kind == "instrument":
        return impact.InstrumentError(options.serial, options.gain_percent, options.offset, options.offset_unit, options.function)  # fmt: skip
    if options.kind == "limit":
        return impact.LimitChange(options.procedure, options.result, options.lower, options.upper, options.limit_unit, options.source, options.system)  # fmt: skip
    if options.kind == "rule":
        return impact.RuleChange(options.rule, options.procedure, options.result)
    if options.kind in ("procedure", "sheet"):
        try:
            plain = tomllib.loads(options.file.read_text(encoding="utf-8"))
        except (ValueError, RecursionError) as error:
            raise fault(str(options.file), f"is not TOML: {error}") from error
        return impact.ProcedureChange(plain) if options.kind == "procedure" else impact.SheetChange(plain)
    return impact.CoefficientChange(options.meter, options.percent_per_kelvin, options.function)


def _window(options: argparse.Namespace, archive: Archive) -> Any:
    from diagnb.impact import Window, last_calibration

    since, until = _day(options.since, "--since"), _day(options.until, "--until")
    if options.kind == "instrument":
        stated = _day(options.found, "--found")
        found = stated or now().date()
        since = since or dt.date.fromisoformat(last_calibration(archive, options.serial, found.isoformat()))
        # What was found that day is what it did until then; whether it was put right, nobody said.
        until = until or stated
    zone = now().tzinfo
    return Window(
        dt.datetime.combine(since, dt.time(0), zone) if since else None,
        dt.datetime.combine(until, dt.time(23, 59, 59), zone) if until else None,
    )


def _day(text: str | None, option: str) -> dt.date | None:
    if text is None:
        return None
    try:
        day = dt.date.fromisoformat(text)
    except ValueError as error:
        raise fault(option, f"{text!r} is not a day", "as in 2026-11-20") from error
    if day > now().date():
        raise fault(option, f"{text} has not come yet", f"today is {now().date()}")
    return day


def csv_text(found: Impact) -> str:
    """The changed results, one a row, as left first, figures as the report prints them; a text that a spreadsheet would
    take for a formula is made harmless. JSON has the figures unrounded."""
    from diagnb.bulk import harmless
    from diagnb.impact import ChangedResult
    from diagnb.impact.document import rounded

    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(ChangedResult._fields)
    for changed in found.changed:
        row = changed._asdict()
        for age in ("old", "new"):
            row[f"{age}_value"], row[f"{age}_expanded"] = rounded(row[f"{age}_value"], row[f"{age}_expanded"])
        numbers = {"old_value", "old_expanded", "new_value", "new_expanded"}
        writer.writerow(harmless(v) if isinstance(v, str) and k not in numbers else v for k, v in row.items())
    return stream.getvalue()


def _write_pdf(options: argparse.Namespace, found: Impact) -> None:
    from diagnb.impact import render_impact
    from diagnb.impact.document import FIELD

    moment = now()
    with signer(options, needed=False) as key:
        pdf = render_impact(
            found, moment=moment, language=options.language, paper=options.paper, **shown_signer(key, MEANING)
        )
        if key is not None:
            from diagnb.signing import certify

            pdf = certify(pdf, key=key, field=FIELD, reason=MEANING, moment=moment, timestamp_url=options.timestamp_url)
    write_new(options.pdf, pdf)


def _lines(found: Impact) -> list[str]:
    from diagnb.impact.document import (
        change_sentence,
        counts_sentences,
        impact_wording,
        moves_text,
        not_cleared_sentence,
        outcome_sentence,
    )

    wording = impact_wording("en")
    lines = [change_sentence(found, wording)]
    since, until = found.window.since, found.window.until
    if since or until:
        lines.append(f"tests from {since.date() if since else 'the beginning'} to {until.date() if until else 'now'}")
    lines += counts_sentences(found, wording)
    if found.from_documents:
        lines.append(f"{found.from_documents:,} of the tests by a full evaluation of the record (Monte Carlo, a path, a correction), the rest in bulk by the same formulas")  # fmt: skip
    lines += [f"  {phase}: {old} → {new}: {n:,}" for phase, old, new, n in found.moves]
    for r in found.reexamine[:50]:
        files = f"  ({', '.join(one_line(name) for name, _ in r.reports)})" if r.reports else ""
        lines.append(f"re-examine: claim {one_line(r.claim)}, record {r.record} revision {r.revision}: {counted(r.changed, 'verdict changes', 'verdicts change')}, {moves_text(r, wording)}{files}")  # fmt: skip
    if len(found.reexamine) > 50:
        lines.append(f"… and {len(found.reexamine) - 50:,} more; --json, --csv and --pdf list all")
    lines += [f"NOT judged again: {f}" for f in found.not_judged_again[:20]]
    if not found.changed:
        lines.append(outcome_sentence(found, wording))
    if found.not_cleared:
        lines.append(f"NOT CLEARED: {not_cleared_sentence(found, wording)}")
        lines += [f"  {wording.reason(reason)}: {n:,}" for reason, n in found.unjudged]
        named = ", ".join(f"{record} revision {revision}" for _, record, revision in found.unjudged_in[:10])
        more = len(found.unjudged_in) - 10
        lines.append(f"  in {named}{f' and {more:,} more (--json lists all)' if more > 0 else ''}")
    return lines
