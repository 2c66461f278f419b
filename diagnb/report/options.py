"""What a report looks like apart from what it says; travels in the file, so that it can be drawn again."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.report.blocks import Point

SCHEMA = "diagnb-rendering/1"
_MOST_STROKES, _MOST_POINTS = 400, 5000
_MOST_TEXT = 500
_MOST_BYTES = 400_000
_MOST_PHOTOS = 60
_MOST_REVIEWERS = 8
_HEX = re.compile(r"[0-9a-f]{64}")
_KEYS = {
    "schema",
    "language",
    "paper",
    "moment",
    "watermark",
    "log_head",
    "technician",
    "strokes",
    "salt",
    "photos",
    "reviewers",
    "original_reviewed",
}

_NO_WORDS = {"schema", "moment", "strokes", "photos", "reviewers", "original_reviewed"}


@dataclass(frozen=True, slots=True)
class Options:
    """Everything besides record and evaluation that decides the bytes of a report.

    `moment` (with zone, whole seconds) is the only time. `technician` is the id of a person of the record. `strokes` is the technician's drawn signature: polylines of (x, y), y downwards, in any scale.
    `log_head` is the head of the shop's audit log. `watermark` None means: by the record. `salt` (64 hexadecimal
    digits) is the secret of the digest list that redacted copies rest on; without it there is none. `photos` are the
    pictures that the report shows: (name of the attachment, SHA-256 of the picture as attached). `reviewers` is the
    number of places for countersignatures, which have to be there from the start. `original_reviewed` says on a
    redacted copy that its original carried a trusted countersignature; the name does not stand in it.
    """

    moment: datetime
    language: str = "en"
    paper: str = "A4"
    watermark: str | None = None
    log_head: str = ""
    technician: str = ""
    strokes: tuple[tuple[Point, ...], ...] = ()
    salt: str = field(default="", repr=False)
    photos: tuple[tuple[str, str], ...] = ()
    reviewers: int = 1
    original_reviewed: bool = False

    def __post_init__(self) -> None:
        faults = []
        if self.moment.utcoffset() is None:
            faults.append(Fault("moment", "has no time zone", "give it one, for example UTC"))
        if self.paper not in ("A4", "Letter"):
            faults.append(Fault("paper", f"{self.paper!r} is not known", "use A4 or Letter"))
        for name in ("language", "log_head", "technician"):
            if len(getattr(self, name)) > _MOST_TEXT:
                faults.append(Fault(name, f"is longer than {_MOST_TEXT} characters"))
        if self.watermark is not None and len(self.watermark) > _MOST_TEXT:
            faults.append(Fault("watermark", f"is longer than {_MOST_TEXT} characters"))
        if len(self.strokes) > _MOST_STROKES or sum(map(len, self.strokes)) > _MOST_POINTS:
            faults.append(
                Fault("strokes", f"has over {_MOST_STROKES} strokes or {_MOST_POINTS} points", "draw it again")
            )
        if not all(math.isfinite(c) and abs(c) < 1e6 for stroke in self.strokes for p in stroke for c in p):
            faults.append(Fault("strokes", "holds a point that is not on the pad", "draw it again"))
        if self.salt and not _HEX.fullmatch(self.salt):
            faults.append(Fault("salt", "is not 64 hexadecimal digits"))
        if len(self.photos) > _MOST_PHOTOS or len({name for name, _ in self.photos}) < len(self.photos):
            faults.append(Fault("photos", f"are more than {_MOST_PHOTOS}, or one stands twice"))
        if not all(len(name) <= 100 and _HEX.fullmatch(digest) for name, digest in self.photos):
            faults.append(Fault("photos", "have a name or a SHA-256 that can't be right"))
        if not 1 <= self.reviewers <= _MOST_REVIEWERS:
            faults.append(Fault("reviewers", f"are {self.reviewers}", f"use 1 to {_MOST_REVIEWERS}"))
        if faults:
            raise InputFault(faults)
        object.__setattr__(self, "moment", self.moment.replace(microsecond=0))
        rounded = tuple(tuple((round(float(x), 3), round(float(y), 3)) for x, y in stroke) for stroke in self.strokes)
        object.__setattr__(self, "strokes", rounded)

    def to_json(self) -> str:
        """One line of JSON with sorted keys; `read_options` turns it back."""
        plain: dict[str, Any] = {
            "schema": SCHEMA,
            "moment": self.moment.isoformat(),
            "language": self.language,
            "paper": self.paper,
            "watermark": self.watermark,
            "log_head": self.log_head,
            "technician": self.technician,
            "salt": self.salt,
            "reviewers": self.reviewers if self.reviewers != 1 else None,
            "original_reviewed": self.original_reviewed or None,
            "photos": [[name, digest] for name, digest in self.photos],
            "strokes": [[[x, y] for x, y in stroke] for stroke in self.strokes],
        }
        return json.dumps({k: v for k, v in plain.items() if v not in (None, "", [])}, sort_keys=True)


def read_options(text: str) -> Options:
    """The options that `to_json` wrote. InputFault when the text is anything else."""
    if len(text) > _MOST_BYTES:
        raise fault("rendering", "is larger than options can be")
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise fault("rendering", "is not JSON") from error
    if not isinstance(plain, Mapping) or plain.get("schema") != SCHEMA:
        raise fault("rendering", f"is not of schema {SCHEMA}", "it may come from a newer version")
    unknown = sorted(set(plain) - _KEYS)
    if unknown:
        raise InputFault([Fault(f"rendering.{key}", "is an unknown key") for key in unknown])
    words = {key: plain[key] for key in _KEYS - _NO_WORDS if key in plain}
    if not all(isinstance(value, str) for value in words.values()):
        raise fault("rendering", "holds something that is not text")
    try:
        moment = datetime.fromisoformat(plain["moment"])
        strokes = tuple(tuple((float(x), float(y)) for x, y in stroke) for stroke in plain.get("strokes", []))
        photos = tuple((name, digest) for name, digest in plain.get("photos", []))
    except (KeyError, TypeError, ValueError) as error:
        raise fault("rendering", "has a moment or strokes that can't be read") from error
    if not all(isinstance(part, str) for photo in photos for part in photo):
        raise fault("rendering.photos", "holds something that is not text")
    reviewers = plain.get("reviewers", 1)
    if type(reviewers) is not int:
        raise fault("rendering.reviewers", "is not a whole number")
    reviewed = plain.get("original_reviewed", False)
    if type(reviewed) is not bool:
        raise fault("rendering.original_reviewed", "is neither true nor false")
    return Options(
        moment=moment, strokes=strokes, photos=photos, reviewers=reviewers, original_reviewed=reviewed, **words
    )
