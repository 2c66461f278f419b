"""Lots, pairs and many cells: SciPy as oracle, and what happens when nothing is wrong anywhere."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import benjamini_hochberg, compare_lots, homogeneity, survey_cells, two_rates


def test_homogeneity_agrees_with_scipy() -> None:
    table = [[15, 21, 45, 13], [26, 31, 34, 5], [33, 17, 49, 20]]
    oracle = stats.chi2_contingency(table, correction=False)
    found = homogeneity(table=table)
    assert found.statistic == pytest.approx(oracle.statistic)
    assert found.p_value == pytest.approx(oracle.pvalue)


def test_cells_that_expect_too_little_are_refused() -> None:
    found = homogeneity(table=[[1, 2, 0], [40, 50, 60]])
    assert found.refusal is not None
    assert found.refusal.code == "cell-too-small"
    assert "pool" in str(found.refusal)
    assert not found.rejects
    lots = compare_lots(names=["A", "B"], fails=[1, 0], tests=[40, 50])
    assert lots.overall.refusal is not None
    assert lots.pairs == ()
    assert lots.note.startswith("not compared")
    assert [f.value for f in lots.lots] == [1 / 40, 0]
    assert homogeneity(table=[[0, 0], [5, 6]]).refusal is not None


def test_a_bad_lot_is_found_and_named() -> None:
    found = compare_lots(names=["A", "B", "C"], fails=[10, 12, 60], tests=[300, 300, 300])
    assert {(p.first, p.second) for p in found.differing} == {("A", "C"), ("B", "C")}
    assert found.note == "the lots differ"


def test_counts_that_are_none_are_faults() -> None:
    with pytest.raises(InputFault, match=r"lots\.B"):
        compare_lots(names=["A", "B"], fails=[1, 9], tests=[10, 5])
    with pytest.raises(InputFault, match="one length"):
        compare_lots(names=["A"], fails=[1, 9], tests=[10, 50])
    with pytest.raises(InputFault, match="not a table"):
        homogeneity(table=[1, 2, 3])


@pytest.mark.parametrize(("events", "exposure"), [((7, 20), (100.0, 900.0)), ((0, 5), (10.0, 10.0)), ((9, 2), (50.0, 200.0))])  # fmt: skip
def test_two_rates_agree_with_the_exact_binomial(events: tuple[int, int], exposure: tuple[float, float]) -> None:
    ratio, trial = two_rates(events=events, exposure=exposure)
    share = exposure[0] / sum(exposure)
    limits = stats.binomtest(events[0], sum(events), share).proportion_ci(0.95)
    odds = [limits.low / (1 - limits.low), limits.high / (1 - limits.high)]
    scale = exposure[1] / exposure[0]
    assert ratio.lower == pytest.approx(odds[0] * scale)
    assert ratio.upper == pytest.approx(odds[1] * scale)
    tails = stats.binom.cdf(events[0], sum(events), share), stats.binom.sf(events[0] - 1, sum(events), share)
    assert trial.p_value == pytest.approx(min(1.0, 2 * min(tails)))
    assert two_rates(events=(0, 0), exposure=exposure)[0].refusal is not None


def test_adjusted_p_values_agree_with_scipy() -> None:
    p = np.random.default_rng(1).random(50) ** 2
    assert benjamini_hochberg(p) == pytest.approx(stats.false_discovery_control(p))
    with pytest.raises(InputFault):
        benjamini_hochberg([0.5, 1.2])


def null_table(rng: np.random.Generator, frailty: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """40 components by 24 lots, 960 cells of like rate; 20 vehicles in a cell."""
    own = rng.gamma(0.5, 2.0, (40, 24, 20)) if frailty else np.ones((40, 24, 20))
    events = rng.poisson(0.4 * own)
    return events.sum(axis=2), np.full((40, 24), 20 * 24.0), (events > 0).sum(axis=2)


def names(n: int) -> list[str]:
    return [str(k) for k in range(n)]


def test_many_cells_with_nothing_wrong_give_hardly_an_alarm() -> None:
    rng = np.random.default_rng(3)
    raw = called = 0
    for _ in range(40):
        events, exposure, assets = null_table(rng, frailty=False)
        found = survey_cells(rows=names(40), columns=names(24), events=events, exposure=exposure, failing_assets=assets)
        assert len(found.cells) == 960
        raw += sum(c.p_value < 0.05 for c in found.cells)
        called += len(found.alarms)
    assert raw / 40 > 15
    assert called / 40 < 0.1


def test_vehicles_that_differ_need_the_dispersion() -> None:
    rng = np.random.default_rng(4)
    without = allowed = 0
    for _ in range(20):
        events, exposure, assets = null_table(rng, frailty=True)
        common = {"rows": names(40), "columns": names(24), "exposure": exposure, "failing_assets": assets}
        without += len(survey_cells(events=events, **common).alarms)  # type: ignore[arg-type]
        # True variance over mean of one vehicle's count: 1 + 0.4 · 2.
        allowed += len(survey_cells(events=events, dispersion=np.full(40, 1.8), **common).alarms)  # type: ignore[arg-type]
    assert allowed / 20 < 0.15
    assert without > 3 * allowed


def test_a_lot_five_times_as_bad_is_called_and_a_single_vehicle_is_not() -> None:
    events = np.full((4, 6), 10.0)
    exposure = np.full((4, 6), 500.0)
    events[2, 3] = 50
    assets = events.copy()
    found = survey_cells(
        rows=list("abcd"), columns=list("123456"), events=events, exposure=exposure, failing_assets=assets
    )
    assert [(c.row, c.column) for c in found.alarms] == [("c", "4")]
    assert found.alarms[0].lower > 1
    assets[2, 3] = 2
    quiet = survey_cells(
        rows=list("abcd"), columns=list("123456"), events=events, exposure=exposure, failing_assets=assets
    )
    assert quiet.alarms == ()


def test_cells_too_small_are_listed_not_lost() -> None:
    events, exposure = np.array([[3, 4, 0], [0, 0, 0]]), np.array([[100, 100, 10], [100, 100, 10]])
    found = survey_cells(
        rows=["a", "b"], columns=["x", "y", "z"], events=events, exposure=exposure, minimum_exposure=60
    )
    assert len(found.cells) + len(found.untested) == 6
    assert ("a", "z") in {u[:2] for u in found.untested}
    assert {u[2].code for u in found.untested} == {"exposure-too-small", "nothing-varies"}
    with pytest.raises(InputFault, match="without exposure"):
        survey_cells(rows=["a"], columns=["x", "y"], events=[[1, 2]], exposure=[[0, 5]])
