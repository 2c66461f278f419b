"""Charts over months: limits of every point, false alarms as rare as stated, a change found and dated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import cusum_chart, cusum_pair, ewma_chart, individuals_chart, rate_chart, tabular_cusum


def test_every_point_has_the_limits_of_its_own_exposure() -> None:
    # The dyed-cloth figures: one printed pair of limits can't serve 10 and 13 inspected lengths.
    chart = rate_chart(counts=[14, 11], exposure=[10, 13], center=1.40367)
    assert chart.lower == pytest.approx([0.27970, 0.41789], abs=1e-4)
    assert chart.upper == pytest.approx([2.52764, 2.38946], abs=1e-4)


def test_small_counts_take_exact_limits() -> None:
    common = {"counts": [0] * 12 + [3], "exposure": [20.0] * 13, "center": 0.012}
    normal = rate_chart(**common)  # type: ignore[arg-type]
    exact = rate_chart(**common, limits="exact")  # type: ignore[arg-type]
    assert normal.signal[12]
    assert exact.upper[12] * 20 == 3
    assert not exact.signal[12]


def test_a_rise_is_found_and_dated() -> None:
    rng = np.random.default_rng(2)
    exposure = rng.uniform(200, 1200, 60)
    rate = np.where(np.arange(60) < 40, 0.01, 0.03)
    counts = rng.poisson(rate * exposure)
    common = {"counts": counts, "exposure": exposure, "baseline": 30, "labels": [f"m{k}" for k in range(60)]}
    cusum, ewma = cusum_chart(**common), ewma_chart(**common)  # type: ignore[arg-type]
    assert cusum.first_signal is not None
    assert 40 <= cusum.first_signal <= 44
    assert cusum.started is not None
    assert 37 <= cusum.started <= 42
    assert ewma.first_signal is not None
    assert 40 <= ewma.first_signal <= 46


def test_false_alarms_are_as_rare_as_stated_whatever_the_exposure() -> None:
    rng = np.random.default_rng(5)
    run_lengths = []
    for _ in range(120):
        exposure = rng.choice([20.0, 200.0, 2000.0], 1500)
        chart = cusum_chart(
            counts=rng.poisson(0.01 * exposure), exposure=exposure, center=0.01, months_between_false_alarms=100
        )
        run_lengths.append(1500 if chart.first_signal is None else chart.first_signal + 1)
    assert np.mean(run_lengths) > 100
    exposure = rng.choice([100.0, 1000.0], 60)
    inside = [
        ewma_chart(counts=rng.poisson(0.02 * exposure), exposure=exposure, center=0.02).signal.mean()
        for _ in range(100)
    ]
    assert np.mean(inside) < 0.02


def test_a_baseline_too_small_is_refused() -> None:
    for chart in (
        rate_chart(counts=[1, 2, 0], exposure=[100.0] * 3), ewma_chart(counts=[1, 2, 0], exposure=[100.0] * 3),
        cusum_chart(counts=[1, 2, 40], exposure=[100.0] * 3, baseline=2),
    ):  # fmt: skip
        assert chart.refusal is not None
        assert chart.refusal.code == "baseline-too-small"
        assert not chart.signal.any()
    assert individuals_chart(values=[1.0, 2.0]).refusal is not None


def test_months_that_cannot_be_are_faults() -> None:
    with pytest.raises(InputFault, match="an exposure of 0"):
        rate_chart(counts=[1, 2], exposure=[10, 0])
    with pytest.raises(InputFault, match="more fails than tests"):
        rate_chart(counts=[11, 2], exposure=[10, 10], kind="proportion")
    with pytest.raises(InputFault, match="one length"):
        rate_chart(counts=[1, 2], exposure=1.0, labels=["a"])
    with pytest.raises(InputFault, match="not 1"):
        cusum_chart(counts=[10, 12], exposure=1.0, ratio=1.0)
    with pytest.raises(InputFault):
        tabular_cusum(values=[1.0], target=0, slack=-1, height=1)


def scattered(rng: np.random.Generator, expected: np.ndarray, phi: float) -> np.ndarray:
    """Counts of that mean, and ``phi`` times it for variance."""
    return rng.negative_binomial(expected / (phi - 1), 1 / phi) if phi > 1 else rng.poisson(expected)


@pytest.mark.parametrize(("phi", "level"), [(4.0, 25.0), (2.0, 5.0), (1.0, 25.0)])
def test_false_alarms_stay_rare_where_months_scatter_more_than_poisson(phi: float, level: float) -> None:
    rng = np.random.default_rng(11)
    plain, wide, lasting = [], [], []
    for _ in range(120):
        exposure = rng.uniform(110, 190, 48)
        counts = scattered(rng, level * exposure / 150, phi)
        common = {"counts": counts, "exposure": exposure, "baseline": 24}
        plain.append(rate_chart(**common, limits="exact", dispersion=1.0).signal[24:].mean())  # type: ignore[arg-type]
        wide.append(rate_chart(**common, limits="exact").signal[24:].mean())  # type: ignore[arg-type]
        lasting.append(any(c.signal[24:].any() for c in cusum_pair(**common, labels=[f"m{k:02d}" for k in range(48)])))  # type: ignore[arg-type]
    assert np.mean(wide) < 0.006
    assert np.mean(lasting) < 0.15
    assert phi < 2 or np.mean(plain) > 3 * np.mean(wide)


def test_dispersion_is_pearsons_of_the_baseline_and_one_gives_the_text_book() -> None:
    counts, exposure = np.array([20.0, 40, 22, 38, 30, 90]), np.full(6, 100.0)
    chart = rate_chart(counts=counts, exposure=exposure, baseline=5)
    assert chart.dispersion == pytest.approx(np.sum((counts[:5] - 30) ** 2 / 30) / 4)
    # Student's t with 4 degrees of freedom at the tail of three sigma, and the level's own uncertainty for what comes after.
    reach = stats.t.ppf(stats.norm.cdf(3), 4) * np.sqrt(chart.dispersion * 0.3 / 100 * (1 + 30 / 150))
    assert chart.upper[5] == pytest.approx(0.3 + reach)
    assert "scatter 2.7 times" in chart.method
    text_book = rate_chart(counts=counts, exposure=exposure, baseline=5, dispersion=1.0)
    assert text_book.upper[5] == pytest.approx(0.3 + 3 * np.sqrt(0.003))
    exact = rate_chart(counts=counts, exposure=exposure, baseline=5, dispersion=2.0, limits="exact")
    assert exact.upper[0] * 100 == pytest.approx(stats.nbinom.ppf(stats.norm.cdf(3), 30, 0.5))


def test_the_steps_of_a_scattered_cusum_are_log_likelihood_ratios() -> None:
    counts, phi = np.array([3.0, 0, 9]), 2.5
    chart = cusum_chart(counts=counts, exposure=2.0, center=1.5, dispersion=phi, ratio=2.0)
    size = 3.0 / (phi - 1)
    steps = stats.nbinom.logpmf(counts, 2 * size, 1 / phi) - stats.nbinom.logpmf(counts, size, 1 / phi)
    sums, s = [], 0.0
    for step in steps:
        s = max(0.0, s + step)
        sums.append(s)
    assert chart.value == pytest.approx(sums)
    nearly = cusum_chart(counts=counts, exposure=2.0, center=1.5, dispersion=1.00001)
    assert nearly.value == pytest.approx(cusum_chart(counts=counts, exposure=2.0, center=1.5).value, rel=1e-3)


def test_a_baseline_longer_than_the_chart_is_refused() -> None:
    for make in (rate_chart, ewma_chart, cusum_chart):
        with pytest.raises(InputFault, match="100 points, of 48"):
            make(counts=[5] * 48, exposure=[100.0] * 48, baseline=100)
