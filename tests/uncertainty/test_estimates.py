"""Properties of estimates and propagation that hold whatever the numbers are."""

from __future__ import annotations

import copy
import itertools
import math
import pickle
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault, MeasurementFault
from diagnb.meters import load_meter
from diagnb.uncertainty import (
    Component,
    Estimate,
    Table,
    coverage_factor,
    effective_degrees_of_freedom,
    monte_carlo,
    parse_formula,
    propagate,
    type_a,
)

positive = st.floats(1e-3, 1e3)
DRAWS = 20_000


@given(positive, positive, positive, positive)
def test_full_correlation_adds_and_cancels_exactly(x: float, u: float, y: float, v: float) -> None:
    inputs = {"x": Estimate(x, u), "y": Estimate(y, v)}
    for r, formula, expected in (
        (1.0, "x + y", u + v),
        (1.0, "x - y", abs(u - v)),
        (-1.0, "x + y", abs(u - v)),
        (-1.0, "x - y", u + v),
    ):
        result = propagate(formula, inputs, correlations={("x", "y"): r})
        assert result.standard_uncertainty == pytest.approx(expected, rel=1e-6, abs=2e-8 * (u + v))
    assert propagate("x + y", inputs).standard_uncertainty == pytest.approx(math.hypot(u, v))


@given(positive, positive, st.sampled_from([1e-3, 1e3, 1e6]))
def test_a_change_of_unit_scales_the_result_and_nothing_else(x: float, u: float, scale: float) -> None:
    nu = 7.0
    one = propagate("3 * x", {"x": Estimate(x, u, nu, distribution="rectangular")})
    other = propagate("3 * x", {"x": Estimate(x * scale, u * scale, nu, distribution="rectangular")})
    assert other.standard_uncertainty == pytest.approx(one.standard_uncertainty * scale)
    assert other.degrees_of_freedom == pytest.approx(one.degrees_of_freedom)
    assert other.expanded().coverage_factor == pytest.approx(one.expanded().coverage_factor)


def test_the_order_of_inputs_and_components_does_not_matter() -> None:
    parts = [
        Component(f"s{i}", 0.1 * (i + 1), 3.0 + i, d) for i, d in enumerate(("normal", "rectangular", "rectangular"))
    ]
    results = [Estimate.of(1.0, order) for order in itertools.permutations(parts)]
    for found in results:
        assert found.standard_uncertainty == pytest.approx(results[0].standard_uncertainty, rel=1e-14)
        assert found.degrees_of_freedom == pytest.approx(results[0].degrees_of_freedom, rel=1e-14)
        assert found.expanded().expanded_uncertainty == pytest.approx(
            results[0].expanded().expanded_uncertainty, rel=1e-9
        )
        assert [r.source for r in found.budget()] == ["s2", "s1", "s0"]


def test_a_shared_source_is_summed_before_it_is_squared() -> None:
    shared = Component("gain", 0.03, 5.0)
    inputs = {"x": Estimate.of(1.0, [shared]), "y": Estimate.of(1.0, [shared])}
    total, difference = propagate("x + y", inputs), propagate("x - y", inputs)
    assert total.standard_uncertainty == pytest.approx(0.06)
    # One source has its own degrees of freedom, however often it enters.
    assert total.degrees_of_freedom == pytest.approx(5)
    assert difference.standard_uncertainty == 0
    assert difference.expanded().expanded_uncertainty == 0
    assert difference.expanded().coverage_factor == 0


def test_arrays_give_what_scalars_give() -> None:
    values, spreads = np.array([1.0, 2.0, 5.0]), np.array([0.1, 0.05, 0.2])
    many = propagate(
        "x * y", {"x": Estimate(values, spreads, 4.0), "y": Estimate(3.0, 0.01, distribution="rectangular")}
    )
    for i in range(3):
        one = propagate(
            "x * y", {"x": Estimate(values[i], spreads[i], 4.0), "y": Estimate(3.0, 0.01, distribution="rectangular")}
        )
        assert many.value[i] == pytest.approx(one.value)
        assert many.standard_uncertainty[i] == pytest.approx(one.standard_uncertainty)
        assert np.broadcast_to(many.degrees_of_freedom, 3)[i] == pytest.approx(one.degrees_of_freedom)
        assert many.expanded().coverage_factor[i] == pytest.approx(one.expanded().coverage_factor, rel=1e-7)


def test_an_estimate_keeps_its_sources_when_it_is_copied() -> None:
    x = Estimate(12.6, 0.05, 9, source="meter")
    for other in (copy.deepcopy(x), copy.copy(x), pickle.loads(pickle.dumps(x))):
        assert propagate("a - b", {"a": x, "b": other}).standard_uncertainty == 0


def test_an_estimate_is_frozen() -> None:
    with pytest.raises(AttributeError, match="frozen"):
        Estimate(1.0, 0.1).value = 2.0


@pytest.mark.parametrize(
    "arguments",
    [
        (1.0, -0.1), (1.0, float("nan")), (float("nan"), 0.1), (float("inf"), 0.1), (1.0, 0.1, 0), (1.0, 0.1, -3),
        (1.0, 0.1, float("nan")), (1.0, 0.1, 5, "s", "gaussian"), (np.array([1.0, np.nan]), 0.1),
    ],
)  # fmt: skip
def test_numbers_that_are_no_estimate_are_refused(arguments: Any) -> None:
    with pytest.raises(InputFault):
        Estimate(*arguments)


