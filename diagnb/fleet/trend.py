"""Is it getting worse? Trend tests for recurring events of one or several systems, and the power-law process.

Times are ages or dates of the events of a system that is repaired and goes on. Everything may be given for several
systems at once; the tests hold whatever the rates of the single systems are, because they use only where in its own
watch each event fell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtr, chdtrc, chdtri, digamma, gammaincinv, ndtr, ndtri, zeta

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.figure import Figure, Refusal, Trial, check_level, no_trial

Array = Any
NO_TREND = "events come at a constant rate in each system"


@dataclass(frozen=True, slots=True)
class Watch:
    """One system's events: ``times`` sorted, watched from ``start`` to ``end``, all in one unit of use.

    ``ends_at_event`` says that the watch ended because of its last event (failure-terminated); otherwise it ended
    at a time set beforehand. Raises :class:`~diagnb.errors.InputFault` for times outside the watch.
    """

    times: tuple[float, ...]
    end: float
    start: float = 0.0
    ends_at_event: bool = False

    def __post_init__(self) -> None:
        t = np.asarray(self.times, dtype=float)
        faults = []
        if not (math.isfinite(self.start) and math.isfinite(self.end) and self.end > self.start):
            faults.append(Fault("watch", f"from {self.start:g} to {self.end:g} is no span"))
        elif t.size and (np.any(~np.isfinite(t)) or t.min() < self.start or t.max() > self.end):
            faults.append(Fault("watch.times", "an event lies outside the watch"))
        if t.size and np.any(np.diff(t) < 0):
            faults.append(Fault("watch.times", "are not in order"))
        if self.ends_at_event and (not t.size or t[-1] != self.end):
            faults.append(Fault("watch.end", "no event at the end of a watch that ended at its last event"))
        if faults:
            raise InputFault(faults)

    @property
    def free(self) -> Array:
        """The times that are free to fall anywhere: without the one that set the end."""
        t = np.asarray(self.times, dtype=float)
        return t[:-1] if self.ends_at_event else t


def laplace(watches: Sequence[Watch], *, level: float = 0.05, minimum_events: int = 4) -> Trial:
    """Laplace's test: do events lie later (or earlier) in the watch than a constant rate would have them?

    U = (Σt - Σ r(a+b)/2) / √(Σ r(b-a)²/12), standard normal (Cox and Lewis 1966); two-sided.
    Refused below ``minimum_events`` free events.
    """
    name = "Laplace test"
    check_level(level, "level")
    r = [w.free.size for w in watches]
    events = int(sum(r))
    if events < minimum_events:
        return no_trial(name, NO_TREND, "too-few-failures", f"{events} events", level=level, n=events)
    middle = sum(k * (w.start + w.end) / 2 for k, w in zip(r, watches, strict=True))
    variance = sum(k * (w.end - w.start) ** 2 / 12 for k, w in zip(r, watches, strict=True))
    u = (sum(float(w.free.sum()) for w in watches) - middle) / math.sqrt(variance)
    p = 2 * float(ndtr(-abs(u)))
    return Trial(
        name, NO_TREND, u, "standard normal", p, float(ndtri(1 - level / 2)), level, _course(u, p, level), events,
        "Laplace, two-sided, pooled over systems",
    )  # fmt: skip


def mil_hdbk_189(watches: Sequence[Watch], *, level: float = 0.05, minimum_events: int = 4) -> Trial:
    """Military-handbook test: 2 Σ ln(T/t) follows chi-square with 2r degrees of freedom at a constant rate.

    Times count from the start of each watch. Small values mean growing rates. Two-sided (twice the smaller tail).
    Source: MIL-HDBK-189, as given in NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    name = "MIL-HDBK-189 test"
    check_level(level, "level")
    events = int(sum(w.free.size for w in watches))
    if events < minimum_events:
        return no_trial(name, NO_TREND, "too-few-failures", f"{events} events", level=level, n=events)
    for w in watches:
        if w.free.size and w.free.min() <= w.start:
            return no_trial(name, NO_TREND, "too-few-points", "an event at the very start", level=level, n=events)
    statistic = 2 * sum(float(np.sum(np.log((w.end - w.start) / (w.free - w.start)))) for w in watches)
    lower, upper = float(chdtr(2 * events, statistic)), float(chdtrc(2 * events, statistic))
    p = min(1.0, 2 * min(lower, upper))
    sign = 1.0 if lower < upper else -1.0
    return Trial(
        name, NO_TREND, statistic, f"chi-square, {2 * events} degrees of freedom", p,
        float(chdtri(2 * events, 1 - level / 2 if sign > 0 else level / 2)), level, _course(sign, p, level), events,
        "military-handbook test, two-sided, pooled over systems",
    )  # fmt: skip


