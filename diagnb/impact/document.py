"""An impact as a tagged PDF of its own: what changed, what follows, which reports to re-examine; ready to be signed.

The complete list travels inside as ``impact.json`` (RFC 8785). Every sentence comes from ``templates/impact``.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from functools import cache
from itertools import groupby
from operator import itemgetter

import rfc8785

from diagnb.errors import InputFault
from diagnb.impact.answer import ChangedResult, Impact, Reexamine
from diagnb.impact.change import InstrumentError, LimitChange, ProcedureChange, RuleChange, SheetChange
from diagnb.quantities import significant, value_with_uncertainty
from diagnb.report.blocks import Block, Cell, EndMark, Heading, KeyValues, Notice, Paragraph, SignatureField, Table
from diagnb.report.wording import Wording, compare_wording, load_wording, parse_wording
from diagnb.shipped import templates_directory

FIELD = "Engineer"
"""Name of the signature field."""
_MOST_REPORTS, _MOST_RESULTS = 500, 200


def render_impact(
    impact: Impact,
    *,
    moment: dt.datetime,
    language: str = "en",
    paper: str = "A4",
    signer: str = "",
    role: str = "",
    meaning: str = "",
) -> bytes:
    """The impact as an unsigned PDF with one signature field, :data:`FIELD`.

    ``moment`` (with zone) is when it was made; the field shows ``signer``, ``role``, it and ``meaning``, and nothing
    without a signer. Raises :class:`~diagnb.errors.InputFault` for an unknown language or paper.
    """
    from diagnb.report.pdf import Attachment, PageLines, render_document

    wording = impact_wording(language)
    data = rfc8785.dumps(impact.to_plain())
    digest = hashlib.sha256(data).hexdigest()
    identity = f"impact-{digest[:12]}"
    shown = wording.signer(name=signer, role=role, moment=moment, meaning=meaning) if signer else ()
    blocks = tuple(_blocks(impact, wording, moment, identity, shown))
    title = wording.say("impact.title")
    return render_document(
        blocks,
        title=f"{title} {identity}",
        subject=wording.say("impact.subject"),
        language=language,
        paper="Letter" if paper == "Letter" else "A4",
        moment=moment.replace(microsecond=0),
        identity=identity,
        digest=digest,
        attachments=(
            Attachment("impact.json", data, relationship="Data", description=wording.say("impact.attached")),
        ),
        page_lines=PageLines(
            record=identity, title=title, digest=wording.say("impact.digest", digest=digest),
            page=wording.say("page.number", page="{page}", pages="{pages}"),
        ),
    )  # fmt: skip


@cache
def impact_wording(language: str) -> Wording:
    """The sentences of the report with those of the impact. Raises :class:`InputFault` listing what does not fit."""
    base = load_wording(language)
    place = templates_directory() / "impact"
    own = parse_wording((place / f"{language}.toml").read_bytes(), where=f"impact/{language}.toml")
    english = parse_wording((place / "en.toml").read_bytes(), where="impact/en.toml")
    faults = compare_wording(own, english, where=f"impact/{language}.toml")
    if faults:
        raise InputFault(faults)
    return Wording(language, {**base.sentences, **own})


def _blocks(
    impact: Impact, wording: Wording, moment: dt.datetime, identity: str, signer: tuple[str, ...]
) -> Iterator[Block]:
    say = wording.say
    yield Heading(1, say("impact.title"))
    cleared = (not_cleared_sentence(impact, wording),) if impact.not_cleared else ()
    yield Notice(outcome_sentence(impact, wording), " ".join((*cleared, *counts_sentences(impact, wording))))
    yield Heading(2, say("impact.question"))
    yield Paragraph(change_sentence(impact, wording), strong=True)
    since, until = impact.window.since, impact.window.until
    if since or until:
        yield Paragraph(
            say("impact.window", since=wording.minute(since) if since else say("impact.open-start"),
                until=wording.minute(until) if until else say("impact.open-end"))
        )  # fmt: skip
    yield KeyValues(((say("impact.made"), wording.moment(moment)), (say("impact.archive"), impact.head)), mono=True)
    if impact.transitions:
        yield Heading(2, say("impact.verdicts"))
        yield Table(
            (say("impact.before"), say("impact.after"), say("impact.count")),
            tuple(
                (wording.verdict(old), Cell(wording.verdict(new), strong=old != new), f"{n:,}")
                for old, new, n in impact.transitions
            ),
            (3, 3, 2), ("left", "left", "right"),
        )  # fmt: skip
    if impact.moves:
        yield Heading(2, say("impact.moves"))
        yield Table(
            (say("impact.phase"), say("impact.before"), say("impact.after"), say("impact.count")),
            tuple(
                (_phase(phase, wording), wording.verdict(old), Cell(wording.verdict(new), strong=True), f"{n:,}")
                for phase, old, new, n in impact.moves
            ),
            (2, 3, 3, 2), ("left", "left", "left", "right"),
        )  # fmt: skip
    yield from _lists(impact, wording)
    yield Heading(2, say("impact.method"))
    yield Paragraph(say("impact.method-text", documents=f"{impact.from_documents:,}"))
    if isinstance(impact.change, InstrumentError):
        yield Paragraph(say("impact.method-instrument"))
    if isinstance(impact.change, LimitChange):
        yield Paragraph(say("impact.method-limits"))
    yield Paragraph(say("impact.caveat"))
    yield SignatureField(FIELD, say("impact.sign"), signer)
    yield EndMark(say("page.end", identity=identity))


def _lists(impact: Impact, wording: Wording) -> Iterator[Block]:
    say = wording.say
    if impact.reexamine:
        yield Heading(2, say("impact.reexamine"))
        shown = impact.reexamine[:_MOST_REPORTS]
        yield Table(
            tuple(say(f"impact.{name}") for name in ("claim", "record", "changed", "changed-as-left", "into-fail", "out-of-fail", "files")),
            tuple(
                (r.claim, Cell(f"{r.record}, {r.revision}", mono=True), Cell(str(r.changed), detail=moves_text(r, wording)), str(r.as_left), str(r.into_fail), str(r.out_of_fail),
                 Cell("; ".join(name for name, _ in r.reports) or "-", detail=" ".join(sha[:16] for _, sha in r.reports)))
                for r in shown
            ),
            (3, 4, 4, 2, 2, 2, 3), ("left", "left", "left", "right", "right", "right", "left"),
            _more(len(impact.reexamine) - len(shown), wording),
        )  # fmt: skip
        yield Heading(2, say("impact.details"))
        results = impact.changed[:_MOST_RESULTS]
        yield Table(
            tuple(say(f"impact.{name}") for name in ("claim", "result", "was", "now")),
            tuple(
                (
                    Cell(c.claim, detail=f"{c.record}, {c.revision}"), Cell(c.title, detail=f"{_phase(c.phase, wording)}, {c.test}: {_title(impact, c.procedure)}"),
                    Cell(wording.verdict(c.old_verdict), detail=_quantity(c.old_value, c.old_expanded, c, wording)),
                    Cell(wording.verdict(c.new_verdict), strong=True, detail=_quantity(c.new_value, c.new_expanded, c, wording)),
                )
                for c in results
            ),
            (3, 4, 4, 4), (), _more(len(impact.changed) - len(results), wording),
        )  # fmt: skip
    if impact.unjudged:
        yield Heading(2, say("impact.not-cleared"))
        yield Paragraph(not_cleared_sentence(impact, wording))
        reasons = tuple((wording.reason(reason), f"{n:,}") for reason, n in impact.unjudged)
        yield Table((say("impact.why"), say("impact.count")), reasons, (6, 2), ("left", "right"))
        unclear = impact.unjudged_in[:_MOST_RESULTS]
        yield Paragraph(f"{say('impact.not-cleared-in')}: {'; '.join(f'{c}, {r}, {n}' for c, r, n in unclear)}")
        for line in _more(len(impact.unjudged_in) - len(unclear), wording):
            yield Paragraph(line)
    if impact.not_judged_again:
        yield Heading(2, say("impact.not-again"))
        shown_faults = impact.not_judged_again[:_MOST_RESULTS]
        yield KeyValues(tuple((f.where, f.what) for f in shown_faults))
        for line in _more(len(impact.not_judged_again) - len(shown_faults), wording):
            yield Paragraph(line)


def moves_text(found: Reexamine, wording: Wording) -> str:
    """Every phase and pair of verdicts with its count: ``as left: pass → fail: 2; as found: pass → fail: 1``."""
    return "; ".join(
        f"{_phase(phase, wording)}: "
        + ", ".join(f"{wording.say(_verdict(old))} → {wording.say(_verdict(new))}: {n}" for _, old, new, n in moves)
        for phase, moves in groupby(found.moves, key=itemgetter(0))
    )


def _phase(phase: str, wording: Wording) -> str:
    return wording.say("phase." + phase.replace(" ", "-"))


def _title(impact: Impact, key: str) -> str:
    """What the archive's sheets call it; where they don't know it, its id."""
    return dict(impact.titles).get(key, key.rpartition("/")[2].removeprefix("meter "))


def _verdict(word: str) -> str:
    return "verdict." + word.replace(" ", "-")


def _more(count: int, wording: Wording) -> tuple[str, ...]:
    return (wording.say("impact.more", count=f"{count:,}"),) if count > 0 else ()


def _quantity(value: float | None, expanded: float | None, of: ChangedResult, wording: Wording) -> str:
    if value is None or not expanded:
        return ""
    shown, spread = (wording.number(text) for text in rounded(value, expanded))
    return f"{shown} ± {spread}{'' if of.unit == '1' else ' ' + of.unit}"


def rounded(value: float | None, expanded: float | None) -> tuple[str, str]:
    """A value and its expanded uncertainty with the digits that the report prints; "" where there is none."""
    if value is None:
        return "", ""
    return value_with_uncertainty(value, expanded) if expanded else (significant(value), "")


def outcome_sentence(impact: Impact, wording: Wording) -> str:
    """What follows, in one line: never that nothing changes where nothing could be judged."""
    if impact.changed:
        counts = {"reports": f"{len(impact.reexamine):,}", "changed": f"{len(impact.changed):,}"}
        return wording.say("impact.outcome-some", **counts)
    if impact.nothing_judged:
        return wording.say("impact.outcome-nothing")
    if impact.not_cleared or impact.not_judged_again:
        return wording.say("impact.outcome-not-cleared")
    if impact.results:
        return wording.say("impact.outcome-none")
    return wording.say("impact.outcome-unlimited" if impact.concerned else "impact.outcome-empty")


def counts_sentences(impact: Impact, wording: Wording) -> tuple[str, ...]:
    """How much was judged again, how much of it moves, and how much asks for no verdict."""
    said = [wording.say("impact.outcome-text", results=f"{impact.results:,}", tests=f"{impact.tests:,}")]
    if not isinstance(impact.change, LimitChange | RuleChange):
        said.append(wording.say("impact.outcome-moved", moved=f"{impact.moved:,}"))
    if impact.not_asked:
        said.append(wording.say("impact.outcome-not-asked", count=f"{impact.not_asked:,}"))
    return tuple(said)


def not_cleared_sentence(impact: Impact, wording: Wording) -> str:
    """How many results can't be judged, and are therefore not cleared."""
    return wording.say("impact.not-cleared-text", count=f"{impact.not_cleared:,}", all=f"{impact.to_judge:,}")


