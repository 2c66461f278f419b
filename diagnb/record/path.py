"""The door for the path of a test: nodes, wires and limits checked, every fault with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from diagnb.errors import Fault, InputFault
from diagnb.procedures import Procedure, ReadingSpec
from diagnb.quantities import unit
from diagnb.record.document import CircuitTest, PathReadings, Reading, SpanLimit, Wire

CheckReading = Callable[[Reading, str, ReadingSpec], Iterable[Fault]]
_LONGEST_M, _COLDEST_DEGC, _HOTTEST_DEGC = 1000.0, -60.0, 200.0


def path_faults(test: CircuitTest, where: str, procedure: Procedure, check: CheckReading) -> Iterable[Fault]:
    """What is wrong with the path of ``test``; also where it has one and should not, or has none and should."""
    path = test.path
    if procedure.kind != "path":
        if path is not None:
            yield Fault(f"{where}.path", f"{procedure.id} is not a path procedure", "choose path-test, or leave it out")
        return
    if path is None:
        yield Fault(f"{where}.path", "is missing", f"{procedure.id} needs the nodes of the circuit in their order")
        return
    for key in ("readings", "given"):
        if getattr(test, key):
            yield Fault(f"{where}.{key}", "a path test has its readings in its path", "move them there")
    names = [node.name.strip().lower() for node in path.nodes]
    for i, name in enumerate(names):
        if name in names[:i]:
            yield Fault(f"{where}.path.nodes[{i}].name", f"{path.nodes[i].name!r} stands twice", "give each its own")
    for reading, place, spec in _placed(path, f"{where}.path", procedure):
        yield from check(reading, place, spec)
        if reading.trace is not None:
            yield Fault(f"{place}.trace", "a reading of a path is taken by hand", "enter the value as displayed")
    for i, node in enumerate(path.nodes):
        place = f"{where}.path.nodes[{i}]"
        last = i == len(path.nodes) - 1
        for key in ("crosses", "drop", "wire", "limit") if last else ():
            if getattr(node, key) is not None:
                yield Fault(f"{place}.{key}", "no span follows the last node", "leave it out")
        if node.wire is not None:
            yield from _wire(node.wire, f"{place}.wire")
        if node.limit is not None:
            yield from _limit(node.limit, f"{place}.limit")
        if not last and path.span_kinds[i] == "load" and (node.wire is not None or node.limit is not None):
            yield Fault(place, "the load is no span with a wire or a limit of its own", "test the load by itself")


def _placed(path: PathReadings, where: str, procedure: Procedure) -> Iterable[tuple[Reading, str, ReadingSpec]]:
    for reading in path.readings:
        name, _, number = reading.name.rpartition("_")
        if name == "node":
            place = f"{where}.nodes[{int(number) - 1}]"
        elif name == "drop":
            place = f"{where}.nodes[{int(number) - 1}].drop"
        else:
            name, place = reading.name, f"{where}.{reading.name}"
        spec = procedure.reading(name)
        if spec is not None:
            yield reading, place, spec


def _wire(wire: Wire, where: str) -> Iterable[Fault]:
    if wire.awg is not None:
        from diagnb.trade.conductors import gauge_number

        try:
            gauge_number(text=wire.awg)
        except InputFault as error:
            yield from (Fault(f"{where}.awg", f.what, f.repair) for f in error.faults)
    if wire.area_mm2 is not None and not 0.01 <= float(wire.area_mm2) <= 1000:
        yield Fault(f"{where}.area_mm2", f"{wire.area_mm2} mm² is no wire", "from 0.01 to 1000")
    if float(wire.length_m) > _LONGEST_M:
        yield Fault(f"{where}.length_m", f"{wire.length_m} m is longer than {_LONGEST_M:g} m", "lengths are in metres")
    if wire.length_half_width_m is not None and float(wire.length_half_width_m) >= float(wire.length_m):
        yield Fault(f"{where}.length_half_width_m", "is not smaller than the length itself")
    if not _COLDEST_DEGC <= float(wire.conductor_degc) <= _HOTTEST_DEGC:
        yield Fault(f"{where}.conductor_degc", f"{wire.conductor_degc} °C is no temperature of a wire in use")


def _limit(limit: SpanLimit, where: str) -> Iterable[Fault]:
    try:
        if unit(limit.unit).dimension != unit("V").dimension:
            yield Fault(f"{where}.unit", f"{limit.unit} does not fit", "give it in V")
    except InputFault as error:
        yield Fault(f"{where}.unit", f"{error.faults[0].where} is not a unit", error.faults[0].repair)
    if float(limit.upper) <= 0:
        yield Fault(f"{where}.upper", f"{limit.upper} is not above zero")


__all__ = ["path_faults"]