def reverse_arrangements(gaps: Array, *, level: float = 0.05, minimum_gaps: int = 5) -> Trial:
    """Reverse-arrangement test on the gaps between events: holds for any distribution of the gaps.

    Counts pairs with the later gap longer (a sign of improvement); exact null distribution up to 60 gaps without
    ties, else normal with variance n(n-1)(2n+5)/72 less its ties (Mann 1945; NIST/SEMATECH e-Handbook 8.2.3.4).
    """
    name, hypothesis = "reverse-arrangement test", "gaps between events come in no order"
    check_level(level, "level")
    x = np.asarray(gaps, dtype=float)
    n = int(x.size)
    if x.ndim != 1 or np.any(~np.isfinite(x)):
        raise fault("gaps", "must be a list of numbers")
    if n < minimum_gaps:
        return no_trial(name, hypothesis, "too-few-points", f"{n} gaps", level=level, n=n)
    later = np.triu(x[None, :] > x[:, None], 1).sum()
    tied = np.triu(x[None, :] == x[:, None], 1).sum()
    count, pairs = float(later + tied / 2), n * (n - 1) / 2
    if tied == pairs:
        return no_trial(name, hypothesis, "nothing-varies", "all gaps are equal", level=level, n=n)
    if n <= 60 and not tied:
        ways = _arrangements(n)
        p = min(1.0, 2 * float(min(ways[: int(count) + 1].sum(), ways[int(count) :].sum())))
        law = "exact over all orders"
    else:
        groups = np.unique(x, return_counts=True)[1].astype(float)
        ties = float(np.sum(groups * (groups - 1) * (2 * groups + 5)))
        variance = (n * (n - 1) * (2 * n + 5) - ties) / 72
        distance = max(abs(count - pairs / 2) - 0.5, 0.0)
        p = min(1.0, 2 * float(ndtr(-distance / math.sqrt(variance))))
        law = "normal approximation, ties counted"
    return Trial(
        name, hypothesis, count, law, p, None, level, _course(pairs / 2 - count, p, level), n,
        "reverse arrangements, two-sided",
    )  # fmt: skip


def _arrangements(n: int) -> Array:
    """Probabilities (pairs+1,) of each number of reversals over all orders of n distinct values."""
    ways = np.ones(1)
    for size in range(2, n + 1):
        ways = np.convolve(ways, np.full(size, 1 / size))
    return ways


