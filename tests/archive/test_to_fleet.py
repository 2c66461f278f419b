"""From records to figures: an invented fleet, turned into records and archived, says what its own rows say."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stores import NOW

from diagnb.archive import Archive, prepare
from diagnb.archive.copy import update_copy
from diagnb.cli import main
from diagnb.conformity import WORDS
from diagnb.fleet import (
    Labels,
    SyntheticFleet,
    Truth,
    distinct_defects,
    fail_shares,
    read_rows,
    read_table,
    synthesise,
    write_csv,
)
from diagnb.record import Record, digest, load_record, plain

Make = Callable[..., Record]
TRUTH = Truth(
    rates={"ramp motor": 1.2, "tail lamp": 0.6}, lots=3, lot_factors={("tail lamp", "L02"): 6.0}, good=0.03, spread=0.01,
    bad=0.12, limit=0.1, reading_u=0.0005, instruments=2, technicians=2,
)  # fmt: skip


@pytest.fixture(scope="module")
def made() -> SyntheticFleet:
    return synthesise(seed=4, vehicles=24, months=30, truth=TRUTH, visit_every=4.0)


def as_displayed(made: SyntheticFleet) -> dict[str, Any]:
    """The fleet's rows, each value as a meter shows it; no part was replaced, so no record states a lot."""
    rows = {k: c.texts() if isinstance(c, Labels) else list(c) for k, c in made.rows.items() if k != "lot"}
    shown = np.round(np.abs(made.rows["value"]) * 1000, 1)
    count = len(shown)
    return rows | {
        "record": [f"{r}-{k}" for k, r in enumerate(rows["record"])], "value": shown / 1000,
        "point": [f"{circuit}: ground-side-drop/ground_drop" for circuit in rows["component"]], "test": ["1"] * count,
    }  # fmt: skip


def records(rows: dict[str, Any], make: Make) -> list[Record]:
    found = []
    for k, name in enumerate(rows["record"]):
        time = f"{rows['date'][k]}T12:00:00Z"
        found.append(
            make(
                name, drop=f"{rows['value'][k] * 1000:.1f} mV", time=time, changes={"phase": rows["phase"][k]},
                created=f"{rows['date'][k]}T13:00:00Z",
                order={"number": name, "opened": f"{rows['date'][k]}T08:00:00Z", "site": "Depot North (invented)"},
                vehicle={"unit": rows["asset"][k], "system_voltage": "24"},
                circuit={"name": rows["component"][k], "class": "ordinary"},
                instruments=[
                    {"id": i, "meter": m, "serial": s, "calibrated": "2021-11-10", "due": "2029-11-09"}
                    for i, m, s in (("M1", "handheld-6000", "H6-1"), ("C1", "dc-clamp", "CL-1"))
                ],
            )
        )  # fmt: skip
    return found


def figures(*words: str) -> Any:
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        main(["fleet", *words, "--rule", "simple", "--json"])
    return json.loads(printed.getvalue())["results"]


def test_an_archived_fleet_says_what_its_rows_say(
    archive: Archive, drop_record: Make, made: SyntheticFleet, tmp_path: Path
) -> None:
    rows = as_displayed(made)
    stored = archive.add_many([prepare(r) for r in records(rows, drop_record)], moment=NOW)
    assert all(a.new for a in stored)  # type: ignore[union-attr]
    update_copy(archive, tmp_path / "copy")
    write_csv(tmp_path / "rows.csv", rows)
    vehicles = str(tmp_path / "vehicles.csv")
    write_csv(Path(vehicles), made.vehicles)
    direct, archived = str(tmp_path / "rows.csv"), str(tmp_path / "copy")
    for words in (
        ("summary",), ("recurrence",), ("trend",), ("lots",), ("months",), ("life", "--component", "tail lamp"),
        ("effect", "--date", "2023-04-01"),
    ):  # fmt: skip
        said = [figures(words[0], file, "--vehicles", vehicles, *words[1:]) for file in (archived, direct)]
        assert equal(*said), words
    assert figures("lots", archived, "--vehicles", vehicles)["cells"]
    assert read_rows(read_table(tmp_path / "copy")).faults == ()


