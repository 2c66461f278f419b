"""An archive of the example records, all invented, and a fleet of simple visits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from diagnb.archive import Archive, open_archive, prepare
from diagnb.record import Record, load_record
from diagnb.shipped import templates_directory

MOMENT = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
PLAIN = {
    "schema": "diagnb-record/1", "id": "D-1", "created": "2026-03-04T10:00:00+01:00",
    "order": {"number": "RO-1", "opened": "2026-03-04T08:00:00+01:00"},
    "vehicle": {"vin": "1D9TRKB40SA000301", "unit": "Unit 301", "system_voltage": "24"},
    "circuit": {"name": "ramp motor", "class": "ordinary"},
    "people": [{"id": "tech", "name": "R. Example", "role": "technician"}],
    "instruments": [
        {"id": "M1", "meter": "handheld-6000", "serial": "H6-1", "calibrated": "2025-11-10", "due": "2026-11-09"},
        {"id": "C1", "meter": "dc-clamp", "serial": "CL-1", "calibrated": "2025-11-10", "due": "2026-11-09"},
    ],
    "conditions": {"ambient_degc": "21"},
}  # fmt: skip


@pytest.fixture(scope="session")
def examples() -> list[Record]:
    paths = sorted((Path(__file__).parents[1] / "data" / "records").glob("*.json"))
    return [load_record(templates_directory() / "demo-record.json"), *(load_record(path) for path in paths)]


@pytest.fixture(scope="module")
def example_archive(tmp_path_factory: pytest.TempPathFactory, examples: list[Record]) -> Iterator[Archive]:
    with open_archive(tmp_path_factory.mktemp("a") / "examples.sqlite", moment=MOMENT, create=True) as archive:
        archive.add_many([prepare(r) for r in examples], moment=MOMENT)
        yield archive


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with open_archive(tmp_path / "fleet.sqlite", moment=MOMENT, create=True) as found:
        yield found


@pytest.fixture(scope="session")
def visit() -> Callable[..., Record]:
    """A visit with one ground-side drop."""

    def make(
        name: str, drop: str, *, serial: str = "H6-1", day: str = "2026-03-04", revision: int = 1,
        changes: dict[str, Any] | None = None, **parts: Any,
    ) -> Record:  # fmt: skip
        instruments = [{**PLAIN["instruments"][0], "serial": serial}, PLAIN["instruments"][1]]
        readings = [
            {"name": "drop", "texts": [drop], "instrument": "M1", "load_state": "load on"},
            {"name": "load_current", "texts": ["20.0 A"], "instrument": "C1", "load_state": "load on"},
        ]
        test = {
            "id": "1", "procedure": "ground-side-drop", "phase": "as found", "time": f"{day}T08:12:00+01:00", "by": "tech",
            "readings": readings, **(changes or {}),
        }  # fmt: skip
        order = {"number": f"RO-{name}", "opened": "2026-03-04T08:00:00+01:00"}
        plain = {
            **PLAIN,
            "id": name,
            "revision": revision,
            "instruments": instruments,
            "order": order,
            "tests": [test],
            **parts,
        }
        return load_record(plain)

    return make
