"""Risks of wrong decisions against closed sums, the bivariate normal distribution, and drawn populations."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from diagnb.conformity import (
    Limit,
    conformance_probability,
    global_risk,
    guarded,
    specific_risk,
    two_percent_guard_band,
    worst_consumers_risk,
)
from diagnb.errors import InputFault
from diagnb.uncertainty import Estimate

RESISTORS = Limit(lower=1499.8, upper=1500.2)


def test_precision_resistors() -> None:
    """Setting of the example of JCGM 106, 9.5; the numbers were computed independently, not printed there."""
    risk = global_risk(
        prior_mean=1500, prior_deviation=0.12, measurement=Estimate(1500, 0.04), tolerance=RESISTORS,
        acceptance=RESISTORS,
    )  # fmt: skip
    assert risk.conforming == pytest.approx(0.9044, abs=5e-5)
    assert risk.consumers == pytest.approx(0.0189, abs=5e-5)
    assert risk.producers == pytest.approx(0.0372, abs=5e-5)
    assert risk.capability_index == pytest.approx(2.5)
    assert risk.accepted + risk.producers == pytest.approx(risk.conforming + risk.consumers, abs=1e-12)


@pytest.mark.parametrize(("u", "band"), [(0.04, 0.0), (0.04, 0.066), (0.1, 0.05), (0.003, 0.0)])
def test_one_limit_against_the_bivariate_normal_distribution(u: float, band: float) -> None:
    mean, deviation, top = 0.1, 0.12, 0.25
    tolerance = Limit(upper=top)
    risk = global_risk(
        prior_mean=mean, prior_deviation=deviation, measurement=Estimate(0, u), tolerance=tolerance,
        acceptance=guarded(tolerance, band),
    )  # fmt: skip
    covariance = [[deviation**2, deviation**2], [deviation**2, deviation**2 + u**2]]
    joint = multivariate_normal([mean, mean], covariance)
    seen = multivariate_normal(mean, deviation**2 + u**2)
    good = multivariate_normal(mean, deviation**2)
    both = joint.cdf([top, top - band], rng=np.random.default_rng(1)) if band else joint.cdf([top, top])
    assert risk.consumers == pytest.approx(seen.cdf(top - band) - both, abs=2e-6)
    assert risk.producers == pytest.approx(good.cdf(top) - both, abs=2e-6)
    assert risk.accepted == pytest.approx(seen.cdf(top - band), abs=1e-9)
    assert risk.capability_index is None


@pytest.mark.parametrize("distribution", ["normal", "rectangular"])
def test_drawn_population(distribution: str) -> None:
    draw = np.random.default_rng(7)
    n, u = 2_000_000, 0.3
    item = draw.normal(0.2, 0.8, n)
    error = draw.normal(0, u, n) if distribution == "normal" else draw.uniform(-u * math.sqrt(3), u * math.sqrt(3), n)
    shown, good = np.abs(item + error) <= 0.7, np.abs(item) <= 1
    risk = global_risk(
        prior_mean=0.2, prior_deviation=0.8, measurement=Estimate(0, u, distribution=distribution),
        tolerance=Limit(-1, 1), acceptance=Limit(-0.7, 0.7),
    )  # fmt: skip
    assert risk.consumers == pytest.approx(np.mean(shown & ~good), abs=5e-4)
    assert risk.producers == pytest.approx(np.mean(~shown & good), abs=1.5e-3)


def test_perfect_measurement_risks_nothing_and_none_risks_everything() -> None:
    settled = {"prior_mean": 0.0, "prior_deviation": 1.0, "tolerance": Limit(-1, 1), "acceptance": Limit(-1, 1)}
    perfect = global_risk(measurement=Estimate(0, 0.0), **settled)
    assert (perfect.consumers, perfect.producers) == pytest.approx((0, 0), abs=1e-12)
    assert perfect.capability_index is None
    blind = global_risk(measurement=Estimate(0, 1e4), **settled)
    assert blind.producers == pytest.approx(0.6827, abs=2e-4)


def test_student_tails_raise_the_consumers_risk() -> None:
    settled = {"prior_mean": 0.0, "prior_deviation": 0.4, "tolerance": Limit(-1, 1), "acceptance": Limit(-1, 1)}
    few, many = (global_risk(measurement=Estimate(0, 0.25, nu), **settled).producers for nu in (3, math.inf))
    assert few > many


@pytest.mark.parametrize("nu", [1, 2, 4])
@pytest.mark.parametrize("u", [0.2, 0.01, 0.0005])
def test_student_tails_against_adaptive_quadrature(nu: int, u: float) -> None:
    from scipy.integrate import quad
    from scipy.stats import norm, t

    def rejected_good(x: float) -> float:
        return float(norm.pdf(x, 0, 0.5) * (t.sf((0.9 - x) / u, nu) + t.cdf((-0.9 - x) / u, nu)))

    pieces = [-1, -0.95, -0.9, -0.85, -0.5, 0, 0.5, 0.85, 0.9, 0.95, 1]
    whole = sum(quad(rejected_good, a, b, epsabs=1e-13, limit=200)[0] for a, b in pairwise(pieces))
    risk = global_risk(
        prior_mean=0, prior_deviation=0.5, measurement=Estimate(0, u, nu), tolerance=Limit(-1, 1),
        acceptance=Limit(-0.9, 0.9),
    )  # fmt: skip
    assert risk.producers == pytest.approx(whole, abs=1e-10)


def test_specific_risk_is_that_of_the_conformance_probability() -> None:
    """Breakdown voltage of a diode, JCGM 106, 7.3.2 example (from memory): conforms with 0.92."""
    y, limit = Estimate(-5.47, 0.05), Limit(upper=-5.40)
    risk = specific_risk(y, limit)
    assert risk.of_a_pass == pytest.approx(0.08, abs=0.005)
    assert risk.of_a_fail == conformance_probability(y, limit)


@pytest.mark.parametrize("ratio", [1, 1.5, 2, 3, 4, 4.5, 4.6, 6])
def test_two_percent_rule_keeps_its_promise(ratio: float) -> None:
    """Z540.3 handbook, method 6: at most 2 % false accepts whatever the items' scatter (partly from memory)."""
    tolerance, measurement = Limit(4, 6), Estimate(5, 1 / ratio / 2)
    band = two_percent_guard_band(tolerance=tolerance, measurement=measurement)
    worst = worst_consumers_risk(measurement=measurement, tolerance=tolerance, acceptance=guarded(tolerance, band))
    assert worst <= 0.02
    if ratio <= 4.5:
        assert worst > 0.019
    assert (band == 0) == (ratio >= 4.6)


