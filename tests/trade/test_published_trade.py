"""Every published trade case, computed by our own functions to half a unit of the last printed digit.

Inputs, expected values, source and provenance are in ``tests/published/trade.json``. Units are converted by the
package's own units, so that a wrong unit shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from published_digits import agrees, cases

from diagnb import trade
from diagnb.conformity import Limit, judge
from diagnb.meters import load_meter
from diagnb.quantities import convert, parse_indication
from diagnb.record import model_years, vin
from diagnb.uncertainty import Estimate, coverage_factor, propagate

Inputs = dict[str, Any]
CASES = {case["id"]: case for case in cases("trade.json")}
REPRODUCED: dict[str, Callable[[Inputs], Any]] = {}
NOT_REPRODUCED: dict[str, str] = {}
"""Cases that our functions don't give, each with the reason."""


def case(identity: str) -> Callable[[Callable[[Inputs], Any]], Callable[[Inputs], Any]]:
    def keep(function: Callable[[Inputs], Any]) -> Callable[[Inputs], Any]:
        REPRODUCED[identity] = function
        return function

    return keep


def same_rows(table: str, x: str, xs: list[float], y: str, ys: list[float]) -> None:
    """The shipped table is the one that the case was read from."""
    found = trade.find_table(table)
    assert found.values(x).tolist() == xs
    assert found.values(y).tolist() == ys


@case("W01")
def _(given: Inputs) -> Any:
    return convert(trade.diameter_from_gauge(gauge=given["n"]), "m", "in")


@case("W02")
def _(given: Inputs) -> Any:
    assert trade.gauge_number(text="4/0") == -3
    return convert(trade.diameter_from_gauge(gauge=given["ns"]), "m", "in")


@case("W03")
def _(given: Inputs) -> Any:
    return convert(trade.area_from_gauge(gauge=given["n"]), "m²", "mm²")


@case("W04")
def _(given: Inputs) -> Any:
    return 1000 * convert(trade.resistance_per_metre_from_gauge(gauge=given["ns"]), "Ω/m", "ohm/ft")


@case("W09")
def _(given: Inputs) -> Any:
    assert given["alpha"] == trade.COEFFICIENT_IEC_60028
    at_20 = trade.maximum_resistance_per_metre(size_mm2=1.5, table="iec-60228-class-5")
    assert convert(at_20, "Ω/m", "Ω/km") == pytest.approx(given["r20"])
    return convert(trade.resistance_at_temperature(resistance_20=at_20, temperature_degc=given["t"]), "Ω/m", "Ω/km")


@case("W11")
def _(given: Inputs) -> Any:
    alpha = given["alpha20"]
    return [
        -trade.zero_resistance_degc(coefficient=alpha),
        trade.coefficient_at_temperature(temperature_degc=0.0, coefficient=alpha),
    ]


@case("W12")
def _(given: Inputs) -> Any:
    sizes, values = zip(*given["table_mohm_per_m"].items(), strict=True)
    same_rows("iso-6722-1", "size", [float(s) for s in sizes], "resistance", list(values))
    per_metre = trade.maximum_resistance_per_metre(size_mm2=float(given["size"]), table="iso-6722-1")
    assert trade.maximum_drop(size_mm2=float(given["size"]), length=given["length_m"], current=1.0, table="iso-6722-1") == per_metre * given["length_m"]  # fmt: skip
    return per_metre * given["length_m"]


@case("W14")
def _(given: Inputs) -> Any:
    table = given["table_105C"]
    assert trade.ampacity(gauge=[trade.gauge_number(text=g) for g in table]).tolist() == list(table.values())
    return trade.ampacity(gauge=trade.gauge_number(text=given["gauge"]))


@case("E01")
def _(given: Inputs) -> Any:
    v, i = given["v"], given["i"]
    return [trade.resistance_from_drop(drop=v, current=i), trade.power_from_drop(drop=v, current=i)]


@case("E04")
def _(given: Inputs) -> Any:
    return trade.charge_fraction(time=[0.002, 0.010], time_constant=0.002)


@case("E05")
def _(given: Inputs) -> Any:
    return trade.coil_current(voltage=given["V"], resistance=given["R"], inductance=given["L"], time=given["t"])


@case("E06")
def _(given: Inputs) -> Any:
    return trade.resistance_at_20(resistance=given["r"], temperature_degc=given["t"])


@case("E08")
def _(given: Inputs) -> Any:
    published = trade.published_drops(kind="C", rated=10) + trade.published_drops(kind="F", rated=15)
    expected = [pytest.approx((mv / 1000, ma / 1000), rel=1e-12) for _, mv, ma in given["table"]]
    assert list(published) == expected
    return [1000 * trade.resistance_from_drop(drop=v, current=i) for v, i in published]


