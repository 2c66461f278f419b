"""Before and after: shared errors cancel, and the improvement is judged by its own uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnb.conformity import Comparison, compare
from diagnb.errors import InputFault
from diagnb.meters import Meter, load_sheet, read_sheet, sheet_files
from diagnb.uncertainty import Component, Estimate, monte_carlo, propagate, type_a, type_a_joint


def _meter(sheet: str, function: str, instrument: str, **changed: object) -> Meter:
    plain = dict(load_sheet(sheet_files()[sheet]).plain)
    plain["functions"] = [{**f, **changed} if f["name"] == function else f for f in plain["functions"]]
    return Meter(read_sheet(plain), instrument)


VOLTS = _meter("handheld-6000", "dc voltage", "M", common_fraction=1.0)
AMPERES = _meter("dc-clamp", "dc current", "A", common_fraction=1.0, zeroed="once")


def _resistance(volts: str, phase: str) -> Estimate:
    return propagate(
        "V / I",
        {
            "V": VOLTS.estimate(volts, function="dc voltage", ambient_degc=23, name=f"V {phase}"),
            "I": AMPERES.estimate("85.4 A", function="dc current", ambient_degc=23, name=f"I {phase}"),
        },
    )


def _apart(estimate: Estimate, name: str) -> Estimate:
    """The same parts, each one's own: what a calculation without shared sources would take."""
    return Estimate.of(
        estimate.value,
        [Component(f"{name} {c.source}", c.contribution, math.inf, c.distribution) for c in estimate.components],
    )


@pytest.fixture(scope="module")
def joint() -> tuple[Estimate, Estimate]:
    """A battery cable joint, 2.79 mΩ as found and 1.10 mΩ as left, both with one meter and one clamp."""
    return _resistance("238.4 mV", "as found"), _resistance("93.9 mV", "as left")


def test_cable_joint_with_shared_gain_and_offset(joint: tuple[Estimate, Estimate]) -> None:
    """Computed independently with GTC from the same statement: 0.021 and 0.0003 shared, 0.037 and 0.0069 not."""
    before, after = joint
    shared = compare(before=before, after=after)
    assert before.value * 1e3 == pytest.approx(2.79, abs=0.005)
    assert after.value * 1e3 == pytest.approx(1.10, abs=0.005)
    assert shared.correlation == pytest.approx(0.998, abs=0.0005)
    assert shared.improvement.standard_uncertainty * 1e3 == pytest.approx(0.021, abs=0.0005)
    assert shared.ratio.standard_uncertainty == pytest.approx(0.0003, abs=0.00005)
    assert 1 - shared.ratio.value == pytest.approx(0.606, abs=0.001)
    naive = compare(before=_apart(before, "b"), after=_apart(after, "a"))
    assert naive.correlation == 0
    assert naive.improvement.standard_uncertainty * 1e3 == pytest.approx(0.037, abs=0.0005)
    assert naive.ratio.standard_uncertainty == pytest.approx(0.0069, abs=0.00005)
    assert shared.verdict == naive.verdict == "improved"


def test_small_improvement_is_shown_only_by_what_is_shared() -> None:
    before, after = _resistance("238.4 mV", "as found"), _resistance("235.4 mV", "as left")
    assert compare(before=before, after=after).verdict == "improved"
    assert compare(before=_apart(before, "b"), after=_apart(after, "a")).verdict == "not shown"


def test_interval_of_the_ratio_against_monte_carlo() -> None:
    before, after = Estimate(2.0, 0.3, source="b"), Estimate(1.0, 0.2, source="a")
    found = compare(before=before, after=after)
    drawn = monte_carlo("a / b", {"a": after, "b": before}, seed=3)
    assert found.ratio_interval == pytest.approx(drawn.interval, abs=0.003)
    linear = found.ratio.expanded(0.95).interval
    assert abs(linear[1] - drawn.interval[1]) > 0.02