def test_two_percent_rule_as_printed() -> None:
    band = two_percent_guard_band(tolerance=Limit(-4, 4), measurement=Estimate(0, 0.5))
    assert band == pytest.approx(0.05, abs=0.005)


def test_worst_scatter_is_the_worst() -> None:
    tolerance, measurement = Limit(-1, 1), Estimate(0, 0.2)
    worst = worst_consumers_risk(measurement=measurement, tolerance=tolerance, acceptance=tolerance)
    for deviation in np.geomspace(0.05, 20, 30):
        risk = global_risk(
            prior_mean=0, prior_deviation=deviation, measurement=measurement, tolerance=tolerance, acceptance=tolerance
        )
        assert risk.consumers <= worst + 1e-9


def test_faults_are_named() -> None:
    fine = {"tolerance": Limit(-1, 1), "acceptance": Limit(-1, 1)}
    with pytest.raises(InputFault, match=r"prior_mean.*prior_deviation"):
        global_risk(prior_mean=math.nan, prior_deviation=0, measurement=Estimate(0, 1), **fine)
    with pytest.raises(InputFault, match="many tests"):
        global_risk(prior_mean=0, prior_deviation=1, measurement=Estimate(np.zeros(2), np.ones(2)), **fine)
    with pytest.raises(InputFault, match="lower and an upper"):
        two_percent_guard_band(tolerance=Limit(upper=1), measurement=Estimate(0, 0.1))
    with pytest.raises(InputFault, match="test uncertainty ratio is 0"):
        two_percent_guard_band(tolerance=Limit(-1, 1), measurement=Estimate(0, 1))
    with pytest.raises(InputFault, match="nothing to accept"):
        guarded(Limit(-1, 1), 1.1)
