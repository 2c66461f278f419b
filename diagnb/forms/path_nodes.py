"""The nodes of a path test on a sheet: which there are, in which order, what is read at each.

A node has an id (``n1``, ``n2`` …) that stays when it is moved; ``tests.t1.path.order`` holds the ids from the source
to its ground. Its voltage stands at ``tests.t1.readings.node_n1``, a drop read across the span that follows it at
``tests.t1.readings.drop_n1``, everything else under ``tests.t1.path.n1``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from diagnb.errors import fault
from diagnb.procedures import Procedure, ReadingSpec

KINDS = (
    ("source", "source"), ("fuse", "fuse"), ("switch", "switch"), ("relay contact", "relay contact"),
    ("connector", "connector"), ("splice", "splice"), ("load feed", "load, feed"), ("load ground", "load, ground"),
    ("ground stud", "ground"), ("source ground", "source ground"), ("other", "other"),
)  # fmt: skip
"""Kind of a node and how the form calls it."""
CROSSINGS = (
    ("", "by its nodes"),
    ("wire", "a wire"),
    ("connection", "a connection"),
    ("switch", "a contact"),
)
"""What a span crosses, where its two nodes don't show it."""
USUAL = (
    ("source +", "source"), ("fuse, output", "fuse"), ("switch, output", "switch"), ("load +", "load feed"),
    ("load -", "load ground"), ("source -", "source ground"),
)  # fmt: skip
"""The nodes that a new path test begins with; each can be renamed, moved or taken off."""
MOST = 60
REFERENCE = "source -"
_FEWEST = 2


def node_ids(values: Mapping[str, str], test: str) -> tuple[str, ...]:
    """The ids of the nodes of ``test``, from the source to its ground."""
    return tuple(dict.fromkeys(values.get(f"tests.{test}.path.order", "").split()))


def node_name(values: Mapping[str, str], test: str, node: str) -> str:
    """What a node is called; "node 3" while nobody has named it."""
    named = " ".join(values.get(f"tests.{test}.path.{node}.name", "").split())
    return named or f"node {node_ids(values, test).index(node) + 1}"


def usual_nodes(test: str) -> dict[str, str]:
    """The entries of a new path test."""
    texts = {f"tests.{test}.path.order": " ".join(f"n{i}" for i in range(1, len(USUAL) + 1))}
    texts[f"tests.{test}.path.reference"] = REFERENCE
    for number, (name, kind) in enumerate(USUAL, 1):
        texts |= {f"tests.{test}.path.n{number}.name": name, f"tests.{test}.path.n{number}.kind": kind}
    return texts


def with_node_after(values: Mapping[str, str], test: str, node: str) -> dict[str, str]:
    """The entries that put a new node after ``node``. Raises InputFault when there are as many as a record takes."""
    ids = list(node_ids(values, test))
    if len(ids) >= MOST:
        raise fault("nodes", f"are {MOST} already", "a record takes no more; test the path in two parts")
    start = f"tests.{test}.path.n"
    used = {
        int(n) for key in values if key.startswith(start) and (n := key.removeprefix(start).partition(".")[0]).isdigit()
    }
    made = f"n{max(used, default=0) + 1}"
    ids.insert(ids.index(node) + 1 if node in ids else len(ids), made)
    return {f"tests.{test}.path.order": " ".join(ids), f"tests.{test}.path.{made}.kind": "connector"}


def without_node(values: Mapping[str, str], test: str, node: str) -> dict[str, str]:
    """The entries that take ``node`` off the path. Raises InputFault where a path would be left with one node."""
    ids = [n for n in node_ids(values, test) if n != node]
    if len(ids) < _FEWEST:
        raise fault("nodes", "can't be fewer than two", "take the whole test off the sheet")
    return {f"tests.{test}.path.order": " ".join(ids)}


def with_node_moved(values: Mapping[str, str], test: str, node: str, by: int) -> dict[str, str]:
    """The entries that move ``node`` by so many places, towards the ground where ``by`` is above zero; none at an end."""
    ids = list(node_ids(values, test))
    place = ids.index(node)
    wanted = place + by
    if not 0 <= wanted < len(ids):
        return {}
    ids.insert(wanted, ids.pop(place))
    return {f"tests.{test}.path.order": " ".join(ids)}


def reading_specs(values: Mapping[str, str], test: str, procedure: Procedure) -> tuple[ReadingSpec, ...]:
    """The readings of a test as its procedure asks for them; of a path test one for each node and each span."""
    if procedure.kind != "path":
        return tuple(procedure.readings)
    specs = {r.name: r for r in procedure.readings}
    found = []
    ids = node_ids(values, test)
    for place, node in enumerate(ids):
        name = node_name(values, test, node)
        found.append(replace(specs["node"], name=f"node_{node}", title=name))
        if place < len(ids) - 1:
            across = f"{name} → {node_name(values, test, ids[place + 1])}"
            found.append(replace(specs["drop"], name=f"drop_{node}", title=f"Across {across}"))
    return (*found, *(r for r in procedure.readings if r.name not in ("node", "next_node", "drop")))