def change_sentence(impact: Impact, wording: Wording) -> str:
    """What changed, in one sentence."""
    say, change = wording.say, impact.change
    if isinstance(change, InstrumentError):
        said = []
        if change.gain_percent:
            said.append(say("impact.deviation-gain", percent=_signed(change.gain_percent, wording)))
        if change.offset:
            said.append(say("impact.deviation-offset", offset=_signed(change.offset, wording), unit=change.offset_unit))
        function = change.function or say("impact.every-function")
        return say("impact.instrument", serial=change.serial, deviation=", ".join(said), function=function)
    if isinstance(change, LimitChange):
        unit = "" if change.unit == "1" else change.unit
        lower, upper = (None if v is None else wording.number(v) for v in (change.lower, change.upper))
        if lower is not None and upper is not None:
            limit = say("impact.limit-between", lower=lower, upper=upper, unit=unit)
        elif lower is not None:
            limit = say("impact.limit-at-least", lower=lower, unit=unit)
        else:
            limit = say("impact.limit-at-most", upper=upper, unit=unit)
        system = (
            say("impact.system-one", voltage=change.system_voltage)
            if change.system_voltage
            else say("impact.system-all")
        )
        return say("impact.limit", result=_title(impact, f"{change.procedure}/{change.result}"), procedure=_title(impact, change.procedure), limit=" ".join(filter(None, limit.split(" "))), source=change.source, system=system)  # fmt: skip
    if isinstance(change, RuleChange):
        keys = ([change.procedure] if change.procedure else []) + ([f"{change.procedure}/{change.result}"] if change.result else [])  # fmt: skip
        where = ", ".join(_title(impact, key) for key in keys) or say("impact.everywhere")
        return say("impact.rule", rule=say(f"rule.{change.rule}") if wording.has(f"rule.{change.rule}") else change.rule, where=where)  # fmt: skip
    if isinstance(change, ProcedureChange):
        return say(
            "impact.procedure", procedure=_title(impact, change.document["id"]), version=change.document["version"]
        )
    meter = _title(impact, f"meter {change.meter}")
    if isinstance(change, SheetChange):
        version = str(change.document.get("version", ""))
        return (
            say("impact.sheet-version", meter=meter, version=version) if version else say("impact.sheet", meter=meter)
        )
    percent = wording.number(f"{change.percent_per_kelvin:g}")
    return say("impact.coefficient", meter=meter, percent=percent, function=change.function or say("impact.every-function"))  # fmt: skip


def _signed(value: float, wording: Wording) -> str:
    return ("+" if value > 0 else "") + wording.number(f"{value:g}")
