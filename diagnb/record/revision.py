"""A correction is a new revision: what changed, why, and which one it replaces. Nothing is written over."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

import rfc8785

from diagnb.errors import Fault, InputFault
from diagnb.record.canonical import digest, plain
from diagnb.record.document import Change, Record
from diagnb.record.door import procedure_of, read_record

MOST_CHANGES = 500
MOST_TEXT = 400
_FRAME = {"schema", "revision", "replaces", "redaction"}
_SHEETS = ("meters", "procedures")
_KEYS = ("id", "name", "result")
_ABSENT = object()


def amend(old: Record, new: Record, *, reason: str) -> Record:
    """``new`` as the revision that replaces ``old``, with the reason and the list of what changed.

    Revision and ``replaces`` of ``new`` itself are not looked at. Raises :class:`InputFault` where ``new`` is
    another record or changes nothing, ``reason`` is missing, or ``old`` is void or a redacted copy.
    """
    faults = _may_be_replaced(old, reason)
    if new.id != old.id:
        faults.append(Fault("id", f"{new.id} is another record than {old.id}", "an amendment keeps the record's id"))
    if new.redaction is not None:
        faults.append(Fault("redaction", "an amendment is made from the whole record", "amend the original"))
    changes = differences(old, new)
    if not faults and not changes:
        faults.append(Fault("record", "nothing differs from the report that it replaces", "there is nothing to amend"))
    if faults:
        raise InputFault(faults)
    return _next(old, plain(new), reason, changes, status=new.status)


def void(old: Record, *, reason: str) -> Record:
    """The revision that makes ``old`` void. It keeps everything; only its status says that nothing rests on it."""
    faults = _may_be_replaced(old, reason)
    if faults:
        raise InputFault(faults)
    return _next(old, plain(old), reason, (), status="void")


def differences(old: Record, new: Record, *, as_json: bool = False) -> tuple[Change, ...]:
    """Where two records differ, by place, values as text of at most 400 characters; at most 500 places.

    Entries of lists are told apart by their id or name where they have one, so that an added test is one change. It is
    written in words, its readings first; ``as_json`` writes whole entries as earlier versions did.
    Accuracy sheets and procedures are compared as wholes and shown by their SHA-256.
    """

    def said(record: Record, where: str, value: Any) -> str:
        return "" if value is _ABSENT else _text(value if as_json else in_words(record, where, value))

    found = [
        Change(where=where[:300], before=said(old, where, before), after=said(new, where, after))
        for where, before, after in _differences(_bare(plain(old)), _bare(plain(new)), "")
    ]
    if len(found) > MOST_CHANGES:
        rest = len(found) - MOST_CHANGES + 1
        found = [*found[: MOST_CHANGES - 1], Change(where="…", after=f"{rest} further changes")]
    return tuple(found)


def _may_be_replaced(old: Record, reason: str) -> list[Fault]:
    faults = []
    if not reason.strip() or len(reason) > 500:
        faults.append(Fault("reason", "is missing or longer than 500 characters", "say why in a sentence"))
    if old.status == "void":
        faults.append(Fault("record", "is void already", "start a new record"))
    if old.redaction is not None:
        faults.append(Fault("record", "is a redacted copy", "take the original report"))
    return faults


def _next(old: Record, document: dict[str, Any], reason: str, changes: tuple[Change, ...], *, status: str) -> Record:
    document = {key: value for key, value in document.items() if key not in ("replaces", "status")}
    replaces: dict[str, Any] = {"revision": old.revision, "digest": digest(old), "reason": reason.strip()}
    if changes:
        replaces["changes"] = [change.model_dump(exclude_defaults=True) for change in changes]
    document |= {"revision": old.revision + 1, "replaces": replaces}
    if status:
        document["status"] = status
    return read_record(document)


def _bare(document: Mapping[str, Any]) -> dict[str, Any]:
    bare = {key: value for key, value in document.items() if key not in _FRAME}
    for key in _SHEETS:
        if key in bare:
            bare[key] = {name: _sheet(sheet) for name, sheet in bare[key].items()}
    return bare


def _sheet(sheet: Any) -> str:
    return f"SHA-256 {hashlib.sha256(rfc8785.dumps(sheet)).hexdigest()}"


def in_words(record: Record, where: str, value: Any) -> Any:
    """A whole entry that stands at ``where`` in a record, as a line of text; texts and numbers stay what they are."""
    if isinstance(value, Mapping):
        return _test(record, value) if re.fullmatch(r"tests\[.*\]", where) else _listed(value)
    return _said(value) if isinstance(value, list | bool) else value


def _test(record: Record, test: Mapping[str, Any]) -> str:
    readings = [
        f"{_name(r['name'])} {', '.join(r['texts'])}" if len(test["readings"]) > 1 else ", ".join(r["texts"])
        for r in test.get("readings", ())
    ]
    title = procedure_of(record, test["procedure"]).title
    used = dict.fromkeys(r["instrument"] for r in test.get("readings", ()))
    rest = {key: value for key, value in test.items() if key not in ("id", "procedure", "phase", "readings")}
    parts = [f"{title}, {test['phase']}", "; ".join(readings), ", ".join(used) and f"instrument {', '.join(used)}"]
    head, *more = (part for part in (*parts, _listed(rest)) if part)
    return f"{head}: {'; '.join(more)}"


def _listed(entry: Mapping[str, Any]) -> str:
    return "; ".join(f"{_name(key)} {_said(value)}" for key, value in entry.items() if value not in ("", [], {}, None))


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return f"({_listed(value)})"
    return ", ".join(map(_said, value)) if isinstance(value, list) else str(value)


def _name(key: str) -> str:
    return key.replace("_", " ")


def _differences(old: Any, new: Any, where: str) -> Iterator[tuple[str, Any, Any]]:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in [*old, *(k for k in new if k not in old)]:
            place = where + key if key.startswith("[") and where else f"{where}.{key}".lstrip(".")
            if key not in new:
                yield place, old[key], _ABSENT
            elif key not in old:
                yield place, _ABSENT, new[key]
            else:
                yield from _differences(old[key], new[key], place)
    elif isinstance(old, list) and isinstance(new, list):
        names, others = _named(old), _named(new)
        if names is not None and others is not None:
            yield from _differences(names, others, where)
        else:
            for index in range(max(len(old), len(new))):
                place = f"{where}[{index}]"
                if index >= len(new):
                    yield place, old[index], _ABSENT
                elif index >= len(old):
                    yield place, _ABSENT, new[index]
                else:
                    yield from _differences(old[index], new[index], place)
    elif old != new or type(old) is not type(new):
        yield where, old, new


def _named(entries: list[Any]) -> dict[str, Any] | None:
    """Entries of a list by their id or name; None where they have none or one stands twice."""
    for key in _KEYS:
        if entries and all(isinstance(e, Mapping) and isinstance(e.get(key), str) for e in entries):
            found = {f"[{e[key]}]": e for e in entries}
            return found if len(found) == len(entries) else None
    return {} if not entries else None


def _text(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    text = text or '""'
    return text if len(text) <= MOST_TEXT else f"{text[:MOST_TEXT]} … ({len(text)} characters)"
