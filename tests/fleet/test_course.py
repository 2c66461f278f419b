"""Since when and which way: the direction is named, the baseline stated, and charts that say otherwise are heard."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.fleet import Course, course_of, cusum_pair, ewma_chart, rate_chart, usual_months

MONTHS = [f"{2022 + k // 12}-{k % 12 + 1:02d}" for k in range(48)]


def found(expected: np.ndarray, *, seed: int, baseline: int | None = 24) -> Course:
    counts = np.random.default_rng(seed).poisson(expected)
    common = {"counts": counts, "exposure": np.full(48, 100.0), "labels": MONTHS, "baseline": baseline}
    rise, fall = cusum_pair(**common)  # type: ignore[arg-type]
    others = [rate_chart(**common, limits="exact"), ewma_chart(**common)]  # type: ignore[arg-type]
    answer = course_of(rise=rise, fall=fall, others=others)
    assert answer is not None
    return answer


@pytest.mark.parametrize(("factor", "word"), [(0.4, "falls"), (2.2, "rises")])
def test_the_direction_and_the_begin_of_a_change_are_named(factor: float, word: str) -> None:
    right = 0
    for seed in range(20):
        answer = found(np.where(np.arange(48) < 27, 12.0, 12.0 * factor), seed=seed)
        assert word in {s.word for s in answer.shifts}
        shift = answer.shifts[0]
        right += shift.word == word and "2024-02" <= shift.began <= "2024-06" and not answer.contradicted
        assert shift.began <= shift.signal
        assert f"the rate {shift.word}: first signal {shift.signal}, began about {shift.began}" in answer.sentences[0]
        assert "2022-01 to 2023-12, 24 months" in answer.sentences[0]
    assert right >= 18


def test_no_change_is_no_change() -> None:
    quiet = [found(np.full(48, 12.0), seed=seed) for seed in range(40)]
    assert sum(bool(a.shifts) for a in quiet) <= 3
    assert "no lasting change" in next(a for a in quiet if not a.shifts).sentences[0]


def test_a_baseline_that_holds_the_change_or_every_month_says_so() -> None:
    moved = np.where(np.arange(48) < 12, 10.0, 40.0)
    assert "not steady themselves" in " ".join(found(moved, seed=1).sentences)
    assert "Every month was taken for usual" in " ".join(found(np.full(48, 12.0), seed=1, baseline=48).sentences)


def test_another_chart_that_says_the_opposite_is_heard() -> None:
    counts = np.full(48, 10.0)
    counts[36:47] = 16
    counts[47] = 0
    common = {"counts": counts, "exposure": np.full(48, 100.0), "labels": MONTHS, "baseline": 24}
    rise, fall = cusum_pair(**common)  # type: ignore[arg-type]
    answer = course_of(rise=rise, fall=fall, others=[rate_chart(**common)])  # type: ignore[arg-type]
    assert answer is not None
    assert [s.word for s in answer.shifts] == ["rises"]
    assert answer.contradicted
    assert "below its limits, which CONTRADICTS" in " ".join(answer.sentences)


def test_what_is_usual_by_default_leaves_the_months_to_be_judged_out() -> None:
    assert usual_months(MONTHS) == 24
    assert usual_months(MONTHS[:36]) == 12
    assert usual_months(MONTHS[:14]) == 7
    assert usual_months(MONTHS, change="2024-07-15") == 30
    assert usual_months(MONTHS, change="2022-03-01") == 24
