"""A simulated recorder: its true errors lie inside its accuracy sheet, its samples fall at a random phase.

Each scene has a known truth; a feature's 95 % interval has to hold it. Run as a program it prints the table:
python tests/traces/simulated_recorder.py
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from diagnb.meters import load_meter
from diagnb.traces import (
    Accuracy,
    Feature,
    accuracy_of,
    cranking_duration,
    cranking_minimum,
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

SHEET = load_meter("recorder-12bit").sheet
Array = np.ndarray


@dataclass
class Recorder:
    """One recorder of the type: gain, offset and clock drawn inside the sheet's limits."""

    rng: np.random.Generator
    accuracy: Accuracy

    def __post_init__(self) -> None:
        a = self.accuracy
        self.gain = 1 + a.gain * self.rng.uniform(-1, 1)
        self.offset = max(a.offset - a.step / 2, 0.0) * self.rng.uniform(-1, 1)
        self.clock = 1 + a.clock * self.rng.uniform(-1, 1)

    def record(self, course: Callable[[Array], Array], *, start: float, end: float, step: float, noise: float):
        """Time and values as the file would have them; ``course`` is the true quantity at true times."""
        true = np.arange(start + self.rng.uniform(0, step), end, step)
        values = course(true) * self.gain + self.offset + noise * self.rng.normal(size=len(true))
        return true * self.clock, np.round(values / self.accuracy.step) * self.accuracy.step


def accuracy(function: str, full: str, ambient: float = 23) -> Accuracy:
    return accuracy_of(SHEET, function, largest=0.0, range=full, ambient_degc=ambient)


def motor(rng: np.random.Generator) -> tuple[Callable[[Array], Array], dict[str, float]]:
    """A motor start: first-order rise of the current, decay to the running value as it gathers speed, brush ripple."""
    run, inrush = rng.uniform(5, 25), rng.uniform(40, 150)
    rise, decay = rng.uniform(1e-3, 3e-3), rng.uniform(0.05, 0.2)
    ripple, at = rng.uniform(0, 0.02), rng.uniform(0.05, 0.1)

    def course(t: Array) -> Array:
        s = np.clip(t - at, 0, None)
        brushes = 1 + ripple * np.sin(2 * np.pi * 300 * t)
        return (run + inrush * np.exp(-s / decay)) * (1 - np.exp(-s / rise)) * brushes * (t >= at)

    fine = np.linspace(0, 0.5, 100_001)
    return course, {"peak": float(course(fine).max()), "run": run}


def scene_inrush(rng):
    course, truth = motor(rng)
    a = accuracy("dc current", "200.0 A")
    t, x = Recorder(rng, a).record(
        course, start=0, end=0.5, step=rng.choice([1e-4, 2e-4, 1e-3]), noise=rng.uniform(0, 0.3)
    )
    return truth["peak"], inrush_peak(time=t, values=x, accuracy=a)


def scene_lamp(rng):
    """A cold lamp: the current jumps between two samples and falls at once, so that the peak is a corner."""
    hot, at, fall = rng.uniform(2, 4), rng.uniform(0.02, 0.03), rng.uniform(0.01, 0.05)
    height = hot * rng.uniform(5, 4.5 * 2)
    a = accuracy("dc current", "200.0 A" if height > 19 else "20.00 A")
    course = lambda t: (t >= at) * (hot + (height - hot) * np.exp(-np.clip(t - at, 0, None) / fall))  # noqa: E731
    t, x = Recorder(rng, a).record(course, start=0, end=0.3, step=rng.choice([1e-4, 1e-3]), noise=rng.uniform(0, 0.05))
    return height, inrush_peak(time=t, values=x, accuracy=a)


def scene_running(rng):
    course, truth = motor(rng)
    a = accuracy("dc current", "200.0 A")
    t, x = Recorder(rng, a).record(course, start=0, end=4, step=5e-4, noise=rng.uniform(0, 0.3))
    return truth["run"], running_value(time=t, values=x, accuracy=a)


