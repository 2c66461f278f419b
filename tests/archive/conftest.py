"""Both stores for every test: an SQLite file, and a database of a real PostgreSQL server."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from stores import EXAMPLES, NOW, new_database, own_server

from diagnb.archive import Archive, open_archive
from diagnb.record import Record, load_record
from diagnb.shipped import templates_directory


@pytest.fixture(scope="session")
def server() -> Iterator[Any]:
    """One PostgreSQL server for all tests."""
    with own_server() as found:
        yield found


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty store of either kind."""
    if request.param == "sqlite":
        return str(tmp_path / "Werkstatt Süd.sqlite")
    return new_database(request.getfixturevalue("server"))


@pytest.fixture
def archive(url: str) -> Iterator[Archive]:
    with open_archive(url, moment=NOW, create=True) as found:
        yield found


@pytest.fixture(scope="session")
def demo() -> Record:
    return load_record(templates_directory() / "demo-record.json")


@pytest.fixture(scope="session")
def examples() -> list[Record]:
    """The demonstration record and one record for each procedure."""
    return [load_record(templates_directory() / "demo-record.json"), *(load_record(path) for path in EXAMPLES)]


@pytest.fixture(scope="session")
def drop_record() -> Callable[..., Record]:
    """A record of one ground-side drop; every part of it may be chosen."""
    plain = {
        "schema": "diagnb-record/1", "id": "D-1", "created": "2026-03-04T10:00:00+01:00",
        "order": {"number": "RO-1", "opened": "2026-03-04T08:00:00+01:00", "site": "Depot North (invented)"},
        "vehicle": {"vin": "1D9TRKB40SA000301", "unit": "Unit 301", "system_voltage": "24"},
        "circuit": {"name": "ramp motor", "class": "ordinary"},
        "people": [{"id": "tech", "name": "R. Example", "role": "technician"}],
        "instruments": [
            {"id": "M1", "meter": "handheld-6000", "serial": "H6-1", "calibrated": "2025-11-10", "due": "2026-11-09"},
            {"id": "C1", "meter": "dc-clamp", "serial": "CL-1", "calibrated": "2025-11-10", "due": "2026-11-09"},
        ],
        "conditions": {"ambient_degc": "21"},
    }  # fmt: skip

    def make(
        name: str = "D-1",
        *,
        drop: str = "98.0 mV",
        current: str = "20.0 A",
        time: str = "2026-03-04T08:12:00+01:00",
        changes: dict[str, Any] | None = None,
        **parts: Any,
    ) -> Record:
        readings = [
            {"name": "drop", "texts": [drop], "instrument": "M1", "load_state": "load on"},
            {"name": "load_current", "texts": [current], "instrument": "C1", "load_state": "load on"},
        ]
        test = {
            "id": "1", "procedure": "ground-side-drop", "phase": "as found", "time": time, "by": "tech",
            "readings": readings, **(changes or {}),
        }  # fmt: skip
        return load_record(json.loads(json.dumps({**plain, "id": name, "tests": [test], **parts})))

    return make
