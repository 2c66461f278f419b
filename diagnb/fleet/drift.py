"""Does a measured value drift with use? A line within each vehicle, every point with its own uncertainty.

Vehicles differ in level, so a line through all points mixes vehicles up with use: the slope here comes from each
vehicle's own course. Where the instrument was changed on the way, its offset is a level of its own too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtrit

from diagnb.errors import Fault, InputFault
from diagnb.fleet.cells import unit_text
from diagnb.fleet.figure import Figure, Refusal, check_level

Array = Any


@dataclass(frozen=True, slots=True)
class Drift:
    """Slope per unit of use, extra scatter beyond the stated uncertainties, and the level at the mean use.

    ``extra_scatter`` is a standard deviation in the unit of the value: what points scatter about their own line over
    and above their uncertainty. ``groups`` is the number of levels (vehicles, or vehicles by instrument).
    """

    slope: Figure
    level: float
    at_use: float
    extra_scatter: float
    between: float
    groups: int
    points: int
    use_unit: str
    value_unit: str
    refusal: Refusal | None = None

    def use_at(self, limit: float) -> Figure:
        """Use at which the mean vehicle meets ``limit``; refused unless the slope is proved and leads there.

        Limits from those of the slope, the mean level taken as known (its uncertainty is added in quadrature).
        """
        s = self.slope
        name = f"use at {limit:g} {unit_text(self.value_unit)}".rstrip()
        counted = (s.numerator, s.exposure, s.exposure_unit, s.n, s.coverage, "line within vehicles, carried on")
        if self.refusal or s.value is None or s.lower is None or s.upper is None:
            return Figure(name, None, None, None, self.use_unit, *counted, self.refusal)
        gap = limit - self.level
        if s.lower <= 0 <= s.upper or gap * s.value <= 0:
            return Figure(name, None, None, None, self.use_unit, *counted, Refusal("slope-not-proved"))
        half = float((s.upper - s.lower) / 2)
        level_half = self.between / math.sqrt(self.groups) * half / max(self._slope_error(half), 1e-300)
        near, far = sorted((abs(s.lower), abs(s.upper)), reverse=True)
        low = max(abs(gap) - level_half, 0.0) / near
        high = (abs(gap) + level_half) / far
        return Figure(
            name, self.at_use + gap / s.value, self.at_use + low, self.at_use + high, self.use_unit, *counted,
            cautions=("carried on beyond the data as a straight line",),
        )  # fmt: skip

    def _slope_error(self, half: float) -> float:
        return half / float(stdtrit(max(self.groups - 1, 1), (1 + self.slope.coverage) / 2))


def drift_over_use(
    *, use: Array, value: Array, standard_uncertainty: Array | None, asset: Array, instrument: Array | None = None,
    coverage: float = 0.95, minimum_assets: int = 5, use_unit: str = "km", value_unit: str = "",
) -> Drift:  # fmt: skip
    """Weighted slope of ``value`` over ``use`` within vehicles; all arrays (n,), ``asset`` and ``instrument`` codes.

    Weights 1/(u² + s²) with the extra scatter s from the residuals (Mandel and Paule's way); limits clustered by
    vehicle, Student's t. With ``instrument`` every vehicle-instrument pair has its own level, so that a change of
    meter is not taken for drift. Refused where uncertainties are missing (``standard_uncertainty`` None or NaN), too
    few vehicles were measured twice at different use, or use and instrument always change together.
    Raises :class:`~diagnb.errors.InputFault` for arrays that don't fit.
    """
    check_level(coverage, "coverage")
    x, y = np.asarray(use, dtype=float), np.asarray(value, dtype=float)
    vehicle = np.asarray(asset)
    faults = []
    for name, column in (("value", y), ("asset", vehicle)):
        if column.shape != x.shape or x.ndim != 1:
            faults.append(Fault(name, "must be as long as use"))
    if not faults and (np.any(~np.isfinite(x)) or np.any(~np.isfinite(y))):
        faults.append(Fault("use", "use and value must be numbers", "set aside rows without them"))
    if faults:
        raise InputFault(faults)
    unit = f"{unit_text(value_unit)} per {use_unit}".strip()

    def no(code: str, detail: str = "") -> Drift:
        why = Refusal(code, detail)
        figure = Figure(
            "slope", None, None, None, unit, x.size, 0.0, use_unit, int(np.unique(vehicle).size), coverage,
            "line within vehicles", why,
        )  # fmt: skip
        return Drift(figure, math.nan, math.nan, math.nan, math.nan, 0, int(x.size), use_unit, value_unit, why)

    if standard_uncertainty is None:
        return no("uncertainty-missing")
    u = np.array(np.broadcast_to(np.asarray(standard_uncertainty, dtype=float), x.shape))
    if np.any(~np.isfinite(u)) or np.any(u < 0):
        return no("uncertainty-missing", f"{int(np.sum(~(u >= 0)))} of {u.size} values")
    _, cluster = np.unique(vehicle, return_inverse=True)
    group = cluster
    if instrument is not None:
        pairs = np.stack([cluster, np.unique(np.asarray(instrument), return_inverse=True)[1]])
        _, group = np.unique(pairs, axis=1, return_inverse=True)
        group = group.reshape(-1)
    count = int(group.max()) + 1 if group.size else 0
    lowest, highest = np.full(count, math.inf), np.full(count, -math.inf)
    np.minimum.at(lowest, group, x)
    np.maximum.at(highest, group, x)
    moving = (highest > lowest)[group]
    usable = np.unique(cluster[moving]).size
    if usable < minimum_assets:
        alone = np.unique(cluster).size
        if instrument is not None and alone >= minimum_assets:
            return no("confounded", "use and instrument change together in nearly every vehicle")
        return no("too-few-assets", f"{usable} measured twice, at least {minimum_assets} are needed")
    x, y, u, cluster, group = x[moving], y[moving], u[moving], cluster[moving], group[moving]
    _, cluster = np.unique(cluster, return_inverse=True)
    _, group = np.unique(group, return_inverse=True)
    groups, clusters = int(group.max()) + 1, int(cluster.max()) + 1
    extra, freedom = 0.0, x.size - groups - 1
    # Mandel-Paule: the extra variance that brings the weighted residual sum to its degrees of freedom.
    if freedom > 0:
        low, high = 0.0, 1e-300
        while _residual(x, y, u, group, high)[0] > freedom and high < 1e30:
            low, high = high, max(high * 16, float(np.var(y)) * 1e-9)
        if high > 1e-300:
            for _ in range(60):
                middle = (low + high) / 2
                low, high = (middle, high) if _residual(x, y, u, group, middle)[0] > freedom else (low, middle)
            extra = (low + high) / 2
    _, slope, dx, residual, w = _residual(x, y, u, group, extra)
    information = float(np.sum(w * dx * dx))
    score = np.bincount(cluster, weights=w * dx * residual)
    error = math.sqrt(float(np.sum(score**2)) * clusters / (clusters - 1)) / information
    model = 1 / math.sqrt(information)
    error = max(error, model)
    half = float(stdtrit(clusters - 1, (1 + coverage) / 2)) * error
    centre = float(np.mean(x))
    means = np.bincount(group, weights=y - slope * (x - centre)) / np.bincount(group)
    spread = float(np.std(means, ddof=1)) if groups > 1 else 0.0
    levels = "vehicle and instrument" if instrument is not None else "vehicle"
    figure = Figure(
        "slope", slope, slope - half, slope + half, unit, float(x.size), float(np.sum(highest - lowest)), use_unit,
        clusters, coverage, f"weighted line within each {levels}, limits by vehicle (Student's t)",
    )  # fmt: skip
    return Drift(
        figure, float(means.mean()), centre, math.sqrt(extra), spread, groups, int(x.size), use_unit, value_unit
    )


def _residual(x: Array, y: Array, u: Array, group: Array, extra: float) -> tuple[float, float, Array, Array, Array]:
    """Weighted residual sum of squares, slope, use less its group mean, residuals and weights."""
    variance = u * u + extra
    floor = float(np.max(variance)) * 1e-12 if np.max(variance) > 0 else 1.0
    w = 1 / np.maximum(variance, floor)
    total = np.bincount(group, weights=w)
    dx = x - (np.bincount(group, weights=w * x) / total)[group]
    dy = y - (np.bincount(group, weights=w * y) / total)[group]
    slope = float(np.sum(w * dx * dy) / np.sum(w * dx * dx))
    residual = dy - slope * dx
    return float(np.sum(w * residual**2)), slope, dx, residual, w