def _course(sign: float, p: float, level: float) -> str:
    if p >= level:
        return "no trend shown"
    return "getting worse" if sign > 0 else "getting better"


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Power-law process: expected events a·T^b. ``b`` above 1 means growing trouble.

    ``shape_lower`` and ``shape_upper`` bound b at ``coverage``; ``mean_time_between`` is the present mean use
    between events at the end of the watch, with limits where one system was watched.
    """

    shape: float | None
    scale: float | None
    shape_lower: float | None
    shape_upper: float | None
    mean_time_between: Figure | None
    events: int
    systems: int
    coverage: float
    method: str
    refusal: Refusal | None = None

    @property
    def growth_slope(self) -> float | None:
        """1 - b, the slope of improvement."""
        return None if self.shape is None else 1 - self.shape


def power_law(
    watches: Sequence[Watch], *, coverage: float = 0.95, unbiased: bool = True, minimum_events: int = 4, unit: str = ""
) -> PowerLaw:
    """Power-law process (Crow-AMSAA) by maximum likelihood, all watches from the systems' start.

    b = r/Σ ln(T/t), with r-1 in place of r where ``unbiased`` and the watch ended at a set time (r-2 where it ended
    at an event); limits of b from 2 r b/b̂ ~ chi-square. Present mean use between events T/(r b) with limits for
    one system watched to a set time. Source: NIST/SEMATECH e-Handbook 8.4.5.2 and 8.1.7.2.
    Refused below ``minimum_events``; raises :class:`~diagnb.errors.InputFault` for a watch that starts late.
    """
    check_level(coverage, "coverage")
    if any(w.start for w in watches):
        raise fault(
            "watches", "the power law needs the watch from the system's start", "use the mean cumulative function"
        )
    total, systems = int(sum(len(w.times) for w in watches)), len(watches)
    free = int(sum(w.free.size for w in watches))
    method = "power-law process, maximum likelihood" + (", bias removed" if unbiased else "")

    def no(code: str, detail: str) -> PowerLaw:
        return PowerLaw(None, None, None, None, None, total, systems, coverage, method, Refusal(code, detail))

    if total < minimum_events:
        return no("too-few-failures", f"{total} events")
    if any(w.times and w.times[0] <= 0 for w in watches):
        return no("too-few-points", "an event at time zero")
    logs = sum(float(np.sum(np.log(w.end / w.free))) for w in watches)
    if logs <= 0:
        return no("not-converged", "all events at the end of the watch")
    shape = (free - 1 if unbiased else total) / logs
    scale = total / sum(w.end**shape for w in watches)
    tail = (1 - coverage) / 2
    low, high = (float(gammaincinv(free, p)) / logs for p in (tail, 1 - tail))
    mean_time = None
    if systems == 1 and not watches[0].ends_at_event:
        value = watches[0].end / (total * shape)
        z = float(ndtri((1 + coverage) / 2))
        below = total * (total - 1) / (total + z * z / 4 + z * math.sqrt(total / 2 + z * z / 16)) ** 2
        gap = total - z * math.sqrt(total / 2)
        above = total * (total - 1) / gap**2 if gap > 0 else math.inf
        mean_time = Figure(
            "present mean use between events", value, value * below, value * above, unit, total, watches[0].end, unit,
            total, coverage, "power law, approximate limits (NIST/SEMATECH e-Handbook 8.4.5.2)",
        )  # fmt: skip
    return PowerLaw(shape, scale, low, high, mean_time, total, systems, coverage, method)


def gap_shape(gaps: Sequence[float], *, coverage: float = 0.95, minimum_gaps: int = 8) -> Figure:
    """Shape of a gamma distribution of gaps between events by maximum likelihood; below 1: they come in bunches.

    Limits on the logarithm from the expected information, 1/(n(k²ψ'(k) - k)). ``numerator`` and ``exposure`` are the
    number of gaps and their sum. Refused below ``minimum_gaps``; raises :class:`~diagnb.errors.InputFault`.
    """
    check_level(coverage, "coverage")
    x = np.asarray(gaps, dtype=float)
    if x.ndim != 1 or np.any(~np.isfinite(x)) or np.any(x <= 0):
        raise fault("gaps", "must be numbers above zero")
    n, method = int(x.size), "gamma distribution, maximum likelihood"
    counted = (float(n), float(x.sum()), "", n, coverage, method)
    spread = math.log(float(x.mean())) - float(np.mean(np.log(x))) if n else 0.0
    if n < minimum_gaps or spread <= 0:
        why = Refusal("too-few-points" if n < minimum_gaps else "nothing-varies", f"{n} gaps")
        return Figure("shape of the gaps", None, None, None, "1", *counted, why)
    k = (3 - spread + math.sqrt((spread - 3) ** 2 + 24 * spread)) / (12 * spread)
    for _ in range(50):
        step = (math.log(k) - float(digamma(k)) - spread) / (1 / k - float(zeta(2, k)))
        k = k - step if k - step > 0 else k / 2
        if abs(step) < 1e-13 * k:
            break
    reach = math.exp(float(ndtri((1 + coverage) / 2)) / math.sqrt(n * (k * k * float(zeta(2, k)) - k)))
    return Figure("shape of the gaps", k, k / reach, k * reach, "1", *counted)


def duane_slope(times: Sequence[float]) -> float:
    """Least-squares slope of log cumulative mean time t/k against log t; a look at a plot, not an estimate to quote.

    Raises :class:`~diagnb.errors.InputFault` for fewer than three events or times not above zero.
    """
    t = np.sort(np.asarray(times, dtype=float))
    if t.size < 3 or t[0] <= 0:
        raise fault("times", "a slope needs three events or more, at times above zero")
    x, y = np.log10(t), np.log10(t / np.arange(1, t.size + 1))
    return float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
