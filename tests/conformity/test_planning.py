"""Planning a test: what can be judged, checked against closed forms and against the verdicts themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnb.conformity import (
    Limit,
    acceptance_limits,
    capability,
    compare_ways,
    guard_band,
    judge,
    narrowest_tolerance,
    repeats_needed,
    smallest_current,
    smallest_limit,
)
from diagnb.errors import InputFault, MeasurementFault, fault
from diagnb.meters import load_meter
from diagnb.uncertainty import Component, Estimate, propagate

Z95 = 1.6448536269514722
RULES = ["guarded-95", "guarded-U"]


def of_statement(percent: float, counts: float, step: float):
    """A way of measuring from an accuracy statement: the whole limit as one rectangle."""

    def at(value: float) -> Estimate:
        half = percent / 100 * abs(value) + counts * step
        return Estimate(value, half / math.sqrt(3), source="meter", distribution="rectangular")

    return at


def relative(u_rel: float):
    return lambda value: Estimate(value, u_rel * abs(value))


def test_speed_meter_example() -> None:
    """JCGM 106, example of a speed meter: v = v0/(1 - u_rel·z) = 107 km/h at 99.9 % (from memory)."""
    found = acceptance_limits(relative(0.02), Limit(upper=100.0), probability=0.999)
    z = stats.norm.ppf(0.999)
    assert found.fail_above == pytest.approx(100 / (1 - 0.02 * z), rel=1e-12)
    assert round(found.fail_above) == 107
    assert found.upper == pytest.approx(100 / (1 + 0.02 * z), rel=1e-12)
    assert (found.lower, found.fail_below, found.capable) == (None, None, True)


def test_constant_uncertainty_gives_the_plain_guard_band() -> None:
    found = acceptance_limits(lambda v: Estimate(v, 0.1), Limit(11.0, 13.0))
    assert (found.lower, found.upper) == pytest.approx((11 + Z95 * 0.1, 13 - Z95 * 0.1), rel=1e-12)
    assert (found.fail_below, found.fail_above) == pytest.approx((11 - Z95 * 0.1, 13 + Z95 * 0.1), rel=1e-12)
    simple = acceptance_limits(lambda v: Estimate(v, 0.1), Limit(11.0, 13.0), "simple")
    assert (simple.lower, simple.upper, simple.fail_above) == (11.0, 13.0, 13.0)
    assert not acceptance_limits(lambda v: Estimate(v, 1.0), Limit(11.0, 13.0)).capable


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("limit", [Limit(upper=0.5), Limit(lower=-5.6, upper=-5.4), Limit(lower=12.4)])
@pytest.mark.parametrize("at", [of_statement(0.5, 2, 0.001), relative(0.004)])
def test_acceptance_limits_are_where_the_verdict_turns(at, limit: Limit, rule: str) -> None:
    found = acceptance_limits(at, limit, rule)
    for edge, inward, word in (
        (found.upper, -1, "pass"), (found.lower, 1, "pass"), (found.fail_above, 1, "fail"), (found.fail_below, -1, "fail"),
    ):  # fmt: skip
        if edge is not None:
            small = 1e-6 * abs(edge)
            assert judge(at(edge + inward * small), limit, rule).verdict == word
            assert judge(at(edge - inward * small), limit, rule).verdict != word


def test_jump_between_two_ranges_ends_on_a_reading_that_passes() -> None:
    """Below 0.6 V the finer range is in use: the acceptance limit found there is that of the finer range."""
    fine, coarse = of_statement(0.5, 2, 0.0001), of_statement(0.5, 2, 0.01)
    limit = Limit(upper=0.605)
    found = acceptance_limits(lambda v: fine(v) if v <= 0.6 else coarse(v), limit)
    assert found.upper == pytest.approx(0.6, abs=1e-9)
    assert judge(fine(found.upper), limit).verdict == "pass"


def test_uncertainty_that_outgrows_the_distance_is_refused() -> None:
    with pytest.raises(MeasurementFault, match="grows faster"):
        acceptance_limits(relative(0.9), Limit(upper=1.0))


def test_narrowest_tolerance_is_just_capable() -> None:
    at = of_statement(0.5, 2, 0.01)
    width = narrowest_tolerance(at, nominal=12.6)
    # Both tails of one rectangle: the 97.5 % quantile lies at 0.95 a.
    assert width == pytest.approx(2 * 0.95 * (0.005 * 12.6 + 0.02))
    assert capability(at(12.6), Limit(12.6 - width * 0.5001, 12.6 + width * 0.5001)).capable
    assert not capability(at(12.6), Limit(12.6 - width * 0.4999, 12.6 + width * 0.4999)).capable


@pytest.mark.parametrize(("percent", "counts", "step"), [(0.5, 2, 0.0001), (0.5, 2, 0.01), (2.0, 5, 0.1)])
def test_smallest_limit_in_closed_form(percent: float, counts: float, step: float) -> None:
    """A rectangle alone has its 95 % quantile at 0.9 a, so T = 1.8·(p·T + n·d)."""
    found = smallest_limit(of_statement(percent, counts, step), between=(1e-6, 100.0))
    assert found == pytest.approx(1.8 * counts * step / (1 - 1.8 * percent / 100), rel=1e-9)


def test_smallest_limit_agrees_with_the_verdict() -> None:
    at = of_statement(0.5, 3, 0.001)
    found = smallest_limit(at, between=(1e-4, 10.0), rule="guarded-U")
    for factor, capable in ((1.001, True), (0.999, False)):
        level = found * factor
        assert judge(at(level), Limit(upper=level, physical_lower=0.0), "guarded-U").capable is capable


def test_smallest_limit_with_a_meter_from_its_sheet() -> None:
    """A drop read directly is judged from about 0.4 mV on; at 10 mV resolution not below some 40 mV."""
    meter = load_meter("handheld-6000")

    def at(value: float) -> Estimate:
        return meter.estimate(f"{value * 1000:.1f} mV", function="dc voltage", ambient_degc=23)

    found = smallest_limit(at, between=(0.0001, 0.5))
    assert found == pytest.approx(1.8 * 0.0002, rel=0.15)


def test_smallest_current_for_a_drop() -> None:
    """0.2 V allowed at 100 A: the limit shrinks with the current until the meter can't judge it any more."""
    at = of_statement(0.5, 2, 0.001)
    least = 1.8 * 0.002 / (1 - 1.8 * 0.005)
    found = smallest_current(at, limit=0.2, reference_current=100.0, between=(0.1, 600.0))
    assert found == pytest.approx(100 * least / 0.2, rel=1e-9)


