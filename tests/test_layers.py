"""Data flows one way: the import graph of the package, read from its source.

Imports inside functions and under ``TYPE_CHECKING`` count too.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import diagnb

PACKAGE = Path(diagnb.__file__).resolve().parent

CORE = {"errors", "version", "shipped", "quantities", "uncertainty"}
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "version": set(),
    "shipped": {"errors", "version"},
    "quantities": {"errors", "version", "shipped"},
    "uncertainty": {"errors", "version", "shipped", "quantities"},
    "trade": {"errors", "version", "shipped", "quantities"},
    "meters": CORE,
    "instruments": CORE | {"meters"},
    "conformity": CORE,
    "procedures": CORE | {"meters", "conformity"},
    "record": CORE | {"trade", "meters", "conformity", "procedures"},
    "evaluation": CORE | {"trade", "meters", "conformity", "procedures", "record"},
    "readiness": CORE | {"meters", "conformity", "procedures", "record", "evaluation"},
    "traces": CORE | {"trade", "meters"},
    "signing": {"errors"},
    "audit": {"errors"},
}
DOWN_TO_READINESS = {*MAY_IMPORT, "readiness"} - {"signing", "audit"}
MAY_IMPORT |= {
    "archive": DOWN_TO_READINESS - {"readiness"},
    "fleet": CORE | {"conformity"},
    "impact": DOWN_TO_READINESS | {"report", "archive"},
    "recurring": CORE | {"conformity", "fleet", "report"},
    "redaction": CORE | {"record", "evaluation", "audit"},
    "report": DOWN_TO_READINESS | {"redaction"},
    "proof": DOWN_TO_READINESS | {"report", "signing", "redaction", "audit", "lineage"},
    "lineage": DOWN_TO_READINESS | {"redaction", "audit", "signing"},
    "issuing": DOWN_TO_READINESS | {"redaction", "audit", "signing"},
    "countersigning": DOWN_TO_READINESS | {"report", "signing", "proof", "issuing", "lineage"},
    "bulk": DOWN_TO_READINESS | {"signing", "proof"},
    "forms": DOWN_TO_READINESS | {"report", "signing", "proof", "archive", "fleet"},
}
MAY_IMPORT |= {"notebook": set(MAY_IMPORT), "cli": {*MAY_IMPORT, "notebook"}, "__main__": {"cli"}}
"""Room by room, what it may import. A room that is not in this table fails the test."""

ONLY_IN = {
    "pint": ("quantities/units.py",),
    "pyhanko": ("signing/",),
    "pyhanko_certvalidator": ("signing/",),
    "pkcs11": ("signing/token.py",),
    "reportlab": ("report/",),
    "ipywidgets": ("forms/", "notebook/"),
    "anywidget": ("forms/", "notebook/"),
    "pyvisa": ("instruments/scpi.py",),
    "pypdfium2": ("notebook/pages.py",),
    "lifelines": ("fleet/life.py", "fleet/groups.py"),
    "matplotlib": ("fleet/plots.py", "recurring/picture.py"),
    "sqlalchemy": ("archive/database.py", "archive/tables.py"),
    "duckdb": ("archive/copy.py",),
    "distributed": ("archive/workers.py",),
}
"""Packages that one place knows, so that they can be replaced there."""


def files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def relative(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room(name: str) -> str:
    return name.split(".")[1] if "." in name else ""


def module(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path) -> set[tuple[str, int]]:
    """Modules that a file imports, with the line. ``from a import b`` counts as a.b where that is a module."""
    known = {module(p) for p in files()}
    found: set[tuple[str, int]] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {(alias.name, node.lineno) for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = module(path).split(".")
                above = above if path.name == "__init__.py" else above[:-1]
                base = ".".join([*above[: len(above) - node.level + 1], *([base] if base else [])])
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                found.add((inner if inner in known else base, node.lineno))
    return found


@cache
def graph() -> dict[Path, set[tuple[str, int]]]:
    return {path: imported(path) for path in files()}


def test_every_room_stands_in_the_table() -> None:
    rooms = {room(module(p)) for p in files()} - {""}
    assert rooms <= set(MAY_IMPORT), f"say what {rooms - set(MAY_IMPORT)} may import"


def test_no_room_imports_what_stands_below_it() -> None:
    wrong = [
        f"{relative(path)}:{line} imports {name}"
        for path, names in graph().items()
        for name, line in names
        if name.startswith("diagnb.")
        and room(module(path))
        and room(name) != room(module(path))
        and room(name) not in MAY_IMPORT.get(room(module(path)), set())
    ]
    assert not wrong, "\n".join(wrong)


def test_nothing_inside_imports_the_package_root() -> None:
    wrong = [f"{relative(path)}:{line}" for path, names in graph().items() for name, line in names if name == "diagnb"]
    assert not wrong, "\n".join(wrong)


def circle(edges: dict[str, set[str]]) -> list[str]:
    """One circle of a graph, or nothing."""
    done: set[str] = set()

    def walk(node: str, way: list[str]) -> list[str]:
        if node in way:
            return [*way[way.index(node) :], node]
        if node in done:
            return []
        for following in sorted(edges.get(node, ())):
            found = walk(following, [*way, node])
            if found:
                return found
        done.add(node)
        return []

    return next((found for node in sorted(edges) if (found := walk(node, []))), [])


def test_no_circle_between_rooms() -> None:
    edges: dict[str, set[str]] = {}
    for path, names in graph().items():
        mine = room(module(path))
        if mine:
            edges.setdefault(mine, set()).update(
                room(n) for n, _ in names if n.startswith("diagnb.") and room(n) != mine
            )
    assert circle(edges) == []


def test_no_circle_between_files() -> None:
    edges = {
        module(path): {n for n, _ in names if n.startswith("diagnb.") and n != module(path)}
        for path, names in graph().items()
        if path != PACKAGE / "__init__.py"
    }
    assert circle(edges) == []


def test_a_circle_would_be_found() -> None:
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["b", "c", "b"]


@pytest.mark.parametrize("package", sorted(ONLY_IN))
def test_a_replaceable_package_is_known_in_one_place(package: str) -> None:
    wrong = [
        f"{relative(path)}:{line}"
        for path, names in graph().items()
        for name, line in names
        if name.split(".")[0] == package and not relative(path).startswith(ONLY_IN[package])
    ]
    assert not wrong, "\n".join(wrong)


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ["numpy", "pint", "scipy", "reportlab", "pyhanko", "pydantic", "IPython", "cryptography", "ipywidgets"]
    script = f"import sys, diagnb; print([m for m in {heavy!r} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
