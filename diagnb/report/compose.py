"""Record and evaluation into page-free blocks, in the order of an adjuster's eyes."""

from __future__ import annotations

from collections.abc import Mapping

from diagnb.evaluation import Evaluation
from diagnb.record import Record, digest
from diagnb.report.blocks import Block
from diagnb.report.options import Options
from diagnb.report.photos import Photo
from diagnb.report.sections import (
    amendment,
    basis,
    calculation,
    closing,
    comparison,
    evidence,
    opening,
    pairs,
    photos,
    profile,
    traces,
)
from diagnb.report.sections.matter import Matter
from diagnb.report.wording import Wording

_SECTIONS = (
    opening.opening,
    amendment.changes,
    opening.statements,
    comparison.compared,
    pairs.pairs,
    comparison.findings,
    profile.profile,
    comparison.pictures,
    evidence.codes,
    evidence.parts,
    evidence.instruments,
    evidence.conditions,
    evidence.readings,
    traces.traces,
    basis.specifications,
    calculation.derived,
    basis.constants,
    calculation.budget,
    calculation.limits,
    calculation.advice,
    calculation.remarks,
    closing.cautions,
    closing.attachments,
    photos.photos,
    closing.signatures,
    closing.proof,
)


def compose(
    record: Record,
    evaluation: Evaluation,
    wording: Wording,
    options: Options,
    *,
    digest_head: str = "",
    pictures: Mapping[str, Photo] | None = None,
) -> tuple[Block, ...]:
    """The whole report as blocks. Pure: no clock, no file besides the shipped cautions.

    Contents follow ISO/IEC 17025:2017, 7.8.2 and 7.8.3. Nothing is calculated here: numbers come from the
    evaluation and are only rounded and put into words.
    """
    matter = Matter(record, evaluation, wording, options, digest(record), digest_head, pictures or {})
    blocks: list[Block] = []
    for section in _SECTIONS:
        blocks.extend(section(matter))
    return tuple(blocks)
