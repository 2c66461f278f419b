"""The last page: cautions, attachments, signatures, and how anybody can check the report."""

from __future__ import annotations

from diagnb.procedures import caution_texts
from diagnb.record.document import Person
from diagnb.report.blocks import (
    Block,
    Cell,
    CellLike,
    EndMark,
    Heading,
    KeyValues,
    Paragraph,
    QrCode,
    SignatureField,
    Table,
)
from diagnb.report.sections.matter import Matter

TECHNICIAN, REVIEWER = "Technician", "Reviewer"


def cautions(matter: Matter) -> list[Block]:
    wording = matter.wording
    shown = matter.record.cautions_shown
    if not shown:
        return []
    texts = caution_texts(matter.options.language)
    rows: list[tuple[CellLike, ...]] = [
        (
            Cell(caution.id, strong=True),
            matter.short(texts.get(caution.id, ""), 600),
            Cell(matter.person(caution.to), detail=wording.minute(caution.time)),
        )
        for caution in shown
    ]
    kept, left = matter.rows(rows)
    head = (wording.say("text.caution-heading"), wording.say("label.description"), wording.say("label.person"))
    return [
        Heading(2, wording.say("section.cautions")),
        Paragraph(wording.say("text.caution-deferral")),
        Table(head, kept, (10, 80, 25), (), left),
    ]


def attachments(matter: Matter) -> list[Block]:
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = [
        (Cell(a.name, strong=True), a.shows, a.media_type, f"{a.size} B", Cell(a.sha256, mono=True))
        for a in matter.record.attachments
    ]
    if not rows:
        return []
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{key}") for key in ("file", "description", "kind", "size", "digest"))
    return [Heading(2, wording.say("section.attachments")), Table(head, kept, (22, 25, 15, 12, 41), (), left)]


def signatures(matter: Matter) -> list[Block]:
    """Who did what, and the places for signatures."""
    wording = matter.wording
    rows: list[tuple[CellLike, ...]] = []
    for person in matter.record.people:
        tests = [t.id for t in matter.record.tests if t.by == person.id]
        rows.append((Cell(person.name, strong=True), person.role, person.qualification, ", ".join(tests[:40]) or "–"))
    columns = ("name", "role", "qualification", "test")
    head = tuple(wording.say(f"label.{key}") for key in columns)
    kept, left = matter.rows(rows)
    who = technician(matter)
    lines: tuple[str, ...] = ()
    label = wording.say("text.technician")
    if matter.record.redaction is not None:
        label = wording.say("text.redaction-issuer")
        lines = (matter.identity(), wording.moment(matter.options.moment), wording.say("text.meaning-redacted"))
    elif who is not None:
        moment = wording.moment(matter.options.moment)
        meaning = "text.meaning-void" if matter.record.status == "void" else "text.meaning-technician"
        lines = (who.name, who.role, moment, wording.say(meaning))
    blocks: list[Block] = [
        Heading(2, wording.say("section.signatures")),
        SignatureField(
            TECHNICIAN,
            label,
            lines,
            matter.options.strokes,
            wording.say("text.certification-note-copy" if matter.record.redaction else "text.certification-note"),
        ),
        *(_place(matter, number) for number in range(1, matter.options.reviewers + 1)),
    ]
    if kept:
        blocks.append(Table(head, kept, (28, 25, 40, 22), (), left))
    return blocks


def _place(matter: Matter, number: int) -> SignatureField:
    """A place for a countersignature: Reviewer, Reviewer2, … What it says stays true when it is signed later."""
    wording = matter.wording
    copy = matter.record.redaction is not None
    label, name = wording.say("text.reviewer-of-copy" if copy else "text.reviewer"), REVIEWER
    if number > 1:
        label, name = f"{label} {number}", f"{name}{number}"
    key = "original-reviewed" if copy else "not-reviewed"
    lines = wording.say(f"text.{key}"), wording.say(f"text.{key}-when", moment=wording.moment(matter.options.moment))
    # a copy says nothing of a review that its original did not carry
    shown = () if copy and not matter.options.original_reviewed else lines
    return SignatureField(name, label, shown, (), wording.say("text.countersignature-note"))


def technician(matter: Matter) -> Person | None:
    """The person named in the options; otherwise whoever carried out the last test."""
    record = matter.record
    wanted = matter.options.technician or (record.tests[-1].by if record.tests else "")
    return next((p for p in record.people if p.id == wanted), None)


def proof(matter: Matter) -> list[Block]:
    wording, digest = matter.wording, matter.digest
    blocks: list[Block] = [
        Heading(2, wording.say("section.proof")),
        QrCode(
            f"urn:sha256:{digest}",
            wording.say("text.qr-alt", digest=digest),
            (
                Cell(matter.identity(), strong=True),
                wording.say("text.qr-label"),
                Cell(digest, mono=True),
                matter.labelled("rendered", wording.moment(matter.options.moment)),
                Cell(wording.say("text.verify-run"), strong=True),
                wording.say("text.verify-questions"),
            ),
        ),
        Paragraph(f"{wording.say('text.verify-attached')} {wording.say('text.scope')}", small=True),
    ]
    heads = [("log-head", matter.options.log_head), ("digest-list", matter.digest_head)]
    rows = tuple((wording.say(f"label.{key}"), text) for key, text in heads if text)
    if rows:
        blocks.append(KeyValues(rows, mono=True))
    if matter.digest_head and matter.record.redaction is None:
        blocks.append(Paragraph(wording.say("text.digest-list-note"), small=True))
    blocks.append(EndMark(wording.say("page.end", identity=matter.record.id)))
    return blocks