def scene_time_constant(rng):
    """A coil switched on: i = V/R (1 - exp(-t/τ))."""
    tau, height = rng.uniform(2e-3, 20e-3), rng.uniform(2, 15)
    a = accuracy("dc current", "20.00 A")
    course = lambda t: height * (1 - np.exp(-np.clip(t - 0.01, 0, None) / tau))  # noqa: E731
    long = rng.uniform(1.5, 8)
    step = rng.choice([1e-5, 1e-4])
    t, x = Recorder(rng, a).record(course, start=0, end=0.01 + long * tau, step=step, noise=rng.uniform(0.0, 0.1))
    return tau, time_constant(time=t, values=x, accuracy=a, window=(0.0102, float(t[-1])))


def cranking(rng):
    rest, low, hold = rng.uniform(12.2, 12.8), rng.uniform(6.5, 9.0), rng.uniform(0.5, 2.0)
    plateau, rise = low + rng.uniform(1.2, 2.0), rng.uniform(0.05, 0.2)
    fall = rng.uniform(2e-3, 8e-3)

    def course(t: Array) -> Array:
        s = t - 0.2
        down = rest - (rest - low) * np.clip(s / fall, 0, 1)
        up = low + (plateau - low) * (1 - np.exp(-np.clip(s - fall, 0, None) / rise))
        out = np.where(s < fall, down, up)
        back = np.clip((s - hold) / 0.05, 0, 1)
        return out + (rest - out) * back

    fine = np.linspace(0, hold + 0.5, 200_001)
    return course, low, fine, hold


def scene_cranking_minimum(rng):
    course, _, fine, hold = cranking(rng)
    a = accuracy("dc voltage", "20.00 V")
    t, x = Recorder(rng, a).record(course, start=0, end=hold + 0.5, step=1e-3, noise=rng.uniform(0, 0.03))
    return float(course(fine).min()), cranking_minimum(time=t, values=x, accuracy=a)


def scene_cranking_duration(rng):
    course, _, fine, hold = cranking(rng)
    a = accuracy("dc voltage", "20.00 V")
    t, x = Recorder(rng, a).record(
        course, start=0, end=hold + 0.5, step=rng.choice([1e-3, 1e-2]), noise=rng.uniform(0, 0.03)
    )
    threshold = 11.5
    below = fine[course(fine) < threshold]
    return float(below[-1] - below[0]), cranking_duration(time=t, values=x, accuracy=a, threshold=threshold)


def scene_dip(rng):
    """A supply that falls out for some milliseconds, edges faster than a sample."""
    at, wide, depth = rng.uniform(0.02, 0.03), rng.uniform(2e-3, 2e-2), rng.uniform(5, 10)
    a = accuracy("dc voltage", "40.00 V")
    course = lambda t: 26 - depth * 1.5 * ((t >= at) & (t < at + wide))  # noqa: E731
    t, x = Recorder(rng, a).record(course, start=0, end=0.1, step=rng.choice([1e-4, 5e-4]), noise=rng.uniform(0, 0.05))
    return wide, longest_dip(time=t, values=x, accuracy=a, threshold=20.0)


def scene_time_below(rng):
    starts = np.cumsum(rng.uniform(0.03, 0.06, 8))
    widths = rng.uniform(2e-3, 2e-2, 8)
    a = accuracy("dc voltage", "40.00 V")
    course = lambda t: 26 - 9 * ((t[:, None] >= starts) & (t[:, None] < starts + widths)).any(axis=1)  # noqa: E731
    t, x = Recorder(rng, a).record(course, start=0, end=0.6, step=5e-4, noise=rng.uniform(0, 0.05))
    return float(widths.sum()), time_below(time=t, values=x, accuracy=a, threshold=20.0)


