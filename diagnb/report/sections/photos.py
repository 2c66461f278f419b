"""Photos, two in a row, each with what it shows and both of its hashes."""

from __future__ import annotations

from diagnb.report.blocks import Block, Heading, Paragraph, PhotoFrame
from diagnb.report.photos import photos_of
from diagnb.report.sections.matter import Matter


def photos(matter: Matter) -> list[Block]:
    wording = matter.wording
    frames: list[Block] = []
    for number, attachment in enumerate(photos_of(matter.record), 1):
        photo = matter.pictures.get(attachment.name)
        if photo is None:
            continue
        shows = matter.short(attachment.shows, 300)
        alt = wording.say("text.photo-alt", name=attachment.name, shows=shows or wording.say("text.no-statement"))
        caption = wording.say("text.photo-caption", number=number, name=attachment.name, shows=shows).strip()
        digests = wording.say("text.photo-digests", original=attachment.sha256, stored=photo.sha256)
        frames.append(PhotoFrame(photo.jpeg, photo.width, photo.height, photo.grey, alt, caption, digests))
    if not frames:
        return []
    note = Paragraph(wording.say("text.photo-note"), small=True)
    return [Heading(2, wording.say("section.photos")), *frames, note]