def test_interval_of_the_ratio_is_fiellers() -> None:
    """Closed form for two independent normal values (Fieller 1954)."""
    a, b, ua, ub, z = 1.3, -4.0, 0.2, 0.5, 1.959963984540054
    qa, qb, qc = b * b - z * z * ub * ub, -2 * a * b, a * a - z * z * ua * ua
    root = math.sqrt(qb * qb - 4 * qa * qc)
    found = compare(before=Estimate(b, ub), after=Estimate(a, ua))
    assert found.ratio_interval == pytest.approx(((-qb - root) / (2 * qa), (-qb + root) / (2 * qa)), rel=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    draw = np.random.default_rng(11)
    held = ratios = 0
    for _ in range(2000):
        gain = draw.normal(0, 0.02)
        b, a = 2.0 * (1 + gain) + draw.normal(0, 0.2), 1.5 * (1 + gain) + draw.normal(0, 0.15)
        before = Estimate.of(b, [Component("gain", 0.02 * b), Component("b", 0.2)])
        after = Estimate.of(a, [Component("gain", 0.02 * a), Component("a", 0.15)])
        found = compare(before=before, after=after)
        held += found.improvement_interval[0] <= 0.5 <= found.improvement_interval[1]
        ratios += found.ratio_interval[0] <= 0.75 <= found.ratio_interval[1]
    assert 0.935 <= held / 2000 <= 0.965
    assert 0.935 <= ratios / 2000 <= 0.965


def test_no_improvement_is_claimed_too_often_where_there_is_none() -> None:
    draw = np.random.default_rng(5)
    found = [
        compare(before=Estimate(10 + draw.normal(), 1.0), after=Estimate(10 + draw.normal(), 1.0)).verdict
        for _ in range(3000)
    ]
    assert 0.04 <= found.count("improved") / 3000 <= 0.06


def test_probability_uses_students_tails_of_repeats() -> None:
    before = type_a([5.0, 5.2, 4.8, 5.1], source="before")
    after = type_a([4.6, 4.9, 4.5, 4.8], source="after")
    found = compare(before=before, after=after)
    assert found.improvement.degrees_of_freedom == pytest.approx(6, abs=0.05)
    # One-sided Welch test of the same data by scipy.stats.ttest_ind, at ν rounded down to 5.
    from scipy.stats import t

    nu = math.floor(found.improvement.degrees_of_freedom)
    expected = t.cdf(found.improvement.value / found.improvement.standard_uncertainty, nu)
    assert found.probability == pytest.approx(expected, rel=1e-9)


def test_pairs_read_together_are_compared_as_pairs() -> None:
    """Readings at the same ten joints before and after: the paired comparison, ν = 9."""
    draw = np.random.default_rng(2)
    level = draw.normal(3, 1, 10)
    before, after = level + draw.normal(0, 0.05, 10), level - 0.1 + draw.normal(0, 0.05, 10)
    means = type_a_joint({"before": before, "after": after}).estimates
    found = compare(before=means["before"], after=means["after"])
    paired = type_a(before - after)
    assert found.improvement.standard_uncertainty == pytest.approx(paired.standard_uncertainty, rel=1e-9)
    assert found.improvement.degrees_of_freedom == pytest.approx(9)
    assert found.correlation > 0.98


def test_larger_is_better_turns_the_sign() -> None:
    found = compare(before=Estimate(11.8, 0.05), after=Estimate(12.6, 0.05), smaller_is_better=False)
    assert found.verdict == "improved"
    assert found.improvement.value == pytest.approx(0.8)
    assert compare(before=Estimate(11.8, 0.05), after=Estimate(12.6, 0.05)).verdict == "not shown"


def test_unstated_common_share_is_said() -> None:
    meter = _meter("handheld-6000", "dc voltage", "M")
    read = [
        meter.estimate(text, function="dc voltage", ambient_degc=23, name=name)
        for text, name in (("12.62 V", "found"), ("12.38 V", "left"))
    ]
    assert "taken as independent" in compare(before=read[0], after=read[1]).assumptions


def test_value_that_may_be_zero_has_no_ratio_but_a_difference() -> None:
    found = compare(before=Estimate(0.1, 0.1), after=Estimate(-1.0, 0.1))
    assert (found.ratio, found.ratio_interval) == (None, None)
    assert found.verdict == "improved"
    assert found.improvement.value == pytest.approx(1.1)


def test_exact_values() -> None:
    found = compare(before=Estimate(2.0, 0.0), after=Estimate(1.0, 0.0))
    assert (found.probability, found.verdict, found.ratio_interval) == (1.0, "improved", (0.5, 0.5))
    assert compare(before=Estimate(2.0, 0.0), after=Estimate(2.0, 0.0)).verdict == "not shown"


def test_faults_are_named() -> None:
    fine = Estimate(1.0, 0.1)
    with pytest.raises(InputFault, match=r"probability.*coverage"):
        compare(before=fine, after=fine, probability=0.4, coverage=1.0)
    with pytest.raises(InputFault, match="many tests"):
        compare(before=fine, after=Estimate(np.zeros(2), np.ones(2)))
    with pytest.raises(InputFault, match="name of their own"):
        compare(before=type_a([1.0, 1.1], source="repeats"), after=type_a([0.8, 0.9], source="repeats"))


def test_result_is_frozen() -> None:
    found = compare(before=Estimate(2.0, 0.1), after=Estimate(1.0, 0.1))
    assert isinstance(found, Comparison)
    with pytest.raises(AttributeError):
        found.verdict = "not shown"  # type: ignore[misc]
