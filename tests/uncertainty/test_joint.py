"""Quantities observed together, complex values and straight lines, against published values, GTC and simulation."""

from __future__ import annotations

import json
import math
from pathlib import Path

import GTC
import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault, MeasurementFault
from diagnb.uncertainty import (
    ComplexEstimate,
    Estimate,
    box_factor,
    complex_degrees_of_freedom,
    correlation,
    ellipsoid_factor,
    fit_line,
    monte_carlo,
    propagate,
    type_a,
    type_a_derived,
    type_a_joint,
)

PUBLISHED = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "published" / "measurement.json").read_text(encoding="utf-8"))
}
SETS = PUBLISHED["gum-H.2-approach1-correlated"]["inputs"]
FORMULAS = {"R": "V / I * cos(phi)", "X": "V / I * sin(phi)", "Z": "V / I"}
NORRIS = PUBLISHED["nist-strd-lls-Norris"]["inputs"]

THERMOMETER = (
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511],
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160],
)
"""JCGM 100, H.3, table H.6: readings of a thermometer and its corrections, °C. From memory."""


def test_impedance_from_simultaneous_sets() -> None:
    """JCGM 100, H.2, tables H.2 and H.3: no coefficient is typed, the estimates bring it along."""
    means = type_a_joint(SETS)
    assert means.correlation("V", "I") == pytest.approx(-0.36, abs=0.005)
    assert means.correlation("V", "phi") == pytest.approx(0.86, abs=0.005)
    assert means.correlation("phi", "I") == pytest.approx(-0.65, abs=0.005)
    found = {name: propagate(text, means.estimates) for name, text in FORMULAS.items()}
    for name, value, u in (("R", 127.732, 0.071), ("X", 219.847, 0.2956), ("Z", 254.260, 0.236)):
        assert found[name].value == pytest.approx(value, abs=0.0005)
        assert found[name].standard_uncertainty == pytest.approx(u, abs=0.0005)
        assert found[name].degrees_of_freedom == pytest.approx(4)
    assert correlation(found["R"], found["X"]) == pytest.approx(-0.588, abs=0.0005)
    assert correlation(found["X"], found["Z"]) == pytest.approx(0.993, abs=0.0005)
    without = propagate("V / I", {name: type_a(values, source=name) for name, values in SETS.items()})
    assert without.standard_uncertainty < found["Z"].standard_uncertainty