def test_uncertain_current_asks_for_more_of_it() -> None:
    """Both parts normal: 2 z √((u/T(I))² + u_I²) = 1."""
    settled = {"limit": 0.2, "reference_current": 100.0, "between": (0.1, 600.0)}
    alone = smallest_current(lambda v: Estimate(v, 0.002), **settled)
    both = smallest_current(lambda v: Estimate(v, 0.002), current_at=relative(0.1), **settled)
    assert alone == pytest.approx(100 * 2 * Z95 * 0.002 / 0.2, rel=1e-9)
    level = 0.002 / math.sqrt((1 / (2 * Z95)) ** 2 - 0.1**2)
    assert both == pytest.approx(100 * level / 0.2, rel=1e-9)
    with pytest.raises(InputFault, match="none up to 600"):
        smallest_current(lambda v: Estimate(v, 0.002), current_at=relative(0.4), **settled)


def test_current_below_the_stated_level_is_not_enough() -> None:
    def clamp(current: float) -> Estimate:
        if current < 20:
            raise MeasurementFault(fault("I", "no estimate: below-stated-level").faults)
        return Estimate(current, 0.01 * current)

    found = smallest_current(
        lambda v: Estimate(v, 0.0005), limit=0.2, reference_current=100.0, between=(0.1, 600.0), current_at=clamp
    )
    assert found == pytest.approx(20.0, rel=1e-9)


@pytest.mark.parametrize("other", [0.0, 0.03, 0.05])
@pytest.mark.parametrize("distance", [0.09, 0.15, 0.4, 2.0])
def test_repeats_are_the_fewest_that_settle_it(distance: float, other: float) -> None:
    """Counted up one by one with Student's t of SciPy, ν by Welch-Satterthwaite rounded down."""
    s = 0.1

    def guard(n: int) -> float:
        u = math.hypot(s / math.sqrt(n), other)
        nu = math.floor(u**4 / ((s * s / n) ** 2 / (n - 1)) + 1e-9)
        return float(stats.t.ppf(0.95, nu) * u)

    fewest = next(n for n in range(2, 1000) if guard(n) <= distance)
    found = repeats_needed(standard_deviation=s, distance=distance, other=other)
    assert found.number == fewest
    assert found.guard_band == pytest.approx(guard(fewest), rel=1e-9)


