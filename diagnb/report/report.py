"""One record into one report file."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING

import rfc8785

from diagnb.errors import Fault, InputFault, fault
from diagnb.evaluation import Evaluation
from diagnb.record import Record, canonical_bytes, digest
from diagnb.redaction import DigestList, digest_list
from diagnb.report.blocks import Point
from diagnb.report.compose import compose
from diagnb.report.options import Options
from diagnb.report.photos import Photo, embedded_names, photos_of, read_photo
from diagnb.report.sections.opening import title_key
from diagnb.report.wording import load_wording

if TYPE_CHECKING:
    from diagnb.report.pdf import Attachment


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
    salt: str = "",
    photos: Mapping[str, bytes] | None = None,
    reviewers: int = 1,
    original_reviewed: bool = False,
    draft: bool = False,
) -> bytes:
    """The report of `record` as a tagged PDF/A-3b file, unsigned, with empty signature fields.

    Record and evaluation travel inside as `record.json` and `evaluation.json` (RFC 8785). `moment` is when the
    report is made and, with the technician's name, what the technician's field shows; it needs a zone.
    `technician` is the id of a person of the record (by default who carried out the last test), `strokes` a drawn
    signature. A demonstration record is watermarked as such unless `watermark` says otherwise ("" for none on
    other records; a demonstration always has one). `log_head` is printed as it is. With a `salt` (64 hexadecimal
    digits of chance) the list of salted field hashes travels along as `digests.json`, so that redacted copies can be
    made. `photos` are prepared pictures by the name of their attachment (:func:`diagnb.report.prepare_photos`).
    `reviewers` is the number of places for countersignatures (fields Reviewer, Reviewer2, …); with
    `original_reviewed` a redacted copy says that its original was countersigned. A `draft` is only checked:
    it raises what rendering would raise, and is empty. Raises InputFault listing what does not fit.
    """
    options = Options(
        moment=moment,
        language=language,
        paper=paper,
        watermark=watermark,
        technician=technician,
        strokes=strokes,
        log_head=log_head,
        salt=salt,
        photos=tuple((name, hashlib.sha256(data).hexdigest()) for name, data in sorted((photos or {}).items())),
        reviewers=reviewers,
        original_reviewed=original_reviewed,
    )
    drawn = _prepared(record, evaluation, options, photos or {})
    return b"" if draft else drawn()


def render_with(
    record: Record, evaluation: Evaluation, options: Options, *, photos: Mapping[str, bytes] | None = None
) -> bytes:
    """The report that these options describe; with options and pictures read from a report, its unsigned bytes again."""
    return _prepared(record, evaluation, options, photos or {})()


def _prepared(
    record: Record, evaluation: Evaluation, options: Options, photos: Mapping[str, bytes]
) -> Callable[[], bytes]:
    """Everything that can be wrong is looked at; what is returned only draws."""
    from diagnb.report.pdf import Attachment, PageLines, render_document

    found = digest(record)
    if (evaluation.record, evaluation.revision, evaluation.record_digest) != (record.id, record.revision, found):
        raise fault("evaluation", "belongs to another record or revision", "evaluate this record again")
    if options.technician and options.technician not in {p.id for p in record.people}:
        raise fault("technician", f"nobody called {options.technician!r} is among the people of the record")
    wording = load_wording(options.language)
    pictures = _pictures(record, options, photos)
    digests = digest_list(record, options.salt) if options.salt and record.redaction is None else None
    head = record.redaction.head if record.redaction else digests.head if digests else ""
    blocks = compose(record, evaluation, wording, options, digest_head=head, pictures=pictures)
    identity = record.id
    heading = wording.say(title_key(record))
    title = f"{heading} {identity}"
    marks = [wording.say("page.void-watermark")] if record.status == "void" else []
    marks += [options.watermark or wording.say("page.watermark")] if options.watermark or record.demonstration else []
    watermark = " · ".join(marks)
    author = next((p.name for p in record.people if p.id == options.technician), "")
    if not author and record.tests:
        author = record.person(record.tests[-1].by).name
    return partial(
        render_document,
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
            *_further(record, digests, pictures),
        ),
        custom_metadata={
            "recordRevision": str(record.revision),
            "rendering": options.to_json(),
            **({"digestListHead": head} if head else {}),
        },
        page_lines=PageLines(
            record=wording.say("page.record", identity=identity, revision=record.revision),
            title=heading,
            digest=wording.say("page.digest", digest=found),
            page=wording.say("page.number", page="{page}", pages="{pages}"),
        ),
        watermark=watermark,
    )


def _pictures(record: Record, options: Options, photos: Mapping[str, bytes]) -> dict[str, Photo]:
    """The pictures that the options name, each checked against its hash there."""
    listed = {a.name for a in photos_of(record)}
    faults: list[Fault] = []
    found: dict[str, Photo] = {}
    for name, wanted in options.photos:
        if name not in listed:
            faults.append(Fault(f"photos.{name}", "is not among the photos of the record", "list it as an attachment"))
        elif name not in photos or hashlib.sha256(photos[name]).hexdigest() != wanted:
            faults.append(Fault(f"photos.{name}", "is missing, or is not the picture that the report names"))
        else:
            try:
                found[name] = read_photo(photos[name], where=f"photos.{name}")
            except InputFault as error:
                faults.extend(error.faults)
    if faults:
        raise InputFault(faults)
    return found


def _further(record: Record, digests: DigestList | None, pictures: Mapping[str, Photo]) -> list[Attachment]:
    """Digest list and pictures as files of the report."""
    from diagnb.report.pdf import Attachment

    files = []
    if digests is not None:
        data = rfc8785.dumps(digests.to_plain())
        files.append(
            Attachment(
                "digests.json", data, relationship="Supplement", description="Salted hash of each field of the record"
            )
        )
    names, shows = embedded_names(record), {a.name: a.shows for a in record.attachments}
    for name, photo in pictures.items():
        files.append(
            Attachment(
                names[name], photo.jpeg, media_type="image/jpeg", relationship="Supplement",
                description=shows[name] or name,
            )
        )  # fmt: skip
    return files
