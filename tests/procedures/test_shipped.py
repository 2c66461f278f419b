"""The shipped test procedures: complete, with a source for every figure, and giving the published numbers."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

import pytest

from diagnb.cli import main
from diagnb.errors import InputFault
from diagnb.evaluation import Evaluation, evaluate
from diagnb.evaluation.results import Result, TestResult
from diagnb.meters import load_sheet, sheet_files
from diagnb.procedures import Procedure, caution_texts, load_procedure, procedure_files, read_procedure
from diagnb.quantities import unit
from diagnb.record import Record, load_record, vin_remark

TESTS = Path(__file__).resolve().parents[1]
FILES = TESTS / "data" / "records"
RECORDS = {p.stem: p for p in (*sorted(FILES.glob("P[0-9][0-9].json")), FILES / "outside-power.json")}
CASES = {c["id"]: c for c in json.loads((TESTS / "published" / "trade.json").read_text(encoding="utf-8"))}
SHIPPED: dict[str, Procedure] = {name: load_procedure(path) for name, path in procedure_files().items()}
NUMBERED = {name: p for name, p in SHIPPED.items() if p.number}
MEASURED_ONLY = ("signal", "network", "sensor", "ntc", "platinum", "ratiometric", "high-voltage", "supply-dip", "voltage-class", "solenoid-coil", "rectifier", "alternator-ripple")  # fmt: skip
FIGURES_FROM_THE_USER = {
    ("alternator-ripple", "ripple_voltage"), ("rectifier-leakage", "leakage_current"), ("charging-output", "output_share"),
    ("key-off-draw", "key_off_draw"), ("key-off-draw", "days_to_no_start"), ("fuse-current-estimate", "branch_current"),
    ("heater-element-power", "element_power"),
}  # fmt: skip


# -- the files --------------------------------------------------------------------------------------------------


def test_the_catalogue_holds_p01_to_p30_without_a_gap_and_no_number_twice() -> None:
    numbers = [p.number for p in NUMBERED.values()]
    assert len(set(numbers)) == len(numbers)
    assert {n[:3] for n in numbers} == {f"P{i:02d}" for i in range(1, 31)}
    for main_number in {n[:3] for n in numbers}:
        assert main_number in numbers, f"{main_number} has variants but no first"


@pytest.mark.parametrize("name", sorted(NUMBERED))
def test_a_procedure_says_all_that_a_technician_needs(name: str) -> None:
    p = SHIPPED[name]
    assert p.id == name
    for text in (p.title, p.purpose, p.fail_means, p.next_step):
        assert len(text) > 15
    assert p.conditions
    assert p.cautions
    assert set(p.cautions) <= set(caution_texts())
    assert p.limits
    for reading in p.readings:
        assert reading.points, reading.name
        assert unit(reading.unit).symbol
    functions = {f.name for path in sheet_files().values() for f in load_sheet(path).functions}
    assert {r.function for r in p.readings} <= functions, "an instrument that ships must be able to take every reading"


@pytest.mark.parametrize("name", sorted(NUMBERED))
def test_every_limit_has_its_source_method_and_tag_and_says_what_kind_of_figure_it_is(name: str) -> None:
    for entry in SHIPPED[name].limits:
        assert entry.source
        assert entry.method
        assert (entry.required) == ((name, entry.result) in FIGURES_FROM_THE_USER)
        if entry.required:
            assert entry.lower is None
            assert entry.upper is None
            assert not entry.by_system
            assert "state" in entry.source
            assert all(entry.at_system(system) is None for system in ("12", "24", "48"))
            continue
        for system in ("12", "24", "48"):
            here = entry.at_system(system)
            if here is None:
                assert entry.by_system
                continue
            assert here.lower is not None or here.upper is not None
            # The form shows the source, so that is where a default has to own up.
            if here.tag != "read":
                assert here.tag in here.source, f"{entry.result} at {system} V"
            else:
                assert "common practice" not in here.source
                assert "from memory" not in here.source


@pytest.mark.parametrize("name", sorted(NUMBERED))
def test_what_may_be_energised_follows_the_kind_of_circuit(name: str) -> None:
    p = SHIPPED[name]
    if any(kind in name for kind in MEASURED_ONLY):
        assert p.energise == "measure only"
    if p.energise == "allowed":
        assert "C3" in p.cautions, "outside power needs its caution"
    if name.startswith("high-voltage"):
        assert p.cautions == ("C5",)
    if "network" in name or "sensor" in name or name == "supply-dip":
        assert "C2" in p.cautions


def test_the_two_load_tests_share_no_figure() -> None:
    half, hours = SHIPPED["battery-load-test-half-cca"], SHIPPED["battery-load-test-ampere-hours"]
    assert {g.name for g in half.givens}.isdisjoint(g.name for g in hours.givens)
    assert {e.result for e in half.limits} & {e.result for e in hours.limits} == {"load_share"}
    assert not hours.tables
    for one, other in ((half, hours), (hours, half)):
        assert "don't mix" in one.purpose
        assert one.limits[0].source != other.limits[0].source


def test_no_procedure_promises_anything() -> None:
    for name, path in procedure_files().items():
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(safe|certified|guaranteed|smart)\b", text, re.IGNORECASE), name


def test_the_list_shows_number_title_energise_and_tags(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["procedure", "list"]) == 0
    lines = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert set(lines) == set(SHIPPED)
    for name, p in NUMBERED.items():
        assert f" {p.number} " in lines[name]
        assert p.title in lines[name]
        assert p.energise in lines[name]
    assert "limit from the user" in lines["alternator-ripple"]
    assert "from memory, read" in lines["supply-dip"]


# -- a shop's own file ------------------------------------------------------------------------------------------


def own_file(folder: Path, text: str) -> Path:
    path = folder / "procedures" / "starter-cable-drop.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_every_fault_of_a_shops_file_is_said_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = procedure_files()["starter-cable-drop"].read_text(encoding="utf-8")
    text = text.replace('cautions = ["C6"', 'cautions = ["C66"')
    text = text.replace('by_system.12 = { upper = "0.5"', 'by_system.12 = { upper = "0.5", lower = "0.9"')
    text = text.replace('by_system.24 = { upper = "1.0", ', "by_system.24 = { ")
    text = text.replace('tag = "read"\n', 'tag = "read"\nscaling = "system/12"\n')
    text = text.replace('name = "minus_drop"', 'name = "system_voltage"')
    assert main(["procedure", "check", str(own_file(tmp_path, text))]) == 1
    said = capsys.readouterr().out
    for place in ("cautions[0]", "by_system.12", "by_system.24", "limits[0].scaling", "readings[1].name"):
        assert place in said
    assert said.count("\n") >= 5


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"upper": "5", "by_system": {"12": {"upper": "5"}}}, "limits[0]"),
        ({"required": True, "by_system": {"12": {"upper": "5"}}}, "limits[0]"),
        ({"by_system": {"36": {"upper": "5"}}}, "limits[0].by_system.36"),
        ({"by_system": {"12": {"uper": "5"}}}, "limits[0].by_system.12.uper"),
        ({}, "limits[0]"),
    ],
)
def test_a_limit_by_system_that_can_not_be_is_refused(change: dict[str, Any], where: str) -> None:
    plain = json.loads(json.dumps(dict(SHIPPED["starter-control-drop"].plain)))
    plain["limits"] = [{k: v for k, v in plain["limits"][0].items() if k != "by_system"} | change]
    with pytest.raises(InputFault) as caught:
        read_procedure(plain)
    assert any(where in str(fault) for fault in caught.value.faults)


def test_a_result_has_one_limit() -> None:
    plain = json.loads(json.dumps(dict(SHIPPED["contact-drop"].plain)))
    plain["limits"] = [*plain["limits"], *plain["limits"]]
    with pytest.raises(InputFault, match="has a limit already"):
        read_procedure(plain)


def test_a_shops_file_adds_a_procedure_and_the_makers_figure_wins(tmp_path: Path) -> None:
    text = procedure_files()["contact-drop"].read_text(encoding="utf-8")
    text = text.replace('upper = "100"', 'upper = "40"').replace('"common practice"', '"read"')
    own_file(tmp_path, text).rename(tmp_path / "procedures" / "contact-drop.toml")
    assert load_procedure(procedure_files(tmp_path / "procedures")["contact-drop"]).limits[0].upper == 40
    plain = json.loads(RECORDS["P11"].read_text(encoding="utf-8"))
    assert (
        evaluate(load_record(plain, folder=tmp_path)).test("4").result("contact_drop_at_rated").verdict.verdict
        == "fail"
    )
    plain["tests"][3]["limits"] = [
        {"result": "contact_drop_at_rated", "upper": "60", "unit": "mV", "source": "maker's manual (invented), page 3"}
    ]
    result = evaluate(load_record(plain, folder=tmp_path)).test("4").result("contact_drop_at_rated")
    assert (result.verdict.verdict, result.limit.stated_by if result.limit else "") == ("pass", "user")


# -- the published numbers --------------------------------------------------------------------------------------


def carried_out(
    procedure: str, readings: dict[str, tuple[str, str]], system: str = "12", circuit: str = "ordinary", **given: str
) -> TestResult:
    """One test of a small record at 23 °C; ``given`` as ``"10 °C"``."""
    now = "2026-03-02T10:00:00+01:00"
    meters = ("handheld-6000", "dc-clamp", "recorder-12bit", "isolation-voltmeter", "low-resistance-meter", "contact-thermometer")  # fmt: skip
    record = load_record(
        {
            "schema": "diagnb-record/1", "id": "case", "created": now, "order": {"number": "1", "opened": now},
            "vehicle": {"system_voltage": system}, "circuit": {"name": "c", "class": circuit},
            "people": [{"id": "tech", "name": "R. Example", "role": "technician"}], "qualified_person": "tech",
            "conditions": {"ambient_degc": "23"},
            "instruments": [{"id": m, "meter": m, "serial": "1", "due": "2026-09-01"} for m in meters],
            "tests": [{
                "id": "1", "procedure": procedure, "phase": "as found", "time": now, "by": "tech",
                "readings": [{"name": n, "texts": [t], "instrument": m} for n, (t, m) in readings.items()],
                "given": {n: dict(zip(("value", "unit"), v.split(" "), strict=True), source="the case") for n, v in given.items()},
            }],
        }
    )  # fmt: skip
    return evaluate(record).tests[0]


M, CLAMP, REC, HV, LOW, TH = "handheld-6000", "dc-clamp", "recorder-12bit", "isolation-voltmeter", "low-resistance-meter", "contact-thermometer"  # fmt: skip


def value(test: TestResult, name: str) -> float:
    found = test.result(name).value
    assert found is not None, test.result(name).reason
    return found


def sides(result: Result) -> tuple[float | None, float | None]:
    assert result.limit is not None
    return result.limit.lower, result.limit.upper


@pytest.mark.parametrize("temperature", CASES["B07"]["inputs"]["ts"])
def test_load_test_minimum_at_every_temperature_of_the_table(temperature: int) -> None:
    case = CASES["B07"]["inputs"]
    printed = case["vs"][case["ts"].index(temperature)]
    readings = {"loaded_voltage": ("9.60 V", M), "load_current": ("400.0 A", CLAMP)}
    for system in ("12", "24"):  # one battery at a time, whatever the system voltage
        test = carried_out(
            "battery-load-test-half-cca", readings, system, cold_cranking_current="800 A", battery_temperature=f"{temperature} °C"
        )  # fmt: skip
        assert value(test, "lowest_allowed_voltage") == pytest.approx(printed, abs=1e-9)
        assert value(test, "load_test_margin") == pytest.approx(9.6 - printed, abs=1e-9)


def test_load_test_is_held_at_9_6_volts_when_warm_and_not_judged_below_the_table() -> None:
    readings = {"loaded_voltage": ("9.60 V", M), "load_current": ("400.0 A", CLAMP)}
    given = {"cold_cranking_current": "800 A"}
    warm = carried_out("battery-load-test-half-cca", readings, battery_temperature="35 °C", **given)
    assert value(warm, "lowest_allowed_voltage") == pytest.approx(9.6)
    cold = carried_out("battery-load-test-half-cca", readings, battery_temperature="-25 °C", **given)
    assert cold.result("load_test_margin").reason == "no-value"


def test_load_test_by_ampere_hours_asks_for_the_printed_load_and_voltage() -> None:
    for hours, load in zip(CASES["B10"]["inputs"]["ah"], CASES["B10"]["expected"][:2], strict=True):
        test = carried_out(
            "battery-load-test-ampere-hours",
            {"loaded_voltage": ("9.20 V", M), "load_current": (f"{load}.0 A", CLAMP)},
            battery_capacity=f"{hours} A·h",
        )
        assert value(test, "load_to_set") == pytest.approx(float(load))
        assert value(test, "load_share") == pytest.approx(100)
        assert sides(test.result("battery_voltage_under_load")) == (float(CASES["B10"]["expected"][2]), None)


def test_a_load_set_by_the_other_method_shows() -> None:
    readings = {"loaded_voltage": ("9.70 V", M), "load_current": ("300.0 A", CLAMP)}
    test = carried_out(
        "battery-load-test-half-cca", readings, cold_cranking_current="800 A", battery_temperature="20 °C"
    )
    assert test.result("load_test_margin").value == pytest.approx(0.1)
    assert test.result("load_share").verdict.verdict == "fail"


def test_state_of_charge_pair_and_cells() -> None:
    ocv = {"open_circuit_voltage": (f"{CASES['B01']['inputs']['v']:.2f} V", M)}
    charged = carried_out("battery-open-circuit-voltage", ocv, electrolyte_temperature="26.7 °C")
    assert value(charged, "state_of_charge") == pytest.approx(float(CASES["B01"]["expected"]))
    assert sides(charged.result("voltage_at_table_temperature")) == (12.4, None)
    cells = CASES["B06"]["inputs"]["cells"]
    spread = SHIPPED["battery-cell-spread"].limit_for("cell_spread")
    assert spread is not None
    assert spread.upper == 0.025
    assert (max(cells) - min(cells) > spread.upper) is True
    pair = {"first_voltage": ("12.30 V", M), "second_voltage": ("12.70 V", M)}
    two = carried_out("battery-pair-balance", pair, "24")
    assert value(two, "pair_voltage") == pytest.approx(25.0)
    assert two.result("pair_voltage").verdict.verdict == "pass"
    assert two.result("voltage_difference").verdict.verdict == "fail"
    assert carried_out("battery-pair-balance", pair, "12").result("pair_voltage").reason == "limit-missing"


def test_reserve_capacity_stands_in_for_ampere_hours() -> None:
    draw = {"draw": ("50.0 mA", M)}
    by_reserve = carried_out("key-off-draw", draw, reserve_capacity=f"{CASES['B11']['inputs']['rc_min']} min")
    by_hours = carried_out("key-off-draw", draw, battery_capacity=f"{CASES['B11']['expected']} A·h")
    assert value(by_reserve, "days_to_no_start") == pytest.approx(value(by_hours, "days_to_no_start"))
    assert by_reserve.result("key_off_draw").reason == "limit-missing"


@pytest.mark.parametrize(("system", "lowest"), [("12", "8"), ("24", "16")])
def test_cranking_voltage_by_system_and_temperature(system: str, lowest: str) -> None:
    assert lowest in CASES["S01"]["expected"]
    factor = int(system) // 12
    for temperature, per_twelve in ((-15, 6), (0, 7), (20, 8), (27, 8)):
        test = carried_out(
            "cranking-voltage",
            {
                "open_circuit_voltage": (f"{12.6 * factor:.2f} V", M), "cranking_voltage": (f"{9 * factor}.00 V", M),
                "cranking_current": ("400.0 A", CLAMP),
            },
            system, air_temperature=f"{temperature} °C",
        )  # fmt: skip
        assert value(test, "lowest_expected_voltage") == pytest.approx(per_twelve * factor)
        assert value(test, "cranking_margin") == pytest.approx((9 - per_twelve) * factor)
        assert value(test, "source_resistance") == pytest.approx(3.6 * factor / 400 * 1000)
    assert test.result("cranking_margin").verdict.verdict == "pass"


@pytest.mark.parametrize(("system", "limit", "current"), [("12", 0.5, 500), ("24", 1.0, 250)])
def test_starter_cables_twice_the_volts_at_half_the_current(system: str, limit: float, current: int) -> None:
    case = CASES["S02"]["inputs"]
    test = carried_out(
        "starter-cable-drop",
        {
            "plus_drop": (f"{case['vpos']:.3f} V", M), "minus_drop": (f"{case['vneg']:.3f} V", M),
            "cranking_current": (f"{current}.0 A", CLAMP),
        },
        system,
    )  # fmt: skip
    assert value(test, "total_drop") == pytest.approx(float(CASES["S02"]["expected"][0]))
    at_reference = test.result("total_drop_at_reference")
    assert at_reference.value == pytest.approx(0.41)
    assert sides(at_reference) == (None, limit)
    assert at_reference.limit is not None
    assert f"{current} A" in at_reference.limit.condition
    assert at_reference.verdict.verdict == "pass"


def test_a_system_without_a_figure_is_not_judged_until_the_user_states_one() -> None:
    readings = {"control_drop": ("1.500 V", M), "control_current": ("20.00 A", CLAMP)}
    verdicts = {s: carried_out("starter-control-drop", readings, s).result("control_circuit_drop") for s in ("12", "24", "48")}  # fmt: skip
    assert sides(verdicts["12"]) == (None, 1.0)
    assert sides(verdicts["24"]) == (None, 2.0)
    assert [v.verdict.verdict for v in verdicts.values()] == ["fail", "pass", "not judged"]
    assert verdicts["48"].reason == "limit-missing"
    assert verdicts["48"].limit is None
    assert verdicts["48"].value == pytest.approx(1.5)
    assert [a.code for a in verdicts["48"].advice] == ["state-limit"]


def test_starter_feed_limit_is_the_sum_of_its_parts() -> None:
    p = SHIPPED["starter-feed-spans"]
    upper = {e.result: e.by_system["12"].upper for e in p.limits}
    parts = CASES["S04"]["inputs"]["parts"]
    assert upper["feed_cable_drop"] == parts["cable 3 to 6 ft"]
    assert upper["disconnect_switch_drop"] == parts["mechanical switch"]
    assert upper["solenoid_contact_drop"] == parts["solenoid switch"]
    assert upper["feed_total_drop"] == float(CASES["S04"]["expected"])
    without = {"cable_drop": ("0.150 V", M), "solenoid_drop": ("0.100 V", M), "return_drop": ("0.100 V", M), "cranking_current": ("400.0 A", CLAMP)}  # fmt: skip
    assert value(carried_out("starter-feed-spans", without), "feed_total_drop") == pytest.approx(0.25)
    assert value(
        carried_out("starter-feed-spans", without | {"switch_drop": ("0.050 V", M)}), "feed_total_drop"
    ) == pytest.approx(0.30)


@pytest.mark.parametrize("index", range(5))
def test_regulator_window_at_every_temperature_of_the_table(index: int) -> None:
    case = CASES["S06"]["inputs"]
    test = carried_out(
        "regulator-window", {"running_voltage": ("14.20 V", M)}, regulator_temperature=f"{case['fs'][index]} °F"
    )
    assert value(test, "lowest_setting") == pytest.approx(case["lo"][index])
    assert value(test, "highest_setting") == pytest.approx(case["hi"][index])
    assert value(test, "margin_above_lowest") == pytest.approx(14.2 - case["lo"][index])
    assert value(test, "margin_below_highest") == pytest.approx(case["hi"][index] - 14.2)
    other = carried_out("regulator-window", {"running_voltage": ("14.20 V", M)}, "24", regulator_temperature="86 °F")
    assert {r.reason for r in other.results if r.name.startswith("margin")} == {"limit-missing"}


def test_charging_voltage_has_a_window_of_its_own_for_each_system() -> None:
    readings = {"running_voltage": ("28.00 V", M), "rest_voltage": ("25.20 V", M)}
    found = {s: carried_out("charging-voltage", readings, s).result("charging_voltage") for s in ("12", "24", "48")}
    assert sides(found["12"]) == (13.6, 14.2)
    assert sides(found["24"]) == (27.5, 28.5)
    assert found["12"].limit is not None
    assert found["24"].limit is not None
    assert found["12"].limit.source != found["24"].limit.source
    assert found["48"].reason == "limit-missing"


@pytest.mark.parametrize(("system", "upper"), [("12", 0.2), ("24", 0.4), ("48", 0.8)])
def test_charging_drop_scales_with_the_system_and_is_brought_to_rated_current(system: str, upper: float) -> None:
    test = carried_out(
        "charging-circuit-drop",
        {"plus_reading": ("100.0 mV", M), "minus_reading": ("50.0 mV", M), "output_current": ("75.0 A", CLAMP)},
        system, rated_current="150 A",
    )  # fmt: skip
    assert value(test, "plus_drop_at_rated") == pytest.approx(0.2)
    assert value(test, "total_drop_at_rated") == pytest.approx(0.3)
    assert sides(test.result("plus_drop_at_rated")) == pytest.approx((None, upper))
    assert test.result("total_drop_at_rated").limit.upper == pytest.approx(2.5 * upper)  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["contact-drop", "feed-side-drop", "ground-side-drop", "signal-ground-drop"])
def test_a_drop_in_millivolts_does_not_scale_with_the_system(name: str) -> None:
    for entry in SHIPPED[name].limits:
        assert {(e.lower, e.upper) for e in (entry.at_system(s) for s in ("12", "24", "48")) if e} == {(entry.lower, entry.upper)}  # fmt: skip


@pytest.mark.parametrize("index", [0, 1])
def test_lamp_voltage_by_design_voltage(index: int) -> None:
    design, least = CASES["S07"]["inputs"]["design"][index], float(CASES["S07"]["expected"][index])
    for above, verdict in ((1.02, "pass"), (0.98, "fail")):
        test = carried_out(
            "lamp-socket-voltage", {"socket_reading": (f"{least * above:.2f} V", M)}, design_voltage=f"{design} V"
        )
        assert value(test, "lowest_socket_voltage") == pytest.approx(least)
        assert sides(test.result("socket_share")) == pytest.approx((85, None))
        assert test.result("socket_share").verdict.verdict == verdict


def test_network_termination_and_levels() -> None:
    limit = SHIPPED["network-termination-resistance"].limit_for("termination_resistance")
    assert limit is not None
    assert [limit.lower, limit.upper] == [float(CASES["N01"]["expected"][0]), float(CASES["N01"]["expected"][2])]
    case = CASES["N02"]["inputs"]
    for system in ("12", "24", "48"):
        test = carried_out(
            "network-levels",
            {
                "high_dominant": (f"{case['canh']:.2f} V", REC), "low_dominant": (f"{case['canl']:.2f} V", REC),
                "high_recessive": ("2.52 V", REC), "low_recessive": ("2.49 V", REC),
            },
            system, "control module or data network",
        )  # fmt: skip
        assert value(test, "dominant_difference") == pytest.approx(float(CASES["N02"]["expected"][0]))
        assert sides(test.result("dominant_difference")) == (1.5, 3.0)
        assert sides(test.result("high_dominant_level")) == (2.75, 4.5)
        assert sides(test.result("low_dominant_level")) == (0.5, 2.25)
        assert {r.verdict.verdict for r in test.results if r.limit} == {"pass"}


@pytest.mark.parametrize(("supply", "system"), [(13.5, "12"), (27.0, "24")])
def test_single_wire_network_levels_are_shares_of_the_supply(supply: float, system: str) -> None:
    test = carried_out(
        "single-wire-network-levels",
        {"supply_reading": (f"{supply:.2f} V", M), "idle_reading": (f"{supply * 0.95:.2f} V", M), "dominant_reading": ("1.20 V", M)},
        system, "control module or data network",
    )  # fmt: skip
    printed = [float(x) * supply / CASES["N03"]["inputs"]["vsup"] for x in CASES["N03"]["expected"]]
    assert value(test, "lowest_recessive_level") == pytest.approx(printed[0])
    assert value(test, "highest_dominant_level") == pytest.approx(printed[1])
    assert sides(test.result("recessive_share")) == pytest.approx((60, None))
    assert sides(test.result("dominant_share")) == pytest.approx((None, 40))


def test_platinum_thermometer_at_the_points_of_the_standard() -> None:
    for celsius, ohms in zip(CASES["T01"]["inputs"]["ts"], CASES["T01"]["expected"], strict=True):
        if celsius < -40 or celsius > 200:
            # Beyond the thermometer that ships: the formula itself.
            p = SHIPPED["platinum-resistance"]
            formula = next(d for d in p.derived if d.name == "expected_resistance").formulas[0]
            found = formula.value({**p.constants, "celsius": float(celsius)}, p.tables)
        else:
            test = carried_out(
                "platinum-resistance",
                {"sensor_reading": (f"{float(ohms):.1f} Ω", M), "temperature_reading": (f"{celsius:.1f} °C", TH)},
            )
            found = value(test, "expected_resistance")
            assert abs(value(test, "temperature_error")) < 0.15
            assert value(test, "class_tolerance") == pytest.approx(0.30 + 0.005 * abs(celsius))
        assert found == pytest.approx(float(ohms), abs=5e-5)


def test_ntc_at_the_points_of_its_characteristic() -> None:
    case = CASES["T03"]["inputs"]
    for celsius, ohms in zip(case["ts"], CASES["T03"]["expected"], strict=True):
        test = carried_out(
            "ntc-resistance",
            {"sensor_reading": (f"{float(ohms) / 1000:.3f} kΩ" if float(ohms) < 6000 else f"{float(ohms) / 1000:.2f} kΩ", M), "temperature_reading": (f"{celsius:.1f} °C", TH)},
            circuit="control module or data network", resistance_25=f"{case['r25']} Ω", b_value=f"{case['B']} K",
        )  # fmt: skip
        assert value(test, "expected_resistance") == pytest.approx(float(ohms), abs=0.06)
        assert value(test, "temperature_error") == pytest.approx(0, abs=0.05)
        assert value(test, "shown_temperature") == pytest.approx(celsius, abs=0.05)


def test_current_loop_in_per_cent_of_its_span() -> None:
    for current, share in zip(CASES["T06"]["inputs"]["ma"], CASES["T06"]["expected"], strict=True):
        test = carried_out("current-loop", {"loop_reading": (f"{current:.2f} mA", M)}, "24")
        assert value(test, "span_share") == pytest.approx(float(share))
        assert sides(test.result("loop_current")) == pytest.approx((3.8, 20.5))
    assert test.result("loop_current").verdict.verdict == "fail"  # 3.6 mA is a failure signal


def test_isolation_resistance_for_each_volt_and_the_border_of_high_voltage() -> None:
    volts = CASES["H01"]["inputs"]["v"]
    test = carried_out(
        "high-voltage-isolation",
        {"bus_reading": (f"{volts:.1f} V", HV), "side_reading": ("200.0 V", HV), "side_with_resistor": ("100.0 V", HV)},
        "48", "high voltage", known_resistor="20 kΩ",
    )  # fmt: skip
    # 20 kΩ · 400 V · (1/100 V - 1/200 V) = 40 kΩ: just the least that a 400 V bus must have.
    assert value(test, "isolation_resistance") * 1000 == pytest.approx(float(CASES["H01"]["expected"][0]))
    assert value(test, "isolation_per_volt") == pytest.approx(100)
    assert sides(test.result("isolation_per_volt")) == (100, None)
    assert test.result("isolation_per_volt").verdict.verdict.startswith("conditional")
    for volts_dc, high in zip(CASES["H03"]["inputs"]["vdc"], CASES["H03"]["expected"][:3], strict=True):
        limit = SHIPPED["voltage-class-check"].limits[0]
        assert limit.upper is not None
        assert str(volts_dc > limit.upper) == high
    bond = carried_out(
        "high-voltage-bonding", {"bond_voltage": ("20.0 mV", M), "bond_current": ("1.00 A", CLAMP)}, "48", "high voltage"
    )  # fmt: skip
    assert sides(bond.result("bond_resistance")) == (None, CASES["H03"]["inputs"]["r"])
    assert sides(bond.result("bond_test_current")) == (CASES["H03"]["inputs"]["i"], None)


def test_coil_wire_and_fuse_by_their_published_cases() -> None:
    e06 = CASES["E06"]["inputs"]
    coil = carried_out(
        "solenoid-coil-resistance", {"coil_reading": (f"{e06['r']:.2f} Ω", LOW)},
        nominal_resistance="4.5 Ω", coil_temperature=f"{e06['t']:g} °C",
    )  # fmt: skip
    assert value(coil, "coil_resistance_20") == pytest.approx(float(CASES["E06"]["expected"]), abs=5e-4)
    w12 = CASES["W12"]["inputs"]
    wire = carried_out(
        "wire-resistance", {"resistance_reading": ("45.6 mΩ", LOW)},
        wire_length=f"{w12['length_m']:g} m", wire_temperature="20 °C", conductor_area=f"{w12['size']} mm²",
    )  # fmt: skip
    assert value(wire, "expected_resistance") / 1000 == pytest.approx(float(CASES["W12"]["expected"]))
    assert value(wire, "resistance_ratio") == pytest.approx(1)
    table = SHIPPED["wire-resistance"].tables["resistance_of_area"]
    printed = {float(k): v for k, v in w12["table_mohm_per_m"].items()}
    assert {round(a * 1e6, 9): round(r * 1e3, 9) for a, r in zip(table.x, table.y, strict=True)} == printed
    fuse = carried_out(
        "fuse-current-estimate", {"drop": ("1.0 mV", M)}, fuse_resistance=f"{CASES['E08']['expected'][0]} mΩ"
    )
    # A spread of a fifth makes the mean of the quotient 1.4 % larger than the quotient of the means.
    assert value(fuse, "branch_current") == pytest.approx(CASES["E08"]["inputs"]["table"][0][2], rel=0.02)


@pytest.mark.parametrize(("system", "lower", "upper", "tag"), [("12", 6, 16, "read"), ("24", 10, 32, "from memory"), ("48", 36, 52, "from memory")])  # fmt: skip
def test_supply_range_of_a_module_by_system(system: str, lower: int, upper: int, tag: str) -> None:
    volts = {"12": "12.60", "24": "25.20", "48": "48.0"}[system]
    test = carried_out(
        "supply-dip", {"lowest_reading": (f"{volts} V", REC), "highest_reading": (f"{volts} V", REC)}, system
    )
    for name, wanted in (("lowest_supply", (lower, None)), ("highest_supply", (None, upper))):
        assert sides(test.result(name)) == wanted
        assert test.result(name).limit.tag == tag  # type: ignore[union-attr]
        assert test.result(name).verdict.verdict == "pass"
    if system != "48":
        code = {"12": "A", "24": "E"}[system]
        assert CASES["F02"]["inputs"]["table"][code] == [lower, upper]


def test_a_test_that_feeds_the_circuit_is_refused_where_circuits_are_measured_only() -> None:
    readings = {"coil_reading": ("80.0 Ω", M), "pull_in_reading": ("7.20 V", M), "drop_out_reading": ("2.40 V", M)}
    plain = carried_out("relay-coil", readings, coil_temperature="20 °C")
    assert {r.verdict.verdict for r in plain.results} == {"pass"}
    for kind in ("control module or data network", "restraint", "high voltage"):
        refused = carried_out("relay-coil", readings, circuit=kind, coil_temperature="20 °C")
        assert {r.reason for r in refused.results} == {"circuit-class-forbids"}


# -- the example records ----------------------------------------------------------------------------------------

# test id -> result -> verdict, for every result with a limit
VERDICTS: dict[str, dict[str, dict[str, str]]] = {
    "P01": {
        "1": {"voltage_at_table_temperature": "pass"},
        "2": {"voltage_at_table_temperature": "fail"},
        "3": {"voltage_difference": "fail", "pair_voltage": "pass"},
        "4": {"cell_spread": "fail"},
        "5": {"voltage_difference": "pass", "pair_voltage": "pass"},
    },
    "P02": {
        "1": {"load_test_margin": "fail", "load_share": "pass"},
        "2": {"load_test_margin": "pass", "load_share": "pass"},
        "3": {"battery_voltage_under_load": "pass", "load_share": "pass"},
    },
    "P03": {
        "1": {"cranking_margin": "fail"},
        "2": {"cranking_margin": "pass"},
    },
    "P04": {
        "1": {"total_drop_at_reference": "fail"},
        "2": {"feed_cable_drop": "fail", "solenoid_contact_drop": "pass", "disconnect_switch_drop": "pass", "ground_side_drop": "pass", "feed_total_drop": "fail"},
        "3": {"control_circuit_drop": "fail"},
        "4": {"total_drop_at_reference": "pass"},
        "5": {"control_circuit_drop": "pass"},
    },
    "P05": {
        "1": {"charging_voltage": "fail"},
        "2": {"margin_above_lowest": "fail", "margin_below_highest": "pass"},
        "3": {"output_share": "fail"},
        "4": {"margin_above_lowest": "pass", "margin_below_highest": "pass"},
        "5": {"charging_voltage": "pass"},
    },
    "P06": {
        "1": {"ripple_voltage": "fail"},
        "2": {"leakage_current": "fail"},
        "3": {"forward_voltage": "fail"},
        "4": {"forward_voltage": "pass"},
        "5": {"leakage_current": "pass"},
    },
    "P07": {
        "1": {"plus_drop_at_rated": "pass", "minus_drop_at_rated": "fail", "total_drop_at_rated": "fail", "load_share": "pass"},
        "2": {"plus_drop_at_rated": "pass", "minus_drop_at_rated": "pass", "total_drop_at_rated": "pass", "load_share": "pass"},
    },
    "P08": {
        "1": {"key_off_draw": "fail", "days_to_no_start": "fail"},
        "2": {"key_off_draw": "pass", "days_to_no_start": "pass"},
    },
    "P09": {
        "1": {"feed_drop": "fail"},
        "2": {"feed_drop": "pass"},
    },
    "P10": {
        "1": {"ground_drop": "fail"},
        "2": {"signal_ground_drop": "fail"},
        "3": {"ground_drop": "pass"},
        "4": {"signal_ground_drop": "pass"},
    },
    "P11": {
        "1": {"contact_drop_at_rated": "fail"},
        "2": {"contact_drop_at_rated": "pass"},
        "3": {"contact_drop_at_rated": "pass"},
        "4": {"contact_drop_at_rated": "pass"},
    },
    "P12": {
        "1": {"branch_current": "fail"},
        "2": {"branch_current": "pass"},
    },
    "P13": {
        "1": {"coil_resistance_20": "fail", "pull_in_share": "fail", "drop_out_share": "pass"},
        "2": {"spike_ratio": "fail"},
        "3": {"coil_resistance_20": "pass", "pull_in_share": "pass", "drop_out_share": "pass"},
    },
    "P14": {
        "1": {"resistance_ratio": "fail"},
        "2": {"inrush_ratio": "fail"},
        "3": {"inrush_ratio": "pass"},
        "4": {"resistance_ratio": "pass"},
    },
    "P15": {
        "1": {"socket_share": "fail"},
        "2": {"socket_share": "pass"},
    },
    "P16": {
        "1": {"coil_deviation": "fail", "body_insulation": "pass"},
        "2": {"coil_deviation": "pass", "body_insulation": "pass"},
    },
    "P17": {
        "1": {"imbalance": "fail"},
        "2": {"element_power": "pass"},
        "3": {"imbalance": "pass"},
    },
    "P18": {
        "1": {"reference_voltage": "fail", "ground_offset": "pass"},
        "2": {"reference_voltage": "pass", "ground_offset": "pass"},
    },
    "P19": {
        "1": {"signal_ratio": "fail"},
        "2": {"signal_ratio": "pass"},
    },
    "P20": {
        "1": {"sensor_deviation": "fail"},
        "2": {"sensor_deviation": "pass"},
        "3": {"margin_below": "conditional fail", "margin_above": "conditional pass"},
    },
    "P21": {
        "1": {"loop_current": "fail"},
        "2": {"loop_current": "pass"},
    },
    "P22": {
        "1": {"termination_resistance": "fail"},
        "2": {"high_to_ground": "fail", "low_to_ground": "pass"},
        "3": {"dominant_difference": "pass", "high_dominant_level": "pass", "low_dominant_level": "pass", "high_recessive_level": "pass", "low_recessive_level": "pass"},
        "4": {"termination_resistance": "pass"},
        "5": {"high_to_ground": "pass", "low_to_ground": "pass"},
    },
    "P23": {
        "1": {"recessive_share": "fail", "dominant_share": "pass"},
        "2": {"recessive_share": "pass", "dominant_share": "pass"},
        "3": {"idle_difference": "pass"},
    },
    "P24": {
        "1": {"excess_resistance": "pass"},
        "2": {"wire_insulation": "fail"},
        "3": {"shield_resistance": "fail"},
        "4": {"wire_insulation": "pass"},
        "5": {"shield_resistance": "pass"},
        "6": {"harness_insulation": "pass"},
    },
    "P25": {
        "1": {"isolation_per_volt": "fail"},
        "2": {"bond_resistance": "pass", "bond_test_current": "pass"},
        "3": {"highest_voltage": "pass"},
        "4": {"isolation_per_volt": "pass"},
    },
    "P26": {
        "1": {"lamp_share": "fail", "return_drop": "fail"},
        "2": {"lamp_share": "pass", "return_drop": "pass"},
    },
    "P27": {
        "1": {"resistance_ratio": "fail"},
        "2": {"resistance_ratio": "pass"},
    },
    "P28": {
        "1": {"lowest_supply": "fail", "highest_supply": "pass"},
        "2": {"lowest_supply": "pass", "highest_supply": "pass", "time_below": "not judged"},
    },
    "P29": {
        "1": {"output_voltage": "fail", "efficiency": "fail", "no_load_current": "fail", "output_ripple": "fail"},
        "2": {"output_voltage": "pass", "efficiency": "pass", "no_load_current": "pass", "output_ripple": "pass"},
    },
    "P30": {
        "1": {"rise_over_like": "fail", "rise_at_rated": "fail", "load_share": "pass"},
        "2": {"rise_over_like": "pass", "rise_at_rated": "pass", "load_share": "pass"},
    },
    # Common practice: a motor that opens the fitted breaker of 20 A and runs when it is set higher takes too much.
    "outside-power": {
        "1": {"protection_margin": "pass", "running_margin": "fail"},
        "2": {"protection_margin": "pass", "running_margin": "pass"},
        "3": {"protection_margin": "pass", "running_margin": "pass"},
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def examples() -> dict[str, tuple[Record, Evaluation]]:
    records = {name: load_record(path) for name, path in RECORDS.items()}
    return {name: (record, evaluate(record)) for name, record in records.items()}


def test_there_is_an_example_for_every_numbered_procedure(examples: dict[str, tuple[Record, Evaluation]]) -> None:
    numbered = {name: record for name, (record, _) in examples.items() if name != "outside-power"}
    assert list(numbered) == [f"P{i:02d}" for i in range(1, 31)]
    assert {t.procedure for record in numbered.values() for t in record.tests} == set(NUMBERED)
    for name, record in numbered.items():
        assert name in {SHIPPED[t.procedure].number for t in record.tests}


@pytest.mark.parametrize("name", sorted(RECORDS))
def test_an_example_is_invented_filled_and_judged(name: str, examples: dict[str, tuple[Record, Evaluation]]) -> None:
    record, found = examples[name]
    assert record.demonstration
    assert vin_remark(record.vehicle.vin) is None
    assert "invented" in record.vehicle.description
    verdicts = {t.id: {r.name: r.verdict.verdict for r in t.results if r.reason != "no-limit"} for t in found.tests}
    assert verdicts == VERDICTS[name]
    assert any(word != "not judged" for words in verdicts.values() for word in words.values())
    assert not any(t.missing for t in found.tests)


@pytest.mark.parametrize("name", sorted(RECORDS))
def test_an_example_renders(name: str, examples: dict[str, tuple[Record, Evaluation]]) -> None:
    from diagnb.report import render_report

    record, found = examples[name]
    moment = dt.datetime(2026, 6, 1, 12, 0, tzinfo=dt.UTC)
    data = render_report(record, found, moment=moment, paper="Letter" if name[-1] in "13579" else "A4")
    assert data.startswith(b"%PDF-")
    assert len(data) > 20_000


def test_a_conditional_verdict_in_a_range_of_kilohms_is_given_with_its_advice() -> None:
    """The steps of such a range are coarser than the unit of the function."""
    plain = json.loads(RECORDS["P22"].read_text(encoding="utf-8"))
    plain["tests"][1]["readings"][1]["texts"] = ["22.00 kΩ"]
    plain["tests"][1]["limits"] = [
        {"result": "low_to_ground", "lower": "22.01", "unit": "kΩ", "source": "maker's manual (invented)"}
    ]
    result = evaluate(load_record(plain)).test("2").result("low_to_ground")
    assert result.verdict.verdict == "conditional fail"
    assert result.advice


def test_an_optional_reading_that_nobody_limits_is_neither_missed_nor_printed() -> None:
    from diagnb.cli.lines import evaluation_lines
    from diagnb.readiness import check

    plain = json.loads(RECORDS["outside-power"].read_text(encoding="utf-8"))
    for test in plain["tests"]:
        test["readings"] = test["readings"][:1]
    record = load_record(plain)
    found = evaluate(record)
    ratio = found.test("1").result("inrush_ratio")
    assert (ratio.reason, ratio.to_judge) == ("reading-missing", False)
    assert "Inrush" not in "\n".join(evaluation_lines(found))
    assert "not-judged" not in {r.code for r in check(record, found)}
    # A required one is missed all the same.
    plain["tests"][0]["readings"] = []
    record = load_record(plain)
    assert "not-judged" in {r.code for r in check(record, evaluate(record))}
