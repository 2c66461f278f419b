"""The list of tests to choose from: grouped, by catalogue number, narrowed by what is typed and by the circuit."""

from __future__ import annotations

import re
from collections.abc import Iterable

from diagnb.procedures import Procedure

_GROUPS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("Battery", (1, 2)),
    ("Starting", (3, 4)),
    ("Charging", (5, 6, 7)),
    ("Key-off draw", (8,)),
    ("Voltage drop and fuses", (9, 10, 11, 12, 26)),
    ("Relays, motors, lamps, coils", (13, 14, 15, 16, 17)),
    ("Sensors and signals", (18, 19, 20, 21)),
    ("Data networks", (22, 23)),
    ("Wires, insulation and shields", (24, 27, 30)),
    ("High voltage", (25,)),
    ("Supply and converters", (28, 29)),
)
_OTHERS = "Other tests"
_SYSTEMS = ("12", "24", "48")


def group_of(procedure: Procedure) -> str:
    """The heading that a procedure stands under."""
    if procedure.kind == "path":
        return "Voltage drop and fuses"
    number = _place(procedure)[0]
    return next((title for title, numbers in _GROUPS if number in numbers), _OTHERS)


def systems_of(procedure: Procedure) -> tuple[str, ...]:
    """The system voltages for which the procedure brings a limit; all of them when none of its limits depends on one."""
    fixed = [limit for limit in procedure.limits if limit.by_system]
    if not fixed or len(fixed) < len(procedure.limits):
        return _SYSTEMS
    return tuple(v for v in _SYSTEMS if any(v in limit.by_system for limit in fixed))


def offered(
    procedures: Iterable[Procedure], *, system_voltage: str, circuit_class: str, words: str = ""
) -> tuple[tuple[str, str], ...]:
    """``(label, procedure id)`` in the order of the list; a heading has a blank id.

    A procedure that feeds the circuit is left out for every kind of circuit but an ordinary one. One without a
    limit for this system voltage stays in the list, marked, because a limit of the maker can be stated.
    """
    wanted = words.casefold().split()
    by_group: dict[str, list[Procedure]] = {title: [] for title, _ in (*_GROUPS, (_OTHERS, ()))}
    for procedure in procedures:
        if procedure.energise == "allowed" and circuit_class not in ("", "ordinary"):
            continue
        group = group_of(procedure)
        text = f"{procedure.number} {procedure.title} {procedure.purpose} {group}".casefold()
        if all(word in text for word in wanted):
            by_group[group].append(procedure)
    found: list[tuple[str, str]] = []
    for title, members in by_group.items():
        if members:
            found.append((f"— {title} —", ""))
            found += [(_label(p, system_voltage), p.id) for p in sorted(members, key=_place)]
    return tuple(found)


def first_offered(options: Iterable[tuple[str, str]]) -> str:
    """The first procedure of the list, blank when there is none."""
    return next((name for _, name in options if name), "")


def _label(procedure: Procedure, system_voltage: str) -> str:
    label = f"{procedure.number} {procedure.title}".strip()
    systems = systems_of(procedure)
    if system_voltage in ("", *systems) and (system_voltage or systems == _SYSTEMS):
        return label
    return f"{label} ({' and '.join(systems)} V only)" if systems else f"{label} (no limit of its own)"


def _place(procedure: Procedure) -> tuple[int, str, str]:
    found = re.match(r"[A-Z]+(\d+)(.*)", procedure.number)
    return (int(found.group(1)), found.group(2), procedure.title) if found else (9999, "", procedure.title)