@pytest.mark.parametrize(
    ("formula", "correlations", "what"),
    [
        ("x + z", {}, "has no estimate"),
        ("x + y", {("x", "q"): 0.5}, "is not an input"),
        ("x + y", {("x", "y"): 1.5}, "not a correlation coefficient"),
        ("x + y", {("x", "x"): 0.5}, "not a correlation coefficient"),
        ("x + w", {("x", "w"): 0.5}, "several sources"),
        ("x + y + v", {("x", "y"): 0.9, ("y", "v"): 0.9, ("x", "v"): -0.9}, "not positive semidefinite"),
        ("table(t, x)", {}, "not a table"),
    ],
)
def test_what_can_not_be_propagated_is_a_fault(formula: str, correlations: Any, what: str) -> None:
    inputs = {n: Estimate(1.0, 0.1) for n in ("x", "y", "v")}
    inputs["w"] = Estimate.of(1.0, [Component("a", 0.1), Component("b", 0.1)])
    with pytest.raises(InputFault, match=what):
        propagate(formula, inputs, correlations=correlations)


@pytest.mark.parametrize(
    "formula", ["1 / (x - x)", "sqrt(-x)", "log(x - x)", "exp(9999 * x)", "(0 - x)**0.5", "sqrt(x - x)"]
)
def test_where_there_is_no_value_it_is_said(formula: str) -> None:
    with pytest.raises(MeasurementFault):
        propagate(formula, {"x": Estimate(1.0, 0.1)})


def test_a_table_has_its_slope_and_its_own_uncertainty() -> None:
    table = Table("t", (0.0, 1.0, 3.0), (0.0, 10.0, 14.0), (), (), standard_uncertainty=0.5)
    found = propagate("table(t, x)", {"x": Estimate(2.0, 0.1)}, tables={"t": table})
    assert found.value == pytest.approx(12.0)
    assert {r.source: r.contribution for r in found.parts} == {"x": pytest.approx(0.2), "table t": pytest.approx(0.5)}
    with pytest.raises(MeasurementFault, match="outside the table"):
        propagate("table(t, x)", {"x": Estimate(3.1, 0.1)}, tables={"t": table})
    held = Table("t", (0.0, 1.0), (0.0, 10.0), (), (), hold=True)
    assert propagate("table(t, x)", {"x": Estimate(2.0, 0.1)}, tables={"t": held}).value == 10.0


def test_readings_that_enter_twice_with_opposite_signs_cancel_in_draws_too() -> None:
    reading = load_meter("handheld-6000").estimate("12.60 V", function="dc voltage", ambient_degc=23, name="v")
    inputs = {"minus": propagate("-v", {"v": reading}), "v": reading}
    assert propagate("minus + v", inputs).standard_uncertainty == pytest.approx(0.0, abs=1e-15)
    assert monte_carlo("minus + v", inputs, trials=DRAWS).standard_uncertainty == pytest.approx(0.0, abs=1e-12)
    assert monte_carlo("minus - v", inputs, trials=DRAWS).standard_uncertainty == pytest.approx(
        2 * reading.standard_uncertainty, rel=0.02
    )


@given(st.lists(st.integers(-(10**9), 10**9).map(lambda n: n / 1000), min_size=2, max_size=30))
@settings(max_examples=60)
def test_type_a_agrees_with_the_statistics_module(values: list[float]) -> None:
    import statistics

    found = type_a(values)
    scale = max(abs(v) for v in values)
    assert found.value == pytest.approx(statistics.fmean(values), rel=1e-12, abs=1e-12 * scale)
    exact = statistics.stdev(values) / math.sqrt(len(values))
    assert found.standard_uncertainty == pytest.approx(exact, rel=1e-9, abs=1e-14 * scale)


@given(st.lists(st.tuples(positive, st.floats(1, 100)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_lie_between_the_smallest_and_the_sum(parts: list[tuple[float, float]]) -> None:
    nu = effective_degrees_of_freedom([u for u, _ in parts], [n for _, n in parts])
    assert min(n for _, n in parts) * (1 - 1e-9) <= nu <= sum(n for _, n in parts) * (1 + 1e-9)


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.5, 95.0])
def test_a_coverage_is_a_fraction(coverage: float) -> None:
    with pytest.raises(InputFault, match=r"0\.95 means 95 %"):
        coverage_factor(coverage)
    with pytest.raises(InputFault, match=r"0\.95 means 95 %"):
        Estimate(1.0, 0.1).expanded(coverage)


@pytest.mark.parametrize("text", ["x**-1", "x^-2", "2^-1 * x", "-3 * x", "x * -1"])
def test_negative_numbers_are_constants(text: str) -> None:
    formula = parse_formula(text)
    assert all(step.operation != "negative" for step in formula.steps)
    assert formula.value({"x": 2.0}) == pytest.approx(eval(text.replace("^", "**"), {"x": 2.0}))
    assert parse_formula("-x^2").value({"x": 3.0}) == -9.0
    assert parse_formula("-2^2").value({}) == -4.0
