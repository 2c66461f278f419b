"""A fleet's own policy on top of the shipped rules. Schema ``diagnb-policy/1``, TOML.

A policy changes severities, sets the number of days after which a record is late, names places of the record that
must not be empty and tests that a claim for a kind of part is asked for. It adds to the shipped rules and can't
silence one without saying why.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from diagnb.errors import Fault, InputFault, fault
from diagnb.readiness.evidence import PartEvidence
from diagnb.readiness.remark import Remark, Severity
from diagnb.record import Record, plain
from diagnb.record.document import Record as _Record

SCHEMA = "diagnb-policy/1"
_Code = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{2,60}$")]
_Path = Annotated[str, StringConstraints(pattern=r"^[a-z_]+(\[\])?(\.[a-z_]+(\[\])?)*$")]
_Text = Annotated[str, StringConstraints(min_length=3, max_length=500)]


class _Plain(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Require(_Plain):
    """A place that must not be empty: ``order.customer``, or ``tests[].conditions_met`` for every test."""

    path: _Path
    code: _Code
    message: _Text
    repair: _Text
    severity: Literal["rejects", "weakens", "note"] = "rejects"


class Change(_Plain):
    """Another severity for one code, or ``off``, with the reason why."""

    severity: Literal["rejects", "weakens", "note", "off"]
    why: _Text


class Policy(_Plain):
    """A checked policy."""

    schema_: Annotated[Literal["diagnb-policy/1"], Field(alias="schema")]
    title: _Text
    days_until_late: Annotated[int, Field(ge=1, le=365)] = 14
    change: dict[_Code, Change] = {}
    require: list[Require] = []
    part: list[PartEvidence] = []
    """Further kinds of parts and the tests that a claim for one is asked for."""


DEFAULT = Policy.model_validate({"schema": SCHEMA, "title": "shipped rules"})


@dataclass(frozen=True, slots=True)
class _Place:
    where: str
    value: Any


def load_policy(source: str | Path) -> Policy:
    """A policy from a TOML file. Raises :class:`~diagnb.errors.InputFault` with every fault and its path."""
    path = Path(source)
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise fault(str(path), f"can't be read: {error.strerror or error}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise fault(str(path), f"is not TOML: {error}") from error
    return read_policy(document, path.name)


def read_policy(document: Mapping[str, Any], where: str = "policy") -> Policy:
    """Check a plain policy. Raises :class:`InputFault` with every fault, unknown places of the record included."""
    if document.get("schema") != SCHEMA:
        newer = str(document.get("schema")).startswith("diagnb-policy/")
        raise fault(
            f"{where}.schema",
            f"{document.get('schema')!r} is not {SCHEMA}",
            "it was made by a newer version" if newer else "start the file with it",
        )
    try:
        policy = Policy.model_validate(dict(document))
    except ValidationError as error:
        raise InputFault(
            Fault(f"{where}." + ".".join(str(step) for step in e["loc"]), str(e["msg"]).lower())
            for e in error.errors(include_url=False)
        ) from error
    faults = [
        Fault(f"{where}.require.{i}.path", f"{entry.path} is not a place of the record", "see diagnb schema record")
        for i, entry in enumerate(policy.require)
        if not _exists(entry.path)
    ]
    if faults:
        raise InputFault(faults)
    return policy


def _exists(path: str) -> bool:
    model: Any = _Record
    for step in path.split("."):
        fields = getattr(model, "model_fields", None)
        name = step.removesuffix("[]")
        by_alias = {f.alias or n: f for n, f in (fields or {}).items()}
        if name not in by_alias:
            return False
        model = _model_in(by_alias[name].annotation)
    return True


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None


def apply(policy: Policy, record: Record, remarks: Iterable[Remark]) -> tuple[Remark, ...]:
    """The remarks under this policy: severities changed, remarks taken off, its own requirements added."""
    kept = []
    for remark in remarks:
        change = policy.change.get(remark.code)
        if change is None:
            kept.append(remark)
        elif change.severity != "off":
            severity: Severity = change.severity
            kept.append(Remark(remark.code, severity, remark.where, remark.message, remark.repair))
    document = plain(record)
    for entry in policy.require:
        for place in _places(document, entry.path.split("."), ""):
            if place.value in (None, "", [], {}):
                kept.append(Remark(entry.code, entry.severity, place.where, entry.message, entry.repair))
    return tuple(kept)


def _places(value: Any, steps: list[str], where: str) -> Iterable[_Place]:
    if not steps:
        yield _Place(where.lstrip("."), value)
        return
    name = steps[0].removesuffix("[]")
    inner = value.get(name) if isinstance(value, Mapping) else None
    if steps[0].endswith("[]"):
        for i, item in enumerate(inner or []):
            yield from _places(item, steps[1:], f"{where}.{name}[{i}]")
    elif inner is None:
        yield _Place(f"{where}.{name}".lstrip("."), None)
    else:
        yield from _places(inner, steps[1:], f"{where}.{name}")
