"""Coverage factors for several quantities stated together (JCGM 102, 6.5): regions instead of intervals."""

from __future__ import annotations

import math

from scipy.special import chdtri, fdtri

from diagnb.errors import Fault, InputFault
from diagnb.uncertainty.coverage import coverage_factor


def ellipsoid_factor(quantities: int, *, coverage: float = 0.95, degrees_of_freedom: float = math.inf) -> float:
    """k_p of a hyper-ellipsoid that holds ``quantities`` (m >= 1) at once with probability ``coverage``.

    The region is every η with (η-y)ᵀ U⁻¹ (η-y) <= k_p². Joint normal: χ² with m (JCGM 102, 6.5.2.2, table 1);
    finite ν (rounded down): Hotelling's m·ν/(ν-m+1)·F(m, ν-m+1), which needs ν >= m.
    Raises :class:`~diagnb.errors.InputFault` otherwise.
    """
    nu = _checked(quantities, coverage, degrees_of_freedom)
    if math.isinf(nu):
        return math.sqrt(float(chdtri(quantities, 1 - coverage)))
    rest = nu - quantities + 1
    if rest < 1:
        raise InputFault(Fault("degrees of freedom", f"{degrees_of_freedom} are too few for {quantities} quantities"))
    return math.sqrt(quantities * nu / rest * float(fdtri(quantities, rest, coverage)))


def box_factor(quantities: int, *, coverage: float = 0.95, degrees_of_freedom: float = math.inf) -> float:
    """k_q of a hyper-rectangle y_i ± k_q·u_i that holds all m >= 1 quantities at once with ``coverage`` or more.

    Each side is taken at 1-(1-p)/m, which needs no knowledge of the correlations (JCGM 102, 6.5.2.3, table 2);
    Student's t at ν rounded down. Raises :class:`~diagnb.errors.InputFault` on bad numbers.
    """
    nu = _checked(quantities, coverage, degrees_of_freedom)
    return float(coverage_factor(1 - (1 - coverage) / quantities, nu))


def _checked(quantities: int, coverage: float, degrees_of_freedom: float) -> float:
    faults = []
    if quantities < 1 or quantities != int(quantities):
        faults.append(Fault("quantities", f"{quantities} is not a number of quantities", "1, 2, 3 …"))
    if not 0 < coverage < 1:
        faults.append(Fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %"))
    if not degrees_of_freedom >= 1:
        faults.append(Fault("degrees of freedom", f"{degrees_of_freedom} must be 1 or more"))
    if faults:
        raise InputFault(faults)
    return degrees_of_freedom if math.isinf(degrees_of_freedom) else float(math.floor(degrees_of_freedom + 1e-9))
