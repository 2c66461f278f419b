"""Gauge studies against published analyses, nested least squares, and simulated studies of known spread."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.uncertainty import gauge_study, one_way, one_way_of_summaries, propagate

WAFERS = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
"""NIST StRD, analysis of variance, SiRstv: resistivity of silicon wafers, five instruments."""

PARTS = np.array(
    [
        [[0.29, 0.41, 0.64], [0.08, 0.25, 0.07], [0.04, -0.11, -0.15]],
        [[-0.56, -0.68, -0.58], [-0.47, -1.22, -0.68], [-1.38, -1.13, -0.96]],
        [[1.34, 1.17, 1.27], [1.19, 0.94, 1.34], [0.88, 1.09, 0.67]],
        [[0.47, 0.50, 0.64], [0.01, 1.03, 0.20], [0.14, 0.20, 0.11]],
        [[-0.80, -0.92, -0.84], [-0.56, -1.20, -1.28], [-1.46, -1.07, -1.45]],
        [[0.02, -0.11, -0.21], [-0.20, 0.22, 0.06], [-0.29, -0.67, -0.49]],
        [[0.59, 0.75, 0.66], [0.47, 0.55, 0.83], [0.02, 0.01, 0.21]],
        [[-0.31, -0.20, -0.17], [-0.63, 0.08, -0.34], [-0.46, -0.56, -0.49]],
        [[2.26, 1.99, 2.01], [1.80, 2.12, 2.19], [1.77, 1.45, 1.87]],
        [[-1.36, -1.25, -1.31], [-1.68, -1.62, -1.50], [-1.49, -1.77, -2.16]],
    ]
)
"""Ten parts, three operators, three repeats: the worked study of the automotive industry's reference manual on
measurement systems analysis, fourth edition. Data and printed values from memory: they show the arithmetic, not the
citation."""


def test_strd_silicon_wafers_certified_values() -> None:
    found = one_way(WAFERS)
    assert found.between_row.sum_of_squares == pytest.approx(5.11462616e-02, rel=1e-10)
    assert found.within_row.sum_of_squares == pytest.approx(2.16636560e-01, rel=1e-10)
    assert found.between_row.mean_square == pytest.approx(1.27865654e-02, rel=1e-10)
    assert found.within_row.mean_square == pytest.approx(1.08318280e-02, rel=1e-10)
    assert found.f == pytest.approx(1.18046237440, abs=5e-12)
    assert found.within == pytest.approx(1.04076068334656e-01, rel=1e-10)
    assert found.share_between == pytest.approx(1.90999039051129e-01, rel=1e-10)


def test_one_way_against_scipy() -> None:
    found = one_way({f"instrument {i}": row for i, row in enumerate(WAFERS)})
    reference = stats.f_oneway(*WAFERS)
    assert found.f == pytest.approx(reference.statistic, rel=1e-9)
    assert found.between_row.p_value == pytest.approx(reference.pvalue, rel=1e-9)


def test_many_leading_digits_do_no_harm() -> None:
    """As the StRD sets of higher difficulty: the same small spread on top of 1e9."""
    plain = one_way(np.array([[1, 2, 4], [2, 3, 5], [3, 5, 7.0]]))
    moved = one_way(np.array([[1, 2, 4], [2, 3, 5], [3, 5, 7.0]]) + 1e9)
    assert moved.f == pytest.approx(plain.f, rel=1e-12)
    assert moved.mean - 1e9 == pytest.approx(plain.mean, abs=1e-6)


def test_zener_voltage_standard() -> None:
    """JCGM 100, H.5, from daily means and spreads (from memory: shows the arithmetic, not the citation)."""
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    found = one_way_of_summaries(
        means=[10 + m * 1e-6 for m in means],
        standard_deviations=[s * 1e-6 for s in (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)],
        repeats=5,
    )
    micro = 1e6
    assert found.mean == pytest.approx(10.000097, abs=5e-7)
    assert found.of_group_means * micro == pytest.approx(57, abs=0.5)
    assert math.sqrt(found.between_row.mean_square) * micro == pytest.approx(128, abs=0.5)
    assert found.within * micro == pytest.approx(85, abs=0.5)
    assert found.between * micro == pytest.approx(43, abs=0.5)
    # Printed is 2.25, from rounded intermediates.
    assert found.f == pytest.approx(2.26, abs=0.005)
    assert found.critical_value(0.95) == pytest.approx(2.12, abs=0.005)
    assert found.critical_value(0.975) == pytest.approx(2.45, abs=0.005)
    with_effect, without = found.estimate(between_effect=True), found.estimate(between_effect=False)
    assert with_effect.standard_uncertainty * micro == pytest.approx(18, abs=0.5)
    assert with_effect.degrees_of_freedom == 9
    assert without.standard_uncertainty * micro == pytest.approx(13, abs=0.5)
    assert without.degrees_of_freedom == 49


def test_summaries_and_readings_give_the_same() -> None:
    whole = one_way(WAFERS)
    short = one_way_of_summaries(
        means=[np.mean(w) for w in WAFERS], standard_deviations=[np.std(w, ddof=1) for w in WAFERS], repeats=5
    )
    for name in ("mean", "f", "within", "between", "of_group_means"):
        assert getattr(short, name) == pytest.approx(getattr(whole, name), rel=1e-9)


def test_negative_variance_between_groups_is_said() -> None:
    found = one_way([[1.0, 2.0, 3.0], [1.1, 2.0, 2.9], [0.9, 2.1, 3.0]])
    assert found.between == 0
    assert found.between_set_to_zero


def test_worked_study_of_ten_parts() -> None:
    study = gauge_study(PARTS)
    assert study.pooled
    full = gauge_study(PARTS, pooling_level=1)
    for source, freedom, total in (
        ("operators", 2, 3.1673), ("parts", 9, 88.3619), ("interaction", 18, 0.3590), ("repeatability", 60, 2.7589),
    ):  # fmt: skip
        assert full.row(source).degrees_of_freedom == freedom
        assert full.row(source).sum_of_squares == pytest.approx(total, abs=5e-5)
    assert full.row("interaction").f == pytest.approx(0.434, abs=5e-4)
    assert study.row("operators").f == pytest.approx(39.617, abs=2e-3)
    assert study.repeatability == pytest.approx(0.199933, abs=5e-7)
    assert study.reproducibility == pytest.approx(0.226838, abs=5e-7)
    # Recalled is 0.302373; the two recalled components, which agree to all digits, make 0.302372.
    assert study.gauge == pytest.approx(math.hypot(0.199933, 0.226838), abs=5e-7)
    assert study.part_to_part == pytest.approx(1.042327, abs=5e-7)
    assert study.distinct_categories == 4
    assert study.row("repeatability").degrees_of_freedom == study.degrees_of_freedom["repeatability"] == 78


def _sequential_sums(readings: np.ndarray) -> dict[str, float]:
    """Sums of squares by nested least squares with dummy columns: another way to the same table."""
    p, o, _ = readings.shape
    i, j, _ = (index.ravel() for index in np.indices(readings.shape))
    y = readings.ravel()
    columns = {
        "mean": np.ones((y.size, 1)),
        "parts": np.eye(p)[i],
        "operators": np.eye(o)[j],
        "interaction": np.eye(p * o)[i * o + j],
    }
    design, left, sums = np.empty((y.size, 0)), [], {}
    for name, block in columns.items():
        design = np.hstack([design, block])
        fit = design @ np.linalg.lstsq(design, y, rcond=None)[0]
        left.append(float(np.sum((y - fit) ** 2)))
        if len(left) > 1:
            sums[name] = left[-2] - left[-1]
    return {**sums, "repeatability": left[-1]}


@pytest.mark.parametrize("size", [(10, 3, 3), (5, 2, 4), (2, 2, 2), (3, 6, 2)])
def test_table_against_nested_least_squares(size: tuple[int, int, int]) -> None:
    draw = np.random.default_rng(sum(size))
    p, o, _ = size
    readings = (
        12.6 + draw.normal(0, 0.3, (p, 1, 1)) + draw.normal(0, 0.1, (1, o, 1))
        + draw.normal(0, 0.2, (p, o, 1)) + draw.normal(0, 0.05, size)
    )  # fmt: skip
    study = gauge_study(readings, pooling_level=1)
    sums = _sequential_sums(readings)
    for row in study.table:
        assert row.sum_of_squares == pytest.approx(sums[row.source], rel=1e-9)
    crossed, rest = study.row("interaction"), study.row("repeatability")
    f = (sums["interaction"] / crossed.degrees_of_freedom) / (sums["repeatability"] / rest.degrees_of_freedom)
    assert crossed.p_value == pytest.approx(stats.f.sf(f, crossed.degrees_of_freedom, rest.degrees_of_freedom))
    # Parts and operators are random, so the interaction is what they are tested against.
    f = study.row("parts").mean_square / crossed.mean_square
    assert study.row("parts").p_value == pytest.approx(stats.f.sf(f, p - 1, crossed.degrees_of_freedom))
    shares = study.shares
    assert shares["gauge"] + shares["part_to_part"] == pytest.approx(1)
    assert shares["repeatability"] + shares["reproducibility"] == pytest.approx(shares["gauge"])
    assert shares["operator"] + shares["interaction"] == pytest.approx(shares["reproducibility"])


def test_components_are_right_on_average() -> None:
    """Variance components of simulated studies, not set to zero too often to matter here: unbiased."""
    draw = np.random.default_rng(3)
    truth = {"part_to_part": 1.0, "operator": 0.5, "interaction": 0.4, "repeatability": 0.3}
    total = dict.fromkeys(truth, 0.0)
    for _ in range(400):
        study = gauge_study(
            draw.normal(0, 1.0, (12, 1, 1)) + draw.normal(0, 0.5, (1, 8, 1)) + draw.normal(0, 0.4, (12, 8, 1))
            + draw.normal(0, 0.3, (12, 8, 2))
        )  # fmt: skip
        assert not study.pooled
        for name in truth:
            total[name] += getattr(study, name) ** 2 / 400
    for name, deviation in truth.items():
        assert math.sqrt(total[name]) == pytest.approx(deviation, rel=0.05)


def test_degrees_of_freedom_of_the_gauge_describe_its_scatter() -> None:
    """The variance of a χ² estimate is 2σ⁴/ν: the stated ν must match the scatter over simulated studies."""
    draw = np.random.default_rng(9)
    variances, nus = [], []
    for _ in range(1500):
        study = gauge_study(
            draw.normal(0, 1, (10, 1, 1)) + draw.normal(0, 0.5, (1, 6, 1)) + draw.normal(0, 0.5, (10, 6, 3))
        )
        variances.append(study.gauge**2)
        nus.append(study.degrees_of_freedom["gauge"])
    seen = 2 * np.mean(variances) ** 2 / np.var(variances)
    assert np.median(nus) == pytest.approx(seen, rel=0.3)


def test_pooling_follows_the_stated_level() -> None:
    p_value = gauge_study(PARTS, pooling_level=1).row("interaction").p_value
    assert gauge_study(PARTS, pooling_level=p_value - 1e-6).pooled
    assert not gauge_study(PARTS, pooling_level=p_value + 1e-6).pooled
    with pytest.raises(InputFault, match="'interaction' is not in the table"):
        gauge_study(PARTS).row("interaction")


def test_negative_components_are_set_to_zero_and_said() -> None:
    study = gauge_study(PARTS, pooling_level=1)
    assert study.set_to_zero == ("interaction",)
    assert study.interaction == 0
    # Operators who swap their offsets part by part: no operator effect, all interaction.
    swapped = np.array([[[1.0, 1.1], [2.0, 2.1]], [[2.0, 2.1], [1.0, 1.1]]])
    found = gauge_study(swapped)
    assert set(found.set_to_zero) == {"operator", "part_to_part"}
    assert found.distinct_categories == 1


def test_display_too_coarse_to_show_a_spread() -> None:
    steps = np.array([[[0.1, 0.1], [0.1, 0.1]], [[0.2, 0.2], [0.2, 0.2]]])
    study = gauge_study(steps)
    assert study.gauge == 0
    assert study.distinct_categories is None
    assert study.row("parts").f == math.inf
    same = gauge_study(np.full((3, 2, 2), 12.6))
    assert same.total == 0
    assert all(row.p_value in (None, 1.0) for row in same.table)


def test_study_goes_into_a_budget() -> None:
    study = gauge_study(PARTS)
    error = study.reading_error(source="clamp by any operator")
    drop = propagate("a + error", {"a": one_way(WAFERS).estimate(between_effect=True), "error": error})
    row = next(r for r in drop.budget() if r.source == "clamp by any operator")
    assert row.contribution == pytest.approx(0.302372, abs=1e-6)
    assert row.degrees_of_freedom == pytest.approx(study.degrees_of_freedom["gauge"])
    assert study.precision_to_tolerance(4.0) == pytest.approx(6 * 0.302372 / 4, abs=2e-6)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e6])
def test_another_unit_changes_nothing_else(scale: float) -> None:
    one, other = gauge_study(PARTS), gauge_study(PARTS * scale + 5 * scale)
    assert other.gauge == pytest.approx(one.gauge * scale, rel=1e-9)
    assert other.distinct_categories == one.distinct_categories
    assert other.row("operators").p_value == pytest.approx(one.row("operators").p_value, rel=1e-6)


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]], "unbalanced"),
        ([[["a", 2.0]]], "not a number"),
        (np.ones((3, 2)), "2 dimensions"),
        (np.ones((1, 2, 1)), r"parts: 1 is too few.*repeats: 1 is too few"),
        (np.full((2, 2, 2), np.nan), "no reading may be missing"),
    ],
)
def test_unusable_studies_are_refused(readings: object, words: str) -> None:
    with pytest.raises(InputFault, match=words):
        gauge_study(readings)


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ([[1.0, 2.0], [1.0, 2.0, 3.0]], "not of one length"),
        ([[1.0, 2.0]], "two groups"),
        ({"a": [1.0], "b": ["x", 2]}, r"groups\.a: needs two.*groups\.b|groups\.b.*groups\.a"),
        ([[1.0, math.inf], [1.0, 2.0]], "list of numbers"),
        ([], "two groups"),
    ],
)
def test_unusable_groups_are_refused(groups: object, words: str) -> None:
    with pytest.raises(InputFault, match=words):
        one_way(groups)  # type: ignore[arg-type]


def test_unusable_summaries_and_levels_are_refused() -> None:
    with pytest.raises(InputFault, match=r"there are 1 for 2 means.*1 can't show a spread"):
        one_way_of_summaries(means=[1, 2], standard_deviations=[1], repeats=1)
    with pytest.raises(InputFault, match="not below zero"):
        one_way_of_summaries(means=[1, 2], standard_deviations=[1, -1], repeats=3)
    with pytest.raises(InputFault, match="pooling level"):
        gauge_study(PARTS, pooling_level=2)
    with pytest.raises(InputFault, match="width of a tolerance"):
        gauge_study(PARTS).precision_to_tolerance(0)
    with pytest.raises(InputFault, match="probability"):
        one_way(WAFERS).critical_value(95)