def sleeping(rng):
    """Key-off current over an hour with modules that wake up."""
    starts = np.cumsum(rng.uniform(60, 400, 12))
    widths = rng.uniform(2, 40, 12)
    low, high = rng.uniform(0.02, 0.05), rng.uniform(0.4, 1.5)

    def course(t: Array) -> Array:
        awake = ((t[:, None] >= starts) & (t[:, None] < starts + widths)).any(axis=1)
        return low + (high - low) * awake

    end = 3600.0
    inside = float(np.clip(np.minimum(starts + widths, end) - np.minimum(starts, end), 0, None).sum())
    return course, inside / end, low, high, end


def scene_duty(rng):
    course, duty, _, _, end = sleeping(rng)
    a = accuracy("dc current", "2.000 A")
    t, x = Recorder(rng, a).record(course, start=0, end=end, step=rng.choice([0.5, 1.0]), noise=rng.uniform(0, 0.005))
    return duty, wake_up_duty(time=t, values=x, accuracy=a, threshold=0.2)


def scene_mean(rng):
    course, duty, low, high, end = sleeping(rng)
    a = accuracy("dc current", "2.000 A")
    t, x = Recorder(rng, a).record(course, start=0, end=end, step=rng.choice([0.5, 1.0]), noise=rng.uniform(0, 0.005))
    return low + (high - low) * duty, mean_current(time=t, values=x, accuracy=a)


def rectified(rng):
    """The ripple of a six-pulse rectifier: the tops of a sine."""
    pulse, top = rng.uniform(300, 900), rng.uniform(0.1, 1.0)
    lowest = math.cos(math.pi / 6)

    def course(t: Array) -> Array:
        phase = (t * pulse) % 1 - 0.5
        return top / (1 - lowest) * np.cos(phase * math.pi / 3)

    fine = course(np.linspace(0, 1 / pulse, 100_001))
    return (lambda t: course(t) - fine.mean()), float(np.ptp(fine)), float(fine.std()), pulse


def scene_ripple(rng):
    course, height, _, _ = rectified(rng)
    a = accuracy("ac voltage", "2.000 V")
    t, x = Recorder(rng, a).record(course, start=0, end=0.2, step=2e-5, noise=rng.uniform(0, 0.005))
    return height, ripple_peak_to_peak(time=t, values=x, accuracy=a)


def scene_rms(rng):
    course, _, rms, _ = rectified(rng)
    a = accuracy("ac voltage", "2.000 V")
    t, x = Recorder(rng, a).record(course, start=0, end=0.2, step=2e-5, noise=rng.uniform(0, 0.005))
    return rms, ripple_rms(time=t, values=x, accuracy=a)


def scene_frequency(rng):
    course, _, _, pulse = rectified(rng)
    a = accuracy("ac voltage", "2.000 V")
    t, x = Recorder(rng, a).record(course, start=0, end=rng.uniform(0.02, 0.2), step=2e-5, noise=rng.uniform(0, 0.005))
    return pulse, ripple_frequency(time=t, values=x, accuracy=a)


SCENES = {
    "inrush peak": scene_inrush,
    "inrush peak of a lamp": scene_lamp,
    "running value": scene_running,
    "time constant": scene_time_constant,
    "cranking minimum": scene_cranking_minimum,
    "cranking duration": scene_cranking_duration,
    "longest dip": scene_dip,
    "time below": scene_time_below,
    "wake-up duty": scene_duty,
    "mean current": scene_mean,
    "ripple peak to peak": scene_ripple,
    "ripple r.m.s.": scene_rms,
    "ripple frequency": scene_frequency,
}


def study(scene: Callable[[np.random.Generator], tuple[float, Feature]], trials: int, seed: int) -> tuple[int, float]:
    """How many of the 95 % intervals hold the truth, and the median of U relative to the value."""
    held, relative = 0, []
    for trial in range(trials):
        truth, feature = scene(np.random.default_rng([seed, trial]))
        low, high = feature.interval(0.95)
        held += low <= truth <= high
        relative.append((high - low) / 2 / abs(truth))
    return held, float(np.median(relative))


if __name__ == "__main__":
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    for name, scene in SCENES.items():
        held, relative = study(scene, trials, 1)
        print(f"{name:24} {held / trials:7.2%}   U {relative:.2%} of the value")
