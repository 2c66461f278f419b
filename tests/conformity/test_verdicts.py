"""The five verdict words, at their boundaries and under every rule."""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.conformity import (
    REASONS,
    RULES,
    WORDS,
    Limit,
    advise,
    capability,
    conformance_probability,
    guard_band,
    judge,
    judge_many,
    needed_uncertainty,
    not_judged,
)
from diagnb.errors import InputFault
from diagnb.meters import load_meter
from diagnb.uncertainty import Component, Estimate
from diagnb.uncertainty.estimate import Distribution

UPPER = Limit(upper=0.5, source="s")
U = 0.01


def word(value: float, limit: Limit = UPPER, rule: Any = "guarded-95", u: float = U, **shape: Any) -> str:
    return judge(Estimate(value, u, **shape), limit, rule).verdict


def test_the_words_are_these_five() -> None:
    assert WORDS == ("pass", "conditional pass", "conditional fail", "fail", "not judged")


@pytest.mark.parametrize("rule", ["guarded-95", "guarded-U"])
@pytest.mark.parametrize("distribution", ["normal", "rectangular"])
def test_words_change_at_the_guard_band_on_both_sides(rule: Any, distribution: Any) -> None:
    guard = guard_band(Estimate(0.5, U, distribution=distribution), rule)
    tiny = 1e-6
    shape = {"distribution": distribution, "rule": rule}
    # A value on the acceptance limit is accepted.
    assert word(0.5 - guard, **shape) == "pass"
    assert word(0.5 - guard + tiny, **shape) == "conditional pass"
    assert word(0.5, **shape) == "conditional pass"
    assert word(0.5 + tiny, **shape) == "conditional fail"
    assert word(0.5 + guard - tiny, **shape) == "conditional fail"
    assert word(0.5 + guard + tiny, **shape) == "fail"


def test_guard_bands_have_their_published_size() -> None:
    normal = Estimate(0.0, 1.0)
    assert guard_band(normal, "simple") == 0
    assert guard_band(normal, "guarded-95") == pytest.approx(1.6449, abs=1e-4)
    assert guard_band(normal, "guarded-U") == pytest.approx(1.95996, abs=1e-4)
    assert guard_band(Estimate(0.0, 1.0, 4), "guarded-95") == pytest.approx(2.13, abs=0.005)
    assert guard_band(Estimate(0.0, 1.0, 9), "guarded-95") == pytest.approx(1.83, abs=0.005)


def test_simple_acceptance_leaves_the_uncertainty_out() -> None:
    assert [word(v, rule="simple") for v in (0.4999, 0.5, 0.5001)] == ["pass", "pass", "fail"]
    assert judge(Estimate(0.5, U), UPPER, "simple").conformance_probability == pytest.approx(0.5)


def test_an_exact_value_needs_no_guard() -> None:
    exact = Estimate.of(0.5, ())
    assert judge(exact, UPPER).verdict == "pass"
    assert judge(Estimate.of(0.5001, ()), UPPER).verdict == "fail"


