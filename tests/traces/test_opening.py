"""An inrush against the opening window of a fuse or breaker."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault, MeasurementFault
from diagnb.traces import Accuracy, OpeningLine, inrush_against_window, opening_table
from diagnb.trade import outcome_of_inrush

EXACT = Accuracy()
BREAKER = opening_table(
    lines=[OpeningLine(1.1, 60, None), OpeningLine(1.35, 2, 30), OpeningLine(2, 0.5, 5), OpeningLine(6, 0.1, 1)],
    source="invented breaker",
)
TIME = np.arange(0, 60, 0.01)


def motor(running: float, peak: float):
    """A motor whose inrush falls to the running value within half a second."""
    return running + (peak - running) * np.exp(-TIME / 0.1)


def test_a_breaker_of_20_a_opens_under_a_motor_that_runs_when_it_is_set_higher():
    current = motor(running=29, peak=75)
    at = {
        rated: inrush_against_window(time=TIME, values=current, accuracy=EXACT, rated_current=rated, table=BREAKER)
        for rated in (20.0, 40.0)
    }
    assert at[20.0].outcome == "opens"
    assert at[20.0].multiple == pytest.approx(1.35, rel=1e-3)
    assert at[20.0].lasted > 59
    assert at[40.0].outcome == "holds"
    assert at[40.0].peak_multiple == pytest.approx(75 / 40)
    assert at[20.0].source == "invented breaker"


@pytest.mark.parametrize("amps", [5.0, 12.0, 14.0, 20.0, 25.0, 40.0, 61.0])
@pytest.mark.parametrize("seconds", [0.01, 0.05, 0.2, 2.0, 8.0, 55.0])
def test_a_constant_current_is_judged_as_by_the_table_of_fuses(amps, seconds):
    """A pulse of one height must come out as the table of the trade has it (there with the same rated current)."""
    steps = np.linspace(0, seconds, 500)
    found = inrush_against_window(time=steps, values=np.full(500, amps), accuracy=EXACT, rated_current=10.0)
    assert found.outcome == outcome_of_inrush(current=amps, duration=seconds, rated=10.0)
    assert found.provenance == "from memory"


def test_what_the_recorder_does_not_know_is_left_open():
    """1.36 times the rated current for 60 s opens; with 2 % accuracy it may have been below 1.35 times."""
    current = np.full(len(TIME), 27.2)
    sure = inrush_against_window(time=TIME, values=current, accuracy=EXACT, rated_current=20.0, table=BREAKER)
    unsure = inrush_against_window(
        time=TIME, values=current, accuracy=Accuracy(gain=0.02), rated_current=20.0, table=BREAKER
    )
    assert (sure.outcome, unsure.outcome) == ("opens", "may open")
    assert unsure.lasted_between[0] == 0
    assert unsure.lasted_between[1] == pytest.approx(59.99)


def test_the_time_above_a_level_is_that_of_the_course():
    """Against a course drawn a thousand times finer and counted, at the multiple that the check names."""
    rng = np.random.default_rng(2)
    for _ in range(20):
        t = np.cumsum(rng.uniform(0.004, 0.007, 300))
        x = rng.choice([0.0, 20.0, 30.0, 55.0], 300) + rng.choice([0.0, 1.0]) * rng.normal(0, 1, 300)
        found = inrush_against_window(time=t, values=x, accuracy=EXACT, rated_current=10.0)
        fine = np.linspace(t[0], t[-1], 300_001)
        counted = np.mean(np.interp(fine, t, np.abs(x)) >= found.multiple * 10) * (t[-1] - t[0])
        assert found.lasted == pytest.approx(counted, abs=2e-4 * (t[-1] - t[0]))


def test_faults_are_named():
    with pytest.raises(InputFault, match="line 2"):
        opening_table(lines=[OpeningLine(2, 1, 2), OpeningLine(1, 1, 2)], source="x")
    with pytest.raises(InputFault, match="no line"):
        opening_table(lines=[], source="x")
    with pytest.raises(InputFault, match="in order"):
        opening_table(lines=[OpeningLine(2, 3, 2)], source="x")
    with pytest.raises(InputFault, match="above zero"):
        inrush_against_window(time=TIME, values=TIME, accuracy=EXACT, rated_current=0.0)
    with pytest.raises(MeasurementFault):
        inrush_against_window(time=TIME, values=TIME * np.nan, accuracy=EXACT, rated_current=5.0)
