"""What a claim for a kind of part is asked for: the tests that prove the cause is not upstream, and a photo.

The kinds are data (``templates/readiness/parts.toml``, schema ``diagnb-evidence/1``); a fleet's policy may hold more.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from diagnb.evaluation import Evaluation
from diagnb.readiness.remark import Remark, Severity
from diagnb.record import Record
from diagnb.shipped import templates_directory

SCHEMA = "diagnb-evidence/1"
_Text = Annotated[str, StringConstraints(min_length=3, max_length=500)]
_Word = Annotated[str, StringConstraints(min_length=2, max_length=60)]


class PartEvidence(BaseModel):
    """One kind of part: the words that name it, and lists of procedures, each met by any one of them."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    kind: _Word
    words: Annotated[list[_Word], Field(min_length=1)]
    tests: Annotated[list[Annotated[list[str], Field(min_length=1)]], Field(min_length=1)]
    message: _Text
    repair: _Text
    severity: Severity = "weakens"

    def names(self, description: str) -> bool:
        """Whether ``description`` holds one of the words as a word of its own."""
        return any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", description, re.IGNORECASE) for word in self.words)


@lru_cache(maxsize=1)
def shipped_evidence() -> tuple[PartEvidence, ...]:
    """The kinds that ship with the package."""
    path = templates_directory() / "readiness" / "parts.toml"
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    if document.get("schema") != SCHEMA:
        raise ValueError(f"{path.name} is not {SCHEMA}")
    return tuple(PartEvidence.model_validate(entry) for entry in document["part"])


def part_evidence(record: Record, kinds: Sequence[PartEvidence]) -> Iterable[Remark]:
    """A part of a kind is claimed without the tests that claims for it are asked for."""
    done = {t.procedure for t in record.tests if t.taken and t.phase in ("as found", "isolating")}
    for i, part in enumerate(record.parts):
        if not part.causal or part.action != "removed":
            continue
        for kind in kinds:
            if kind.names(part.description) and not all(done & set(group) for group in kind.tests):
                yield Remark("evidence-for-part", kind.severity, f"parts[{i}]", kind.message, kind.repair)


def photo_of_part(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A part is claimed, and no photo shows it in place: wear, damage or water can't be told from a fault."""
    causal = [i for i, part in enumerate(record.parts) if part.causal]
    if causal and not any(a.media_type.lower().startswith("image/") for a in record.attachments):
        yield Remark(
            "no-photo", "note", f"parts[{causal[0]}]", "no photo shows the causal part as it was found",
            "attach a photo of the part in place, with its connector and its label",
        )  # fmt: skip