@case("B01")
def _(given: Inputs) -> Any:
    same_rows("charge-battery-council", "voltage", given["vs"], "state_of_charge", given["soc"])
    return 100 * trade.state_of_charge_from_voltage(voltage=given["v"], table="charge-battery-council")


@case("B03")
def _(given: Inputs) -> Any:
    same_rows("charge-tm-5-3805", "voltage", given["vs"], "state_of_charge", given["soc"])
    return 100 * trade.state_of_charge_from_voltage(voltage=given["v"], table="charge-tm-5-3805")


@case("B04")
def _(given: Inputs) -> Any:
    return trade.voltage_correction(temperature_degc=convert(given["f"], "°F", "°C"))


@case("B06")
def _(given: Inputs) -> Any:
    return trade.exceeds_cell_spread(specific_gravities=given["cells"])


@case("B07")
def _(given: Inputs) -> Any:
    same_rows("load-test-half-cca", "temperature", given["ts"], "voltage", given["vs"])
    return trade.minimum_load_voltage(temperature_degc=given["t"])


@case("B10")
def _(given: Inputs) -> Any:
    test = trade.load_test_at_three_times_capacity(capacity_ah=given["ah"])
    assert test.duration == 15
    return [*test.current, *test.minimum_voltage]


@case("B11")
def _(given: Inputs) -> Any:
    return trade.capacity_ah_from_reserve(reserve_minutes=given["rc_min"])


@case("S01")
def _(given: Inputs) -> Any:
    middles = {"-23..-7": -15.0, "-7..10": 0.0, "10..27": 20.0}
    for band, middle in middles.items():
        both = [trade.cranking_window(temperature_degc=middle, system_voltage=s) for s in (12, 24)]
        assert [v for window in both for v in window] == given["table"][band]
    t = middles[given["band"]]
    return [v for s in (12, 24) for v in trade.cranking_window(temperature_degc=t, system_voltage=s)]


@case("S02")
def _(given: Inputs) -> Any:
    limit = trade.battery_cable_limit(system_voltage=given["system"])
    drop = trade.battery_cable_drop(positive_side=given["vpos"], negative_side=given["vneg"])
    other = trade.battery_cable_limit(system_voltage=24)
    assert (other.drop, other.current) == (1.0, 250.0)
    return [drop, limit.drop, limit.current]


@case("S04")
def _(given: Inputs) -> Any:
    return trade.starter_circuit_limit(parts=[p.removeprefix("each ") for p in given["parts"]])


@case("S06")
def _(given: Inputs) -> Any:
    same_rows("regulator-12v", "temperature", given["fs"], "lowest", given["lo"])
    same_rows("regulator-12v", "temperature", given["fs"], "highest", given["hi"])
    low, high = trade.regulator_window(temperature_degc=convert(given["f"], "°F", "°C"))
    return [low, high, 1000 * trade.regulator_slope()]


@case("S07")
def _(given: Inputs) -> Any:
    return trade.lamp_voltage_minimum(design_voltage=given["design"])


@case("F01")
def _(given: Inputs) -> Any:
    for percent, (shortest, longest) in given["table"].items():
        assert trade.opening_window(current=float(percent), rated=100.0) == (shortest, math.inf if longest is None else longest)  # fmt: skip
    return trade.opening_window(current=given["amps"], rated=given["rated"])


@case("F02")
def _(given: Inputs) -> Any:
    assert {c: list(trade.supply_code_range(code=c)) for c in given["table"]} == given["table"]
    return trade.supply_code_range(code=given["code"])


@case("F03")
def _(given: Inputs) -> Any:
    def row(system: str) -> list[float]:
        dump = trade.load_dump(system_voltage=float(system))
        return [*dump.peak, *dump.source_resistance, *(1000 * s for s in dump.duration)]

    assert row("12") == pytest.approx(given["table"]["12"])
    return row(given["system"])


@case("N01")
def _(given: Inputs) -> Any:
    ends = np.array([given[k] for k in ("lo", "nom", "hi")])
    found = trade.termination_from_resistors(first=ends, second=ends)
    assert trade.termination_window() == pytest.approx(tuple(found))
    assert trade.terminator_count(resistance=found[1]) == pytest.approx(2)
    return found


@case("N02")
def _(given: Inputs) -> Any:
    found = trade.dominant_levels(can_h=given["canh"], can_l=given["canl"])
    assert trade.can_state(can_h=given["canh"], can_l=given["canl"]) == "dominant"
    return [found.difference, found.difference_fits, found.can_h_fits, found.can_l_fits]


@case("N03")
def _(given: Inputs) -> Any:
    return trade.lin_thresholds(supply=given["vsup"])


