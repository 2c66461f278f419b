"""A sheet in a temporary folder, with a clock that ticks only when it is asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnb.forms.journal import Journal
from diagnb.forms.model import FormModel, load_library
from diagnb.forms.sheet import Sheet
from diagnb.notebook.office import ShopOffice
from diagnb.notebook.present import ReportPresenter

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


class Bench:
    """A sheet, what it logged, and what its grids sent to the browser."""

    def __init__(self, folder: Path, clock, visit: dict[str, str], *, shop: Path | None = None) -> None:
        self.folder = folder
        self.visit = visit
        self.log: list[str] = []
        self.office = ShopOffice(folder / "keys", folder / "keys" / "trust.json", folder, clock)
        model = FormModel(
            Journal.open(folder / "drafts" / "s-1.jsonl"), sheet="s-1", library=load_library(shop), clock=clock
        )
        model.begin({"record.id": "rec-1"})
        self.sheet = Sheet(
            model,
            presenter=ReportPresenter(),
            office=self.office,
            log=self.log.append,
            log_file="form.log",
            settle=30,
            pause=0,
        )
        self.model = model
        self.sent: list[dict] = []
        for grid in self.sheet.grids.values():
            grid.send = lambda message, buffers=None: self.sent.append(message)

    def type(self, key: str, text: str, seq: int = 1) -> dict:
        """What the browser sends for one key press; returns the refusal, or acknowledgement and all rows told."""
        grid = self.sheet.grids[self.sheet.here]
        self.sent.clear()
        grid._handle_custom_msg({"k": "edit", "view": "v", "key": key, "text": text, "seq": seq}, [])
        first = self.sent[0]
        told = {row["key"]: row for message in self.sent for row in message.get("rows", ())}
        return first if first["k"] == "refused" else {**first, "rows": list(told.values())}

    def act(self, key: str) -> None:
        self.sheet.grids[self.sheet.here]._handle_custom_msg({"k": "act", "view": "v", "key": key}, [])

    def row(self, key: str, step: str = "") -> dict:
        return next(r for r in self.sheet.grids[step or self.sheet.here].rows if r.get("key") == key)

    def fill(self) -> None:
        """A complete visit with one failing test."""
        for key, text in self.visit.items():
            self.model.put(key, text)
        self.sheet.show("found")
        self.sheet._add_test("feed-side-drop", "found", "")
        self.type("tests.t1.readings.drop", "350 mV")
        self.type("tests.t1.readings.load_current", "4.80")

    @property
    def trouble(self) -> str:
        return self.sheet.trouble.line.value


@pytest.fixture
def bench(tmp_path, clock, visit):
    made = Bench(tmp_path, clock, visit)
    yield made
    made.sheet.stop()
