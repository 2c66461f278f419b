"""Stated coverage and stated risk hold for every judged result of every shipped procedure, on simulated meters.

The long run of the same study, whose table stands in DEVELOPERS.md, is tests/evaluation/simulated_meters.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).resolve().parent))
from simulated_meters import Case, Tally, cases, study

TRIALS = 60
CASES = cases()
UNLIKELY = 1e-4
"""A count is a fault when the stated 95 % or 5 % would give one as bad less often than this."""


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    return {}


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.label)
def test_coverage_and_risk_hold(case: Case, tallies: dict[str, Tally]) -> None:
    tally = study(case, trials=TRIALS, seed=7)
    tallies[case.label] = tally
    with_value = tally.trials - tally.without_value
    assert with_value >= TRIALS // 2, "most visits of the example must give a value"
    assert binom.cdf(tally.held, with_value, 0.95) > UNLIKELY
    if tally.judged_bad:
        assert binom.sf(tally.passed_though_bad - 1, tally.judged_bad, 0.05) > UNLIKELY
    if tally.judged_good:
        assert binom.sf(tally.failed_though_good - 1, tally.judged_good, 0.05) > UNLIKELY


def test_intervals_are_not_wider_than_they_claim(tallies: dict[str, Tally]) -> None:
    """Over all procedures together the intervals hold the truth about as often as stated, not nearly always."""
    assert len(tallies) == len(CASES)
    held = sum(t.held for t in tallies.values())
    trials = sum(t.trials - t.without_value for t in tallies.values())
    assert 0.95 <= held / trials < 0.995


def test_every_case_can_be_aimed_at_its_limit(tallies: dict[str, Tally]) -> None:
    aimed = [label for label, t in tallies.items() if t.judged_bad and t.judged_good]
    assert len(aimed) >= 0.6 * len(tallies)
