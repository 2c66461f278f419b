"""The path of a test in the shape of the record: nodes, what lies between them, load current, source read again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.forms.entries import Entries, as_displayed, instrument_for, is_source, read_indications, split_repeats
from diagnb.forms.fields import Field, read_decimal, read_quantity, read_text
from diagnb.forms.path_nodes import REFERENCE, node_ids, node_name, reading_specs
from diagnb.procedures import Procedure, ReadingSpec
from diagnb.quantities import unit


def read_size(text: str) -> dict[str, str]:
    """The size of a wire: an area in mm², or an American gauge as "12 AWG" or "AWG 12"."""
    gauge = re.fullmatch(r"(?i)(?:awg\s*)?(\d{1,2}|[1-4]/0|0{1,4})(?:\s*awg)?", text.strip())
    if gauge and "awg" in text.lower():
        return {"awg": gauge.group(1)}
    area = read_decimal("mm²")(re.sub(r"(?i)(?:sq\s*mm|mm\^?2|mm²|qmm)\s*$", "", text.strip()).strip() or text)
    if float(area) <= 0:
        raise fault("", "is not above zero", "for example 4 mm², or 12 AWG")
    return {"area_mm2": area}


def read_length(text: str) -> str:
    """A length as decimal text in metres."""
    try:
        found = read_quantity("m")(text)
    except InputFault as error:
        raise fault("", "is no length", "give it in metres, for example 1.2 m") from error
    return str(found["value"]) if found["unit"] == "m" else f"{float(found['value']) * unit(found['unit']).factor:.6g}"


SIZE = Field("size", "Wire size", hint="4 mm², or 12 AWG", read=read_size)
LENGTH = Field("length", "Length", hint="m", read=read_length, keyboard="decimal")
TEMPERATURE = Field("degc", "Wire temperature", hint="°C; else ambient", read=read_decimal("°C"), keyboard="decimal")
LIMIT = Field("limit", "Own limit", hint="V", read=read_quantity("V"), keyboard="decimal")
SOURCE = Field("limit_source", "Its source", hint="document, page")


def path_of(entries: Entries, test: str, procedure: Procedure, place: str) -> dict[str, Any]:
    """The ``path`` of a test as a plain mapping; faults and keys go to ``entries``."""
    base = f"tests.{test}.path"
    entries.keys[place] = f"{base}.reference"
    made: dict[str, Any] = {"reference_point": read_text(entries.text(f"{base}.reference")) or REFERENCE}
    load = read_text(entries.text(f"{base}.load_state"))
    if load:
        made["load_state"] = load
    specs = {spec.name: spec for spec in reading_specs(entries.values, test, procedure)}
    for name in ("current", "source_voltage"):
        taken = _taken(entries, test, specs[name]) if name in specs else None
        if taken:
            entries.keys[f"{place}.{name}"] = f"tests.{test}.readings.{name}"
            start, _, end = specs[name].points.partition(" to ")
            points = {key: text for key, text in (("from_point", start), ("to_point", end)) if text}
            made[name] = {"name": name, **taken, **points}
    ids = node_ids(entries.values, test)
    made["nodes"] = [
        _node(entries, test, node, f"{place}.nodes[{i}]", specs, last=i == len(ids) - 1) for i, node in enumerate(ids)
    ]
    return made


def _node(
    entries: Entries, test: str, node: str, place: str, specs: Mapping[str, ReadingSpec], *, last: bool
) -> dict[str, Any]:
    base = f"tests.{test}.path.{node}"
    reading = f"tests.{test}.readings.node_{node}"
    entries.keys |= {
        place: reading,
        f"{place}.name": f"{base}.name",
        f"{place}.drop": f"tests.{test}.readings.drop_{node}",
    }
    if not entries.text(f"{base}.name") and not entries.fill:
        entries.add(
            f"{base}.name", "The node has no name", "what the red lead touches: fuse output, pin of a connector"
        )
    made: dict[str, Any] = {
        "name": node_name(entries.values, test, node)[:60],
        "kind": entries.text(f"{base}.kind") or "other",
    }
    made |= _taken(entries, test, specs[f"node_{node}"]) or {}
    if last:
        return made
    crosses = entries.text(f"{base}.crosses")
    if crosses:
        made["crosses"] = crosses
    drop = _taken(entries, test, specs[f"drop_{node}"])
    if drop:
        made["drop"] = drop
    wire = _wire(entries, base, f"{place}.wire")
    if wire:
        made["wire"] = wire
    limit = _limit(entries, base, f"{place}.limit")
    if limit:
        made["limit"] = limit
    return made


def _taken(entries: Entries, test: str, spec: ReadingSpec) -> dict[str, Any] | None:
    """Texts and instrument of one reading; None when there is none, or it is not one."""
    key = f"tests.{test}.readings.{spec.name}"
    parts = split_repeats(entries.text(key))
    if not parts:
        return None
    try:
        read_indications(entries.text(key), spec)
    except InputFault as error:
        entries.faults += [Fault(key, f"{spec.title}: {f.where} {f.what}", f.repair) for f in error.faults]
        return None
    instrument = instrument_for(entries.values, entries.library, test, spec)
    if not instrument:
        entries.add(key, f"no instrument on this sheet measures {spec.function}", "add it at the step Instruments")
        return None
    taken: dict[str, Any] = {"texts": [as_displayed(part, spec) for part in parts], "instrument": instrument}
    used = read_text(entries.text(f"{key}.range"))
    return taken | ({"range": used} if used else {})


def _wire(entries: Entries, base: str, place: str) -> dict[str, Any] | None:
    """The wire of a span: nothing while size or length is still blank."""
    entries.keys[place] = f"{base}.size"
    size = entries.read(SIZE, f"{base}.size", f"{place}.area_mm2")
    entries.keys[f"{place}.awg"] = f"{base}.size"
    length = entries.read(LENGTH, f"{base}.length", f"{place}.length_m")
    degc = entries.read(TEMPERATURE, f"{base}.degc", f"{place}.conductor_degc")
    if size is None and length is None:
        return None
    if size is None or length is None:
        blank = "size" if size is None else "length"
        if not entries.fill and not entries.text(f"{base}.{blank}"):
            entries.add(f"{base}.{blank}", f"the wire has no {blank}", "give size and length, or neither")
        return None
    if degc is None:
        try:
            degc = read_decimal("°C")(entries.text("conditions.ambient_degc"))
        except InputFault:
            if not entries.fill:
                entries.add(f"{base}.degc", "the wire's temperature is missing", "give it, or the ambient temperature")
            return None
    return {**size, "length_m": length, "conductor_degc": degc}


def _limit(entries: Entries, base: str, place: str) -> dict[str, Any] | None:
    value = entries.read(LIMIT, f"{base}.limit", place)
    if value is None:
        return None
    source = read_text(entries.text(f"{base}.limit_source"))
    entries.keys[f"{place}.source"] = f"{base}.limit_source"
    if not is_source(source):
        if not entries.fill:
            entries.add(f"{base}.limit_source", "say where the limit comes from", "document, edition, page")
        source = "not stated yet"
    return {"upper": value["value"], "unit": value["unit"], "source": source, "entered_by": "technician"}
