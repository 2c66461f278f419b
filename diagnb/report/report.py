"""One record into one report file."""

from __future__ import annotations

from datetime import datetime

import rfc8785

from diagnb.errors import fault
from diagnb.evaluation import Evaluation
from diagnb.record import Record, canonical_bytes, digest
from diagnb.report.blocks import Point
from diagnb.report.compose import compose
from diagnb.report.options import Options
from diagnb.report.wording import load_wording


def render_report(
    record: Record,
    evaluation: Evaluation,
    *,
    moment: datetime,
    language: str = "en",
    paper: str = "A4",
    watermark: str | None = None,
    technician: str = "",
    strokes: tuple[tuple[Point, ...], ...] = (),
    log_head: str = "",
) -> bytes:
    """The report of `record` as a tagged PDF/A-3b file, unsigned, with empty signature fields.

    Record and evaluation travel inside as `record.json` and `evaluation.json` (RFC 8785). `moment` is when the
    report is made and, with the technician's name, what the technician's field shows; it needs a zone.
    `technician` is the id of a person of the record (by default who carried out the last test), `strokes` a drawn
    signature. A demonstration record is watermarked as such unless `watermark` says otherwise ("" for none on
    other records; a demonstration always has one). Raises InputFault listing what does not fit.
    """
    options = Options(
        moment=moment,
        language=language,
        paper=paper,
        watermark=watermark,
        technician=technician,
        strokes=strokes,
        log_head=log_head,
    )
    return render_with(record, evaluation, options)


def render_with(record: Record, evaluation: Evaluation, options: Options) -> bytes:
    """The report that these options describe; with the options read from a report, its unsigned bytes again."""
    from diagnb.report.pdf import Attachment, PageLines, render_document

    found = digest(record)
    if (evaluation.record, evaluation.revision, evaluation.record_digest) != (record.id, record.revision, found):
        raise fault("evaluation", "belongs to another record or revision", "evaluate this record again")
    if options.technician and options.technician not in {p.id for p in record.people}:
        raise fault("technician", f"nobody called {options.technician!r} is among the people of the record")
    wording = load_wording(options.language)
    blocks = compose(record, evaluation, wording, options)
    identity = record.id
    title = f"{wording.say('page.amended-title' if record.replaces else 'page.title')} {identity}"
    watermark = options.watermark or (wording.say("page.watermark") if record.demonstration else "")
    author = next((p.name for p in record.people if p.id == options.technician), "")
    if not author and record.tests:
        author = record.person(record.tests[-1].by).name
    return render_document(
        blocks,
        title=title,
        subject=wording.say("page.subject"),
        author=author,
        language=options.language,
        paper="Letter" if options.paper == "Letter" else "A4",
        moment=options.moment,
        identity=identity,
        digest=found,
        attachments=(
            Attachment(
                "record.json",
                canonical_bytes(record),
                relationship="Source",
                description="The record from which this report was made, RFC 8785",
            ),
            Attachment(
                "evaluation.json",
                rfc8785.dumps(evaluation.to_plain()),
                relationship="Data",
                description="Derived values, uncertainties and verdicts, RFC 8785",
            ),
        ),
        custom_metadata={"recordRevision": str(record.revision), "rendering": options.to_json()},
        page_lines=PageLines(
            record=wording.say("page.record", identity=identity, revision=record.revision),
            title=wording.say("page.amended-title" if record.replaces else "page.title"),
            digest=wording.say("page.digest", digest=found),
            page=wording.say("page.number", page="{page}", pages="{pages}"),
        ),
        watermark=watermark,
    )