def test_impedance_worked_out_set_by_set() -> None:
    """JCGM 100, H.2.4, table H.4."""
    found = type_a_derived(FORMULAS, SETS)
    for name, value, u in (("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)):
        assert found.estimates[name].value == pytest.approx(value, abs=0.0005)
        assert found.estimates[name].standard_uncertainty == pytest.approx(u, abs=0.0005)
    for a, b, r in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        assert found.correlation(a, b) == pytest.approx(r, abs=0.0005)


def test_joint_means_against_gtc() -> None:
    names = list(SETS)
    v, i, phi = GTC.type_a.multi_estimate_real([SETS[name] for name in names], labels=names)
    means = type_a_joint(SETS).estimates
    for text, reference in (("V / I * cos(phi)", v / i * GTC.cos(phi)), ("V * I", v * i), ("V - 250 * I", v - 250 * i)):
        found = propagate(text, means)
        assert found.value == pytest.approx(reference.x, rel=1e-12)
        assert found.standard_uncertainty == pytest.approx(reference.u, rel=1e-9)
        assert found.degrees_of_freedom == pytest.approx(reference.df, rel=1e-9)


def test_joint_and_other_sources_against_gtc() -> None:
    """A voltmeter's gain comes on top: degrees of freedom mix over two independent groups."""
    names = list(SETS)
    v, i, _ = GTC.type_a.multi_estimate_real([SETS[name] for name in names])
    gain = GTC.ureal(1, 0.001, 12)
    inputs = {**type_a_joint(SETS).estimates, "g": Estimate(1, 0.001, 12, "gain")}
    found, reference = propagate("V * g / I", inputs), v * gain / i
    assert found.standard_uncertainty == pytest.approx(reference.u, rel=1e-9)
    assert found.degrees_of_freedom == pytest.approx(reference.df, rel=1e-6)


def test_difference_of_pairs_is_the_mean_of_differences() -> None:
    draw = np.random.default_rng(1)
    level = draw.normal(12.6, 0.2, 8)
    a, b = level + draw.normal(0, 0.01, 8), level - 0.3 + draw.normal(0, 0.01, 8)
    found = propagate("a - b", type_a_joint({"a": a, "b": b}).estimates)
    single = type_a(a - b)
    assert found.value == pytest.approx(single.value)
    assert found.standard_uncertainty == pytest.approx(single.standard_uncertainty, rel=1e-9)
    assert found.degrees_of_freedom == pytest.approx(single.degrees_of_freedom)


def test_two_series_with_names_of_their_own_are_independent() -> None:
    one = type_a_joint({"V": [1.0, 1.2, 1.1]}, source="as found").estimates["V"]
    two = type_a_joint({"V": [1.0, 1.2, 1.1]}, source="as left").estimates["V"]
    assert correlation(one, two) == 0
    assert propagate("a - b", {"a": one, "b": two}).standard_uncertainty > 0


def test_constant_display_is_said_and_uncorrelated() -> None:
    means = type_a_joint({"V": [12.6, 12.6, 12.6], "I": [1.0, 1.1, 1.2]})
    assert means.constant == ("V",)
    assert means.correlation("V", "I") == 0
    assert propagate("V / I", means.estimates).standard_uncertainty > 0


def test_joint_monte_carlo_keeps_the_correlation() -> None:
    means = type_a_joint({"a": [1.0, 2.0, 3.0, 4.0], "b": [1.1, 2.0, 2.9, 4.0]}).estimates
    linear, drawn = propagate("a - b", means), monte_carlo("a - b", means, trials=200_000)
    # Four joint observations leave ν = 3, and a scaled t with ν = 3 has √(ν/(ν - 2)) times the spread (JCGM 101, 6.4.9.4).
    # Its fourth moment does not exist, so the quantiles are compared, not the standard deviation of the draws.
    half = (drawn.interval[1] - drawn.interval[0]) / 2
    assert half == pytest.approx(linear.expanded(0.95).expanded_uncertainty, rel=0.02)
    assert linear.expanded(0.95).coverage_factor == pytest.approx(3.182, abs=0.0005)


def test_leading_digits_do_no_harm_to_correlation() -> None:
    a, b = np.array([0.1, 0.2, 0.4]), np.array([0.3, 0.1, 0.5])
    plain, moved = type_a_joint({"a": a, "b": b}), type_a_joint({"a": a + 2.0**24, "b": b - 2.0**24})
    assert moved.correlation("a", "b") == pytest.approx(plain.correlation("a", "b"), abs=1e-6)


def test_complex_impedance() -> None:
    """JCGM 100, H.2 as one complex quantity, against its table and GTC."""
    means = type_a_joint(SETS).estimates
    z = ComplexEstimate(propagate(FORMULAS["R"], means), propagate(FORMULAS["X"], means))
    assert z.value == pytest.approx(127.732 + 219.847j, abs=0.001)
    assert z.correlation == pytest.approx(-0.588, abs=0.0005)
    assert z.degrees_of_freedom == pytest.approx(4)
    assert z.covariance[0, 0] == pytest.approx(0.0711**2, rel=0.01)


def test_willink_and_hall_example() -> None:
    """R. Willink and B. D. Hall, Metrologia 39 (2002), p. 365."""
    given = PUBLISHED["willink-hall-2002-complex-dof"]["inputs"].values()
    nu = complex_degrees_of_freedom([x["cov"] for x in given], [x["dof"] for x in given])
    assert nu == pytest.approx(11.34, abs=0.005)


def test_complex_degrees_of_freedom_against_gtc() -> None:
    draw = np.random.default_rng(4)
    for _ in range(20):
        covariances, nus, total = [], [], 0
        for _ in range(3):
            root = draw.normal(0, 1, (2, 2))
            c, nu = root @ root.T, float(draw.integers(3, 20))
            total = total + GTC.ucomplex(1, tuple(c.ravel()), nu)
            covariances.append(c)
            nus.append(nu)
        assert complex_degrees_of_freedom(covariances, nus) == pytest.approx(total.df, rel=1e-9)


def test_complex_estimate_over_several_sources() -> None:
    """Independent magnitude and phase: each moves both parts, and is one group of its own."""
    inputs = {"V": Estimate(10, 0.2, 5), "phi": Estimate(0.8, 0.03, 3)}
    z = ComplexEstimate(propagate("V * cos(phi)", inputs), propagate("V * sin(phi)", inputs))
    blocks = []
    for slope, u in (((math.cos(0.8), math.sin(0.8)), 0.2), ((-10 * math.sin(0.8), 10 * math.cos(0.8)), 0.03)):
        blocks.append(np.outer(slope, slope) * u**2)
    assert z.covariance == pytest.approx(sum(blocks))
    assert z.degrees_of_freedom == pytest.approx(complex_degrees_of_freedom(blocks, [5, 3]))
    assert ComplexEstimate(Estimate(1, 0.1), Estimate(1, 0.0)).degrees_of_freedom == math.inf


def test_strd_norris_certified_values() -> None:
    """NIST StRD, linear regression, Norris: all printed digits, and the covariance from the normal equations."""
    line = fit_line(NORRIS["x"], NORRIS["y"])
    assert line.intercept.value == pytest.approx(-0.262323073774029, abs=5e-13)
    assert line.intercept.standard_uncertainty == pytest.approx(0.232818234301152, abs=5e-13)
    assert line.slope.value == pytest.approx(1.00211681802045, abs=5e-14)
    assert line.slope.standard_uncertainty == pytest.approx(0.429796848199937e-03, abs=5e-16)
    assert line.residual_deviation == pytest.approx(0.884796396144373, abs=5e-13)
    assert line.degrees_of_freedom == 34
    x = np.array(NORRIS["x"])
    design = np.column_stack([np.ones_like(x), x])
    assert line.covariance == pytest.approx(
        line.residual_deviation**2 * np.linalg.inv(design.T @ design)[0, 1], rel=1e-10
    )


def test_line_against_scipy() -> None:
    line = fit_line(NORRIS["x"], NORRIS["y"])
    reference = stats.linregress(NORRIS["x"], NORRIS["y"])
    assert line.slope.value == pytest.approx(reference.slope, rel=1e-12)
    assert line.intercept.standard_uncertainty == pytest.approx(reference.intercept_stderr, rel=1e-9)


def test_thermometer_calibration_line() -> None:
    """JCGM 100, H.3, table H.6 and H.3.3 to H.3.4 (data and results from memory)."""
    line = fit_line(*THERMOMETER, origin=20.0)
    assert line.intercept.value == pytest.approx(-0.1712, abs=5e-5)
    assert line.intercept.standard_uncertainty == pytest.approx(0.0029, abs=5e-5)
    assert line.slope.value == pytest.approx(0.00218, abs=5e-6)
    assert line.slope.standard_uncertainty == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=0.0005)
    assert line.residual_deviation == pytest.approx(0.0035, abs=5e-5)
    at30 = line.at(30.0)
    assert at30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at30.standard_uncertainty == pytest.approx(0.0041, abs=5e-5)
    assert at30.degrees_of_freedom == pytest.approx(9)


@pytest.mark.parametrize("origin", [0.0, 20.0, 24.0085, 1000.0])
def test_the_line_does_not_depend_on_its_origin(origin: float) -> None:
    one, other = fit_line(*THERMOMETER), fit_line(*THERMOMETER, origin=origin)
    for x in (0.0, 24.0, 30.0):
        assert other.at(x).value == pytest.approx(one.at(x).value, abs=1e-10)
        assert other.at(x).standard_uncertainty == pytest.approx(one.at(x).standard_uncertainty, rel=1e-6)


def test_middle_of_the_data_is_uncorrelated() -> None:
    assert fit_line(*THERMOMETER, origin=float(np.mean(THERMOMETER[0]))).correlation == pytest.approx(0, abs=1e-9)


def test_corrected_reading_shares_its_error_with_the_correction() -> None:
    """t + b(t): the reading enters twice, and is counted once."""
    line = fit_line(*THERMOMETER, origin=20.0)
    reading = Estimate(30.0, 0.01, source="reading")
    corrected = propagate("t + b", {"t": reading, "b": line.at(reading)})
    slope = line.slope.value
    expected = math.hypot(line.at(30.0).standard_uncertainty, 0.01 * (1 + slope))
    assert corrected.value == pytest.approx(29.8506, abs=1e-4)
    assert corrected.standard_uncertainty == pytest.approx(expected, rel=1e-9)


def test_line_read_backwards_undoes_it() -> None:
    line = fit_line(NORRIS["x"], NORRIS["y"], source="norris")
    back = line.where(line.at(500.0))
    assert back.value == pytest.approx(500.0)
    assert back.standard_uncertainty == pytest.approx(0, abs=1e-6)
    level = line.where(Estimate(500.0, 1.0, source="seen"))
    rest = line.where(500.0).standard_uncertainty
    assert level.standard_uncertainty == pytest.approx(math.hypot(rest, 1 / line.slope.value), rel=1e-9)
    assert rest == pytest.approx(line.at(level.value).standard_uncertainty / line.slope.value, rel=1e-9)


def test_lines_hold_the_truth_as_often_as_they_say() -> None:
    draw = np.random.default_rng(8)
    x = np.array([1.0, 2.0, 4.0, 5.0, 9.0])
    held = 0
    for _ in range(2000):
        low, high = fit_line(x, 3 + 2 * x + draw.normal(0, 0.3, 5), origin=3.0).at(7.0).expanded(0.95).interval
        held += low <= 17 <= high
    assert 0.935 <= held / 2000 <= 0.965


def test_regions_as_tabulated() -> None:
    """JCGM 102, 6.5.2, tables 1 and 2 (from memory: shows the arithmetic, not the citation)."""
    assert [round(ellipsoid_factor(m), 2) for m in (1, 2, 3, 4)] == pytest.approx([1.96, 2.45, 2.80, 3.08])
    assert [round(box_factor(m), 2) for m in (1, 2, 3, 4)] == pytest.approx([1.96, 2.24, 2.39, 2.50])


def test_regions_of_few_degrees_of_freedom_hold_the_truth() -> None:
    """Means of six joint sets of two quantities: Hotelling's region is exact, the box holds at least as often."""
    draw = np.random.default_rng(6)
    shape = np.array([[1.0, 0.8], [0.8, 1.0]])
    inside = boxed = 0
    kp, kq = ellipsoid_factor(2, degrees_of_freedom=5), box_factor(2, degrees_of_freedom=5)
    for _ in range(4000):
        sets = draw.multivariate_normal([0, 0], shape, 6)
        mean, covariance = sets.mean(axis=0), np.cov(sets.T) / 6
        inside += mean @ np.linalg.solve(covariance, mean) <= kp**2
        boxed += bool(np.all(np.abs(mean) <= kq * np.sqrt(np.diag(covariance))))
    assert 0.94 <= inside / 4000 <= 0.96
    assert boxed / 4000 >= 0.945


def test_one_quantity_is_the_ordinary_factor() -> None:
    for nu in (1, 4, 30, math.inf):
        expected = stats.t.ppf(0.975, nu)
        assert ellipsoid_factor(1, degrees_of_freedom=nu) == pytest.approx(expected, rel=1e-9)
        assert box_factor(1, degrees_of_freedom=nu) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("sets", "words"),
    [
        ({}, "there are none"),
        ({"V": [1.0]}, "two readings or more"),
        ({"V": [1.0, 2.0], "I": [1.0, 2.0, 3.0]}, "not all taken together: V has 2, I has 3"),
        ({"V": [1.0, math.nan]}, "list of numbers"),
        ({"V": ["OL", 1.0]}, "not a number"),
    ],
)
def test_unusable_sets_are_refused(sets: dict[str, list[float]], words: str) -> None:
    with pytest.raises(InputFault, match=words):
        type_a_joint(sets)


