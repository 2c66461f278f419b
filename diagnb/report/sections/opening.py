"""The first half page: which vehicle, under which coverage, what came out, and the three statements."""

from __future__ import annotations

from diagnb.evaluation import repair_of
from diagnb.record.document import Quantity, Record
from diagnb.report.blocks import Block, Heading, KeyValues, Notice, Paragraph
from diagnb.report.sections.amendment import standing
from diagnb.report.sections.matter import NB, Matter, judged, one_line

_MOST_LINES = 12
_MOST_NAMED = 4
_ORDER = ("fail", "conditional fail", "not judged", "conditional pass", "pass")


def title_key(record: Record) -> str:
    """The key of the report's title: void before redacted before amended."""
    if record.status == "void":
        return "page.void-title"
    if record.redaction is not None:
        return "page.redacted-title"
    return "page.amended-title" if record.replaces else "page.title"


def opening(matter: Matter) -> list[Block]:
    record, wording = matter.record, matter.wording
    blocks: list[Block] = [Heading(1, wording.say(title_key(record))), *standing(matter)]
    rows = [(wording.say(f"label.{key}"), one_line(value)) for key, value in _identity(matter) if value]
    blocks.append(KeyValues(tuple(rows), 2))
    cover = coverage_line(matter)
    if cover:
        blocks.append(KeyValues(((wording.say("label.coverage"), one_line(cover)),)))
    if record.demonstration:
        blocks.append(Paragraph(wording.say("text.demonstration"), strong=True))
    if record.status == "void":
        heading = f"{wording.say('section.outcome')}: {wording.say('page.void-watermark')}"
        blocks.append(Notice(heading, wording.say("text.void-outcome")))
    else:
        blocks.append(Notice(wording.say("section.outcome"), "\n".join((*repair(matter), *outcome(matter)))))
    return blocks


def statements(matter: Matter) -> list[Block]:
    wording, record = matter.wording, matter.record
    missing = wording.say("text.no-statement")
    said = (("complaint", record.complaint), ("cause", record.cause), ("correction", record.correction))
    rows = tuple((wording.say(f"label.{key}"), matter.short(text.strip() or missing)) for key, text in said)
    return [Heading(2, wording.say("section.statements")), KeyValues(rows)]


def repair(matter: Matter) -> list[str]:
    """Whether the record shows that the repair worked; nothing where no value failed as found."""
    wording, found = matter.wording, repair_of(matter.record, matter.evaluation)
    if not found.failed:
        return []
    if found.shown:
        key = "repair-shown" if found.failed > 1 else "repair-shown-one"
        return [wording.say(f"text.{key}", count=found.failed)]
    left = [result.title for _, result in found.not_passed]
    left += [wording.say("text.repair-not-repeated", title=result.title) for _, result in found.not_repeated]
    named = wording.listing(left[:_MOST_NAMED]) + (" …" if len(left) > _MOST_NAMED else "")
    return [wording.say("text.repair-not-shown", open=len(left), failed=found.failed, names=named)]


def outcome(matter: Matter) -> list[str]:
    """One line for each judged quantity: its verdict in each phase, worst quantities first."""
    wording = matter.wording
    found: dict[tuple[str, str], list[tuple[str, str]]] = {}
    titles: dict[tuple[str, str], str] = {}
    for test, results in matter.pairs():
        for result in results.results:
            if not judged(result):
                continue
            key = (test.procedure, result.name)
            titles[key] = result.title
            found.setdefault(key, []).append((test.phase, result.verdict.verdict))
    if not found:
        return [wording.say("text.outcome-none")]
    ordered = sorted(found, key=lambda key: min(_ORDER.index(verdict) for _, verdict in found[key]))
    lines: dict[str, list[str]] = {}
    for key in ordered:
        said = [
            wording.say("text.outcome-phase", phase=matter.phase(phase), verdict=wording.verdict(verdict))
            for phase, verdict in found[key]
        ]
        # Past a dozen quantities those with the same verdicts share a line, so that all of them stand in the box.
        same = wording.listing(said)
        lines.setdefault(same if len(ordered) > _MOST_LINES else f"{key} {same}", [same]).append(titles[key])
    return [
        wording.say("text.outcome-line", title="; ".join(dict.fromkeys(named)), verdicts=same)
        for same, *named in lines.values()
    ]


def coverage_line(matter: Matter) -> str:
    wording, cover = matter.wording, matter.record.coverage
    if cover is None:
        return ""
    parts = [cover.policy]
    if cover.begins:
        parts.append(wording.say("text.coverage-from", day=wording.day(cover.begins)))
    if cover.ends:
        parts.append(wording.say("text.coverage-to", day=wording.day(cover.ends)))
    if cover.distance_limit:
        parts.append(wording.say("text.coverage-up-to", distance=_quantity(matter, cover.distance_limit)))
    return wording.listing(parts)


def _identity(matter: Matter) -> list[tuple[str, str]]:
    record, wording = matter.record, matter.wording
    vehicle, order = record.vehicle, record.order
    return [
        ("record", matter.identity()),
        ("order", order.number),
        ("unit", vehicle.unit),
        ("vin", vehicle.vin),
        ("vehicle", vehicle.description),
        ("model-year", str(vehicle.model_year or "")),
        ("in-service", wording.day(vehicle.in_service) if vehicle.in_service else ""),
        ("odometer", _quantity(matter, vehicle.odometer)),
        ("engine-hours", _quantity(matter, vehicle.engine_hours)),
        ("system-voltage", f"{vehicle.system_voltage}{NB}V"),
        ("circuit", record.circuit.name),
        ("circuit-class", wording.say("class." + record.circuit.circuit_class.replace(" ", "-"))),
        ("site", order.site),
        ("customer", order.customer),
        ("opened", wording.moment(order.opened)),
        ("made", wording.moment(record.created)),
        ("measured-by", _people(record, {test.by for test in record.tests})),
        ("named-reviewer", _people(record, {p.id for p in record.people if p.role == "reviewer"})),
    ]


def _people(record: Record, chosen: set[str]) -> str:
    return ", ".join(person.name for person in record.people if person.id in chosen and person.name)


def _quantity(matter: Matter, quantity: Quantity | None) -> str:
    return "" if quantity is None else f"{matter.wording.grouped(quantity.value)}{NB}{quantity.unit}"