def fields(raw: list[int]) -> list[int]:
    code = trade.fault_code_from_bytes(raw=raw)
    assert list(trade.bytes_from_fault_code(code=code)) == raw
    return [code.spn, code.fmi, code.conversion_method, code.occurrence_count]


@case("N06")
def _(given: Inputs) -> Any:
    return fields(given["b"])


@case("N07")
def _(given: Inputs) -> Any:
    assert not trade.fault_code_from_bytes(raw=given["b"]).count_known
    return fields(given["b"])


@case("V02")
def _(given: Inputs) -> Any:
    # The package hands out the digit only, so the weighted sum is taken from its tables.
    total = sum(vin._VALUES[c] * w for c, w in zip(given["vin"], vin._WEIGHTS, strict=True))
    return [total, vin.check_digit(given["vin"])]


@case("V04")
def _(given: Inputs) -> Any:
    recent = {c: y for c in "ABCDEFGHJKLMNPRSTVWXY123456789" for y in model_years(c) if 2001 <= y <= 2030}
    return [recent[c] for c in given["c"]]


@case("T01")
def _(given: Inputs) -> Any:
    assert (given["A"], given["B"], given["Cc"]) == (trade.RTD_A, trade.RTD_B, trade.RTD_C)
    found = trade.rtd_resistance(temperature_degc=given["ts"])
    assert trade.rtd_temperature(resistance=found) == pytest.approx(given["ts"], abs=1e-9)
    return found


@case("T03")
def _(given: Inputs) -> Any:
    return trade.ntc_resistance(temperature_degc=given["ts"], resistance_25=given["r25"], b_kelvin=given["B"])


@case("T06")
def _(given: Inputs) -> Any:
    amperes = [parse_indication(f"{ma} mA", unit="mA").value for ma in given["ma"]]
    return 100 * trade.loop_fraction(current=amperes)


@case("H01")
def _(given: Inputs) -> Any:
    return [trade.minimum_isolation_resistance(working_voltage=given["v"], circuit=c) for c in ("dc", "ac")]


@case("H03")
def _(given: Inputs) -> Any:
    assert trade.bonding_limit() == (given["r"], given["i"])
    return [*trade.is_high_voltage(voltage=given["vdc"]), trade.bonding_drop(resistance=given["r"], current=given["i"])]


@case("D01")
def _(given: Inputs) -> Any:
    used = load_meter("handheld-6000").read(f"{given['reading']} V", function="dc voltage", ambient_degc=23)
    assert used.range is not None
    assert used.estimate is not None
    u = used.estimate.standard_uncertainty
    return [used.range.limit(given["reading"]), u, coverage_factor(0.9545) * u]


@case("D03")
def _(given: Inputs) -> Any:
    r = propagate("v / i", {"v": Estimate(given["v"], given["uv"]), "i": Estimate(given["i"], given["ui"])})
    assert r.value == trade.resistance_from_drop(drop=given["v"], current=given["i"])
    return [r.value, r.standard_uncertainty]


@case("D04")
def _(given: Inputs) -> Any:
    u = given["w"] / coverage_factor(0.95)
    return [judge(Estimate(x, u), Limit(upper=given["tl"]), "guarded-U").verdict for x in given["xs"]]


@case("D05")
def _(given: Inputs) -> Any:
    return [trade.defect_threshold(family_size=given["sales"], action=a) for a in ("investigate", "report")]


@case("U01")
def _(given: Inputs) -> Any:
    return [convert(given["f"], "°F", "°C"), convert(given["c"], "°C", "°F")]


@case("U03")
def _(given: Inputs) -> Any:
    return [parse_indication(f"{number} {prefix}V", unit="V").value for number, prefix in given["vals"]]


def test_every_case_is_reproduced_or_says_why_not() -> None:
    assert set(REPRODUCED) | set(NOT_REPRODUCED) == set(CASES)
    assert not set(REPRODUCED) & set(NOT_REPRODUCED)


@pytest.mark.parametrize("identity", sorted(CASES))
def test_case_names_its_source_and_provenance(identity: str) -> None:
    assert CASES[identity]["source"].strip()
    assert CASES[identity]["provenance"].strip()


@pytest.mark.parametrize("identity", sorted(REPRODUCED))
def test_case_is_reproduced_to_the_printed_digits(identity: str) -> None:
    entry = CASES[identity]
    found, printed = REPRODUCED[identity](entry["inputs"]), entry["expected"]
    pairs = zip(found, printed, strict=True) if isinstance(printed, list) else [(found, printed)]
    for value, text in pairs:
        if isinstance(value, str | bool | np.bool_):
            assert str(value) == text
        else:
            # A case may say that its table was made from rounded inputs.
            loose = float(text) * entry["tol_rel"] if "tol_rel" in entry else None
            assert agrees(value, text, loose), f"{identity} ({entry['source']}): {value} is not {text}"
