"""The same job handed in twice: what a pile of claims shows that none of them shows alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from diagnb.readiness.remark import Remark, Severity
from diagnb.record import Record, digest

_LEAST_ALIKE = 4
"""Readings that two records must share before their likeness is no chance."""


def doubles(claims: Sequence[tuple[str, Record | None]]) -> Iterator[tuple[Remark, ...]]:
    """For each claim, a file's name and its record, the remarks on what an earlier one of them holds too.

    Another content under one id, the same readings, order, part or photo under another id. The same record in two files
    (an original and its countersigned copy) is one claim, and so are its revisions; copies and void notices are none.
    """
    first: dict[tuple[str, str], tuple[str, Record]] = {}
    for name, record in claims:
        if record is None or record.redaction is not None or record.status == "void":
            yield ()
        else:
            yield tuple(_against(first, name, record))


def _against(first: dict[tuple[str, str], tuple[str, Record]], name: str, record: Record) -> Iterator[Remark]:
    own = digest(record)
    for key, code, severity, said in _traces_of(record):
        earlier, other = first.setdefault((code, key), (name, record))
        if other is record:
            continue
        if digest(other) == own:
            yield Remark("record-twice", "note", name, f"{earlier} holds the same record", "one claim")
            return
        if (other.id == record.id) == (code == "record-twice"):
            yield Remark(code, severity, name, f"{earlier} {said}", "claim a repair once")


def _traces_of(record: Record) -> Iterable[tuple[str, str, Severity, str]]:
    """What two claims must not share: key, code, severity and how it is said of the earlier one; the gravest first."""
    yield (
        f"{record.id} {record.revision}",
        "record-twice",
        "rejects",
        "holds another content under the same id and revision",
    )
    tests = [(t.procedure, t.phase, [r.texts for r in t.taken]) for t in record.tests if t.taken]
    if tests:
        times = [t.time for t in record.tests]
        yield repr((tests, times)), "readings-twice", "rejects", "holds the same readings, taken at the same times"
        if sum(len(texts) for *_, texts in tests) >= _LEAST_ALIKE:
            yield (
                repr(tests),
                "readings-alike",
                "weakens",
                "holds the same readings, digit by digit, of another time or vehicle",
            )
    vehicle = record.vehicle.vin or record.vehicle.unit
    order = " ".join(record.order.number.split()).casefold()
    if order:
        yield f"{order} {vehicle}", "order-twice", "weakens", "is another record of the same repair order and vehicle"
    for part in record.parts:
        if part.causal and vehicle and part.description.strip():
            what = " ".join(part.description.split()).casefold()
            yield (
                f"{vehicle} {what}",
                "part-twice",
                "weakens",
                f"claims the same part of the same vehicle: {part.description}",
            )
    for photo in record.attachments:
        if photo.media_type.startswith("image/"):
            yield photo.sha256, "photo-twice", "weakens", f"carries the same photo: {photo.name}"
