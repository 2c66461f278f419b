"""Features against known truths, against SciPy, and their refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, signal
from simulated_recorder import SCENES, study

from diagnb.errors import InputFault, MeasurementFault
from diagnb.traces import (
    Accuracy,
    cranking_duration,
    cranking_minimum,
    dips,
    inrush_peak,
    longest_dip,
    mean_current,
    ripple_frequency,
    ripple_peak_to_peak,
    ripple_rms,
    running_value,
    time_below,
    time_constant,
    wake_up_duty,
)

EXACT = Accuracy()
TRIALS = 200


@pytest.mark.parametrize("scene", SCENES)
def test_the_stated_interval_holds_the_truth(scene):
    """200 recorders whose errors lie inside their sheet: not fewer than 95 % hold, as far as 200 can tell (1 %)."""
    held, _ = study(SCENES[scene], TRIALS, 7)
    least = 0.95 * TRIALS - 2.33 * math.sqrt(TRIALS * 0.95 * 0.05)
    assert held >= least, f"{held} of {TRIALS}"


# First-order step responses: charge after 1 and 5 time constants is 0.632 and 0.993; a coil of 10 mH and 5 Ω at
# 12 V carries 1.517 A after 2 ms (definition, any textbook).


def test_time_constant_of_the_coil_whose_current_is_known():
    t = np.arange(0, 0.012, 1e-5)
    i = 12 / 5 * (1 - np.exp(-t * 5 / 0.01))
    assert i[200] == pytest.approx(1.517, abs=5e-4)
    found = time_constant(time=t, values=i, accuracy=EXACT)
    assert found.value == pytest.approx(2e-3, rel=1e-9)
    assert float(found.parameters["end-value"]) == pytest.approx(2.4, rel=1e-6)


def test_time_constant_is_where_the_charge_passes_63_percent():
    tau = 0.047
    t = np.linspace(0, 5 * tau, 5001)
    x = 1 - np.exp(-t / tau)
    assert (x[1000], x[-1]) == (pytest.approx(0.632, abs=5e-4), pytest.approx(0.993, abs=5e-4))
    assert time_constant(time=t, values=x, accuracy=EXACT, window=(0, t[-1])).value == pytest.approx(tau, rel=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_time_constant_and_its_uncertainty_against_curve_fit(seed):
    rng = np.random.default_rng(seed)
    tau, height, end = rng.uniform(2e-3, 0.1), rng.choice([-1, 1]) * rng.uniform(1, 20), rng.uniform(-5, 5)
    t = np.linspace(0, rng.uniform(1, 6) * tau, int(rng.integers(50, 3000)))
    x = end + height * np.exp(-t / tau) + rng.normal(0, 0.02 * abs(height), len(t))
    found = time_constant(time=t, values=x, accuracy=EXACT, window=(0, t[-1]))
    model = lambda t, end, height, tau: end + height * np.exp(-t / tau)  # noqa: E731
    best, covariance = optimize.curve_fit(model, t, x, p0=(end, height, tau))
    assert found.value == pytest.approx(best[2], rel=1e-4)
    (fit,) = [s for s in found.sources if s.name == "fit"]
    assert fit.standard_uncertainty >= 0.99 * math.sqrt(covariance[2, 2])
    assert fit.standard_uncertainty <= 1.35 * math.sqrt(covariance[2, 2])


def test_time_constant_of_a_million_samples():
    t = np.arange(10**6) * 1e-6
    found = time_constant(time=t, values=3 - 2 * np.exp(-t / 0.15), accuracy=EXACT, window=(0, 1))
    assert found.value == pytest.approx(0.15, rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_ripple_against_scipy(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(0, 0.25, 2e-5)
    tone = rng.uniform(200, 2000)
    x = (
        14.1
        + 0.2 * np.sin(2 * np.pi * tone * t)
        + 0.05 * np.sin(2 * np.pi * 2 * tone * t + 1)
        + rng.normal(0, 0.01, len(t))
    )
    power_at, power = signal.periodogram(x, 5e4, window="hann")
    highest = power_at[np.argmax(power)]
    found = ripple_frequency(time=t, values=x, accuracy=EXACT)
    assert abs(found.value - highest) <= 4
    assert abs(found.value - tone) <= 0.1
    assert ripple_rms(time=t, values=x, accuracy=EXACT).value == pytest.approx(
        float(np.std(signal.detrend(x, type="constant")))
    )
    assert ripple_peak_to_peak(time=t, values=x, accuracy=EXACT).value == pytest.approx(float(np.ptp(x)))


def test_dips_against_find_peaks():
    t = np.arange(0, 2, 1e-3)
    x = np.full(len(t), 13.0)
    for at, depth, wide in ((0.3, 6.0, 0.02), (0.7, 3.0, 0.05), (1.5, 5.0, 0.004)):
        x -= depth * np.exp(-(((t - at) / wide) ** 2))
    found = dips(time=t, values=x, accuracy=EXACT, threshold=11.0)
    tops, _ = signal.find_peaks(-x, height=-11.0)
    assert [round(s.extreme, 9) for s in found] == [round(float(v), 9) for v in x[tops]]
    half = [2 * wide * math.sqrt(math.log(depth / 2)) for depth, wide in ((6.0, 0.02), (3.0, 0.05), (5.0, 0.004))]
    assert all(abs(s.duration - h) <= sum(s.slack) for s, h in zip(found, half, strict=True))
    assert all(sum(s.slack) < 0.1 * s.duration for s in found)
    assert longest_dip(time=t, values=x, accuracy=EXACT, threshold=11.0).value == pytest.approx(max(half), rel=1e-3)
    assert time_below(time=t, values=x, accuracy=EXACT, threshold=11.0).value == pytest.approx(sum(half), rel=1e-3)


def test_no_dip_is_zero_and_says_so():
    t = np.arange(0, 1, 1e-3)
    found = longest_dip(time=t, values=np.full(1000, 13.0), accuracy=EXACT, threshold=9.0)
    assert (found.value, found.remarks) == (0.0, ("none-found",))
    assert found.standard_uncertainty > 0


def test_noise_about_the_threshold_does_not_cut_one_dip_into_many():
    rng = np.random.default_rng(3)
    t = np.arange(0, 1, 1e-4)
    x = 12 - 4 * np.exp(-(((t - 0.5) / 0.1) ** 2)) + rng.normal(0, 0.05, len(t))
    assert len(dips(time=t, values=x, accuracy=EXACT, threshold=10.0)) == 1
    assert len(dips(time=t, values=x, accuracy=EXACT, threshold=10.0, hysteresis=0.0)) > 5


def test_the_accuracy_of_the_recorder_moves_the_threshold():
    """A voltage that recovers at 1 V/s: 0.1 V of accuracy are 0.1 s of duration."""
    t = np.arange(0, 4, 1e-3)
    x = np.where(t < 0.5, 12.0, np.minimum(8.0 + (t - 0.5), 12.0))
    crude = cranking_duration(time=t, values=x, accuracy=Accuracy(offset=0.1), threshold=10.0)
    assert crude.value == pytest.approx(2.0, abs=2e-3)
    (level,) = [s for s in crude.sources if s.name == "threshold"]
    assert level.standard_uncertainty * math.sqrt(3) == pytest.approx(0.1, abs=2e-3)


def test_wake_ups_are_counted_and_the_mean_weighs_time():
    t = np.arange(0, 600, 0.5)
    awake = (t % 100 >= 20) & (t % 100 < 30)
    x = np.where(awake, 1.0, 0.03)
    duty = wake_up_duty(time=t, values=x, accuracy=EXACT, threshold=0.5)
    assert duty.parameters["wake-ups"] == "6"
    assert duty.value == pytest.approx(0.1, abs=2e-3)
    mean = mean_current(time=t, values=x, accuracy=EXACT)
    assert mean.value == pytest.approx(0.03 + 0.97 * 0.1, abs=2e-3)
    slow = np.concatenate([t[::2], [600.0]])
    assert mean_current(time=slow, values=np.interp(slow, t, x), accuracy=EXACT).value == pytest.approx(
        mean.value, abs=2e-3
    )


def test_peak_and_minimum_mirror_each_other():
    rng = np.random.default_rng(0)
    t = np.arange(0, 1, 1e-3)
    x = 5 * np.exp(-(((t - 0.4) / 0.05) ** 2)) + rng.normal(0, 0.02, len(t))
    high = inrush_peak(time=t, values=x, accuracy=Accuracy(gain=0.01, offset=0.02))
    low = cranking_minimum(time=t, values=-x, accuracy=Accuracy(gain=0.01, offset=0.02))
    assert high.value == -low.value
    assert high.standard_uncertainty == pytest.approx(low.standard_uncertainty)
    assert len(high.points) == 5
    assert high.points[2] == (t[np.argmax(x)], x.max())


def test_a_peak_seen_by_few_samples_is_worth_less():
    shape = lambda t: 50 * np.exp(-(((t - 0.05003) / 0.002) ** 2))  # noqa: E731
    fine, coarse = np.arange(0, 0.1, 1e-5), np.arange(0, 0.1, 1e-3)
    good = inrush_peak(time=fine, values=shape(fine), accuracy=EXACT)
    poor = inrush_peak(time=coarse, values=shape(coarse), accuracy=EXACT)
    assert poor.standard_uncertainty > 100 * good.standard_uncertainty
    assert poor.value + poor.standard_uncertainty * math.sqrt(3) >= 50


def test_a_drifting_running_value_says_so():
    t = np.arange(0, 10, 1e-2)
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.1, len(t))
    steady = running_value(time=t, values=20 + noise, accuracy=EXACT, window=(0, 10))
    warm = running_value(time=t, values=20 - 0.5 * t + noise, accuracy=EXACT, window=(0, 10))
    assert steady.remarks == ()
    assert warm.remarks == ("not-steady",)
    assert warm.standard_uncertainty > 10 * steady.standard_uncertainty


def test_a_course_that_is_not_exponential_says_so():
    t = np.arange(0, 1, 1e-3)
    assert time_constant(time=t, values=np.sqrt(t), accuracy=EXACT, window=(0, 1)).remarks == ("shape-not-exponential",)
    assert time_constant(time=t, values=np.exp(-t / 0.2), accuracy=EXACT, window=(0, 1)).remarks == ()


ALL = {
    "inrush": inrush_peak, "minimum": cranking_minimum, "running": running_value, "mean": mean_current,
    "tau": time_constant, "p-p": ripple_peak_to_peak, "rms": ripple_rms, "frequency": ripple_frequency,
    "dip": lambda **given: longest_dip(threshold=0.5, **given), "duty": lambda **given: wake_up_duty(threshold=0.5, **given),
}  # fmt: skip


@pytest.mark.parametrize("name", ALL)
def test_windows_with_gaps_overflow_or_no_number_are_refused(name):
    t = np.arange(0, 2, 1e-3)
    good = np.sin(2 * np.pi * 20 * t) * np.exp(-t) + 1.2
    take = ALL[name]
    for bad, word in ((np.inf, "beyond the recorder's range"), (np.nan, "no number")):
        spoilt = good.copy()
        spoilt[1500] = bad
        with pytest.raises(MeasurementFault, match=word):
            take(time=t, values=spoilt, accuracy=EXACT, window=(0, 2))
    with pytest.raises(MeasurementFault, match="gap of"):
        take(time=np.where(t > 1, t + 0.4, t), values=good, accuracy=EXACT, window=(0, 3))
    with pytest.raises(MeasurementFault, match="only"):
        take(time=t, values=good, accuracy=EXACT, window=(0.5, 0.501))
    with pytest.raises(InputFault, match="no window"):
        take(time=t, values=good, accuracy=EXACT, window=(1, 0.5))
    with pytest.raises(MeasurementFault, match="range stated"):
        take(time=t, values=good, accuracy=Accuracy(full_scale=1.0), window=(0, 2))
    with pytest.raises(InputFault):
        take(time=t, values=good[:-1], accuracy=EXACT)


def test_what_can_not_be_told_is_refused():
    t = np.arange(0, 1, 1e-3)
    with pytest.raises(MeasurementFault, match="end of the window"):
        longest_dip(time=t, values=np.where(t > 0.5, 5.0, 12.0), accuracy=EXACT, threshold=9.0)
    with pytest.raises(MeasurementFault, match="a fifth of the time constant"):
        time_constant(time=t, values=np.exp(-t / 9), accuracy=EXACT, window=(0, 1))
    with pytest.raises(MeasurementFault, match="two sample intervals"):
        time_constant(time=t, values=np.exp(-t / 1e-3), accuracy=EXACT, window=(0, 1))
    with pytest.raises(MeasurementFault, match="don't change"):
        time_constant(time=t, values=np.ones(1000), accuracy=EXACT, window=(0, 1))
    with pytest.raises(MeasurementFault, match="four periods"):
        ripple_frequency(time=t, values=np.sin(2 * np.pi * 2 * t), accuracy=EXACT)
    with pytest.raises(MeasurementFault, match="stands out"):
        ripple_frequency(time=t, values=np.random.default_rng(0).normal(size=1000), accuracy=EXACT)
    with pytest.raises(InputFault):
        dips(time=t, values=np.ones(1000), accuracy=EXACT, threshold=0.5, hysteresis=-1.0)
