"""What a report says about itself when it is not the first one: amended, void, a redacted copy."""

from __future__ import annotations

import re

from diagnb.redaction import REMOVED
from diagnb.report.blocks import Block, Cell, CellLike, Heading, Notice, Paragraph, Table
from diagnb.report.sections.matter import Matter

_LABELS = {
    "complaint": "complaint", "cause": "cause", "correction": "correction", "order.number": "order",
    "order.customer": "customer", "order.site": "site", "order.opened": "opened", "vehicle.vin": "vin",
    "vehicle.unit": "unit", "vehicle.description": "vehicle", "vehicle.model_year": "model-year",
    "vehicle.odometer": "odometer", "vehicle.odometer.value": "odometer", "vehicle.engine_hours": "engine-hours",
    "vehicle.engine_hours.value": "engine-hours", "vehicle.in_service": "in-service",
    "vehicle.system_voltage": "system-voltage", "circuit.name": "circuit", "circuit.class": "circuit-class",
    "coverage": "coverage", "conditions.ambient_degc": "ambient", "conditions.note": "note", "created": "made",
}  # fmt: skip
_ENTRIES = {
    "tests": "test", "people": "person", "instruments": "instrument",
    "attachments": "file", "procedures": "procedure", "readings": "reading", "given": "given", "limits": "limit",
    "meters": "instrument",
}  # fmt: skip
_SECTIONS = {"findings": "findings", "cautions_shown": "cautions", "parts": "parts", "codes": "codes"}
_ENTRY = re.compile(r"\.?([a-z_]+)(?:\[([^\]]*)\]|\.([^.\[]+))?")


def standing(matter: Matter) -> list[Block]:
    """One notice for each thing that sets this report apart, most important first."""
    record, wording = matter.record, matter.wording
    blocks: list[Block] = []
    replaces = record.replaces
    if replaces is not None:
        void = record.status == "void"
        key, title = ("text.void", "page.void-watermark") if void else ("text.replaces", "page.amended-title")
        said = wording.say(key, revision=replaces.revision, digest=replaces.digest, reason=replaces.reason)
        blocks.append(Notice(wording.say(title), said))
    redaction = record.redaction
    if redaction is not None:
        said = wording.say(
            "text.redacted", digest=redaction.of, count=len(redaction.removed), mark=REMOVED, head=redaction.head
        )
        listed = wording.say("text.redacted-fields", fields=wording.listing(sorted(redaction.removed)))
        blocks.append(Notice(wording.say("page.redacted-title"), f"{said}\n{matter.short(listed, 1500)}"))
    return blocks


def changes(matter: Matter) -> list[Block]:
    """The difference from the replaced report, place by place."""
    record, wording = matter.record, matter.wording
    if record.replaces is None or not record.replaces.changes:
        return []
    rows: list[tuple[CellLike, ...]] = [
        (
            Cell(place_in_words(matter, change.where), detail=change.where),
            matter.short(change.before, 430) or f"– ({wording.say('text.change-added')})",
            matter.short(change.after, 430) or f"– ({wording.say('text.change-removed')})",
        )
        for change in record.replaces.changes
    ]
    kept, left = matter.rows(rows)
    head = tuple(wording.say(f"label.{key}") for key in ("place", "before", "after"))
    return [
        Heading(2, wording.say("section.changes")),
        Table(head, kept, (33, 41, 41), (), left),
        Paragraph(wording.say("text.changes-note"), small=True),
    ]


def place_in_words(matter: Matter, where: str) -> str:
    """The place of a change with the reader's own labels as far as there are some."""
    say = matter.wording.say
    if where in _LABELS:
        return say(f"label.{_LABELS[where]}")
    words = []
    for name, key, member in _ENTRY.findall(where):
        entry = key or (member if name in ("given", "procedures", "meters") else "")
        if name in _SECTIONS:
            entry = str(int(entry) + 1) if entry.isdecimal() else entry  # people count from 1
            words.append(f"{say(f'section.{_SECTIONS[name]}')} {entry}".strip())
        elif name in _ENTRIES:
            words.append(f"{say(f'label.{_ENTRIES[name]}')} {entry}".strip())
    return ", ".join(words) or where
