"""Stated coverage and stated risk hold for every judged result of every shipped procedure, on simulated meters.

The long run of the same study, whose table stands in DEVELOPERS.md, is tests/evaluation/simulated_meters.py.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import pytest
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).resolve().parent))
from simulated_meters import Case, Tally, cases, study

TRIALS = 60
CASES = cases()
UNLIKELY = 1e-4
"""A count is a fault when the stated 95 % or 5 % would give one as bad less often than this."""


@cache
def tally_of(label: str) -> Tally:
    """The study of one case, run once."""
    return study(next(c for c in CASES if c.label == label), trials=TRIALS, seed=7)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.label)
def test_coverage_and_risk_hold(case: Case) -> None:
    tally = tally_of(case.label)
    with_value = tally.trials - tally.without_value
    assert with_value >= TRIALS // 2, "most visits of the example must give a value"
    assert binom.cdf(tally.held, with_value, 0.95) > UNLIKELY
    if tally.judged_bad:
        assert binom.sf(tally.passed_though_bad - 1, tally.judged_bad, 0.05) > UNLIKELY
    if tally.judged_good:
        assert binom.sf(tally.failed_though_good - 1, tally.judged_good, 0.05) > UNLIKELY


def test_intervals_are_not_wider_than_they_claim() -> None:
    """Over all procedures together the intervals hold the truth about as often as stated, not nearly always."""
    held = sum(tally_of(c.label).held for c in CASES)
    trials = sum(tally_of(c.label).trials - tally_of(c.label).without_value for c in CASES)
    assert 0.95 <= held / trials < 0.995


def test_every_case_can_be_aimed_at_its_limit() -> None:
    tallies = [tally_of(c.label) for c in CASES]
    assert sum(bool(t.judged_bad and t.judged_good) for t in tallies) >= 0.6 * len(tallies)
