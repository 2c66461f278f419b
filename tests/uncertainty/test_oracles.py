"""Independent libraries as judges: GTC, uncertainties and SciPy on random models with shared sources."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from diagnb.uncertainty import (
    Component,
    Estimate,
    Shape,
    correlation,
    coverage_factor,
    monte_carlo,
    parse_formula,
    propagate,
    type_a,
)

SEEDS = range(40)


def random_formula(generator: np.random.Generator, names: list[str], depth: int = 3) -> str:
    """A formula that is smooth and far from zero for inputs between 0.5 and 2."""
    if depth == 0 or generator.random() < 0.15:
        if generator.random() < 0.8:
            return str(generator.choice(names))
        return f"{generator.uniform(0.5, 2):.3f}"
    kind = generator.integers(0, 9)
    a, b = (random_formula(generator, names, depth - 1) for _ in range(2))
    return [
        f"({a} + {b})", f"({a} * {b})", f"({a} / (1 + {b}^2))", f"({a} - 0.3 * {b})", f"sqrt(1 + ({a})^2)",
        f"exp(-({a})^2 / 9)", f"log(2 + ({a})^2)", f"sin({a}) * {b}", f"(1 + abs({a}))**0.7",
    ][kind]  # fmt: skip


def shared_model(
    seed: int,
) -> tuple[list[str], dict[str, float], dict[str, dict[str, float]], dict[str, tuple[float, float]]]:
    """Names, values, sensitivities of each input to each source, and (u, ν) of the sources."""
    generator = np.random.default_rng(seed)
    names = ["a", "b", "c"]
    values = {n: float(generator.uniform(0.5, 2)) for n in names}
    sources = {f"s{i}": (float(generator.uniform(0.001, 0.02)), float(generator.integers(2, 30))) for i in range(5)}
    weights = {n: {s: float(generator.normal()) for s in sources if generator.random() < 0.7} for n in names}
    return names, values, weights, sources


def ours(
    values: dict[str, float], weights: dict[str, dict[str, float]], sources: dict[str, tuple[float, float]]
) -> dict[str, Estimate]:
    return {
        name: Estimate.of(value, [Component(s, w * sources[s][0], sources[s][1]) for s, w in weights[name].items()])
        for name, value in values.items()
    }


def evaluated(text: str, functions: dict[str, Any], values: dict[str, Any]) -> Any:
    """The same formula in another library; only text that this file made."""
    return eval(text.replace("^", "**"), {"__builtins__": {}}, {**functions, **values})


@pytest.mark.parametrize("seed", SEEDS)
def test_gtc_agrees_on_u_degrees_of_freedom_and_correlation(seed: int) -> None:
    import GTC
    from GTC import core

    names, values, weights, sources = shared_model(seed)
    generator = np.random.default_rng(1000 + seed)
    texts = [random_formula(generator, names) for _ in range(2)]
    made = {s: GTC.ureal(0.0, u, nu) for s, (u, nu) in sources.items()}
    theirs = {n: v + sum(w * made[s] for s, w in weights[n].items()) for n, v in values.items()}
    functions = {"sqrt": core.sqrt, "exp": core.exp, "log": core.log, "sin": core.sin}
    functions["abs"] = lambda x: x if core.value(x) >= 0 else -x
    inputs, results, expected = ours(values, weights, sources), [], []
    for text in texts:
        result, other = propagate(text, inputs), evaluated(text, functions, theirs)
        results.append(result)
        expected.append(other)
        assert result.value == pytest.approx(core.value(other), rel=1e-12)
        if not isinstance(other, float | int):
            assert result.standard_uncertainty == pytest.approx(core.uncertainty(other), rel=1e-9, abs=1e-15)
            if result.standard_uncertainty > 1e-12:
                assert result.degrees_of_freedom == pytest.approx(core.dof(other), rel=1e-7)
    if all(r.standard_uncertainty > 1e-9 for r in results):
        assert correlation(*results) == pytest.approx(GTC.get_correlation(*expected), abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_uncertainties_and_central_differences_agree_on_derivatives(seed: int) -> None:
    from uncertainties import ufloat, umath

    names, values, _, _ = shared_model(seed)
    text = random_formula(np.random.default_rng(2000 + seed), names, depth=4)
    formula = parse_formula(text)
    value, slopes = formula.derivatives(values)
    functions = {"sqrt": umath.sqrt, "exp": umath.exp, "log": umath.log, "sin": umath.sin}
    functions["abs"] = lambda x: x if getattr(x, "nominal_value", x) >= 0 else -x
    theirs = {n: ufloat(v, 0.01) for n, v in values.items()}
    other = evaluated(text, functions, theirs)
    for name in formula.names:
        step = 1e-5
        up, down = ({**values, name: values[name] + s} for s in (step, -step))
        difference = (formula.value(up) - formula.value(down)) / (2 * step)
        assert slopes[name] == pytest.approx(difference, rel=1e-6, abs=1e-8)
        if not isinstance(other, float | int):
            assert slopes[name] == pytest.approx(other.derivatives.get(theirs[name], 0.0), rel=1e-9, abs=1e-13)
    many = {n: np.array([v, v * 1.1, v * 0.9]) for n, v in values.items()}
    stacked, stacked_slopes = formula.derivatives(many)
    assert np.broadcast_to(stacked, 3)[0] == pytest.approx(value, rel=1e-13)
    for name in formula.names:
        assert np.broadcast_to(stacked_slopes[name], 3)[0] == pytest.approx(slopes[name], rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    "text", ["min(a, b)", "max(a, b, c)", "a**b", "a**-1", "-a^2", "tan(a/3)", "cos(a)*pi", "a/b/c"]
)
def test_derivatives_of_the_other_functions(text: str) -> None:
    values = {"a": 1.3, "b": 1.7, "c": 0.6}
    formula = parse_formula(text)
    _, slopes = formula.derivatives(values)
    for name in formula.names:
        up, down = ({**values, name: values[name] + s} for s in (1e-6, -1e-6))
        assert slopes[name] == pytest.approx((formula.value(up) - formula.value(down)) / 2e-6, rel=1e-6, abs=1e-8)


@pytest.mark.parametrize("r", [-1.0, -0.4, 0.0, 0.7, 1.0])
def test_gtc_agrees_on_stated_correlations(r: float) -> None:
    import GTC
    from GTC import core

    x, y = GTC.ureal(2.0, 0.1, independent=False), GTC.ureal(3.0, 0.2, independent=False)
    GTC.set_correlation(r, x, y)
    result = propagate("x * y", {"x": Estimate(2.0, 0.1), "y": Estimate(3.0, 0.2)}, correlations={("x", "y"): r})
    assert result.standard_uncertainty == pytest.approx(core.uncertainty(x * y), rel=1e-12)


@pytest.mark.parametrize("nu", [1, 2, 3, 4.9, 10, 29.7, 100, math.inf])
@pytest.mark.parametrize("p", [0.5, 0.68, 0.95, 0.9545, 0.99, 0.9973])
def test_scipy_agrees_on_student(nu: float, p: float) -> None:
    from scipy import stats

    floored = math.floor(nu) if math.isfinite(nu) else nu
    wanted = stats.t.ppf((1 + p) / 2, floored) if math.isfinite(nu) else stats.norm.ppf((1 + p) / 2)
    assert coverage_factor(p, nu) == pytest.approx(wanted, rel=1e-9)
    estimate = Estimate(0.0, 2.0, nu, distribution="t")
    error = 3.3
    exact = stats.t.cdf(error / 2, floored) if math.isfinite(nu) else stats.norm.cdf(error / 2)
    assert estimate.shape.cdf(error) == pytest.approx(exact, abs=1e-12)


SHAPES = [
    (1.0, 0.0, 0.0), (1.0, 0.4, 0.0), (1.0, 1.0, 0.0), (1.0, 0.0, 0.2), (1.0, 0.7, 0.3), (1.0, 1.0, 1.0),
    (0.5, 0.1, 1.0), (1.0, 0.001, 0.01), (0.01, 0.005, 1.0), (3e-4, 2e-4, 1.0), (1.0, 2e-4, 1e-6), (1.0, 0.3, 1e-7),
]  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_closed_form_coverage_agrees_with_numerical_convolution(shape: tuple[float, float, float]) -> None:
    from scipy import stats

    a, b, s = shape
    made = Shape.from_parts([a, b], (a * a + b * b) / 3 + s * s)
    # The normal distribution function, averaged over both rectangles by Gauss-Legendre quadrature in pieces.
    nodes, weights = np.polynomial.legendre.leggauss(40)

    def rule(half: float, pieces: int) -> tuple[Any, Any]:
        if half == 0:
            return np.array([0.0]), np.array([1.0])
        ends = np.linspace(-half, half, pieces + 1)
        middle, width = (ends[1:] + ends[:-1]) / 2, (ends[1:] - ends[:-1]) / 2
        return (middle[:, None] + width[:, None] * nodes).ravel(), (width[:, None] * weights).ravel() / (2 * half)

    xa, wa = rule(a, 15)
    xb, wb = rule(b, 15)
    u = made.standard_uncertainty
    for t in (-1.9, -0.5, 0.0, 0.3, 1.1, 1.645, 2.2):
        x = t * u
        if s > 1e-3:
            exact = float(wa @ stats.norm.cdf((x - xa[:, None] - xb[None, :]) / s) @ wb)
        else:
            # With next to no normal part: the rectangle's own distribution function, averaged over the other.
            exact = float(np.clip((x - xb + a) / (2 * a), 0, 1) @ wb)
        assert made.cdf(x) == pytest.approx(exact, abs=3e-5 if s <= 1e-3 else 1e-7)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("nu", [3.0, math.inf])
def test_quantile_undoes_cdf_for_one_and_for_many(shape: tuple[float, float, float], nu: float) -> None:
    a, b, s = shape
    variance = (a * a + b * b) / 3 + s * s
    one = Shape.from_parts([a, b], variance, nu)
    many = Shape.from_parts([np.array([a, a]), np.array([b, b])], np.array([variance, variance]), np.array([nu, nu]))
    for p in (0.5, 0.6, 0.9, 0.95, 0.975, 0.995):
        x = one.quantile(p)
        assert one.cdf(x) == pytest.approx(p, abs=2e-8)
        assert one.cdf(-x) == pytest.approx(1 - p, abs=2e-8)
        assert many.quantile(p) == pytest.approx([x, x], rel=1e-6, abs=1e-9)
        assert many.cdf(np.array([x, -x])) == pytest.approx([p, 1 - p], abs=2e-7)


def test_coverage_of_rectangle_rectangle_normal_against_draws() -> None:
    parts = {
        "a": Estimate(0, 1.0, distribution="rectangular"),
        "b": Estimate(0, 0.6, distribution="rectangular"),
        "n": Estimate(0, 0.5),
    }
    half = propagate("a + b + n", parts).expanded(0.95).expanded_uncertainty
    sample = monte_carlo("a + b + n", parts, trials=2_000_000, seed=7)
    assert sample.probability_within(-half, half) == pytest.approx(0.95, abs=0.0006)


def test_known_factors_of_rectangle_and_normal() -> None:
    table = {0.0: 1.645, 0.1: 1.651, 0.2: 1.685, 0.3: 1.729, 0.5: 1.810, 0.7: 1.868, 1.0: 1.917, 2.0: 1.955}
    for ratio, k in table.items():
        # The first is 0.95 times the square root of three, 1.6454.
        assert coverage_factor(0.95, half_widths=[math.sqrt(3)], normal=ratio) == pytest.approx(k, abs=0.0006)


def test_monte_carlo_repeats_to_the_bit_and_draws_a_shared_source_once() -> None:
    shared = Component("gain", 0.3, distribution="rectangular")
    inputs = {"x": Estimate.of(10.0, [shared]), "y": Estimate.of(9.0, [shared])}
    first, second = (monte_carlo("x - y", inputs, trials=5000, seed=3) for _ in range(2))
    assert first.interval == second.interval
    assert first.standard_uncertainty == pytest.approx(0.0, abs=1e-12)
    assert (
        monte_carlo("x + y", inputs, trials=5000, seed=4).interval != monte_carlo("x + y", inputs, trials=5000).interval
    )


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "arcsine", "t"])
def test_every_distribution_is_drawn_with_its_stated_spread(shape: Any) -> None:
    nu = 12 if shape == "t" else math.inf
    sample = monte_carlo("x", {"x": Estimate(5.0, 0.2, nu, distribution=shape)}, trials=400_000)
    widened = math.sqrt(nu / (nu - 2)) if shape == "t" else 1.0
    assert sample.value == pytest.approx(5.0, abs=0.002)
    assert sample.standard_uncertainty == pytest.approx(0.2 * widened, rel=0.006)


def test_type_a_is_exact_where_textbook_sums_lose_all_digits() -> None:
    from fractions import Fraction

    data = [10_000_000.0 + d for d in (0.2, 0.1, 0.3, 0.1, 0.3)]
    exact = [Fraction(x) for x in data]
    mean = sum(exact) / len(exact)
    variance = sum((x - mean) ** 2 for x in exact) / (len(exact) - 1) / len(exact)
    found = type_a(data)
    assert found.value == pytest.approx(float(mean), rel=1e-16)
    assert found.standard_uncertainty == pytest.approx(math.sqrt(float(variance)), rel=1e-12)
    assert found.degrees_of_freedom == pytest.approx(4)
