"""A calibration certificate's corrections in place of the accuracy limit.

With a certificate the estimate is the indication less its known error, and its uncertainty is that of the
calibration, the drift since then, the quantisation of this display and the temperature. The accuracy limit is
not added: that would count the same error twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from diagnb.errors import Fault, InputFault


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One line of a certificate: the indication's ``error`` at ``nominal`` with U and k, coherent SI."""

    nominal: float
    error: float
    expanded_uncertainty: float
    coverage_factor: float = 2.0

    @property
    def standard_uncertainty(self) -> float:
        """U over k (JCGM 100, 4.3.3)."""
        return self.expanded_uncertainty / self.coverage_factor


@dataclass(frozen=True, slots=True)
class RangeCalibration:
    """The certificate of one range: points by rising nominal value, and the half-width of drift since then.

    Raises :class:`~diagnb.errors.InputFault` when points are too few, out of order or without uncertainty.
    """

    function: str
    full_scale: float
    points: tuple[CalibrationPoint, ...]
    drift_half_width: float

    def __post_init__(self) -> None:
        faults = []
        if len(self.points) < 2:
            faults.append(Fault("points", "a range needs two points or more", "the error in between is interpolated"))
        if any(b.nominal <= a.nominal for a, b in zip(self.points, self.points[1:], strict=False)):
            faults.append(Fault("points", "must rise"))
        for i, point in enumerate(self.points):
            if not (math.isfinite(point.expanded_uncertainty) and point.expanded_uncertainty > 0):
                faults.append(Fault(f"points[{i}].expanded_uncertainty", "must be above zero"))
            if not point.coverage_factor >= 1:
                faults.append(Fault(f"points[{i}].coverage_factor", "must be 1 or more"))
        if not self.drift_half_width >= 0:
            faults.append(Fault("drift_half_width", "must be zero or more"))
        if faults:
            raise InputFault(faults)

    def covers(self, value: float) -> bool:
        """Whether ``value`` lies between the outermost points; there is no extrapolation."""
        return self.points[0].nominal <= value <= self.points[-1].nominal

    def error_at(self, value: float) -> tuple[float, float]:
        """The error at ``value`` by linear interpolation, and the larger standard uncertainty of its neighbours."""
        for low, high in zip(self.points, self.points[1:], strict=False):
            if low.nominal <= value <= high.nominal:
                part = (value - low.nominal) / (high.nominal - low.nominal)
                error = low.error + part * (high.error - low.error)
                return error, max(low.standard_uncertainty, high.standard_uncertainty)
        raise InputFault(Fault("value", f"{value} lies outside the certificate's points"))


def certificate_for(
    certificates: Sequence[RangeCalibration], function: str, full_scale: float, value: float
) -> RangeCalibration | None:
    """The certificate entry that covers ``value`` on this range, or None: then the accuracy limit holds."""
    for entry in certificates:
        if (
            entry.function == function
            and math.isclose(entry.full_scale, full_scale, rel_tol=1e-9)
            and entry.covers(value)
        ):
            return entry
    return None
