"""Reports that lie together: which one replaces which, which record was declared void, which stands in several files.

Only a report that proves itself can say that another one no longer counts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

from diagnb.proof.verification import State, Verification

_MOST_NAMED = 5


def connect(found: Sequence[Verification]) -> list[Verification]:
    """The same verifications in the same order, each with what the others say about its record.

    A later report names the record that it replaces by its SHA-256; a void notice speaks for its whole record, found
    by those hashes and by the record's name under the same issuer of keys.
    """
    groups = _Groups(found)
    return [_connected(v, groups) for v in found]


class _Groups:
    def __init__(self, found: Sequence[Verification]) -> None:
        self.by_digest: dict[str, list[Verification]] = defaultdict(list)
        self.by_revision: dict[tuple[str, str, int], list[Verification]] = defaultdict(list)
        self.later: dict[str, list[Verification]] = defaultdict(list)
        self.claimed: dict[str, list[Verification]] = defaultdict(list)
        self.void_digests: dict[str, list[Verification]] = defaultdict(list)
        self.void_records: dict[tuple[str, str], list[Verification]] = defaultdict(list)
        for v in found:
            if not v.digest:
                continue
            self.by_digest[v.digest].append(v)
            self.by_revision[*_record(v), v.revision].append(v)
            if v.replaces:
                (self.later if _proves(v) and not v.original else self.claimed)[v.replaces].append(v)
        for notice in (v for v in found if v.trustworthy and v.status == "void" and not v.original):
            self.void_records[_record(notice)].append(notice)
            named, seen = notice.replaces, set[str]()
            while named and named not in seen:
                seen.add(named)
                self.void_digests[named].append(notice)
                named = next((v.replaces for v in self.by_digest[named]), "") if named in self.by_digest else ""


def _proves(v: Verification) -> bool:
    """Whether it proves itself, void or not: what it said about another report stands."""
    return not set(v.reasons) - {"void"}


def _record(v: Verification) -> tuple[str, str]:
    return v.record_id, v.signatures[0].issuer if v.signatures else ""


def _same_shop(a: Verification, b: Verification) -> bool:
    """Whether both were first signed under one issuer of keys: only that shop can take its own report back."""
    return _record(a)[1] == _record(b)[1]


def _connected(v: Verification, groups: _Groups) -> Verification:
    if not v.digest:
        return v
    own = [d for d in (v.digest, v.original) if d]
    relations: list[str] = []
    state: State = v.state
    every = [each for d in own for each in groups.later.get(d, ()) if each.status != "void"]
    later = [each for each in every if _same_shop(each, v)]
    if later:
        relations.append(
            f"superseded by {_names(v, later, len(later))} (revision {max(each.revision for each in later)})"
        )
        state = "superseded" if state != "void" else state
    notices = [] if v.status == "void" else _void(v, own, groups)
    if notices:
        relations.insert(0, f"declared void by {_names(v, notices, len(notices))}")
        state = "void"
    foreign = [each for each in every if not _same_shop(each, v)]
    foreign += [n for d in own for n in groups.void_digests.get(d, ()) if v.status != "void" and not _same_shop(n, v)]
    if foreign:
        relations.append(
            f"{_names(v, foreign, len(foreign))} says that this report no longer counts, but was signed under the keys of"
            " another shop: it changes nothing here; ask the shop of this report"
        )
    unproved = [each for d in own for each in groups.claimed.get(d, ()) if not each.original]
    if unproved:
        relations.append(
            f"{_names(v, unproved, len(unproved))} says that it replaces this report, but does not prove itself"
        )
    same = groups.by_digest[v.digest]
    if len(same) > 1:
        relations.append(f"the same record stands in {_names(v, (e for e in same if e is not v), len(same) - 1)} too")
    twins = () if v.original else (e for e in groups.by_revision[*_record(v), v.revision] if e.digest != v.digest)
    other = list(islice((e for e in twins if not e.original), _MOST_NAMED))
    if other:
        relations.append(f"{_names(v, other)} has the same record and revision with OTHER content")
    reasons = v.reasons if not notices or "void" in v.reasons else (*v.reasons, "void")
    notes = v.notes if not later or "superseded" in v.notes else (*v.notes, "superseded")
    return replace(
        v,
        state=state,
        relations=tuple(relations),
        reasons=reasons,
        notes=notes,
        trustworthy=v.trustworthy and not notices,
    )


def _void(v: Verification, own: Sequence[str], groups: _Groups) -> list[Verification]:
    by_hash = [each for d in own for each in groups.void_digests.get(d, ()) if _same_shop(each, v)]
    return by_hash or [each for each in groups.void_records.get(_record(v), ()) if each.revision > v.revision]


def _names(v: Verification, found: Iterable[Verification], count: int = 0) -> str:
    """Some of the files by name, those in other folders than `v` with their folder, and how many more there are."""
    beside = Path(v.file).parent
    some = list(islice(found, _MOST_NAMED))
    paths = [Path(each.file) for each in some]
    names = list(dict.fromkeys(p.name if p.parent == beside else str(p) for p in paths))
    more = count - len(some)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")