def test_pooled_spread_needs_fewer_repeats() -> None:
    alone = repeats_needed(standard_deviation=0.1, distance=0.12)
    pooled = repeats_needed(standard_deviation=0.1, distance=0.12, pooled_degrees_of_freedom=50)
    assert pooled.number < alone.number
    assert repeats_needed(standard_deviation=0.1, distance=0.2, pooled_degrees_of_freedom=50).number == 1


def test_repeats_do_not_help_against_the_meter() -> None:
    meter = Estimate(12.6, 0.05, source="meter", distribution="rectangular")
    found = repeats_needed(standard_deviation=0.001, distance=0.05, other=meter)
    assert found.number is None
    assert found.guard_band == pytest.approx(0.9 * 0.05 * math.sqrt(3))
    on_the_edge = repeats_needed(standard_deviation=1.0, distance=0.001, most=1000)
    assert on_the_edge.number is None


def test_settled_repeats_settle_the_verdict() -> None:
    """As many repeats as planned, then judged: pass; one fewer: not proved."""
    limit, value, s, u = Limit(upper=0.5), 0.45, 0.06, 0.01
    number = repeats_needed(standard_deviation=s, distance=0.05, other=u).number
    for n, word in ((number, "pass"), (number - 1, "conditional pass")):
        parts = [Component("meter", u), Component("repeats", s / math.sqrt(n), n - 1, "t")]
        assert judge(Estimate.of(value, parts), limit).verdict == word


def test_direct_reading_of_a_drop() -> None:
    """12.62 V less 12.38 V on one range against 240.0 mV across the drop: some eighty times smaller."""
    meter = load_meter("handheld-6000")

    def read(text: str, name: str) -> Estimate:
        return meter.estimate(text, function="dc voltage", ambient_degc=23, name=name)

    difference = propagate("a - b", {"a": read("12.62 V", "source"), "b": read("12.38 V", "load")})
    ways = compare_ways(
        difference, {"lower range": read("0.240 V", "lower"), "direct reading": read("240.0 mV", "drop")},
        limit=Limit(upper=0.25),
    )  # fmt: skip
    assert [way.label for way in ways] == ["direct reading", "lower range"]
    best = ways[0]
    assert best.gain == pytest.approx(difference.standard_uncertainty / best.standard_uncertainty)
    assert 60 < best.gain < 90
    assert judge(difference, Limit(upper=0.25)).verdict != "pass"
    assert best.verdict.verdict == "pass"
    assert best.guard_band == guard_band(read("240.0 mV", "drop"), "guarded-95")


def test_four_terminals_against_two_wires() -> None:
    meter, clamp = load_meter("handheld-6000"), load_meter("dc-clamp")
    two = meter.estimate("0.2 Ω", function="resistance", ambient_degc=23)
    four = propagate(
        "V / I",
        {
            "V": meter.estimate("10.00 V", function="dc voltage", ambient_degc=23, name="V"),
            "I": clamp.estimate("50.0 A", function="dc current", ambient_degc=23, name="I"),
        },
    )
    (way,) = compare_ways(two, {"four terminals": four})
    # ±(0.5 % + 3 counts of 0.1 Ω) against some ±3.5 % of 0.2 Ω.
    assert way.gain == pytest.approx(0.301 / math.sqrt(3) / four.standard_uncertainty, rel=1e-6)
    assert way.gain > 30
    assert way.verdict is None
    assert compare_ways(two, {"exact": Estimate(0.2, 0.0)})[0].gain == math.inf


def test_faults_are_named() -> None:
    at = relative(0.01)
    with pytest.raises(InputFault, match="'strict' is unknown"):
        acceptance_limits(at, Limit(upper=1), "strict")  # type: ignore[arg-type]
    with pytest.raises(InputFault, match="does not fit"):
        acceptance_limits(at, Limit(upper=1), "guarded-U", probability=0.99)
    with pytest.raises(InputFault, match="does not fit"):
        acceptance_limits(at, Limit(upper=1), probability=0.3)
    with pytest.raises(InputFault, match=r"standard_deviation.*distance"):
        repeats_needed(standard_deviation=0, distance=-1)
    with pytest.raises(InputFault, match="two rising limits"):
        smallest_limit(at, between=(0.0, 1.0))
    with pytest.raises(InputFault, match="reference_current"):
        smallest_current(at, limit=0.2, reference_current=0, between=(1, 2))
    with pytest.raises(InputFault, match="many tests"):
        narrowest_tolerance(lambda v: Estimate(np.full(2, v), np.ones(2)), nominal=1.0)
    with pytest.raises(InputFault, match="other: holds many tests"):
        compare_ways(Estimate(1, 0.1), {"other": Estimate(np.zeros(2), np.ones(2))})
