"""``diagnb fleet report`` and ``recompute``: a question about a recurring failure, answered in a PDF of its own."""

from __future__ import annotations

import argparse
import datetime as dt
import json
from pathlib import Path
from typing import Any

from diagnb.cli.files import lay_beside, now, trust_for, trust_line, trust_path, write_new
from diagnb.cli.signers import add_signer, check_signer, shown_signer, signer
from diagnb.errors import Fault, InputFault, fault
from diagnb.quantities.counting import counted

MEANING = "I answer for this report on a recurring failure"


def add_report(actions: Any) -> None:
    """Add the two actions to those of ``diagnb fleet``."""
    parser = actions.add_parser("report", help="question, data, method, finding and caveats as a PDF of its own")
    parser.add_argument("file", type=Path, metavar="FILE", help="results, one a row: .csv, .parquet, or a folder of Parquet files")  # fmt: skip
    parser.add_argument("--vehicles", type=Path, required=True, metavar="FILE", help="vehicles under watch: asset, watched_from, watched_to, in_service, lot")  # fmt: skip
    parser.add_argument("--question", required=True, metavar="TEXT", help="what is asked, in a sentence")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.pdf")
    parser.add_argument("--component", default="", help="one component; all together where left out")
    parser.add_argument("--rule", default="guarded-95", choices=("guarded-95", "guarded-U", "simple", "as-stored"),
                        help="judge all history again under this rule (as-stored: don't)")  # fmt: skip
    parser.add_argument("--date", default="", metavar="DAY", help="did the change on this day help? 2026-03-31")
    parser.add_argument("--settling", type=float, default=3.0, metavar="MONTHS", help="months after it that are left out (default 3)")  # fmt: skip
    parser.add_argument(
        "--baseline",
        type=int,
        metavar="N",
        help="the first N months say what is usual (default: those before --date, or the first half in whole years)",
    )
    parser.add_argument("--without-instrument", action="append", default=[], metavar="SERIAL", help="leave out what this instrument took part in; may stand several times")  # fmt: skip
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    add_signer(parser, key_help="key file of who answers for the report")
    parser.set_defaults(run=run_report)
    again = actions.add_parser("recompute", help="answer the question of a report again from the tables inside it")
    again.add_argument("file", type=Path, metavar="FILE.pdf")
    again.add_argument("--trust", type=Path, metavar="FILE", help="the shop's trust list (default: as for diagnb verify)")  # fmt: skip
    again.set_defaults(run=run_recompute)


def run_report(options: argparse.Namespace) -> int:
    """Write the report; exit 1 when the tables had faults, which it lists."""
    from diagnb.fleet.columns import table_file
    from diagnb.recurring import FIELD, Question, Source, answer, findings, render_study

    check_signer(options, needed=False)
    question = Question(
        options.question, options.component, options.rule, options.date, options.settling, options.baseline,
        tuple(options.without_instrument),
    )  # fmt: skip
    tables = [Source(*table_file(path)) for path in (options.file, options.vehicles)]
    if tables[0].name == tables[1].name:
        raise fault("--vehicles", f"has the name of the results, {tables[0].name}", "give the files different names")
    study = answer(question, results=tables[0], vehicles=tables[1])
    moment = now()
    with signer(options, needed=False) as key:
        pdf = render_study(study, moment=moment, paper=options.paper, **shown_signer(key, MEANING))
        if key is not None:
            from diagnb.signing import certify

            pdf = certify(pdf, key=key, field=FIELD, reason=MEANING, moment=moment, timestamp_url=options.timestamp_url)
    write_new(options.output, pdf)
    print("\n".join(findings(study)))
    print(
        f"{counted(study.rows_in, 'result')} in, {study.rows_used:,} used, {study.rows_in - study.rows_used:,} set aside"
    )
    for name, why in study.refusals:
        print(f"refused: {name}: {why}")
    print(options.output)
    return int(bool(study.faults))


def run_recompute(options: argparse.Namespace) -> int:
    """Say whether the signature holds and whether every number comes out again; exit 1 when one does not.

    A trust list that only lay beside the report makes nobody trusted, as for ``diagnb verify``.
    """
    from diagnb.signing import REASONS, TrustList

    beside = lay_beside(trust_path(options.file, options.trust), options.trust)
    trust = TrustList(()) if beside else trust_for(options.file, options.trust)
    status, faults = check_report(options.file, trust=trust, moment=now())
    print(trust_line(options.file, options.trust).strip())
    for s in status.signatures:
        print(
            f"signature: {s.signer}: {'intact' if s.intact else 'NOT INTACT'}, {'trusted' if s.trusted else 'NOT TRUSTED'}"
        )
    for reason in status.reasons:
        print(f"signature: {REASONS[reason]} [{reason}]")
    for one in faults:
        print(f"number: {one}")
    if not faults:
        print("every number comes out again from the tables inside")
    return int(bool(faults or status.reasons))


def check_report(path: Path, *, trust: Any, moment: dt.datetime) -> tuple[Any, tuple[Fault, ...]]:
    """Status of the signatures, and the numbers that do not come out again."""
    from diagnb.recurring import FIELD, recompute
    from diagnb.recurring.document import DATA, MOST_BYTES
    from diagnb.signing import embedded_files, verify_signatures

    try:
        pdf = path.read_bytes()
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror}") from error
    try:
        status = verify_signatures(pdf, trust=trust, moment=moment, expected_fields=(FIELD,))
        # What was signed, not what may have been put behind it.
        inside = {
            name: found.data for name, found in embedded_files(status.signed_bytes or pdf, limit=4 * MOST_BYTES).items()
        }
    except InputFault as error:
        what = "; ".join(one.what for one in error.faults)
        raise fault(
            str(path), what, "it is no PDF, or was damaged or cut short: take the file as it was handed over"
        ) from error
    if DATA not in inside:
        raise fault(str(path), f"holds no {DATA}", "this is no report on a recurring failure")
    try:
        study = json.loads(inside[DATA])
    except (ValueError, RecursionError):
        study = None
    if not isinstance(study, dict):
        raise InputFault([Fault(DATA, "is not a JSON object")])
    return status, recompute(study, inside)