@pytest.mark.parametrize("rule", RULES)
@given(
    st.floats(-5, 5), st.floats(1e-4, 2), st.floats(-2, 2), st.floats(0.0, 3), st.sampled_from(["normal", "rectangular"]),
    st.sampled_from(["upper", "lower", "both"]),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_verdict_and_evidence_never_disagree(
    rule: Any, value: float, u: float, edge: float, span: float, shape: Any, side: str
) -> None:
    limit = Limit(None if side == "upper" else edge, None if side == "lower" else edge + span)
    verdict = judge(Estimate(value, u, distribution=shape), limit, rule)
    pc = verdict.conformance_probability
    assert pc is not None
    assert verdict.reason in REASONS
    if rule != "simple":
        if verdict.verdict == "pass":
            assert limit.holds(value)
            assert pc >= 0.95 - 1e-6
        if verdict.verdict == "fail":
            assert not limit.holds(value)
            assert pc <= 0.05 + 1e-6
    if verdict.verdict == "conditional pass":
        assert limit.holds(value)
    if verdict.verdict == "conditional fail":
        assert not limit.holds(value)
    mirrored = Limit(None if limit.upper is None else -limit.upper, None if limit.lower is None else -limit.lower)
    assert judge(Estimate(-value, u, distribution=shape), mirrored, rule).verdict == verdict.verdict
    many = judge_many(Estimate(np.array([value, value]), np.array([u, u]), distribution=shape), limit, rule)
    assert many.words() == [verdict.verdict] * 2
    assert many.conformance_probability == pytest.approx([pc, pc], abs=1e-7)


def test_many_are_judged_as_one_where_the_tolerance_is_barely_wide_enough() -> None:
    # Between two limits the 97.5 % quantile decides whether a measurement is capable, against one the 95 % quantile.
    assert judge(Estimate(0.36044, 0.03758), Limit(0.15, 0.29)).verdict == "not judged"
    rng = np.random.default_rng(4)
    n = 600
    value, nu = rng.uniform(-0.3, 1.3, n), np.where(rng.random(n) < 0.5, np.inf, rng.integers(2, 40, n))
    u = rng.uniform(0.2, 0.4, n)
    for rule in RULES:
        for limit in (Limit(0.0, 1.0), Limit(0.0, 1.5), Limit(upper=0.5), Limit(lower=0.5)):
            for shape in get_args(Distribution):
                many = judge_many(Estimate(value, u, nu, distribution=shape), limit, rule).words()
                alone = [
                    judge(Estimate(float(v), float(w), float(d), distribution=shape), limit, rule).verdict
                    for v, w, d in zip(value[:100], u[:100], nu[:100], strict=True)
                ]
                assert many[:100] == alone, (rule, limit, shape)
            mixed = Estimate.of(
                value, (Component("gain", u, distribution="rectangular"), Component("noise", u / 3, nu))
            )
            many = judge_many(mixed, limit, rule).words()
            for k in range(100):
                parts = (
                    Component("gain", float(u[k]), distribution="rectangular"),
                    Component("noise", float(u[k]) / 3, float(nu[k])),
                )
                assert many[k] == judge(Estimate.of(float(value[k]), parts), limit, rule).verdict, (rule, limit, k)


@given(st.floats(-3, 3), st.floats(0.01, 1), st.sampled_from([1e-3, 1.0, 1e3]))
@settings(max_examples=60, deadline=None)
def test_the_unit_does_not_change_the_verdict(value: float, u: float, scale: float) -> None:
    limit, scaled = Limit(-1.0, 1.0), Limit(-scale, scale)
    assert judge(Estimate(value * scale, u * scale), scaled).verdict == judge(Estimate(value, u), limit).verdict


def test_a_two_sided_tolerance_narrower_than_the_undecided_zone_is_not_judged() -> None:
    narrow = Limit(0.99, 1.01)
    verdict = judge(Estimate(1.0, 0.1), narrow)
    assert (verdict.verdict, verdict.reason, verdict.capable) == ("not judged", "not-capable", False)
    # Far outside, the same measurement still proves a fail.
    assert judge(Estimate(2.0, 0.1), narrow).verdict == "fail"


def test_a_coarse_tester_is_capable_of_a_source_voltage_but_not_of_a_drop() -> None:
    tester = load_meter("coarse-circuit-tester")

    def at(text: str) -> Estimate:
        return tester.estimate(text, function="dc voltage", ambient_degc=20)

    drop = Limit(upper=0.1, physical_lower=0.0)
    assert capability(at("0.1 V"), drop).capable is False
    assert judge(at("0.0 V"), drop).reason == "not-capable"
    source = Limit(lower=12.0, upper=15.0)
    assert capability(at("12.0 V"), source).capable is True
    assert judge(at("13.2 V"), source).verdict == "pass"


def test_capability_names_its_numbers() -> None:
    found = capability(Estimate(1.0, 0.05), Limit(0.0, 1.0))
    assert found.guard_band == pytest.approx(0.0822, abs=1e-4)
    assert found.undecided_zone == pytest.approx((1 - 0.0822, 1 + 0.0822), abs=1e-4)
    assert found.narrowest_tolerance == pytest.approx(2 * 1.96 * 0.05, rel=1e-4)
    assert found.test_uncertainty_ratio == pytest.approx(1 / (2 * 1.96 * 0.05), rel=1e-4)
    assert capability(Estimate(1.0, 0.05), Limit(upper=1.0)).test_uncertainty_ratio is None


def test_conformance_probability_follows_the_shape() -> None:
    rectangle = Estimate(0.24, 0.0208 / math.sqrt(3), distribution="rectangular")
    assert conformance_probability(rectangle, Limit(upper=0.24 + 0.0208)) == pytest.approx(1.0)
    assert conformance_probability(rectangle, Limit(upper=0.24)) == pytest.approx(0.5)
    assert conformance_probability(Estimate(0.0, 1.0), Limit(-1.96, 1.96)) == pytest.approx(0.95, abs=1e-4)


def test_a_sample_probability_replaces_the_linear_one() -> None:
    assert judge(Estimate(0.4, U), UPPER, probability=0.5).verdict == "conditional pass"


@pytest.mark.parametrize(
    "limit",
    [
        {}, {"lower": 1.0, "upper": 0.0}, {"upper": float("nan")}, {"lower": float("inf")},
        {"upper": 1.0, "physical_lower": float("-inf")},
    ],
)  # fmt: skip
def test_limits_that_mean_nothing_are_refused(limit: dict[str, float]) -> None:
    with pytest.raises(InputFault):
        Limit(**limit)


def test_unknown_rules_and_reasons_are_refused() -> None:
    with pytest.raises(InputFault, match="unknown"):
        judge(Estimate(0.0, 1.0), UPPER, "generous")  # type: ignore[arg-type]
    with pytest.raises(InputFault, match="not a reason code"):
        not_judged("tired")


def test_advice_says_what_would_settle_it() -> None:
    noisy = Estimate.of(
        0.495,
        [Component("drop: repeats", 0.01, 3.0, "t"), Component("drop: accuracy", 0.001, distribution="rectangular")],
    )
    verdict = judge(noisy, UPPER)
    assert verdict.verdict == "conditional pass"
    assert needed_uncertainty(noisy, verdict) < float(noisy.standard_uncertainty)
    codes = [a.code for a in advise(noisy, verdict)]
    assert codes[0] == "more-repeats"
    better = Estimate.of(0.495, [Component("direct", 0.0001)])
    first = advise(noisy, verdict, {"direct, M1": ("direct-reading", better)})[0]
    assert (first.code, first.settles, first.words["then"]) == ("direct-reading", True, "pass")
    on_it = Estimate(0.5, U)
    assert advise(on_it, judge(on_it, UPPER))[0].code == "value-on-the-limit"
    assert advise(noisy, judge(Estimate(0.1, U), UPPER)) == ()


@pytest.mark.parametrize("span", [3.3, 3.5, 3.8, 4.2, 6.0, 20.0])
@pytest.mark.parametrize("distribution", ["normal", "rectangular"])
def test_between_two_limits_the_acceptance_limits_are_where_a_value_just_passes(span: float, distribution: Any) -> None:
    """Both tails count: within the acceptance limits a value passes, just outside it does not, or nothing can pass."""
    limit = Limit(0.0, span)
    middle = judge(Estimate(span / 2, 1.0, distribution=distribution), limit)
    if middle.reason == "not-capable":
        assert conformance_probability(Estimate(span / 2, 1.0, distribution=distribution), limit) < 0.95
        return
    assert middle.verdict == "pass"
    assert middle.acceptance_upper is not None
    for shift, word in ((-1e-6, "pass"), (1e-6, "conditional pass")):
        assert judge(Estimate(middle.acceptance_upper + shift, 1.0, distribution=distribution), limit).verdict == word