def test_a_record_that_was_declared_void_counts_in_no_figure(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    one = drop_record()
    void = {**plain(one), "revision": 2, "status": "void", "replaces": {"revision": 1, "digest": digest(one), "reason": "wrong vehicle"}}  # fmt: skip
    archive.add_many([prepare(one), prepare(load_record(void))], moment=NOW)
    update_copy(archive, tmp_path / "copy")
    rows = read_rows(read_table(tmp_path / "copy"))
    assert len(rows) == 0
    assert {code: at.size for code, at in rows.set_aside.items()} == {"superseded": 2, "void": 2}


def equal(a: Any, b: Any) -> bool:
    """The same to the last digits but one: a sum may be taken in another order."""
    if isinstance(a, dict):
        return set(a) == set(b) and all(equal(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(equal, a, b))
    return a == pytest.approx(b, rel=1e-9, abs=1e-12) if isinstance(a, float) else a == b


def test_whatever_is_wrong_with_archived_rows_is_listed_and_every_row_accounted_for(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    """Real rows, spoiled one way each: in = used + set aside, and each fault is named."""
    made = [drop_record(f"D-{k}", drop=f"{60 + k}.0 mV", vehicle={"unit": f"Unit {k}", "system_voltage": "24"}) for k in range(12)]  # fmt: skip
    archive.add_many([prepare(r) for r in made], moment=NOW)
    update_copy(archive, tmp_path / "copy")
    table = read_table(tmp_path / "copy")
    rows = {k: c.texts() if isinstance(c, Labels) else list(c) for k, c in table.items()}
    mine = [k for k, name in enumerate(rows["name"]) if name == "ground_drop"]
    rows = {k: [c[i] for i in mine] for k, c in rows.items()}
    rows["vin"] = [""] * 12
    rows["schema"][0] = "diagnb-record/9"
    rows["technician"] = ["=1+1" if k == 1 else "T" for k in range(12)]
    rows["unit"][2] = "zorks"
    rows["asset"][3], rows["asset"][4] = "Unit X", "Unit X"
    rows["vin"][3], rows["vin"][4] = "1D9TRKB40SA000301", "1D9TRKB42SA000302"
    for name, column in rows.items():
        column.append(column[5])
        column.append("D-again" if name == "record" else column[6])
    found = read_rows(rows)
    counted = {code: at.tolist() for code, at in found.set_aside.items()}
    assert counted == {
        "schema": [1], "formula": [2], "unit": [3], "two VINs": [4, 5], "duplicate row": [13], "duplicate visit": [14],
    }  # fmt: skip
    assert len(found) + found.set_aside_count == 14
    assert sorted([*found.row.tolist(), *(r for at in found.set_aside.values() for r in at)]) == list(range(1, 15))
    said = " ".join(str(f) for f in found.faults)
    for words in ("another version", "formula", "nobody knows this unit", "two VINs", "stands twice", "another record"):
        assert words in said


def test_an_open_circuit_shown_over_range_counts_as_a_defect_under_every_rule(archive: Archive, tmp_path: Path) -> None:
    """From the record whose display says OL to the figures: neither lost as "not judged" nor a number in any mean."""
    document = json.loads((Path(__file__).parents[1] / "data" / "records" / "P22.json").read_text(encoding="utf-8"))
    shop = []
    for k in range(6):
        one = json.loads(json.dumps(document)) | {"id": f"N-{k}"}
        one["vehicle"] = {"unit": f"Unit {k}", "system_voltage": "24"}
        one["tests"] = one["tests"][:1]
        one["tests"][0]["readings"][0]["texts"] = ["OL" if k < 2 else "60.4 Ω"]
        shop.append(prepare(load_record(one)))
    archive.add_many(shop, moment=NOW)
    update_copy(archive, tmp_path / "copy")
    rows = read_rows(read_table(tmp_path / "copy"))
    (point,) = (n for n in rows.point.names if "network-termination-resistance/termination_resistance" in n)
    rows = rows.take(rows.point.marked({point}))
    assert rows.faults == () and len(rows) == 6
    opened = rows.asset.marked({"Unit 0", "Unit 1"})
    assert rows.over_range.tolist() == opened.tolist()
    assert np.isnan(rows.value).tolist() == opened.tolist()
    for rule in ("guarded-95", "guarded-U", "simple"):
        again = rows.under_one_rule(rule)  # type: ignore[arg-type]
        assert {WORDS[v] for v in again.verdict[opened]} == {"fail"}
        assert len(distinct_defects(again)) == 2
        (share,) = fail_shares(again, by="point")
        assert (share.numerator, share.exposure) == (2, 6)
    copied = tmp_path / "rows.csv"
    write_csv(copied, {n: getattr(rows, n) for n in ("record", "asset", "point", "date", "value", "standard_uncertainty", "lower", "upper", "verdict", "reason")} | {"verdict": [WORDS[v] for v in rows.verdict]})  # fmt: skip
    assert "over-range display, without a value: 2" in figures_text("summary", str(copied), "--by", "point")
    assert "2 of 6" not in figures_text("measurement", str(copied))


def figures_text(*words: str) -> str:
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        main(["fleet", *words])
    return printed.getvalue()