def test_other_faults_are_named() -> None:
    with pytest.raises(InputFault, match="W was not observed"):
        type_a_derived({"R": "V / W"}, SETS)
    with pytest.raises(InputFault, match="observed were"):
        type_a_joint(SETS).correlation("V", "W")
    with pytest.raises(InputFault, match="three points"):
        fit_line([1, 2], [1, 2])
    with pytest.raises(InputFault, match="does not vary"):
        fit_line([1, 1, 1], [1, 2, 3])
    with pytest.raises(MeasurementFault, match="slope"):
        fit_line([1, 2, 3, 4], [1.0, 1.2, 0.9, 1.1]).where(1.0)
    with pytest.raises(InputFault, match="no two quantities"):
        complex_degrees_of_freedom([[[1, 2], [2, 1]]], [3])
    with pytest.raises(InputFault, match=r"symmetric.*above zero"):
        complex_degrees_of_freedom([[[1, 2], [0, 5]]], [0])
    with pytest.raises(InputFault, match="one for each"):
        complex_degrees_of_freedom([], [])
    with pytest.raises(InputFault, match="too few for 3"):
        ellipsoid_factor(3, degrees_of_freedom=2)
    with pytest.raises(InputFault, match=r"quantities.*coverage.*degrees"):
        box_factor(0, coverage=95, degrees_of_freedom=0)
