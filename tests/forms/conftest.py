"""A sheet in a temporary folder, with a clock that ticks only when it is asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library

ENTRIES = {
    "order.number": "RO-1",
    "vehicle.vin": "1M8GDM9AXKP042788",
    "vehicle.unit": "U-7",
    "vehicle.system_voltage": "12",
    "vehicle.odometer": "183 412",
    "complaint": "left low beam dim",
    "circuit.name": "left low beam, feed side",
    "circuit.class": "ordinary",
    "people.technician.name": "Ann Example",
    "conditions.ambient_degc": "21",
    "instruments.m1.meter": "handheld-6000",
    "instruments.m1.serial": "S-1",
    "instruments.m1.calibrated": "2026-01-10",
    "instruments.m1.due": "2027-01-10",
    "instruments.m2.meter": "dc-clamp",
    "instruments.m2.serial": "S-2",
    "instruments.m2.calibrated": "2026-01-10",
    "instruments.m2.due": "2027-01-10",
}
"""An invented visit, complete but for its tests."""


class Clock:
    def __init__(self) -> None:
        self.now = dt.datetime(2026, 3, 5, 9, 30, tzinfo=dt.timezone(dt.timedelta(hours=1)))

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=1)
        return self.now


@pytest.fixture
def visit() -> dict[str, str]:
    return dict(ENTRIES)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def open_model(tmp_path: Path, clock: Clock) -> Iterator[Callable[[], FormModel]]:
    """Opens the sheet; each call is a new opening of the same one, as after a restart."""
    opened: list[FormModel] = []

    def opener() -> FormModel:
        for earlier in opened:
            earlier.release()
        model = FormModel(
            Journal.open(tmp_path / "drafts" / "s-1.jsonl"), sheet="s-1", library=load_library(), clock=clock
        )
        opened.append(model)
        return model

    yield opener
    for model in opened:
        model.release()


@pytest.fixture
def model(open_model: Callable[[], FormModel]) -> FormModel:
    started = open_model()
    started.begin({})
    for key, text in ENTRIES.items():
        started.put(key, text)
    return started
