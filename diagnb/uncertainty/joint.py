"""Quantities that were observed together: means, complex values and straight lines that keep their correlation.

What comes out are ordinary estimates whose sources carry the correlation with them, so that a formula which uses two
of them needs no coefficient from anybody (JCGM 100, 5.2.3, F.1.2.2, H.2 and H.3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.uncertainty.estimate import Component, Estimate, Pair, blocks, merge
from diagnb.uncertainty.formula import Formula, parse_formula
from diagnb.uncertainty.propagate import correlation

Array = Any
Values = Sequence[float] | np.ndarray[Any, Any]
TOGETHER = "observed together"


@dataclass(frozen=True, slots=True)
class JointMeans:
    """Means of m quantities from n simultaneous sets.

    ``estimates`` go into ``propagate`` as they are. ``correlations`` is an array (m, m) in the order of
    ``names``; ``degrees_of_freedom`` is n-1 for all of them and for every result of them alone (Willink 2007).
    ``constant`` names quantities that did not vary at all; they are taken as uncorrelated.
    """

    names: tuple[str, ...]
    estimates: Mapping[str, Estimate]
    correlations: Array = field(compare=False)
    degrees_of_freedom: int
    constant: tuple[str, ...] = ()

    def correlation(self, a: str, b: str) -> float:
        """Correlation coefficient of two of the means."""
        for name in (a, b):
            if name not in self.names:
                raise fault(name, "was not observed", f"observed were {', '.join(self.names)}")
        return float(self.correlations[self.names.index(a), self.names.index(b)])


def type_a_joint(observations: Mapping[str, Values], *, source: str = TOGETHER) -> JointMeans:
    """Means of quantities read together, with s/√n, correlations and n-1 degrees of freedom (JCGM 100, H.2.2).

    ``observations``: n >= 2 values of each quantity, the i-th values of all taken at once. ``source`` names this
    series of sets; two series that enter one formula need different names, or they would count as one.
    Raises :class:`~diagnb.errors.InputFault` for fewer sets, unequal numbers or values that are not numbers.
    """
    names, data = _sets(observations)
    count = data.shape[1]
    centred = data - data[:, :1]
    means = centred.mean(axis=1)
    deviations = centred - means[:, None]
    shift = deviations.mean(axis=1)
    deviations -= shift[:, None]
    products = deviations @ deviations.T
    u = np.sqrt(np.diag(products) / (count - 1) / count)
    matrix = np.eye(len(names))
    between: dict[Pair, float] = {}
    labels = [f"{source}: {name}" for name in names]
    for i in range(len(names)):
        for j in range(i):
            scale = math.sqrt(products[i, i] * products[j, j])
            r = min(max(float(products[i, j]) / scale, -1.0), 1.0) if scale else 0.0
            matrix[i, j] = matrix[j, i] = r
            between[labels[j], labels[i]] = r
    values = data[:, 0] + means + shift
    made = {
        name: Estimate.of(float(values[i]), [Component(labels[i], float(u[i]), count - 1, "t")], between)
        for i, name in enumerate(names)
    }
    matrix.flags.writeable = False
    return JointMeans(names, made, matrix, count - 1, tuple(n for n, s in zip(names, u, strict=True) if s == 0))


def type_a_derived(
    formulas: Mapping[str, str | Formula], observations: Mapping[str, Values], *, source: str = TOGETHER
) -> JointMeans:
    """Results worked out set by set and then averaged (JCGM 100, H.2.4): the way that needs no linear model.

    ``formulas`` by the name of the result; ``observations`` as for :func:`type_a_joint`. Raises as it does, for
    names that were not observed, and :class:`~diagnb.errors.MeasurementFault` where a formula has no value.
    """
    names, data = _sets(observations)
    columns = dict(zip(names, data, strict=True))
    checked = {name: parse_formula(f) if isinstance(f, str) else f for name, f in formulas.items()}
    missing = [
        Fault(f.text, f"{name} was not observed") for f in checked.values() for name in f.names if name not in columns
    ]
    if missing or not checked:
        raise InputFault(missing or [Fault("formulas", "there is none")])
    count = data.shape[1]
    results = {
        name: np.broadcast_to(np.asarray(f.value(columns), dtype=float), (count,)) for name, f in checked.items()
    }
    for name, result in results.items():
        if not np.all(np.isfinite(result)):
            raise MeasurementFault(Fault(name, "has no value for one of the sets"))
    return type_a_joint(results, source=source)


@dataclass(frozen=True, slots=True)
class ComplexEstimate:
    """A complex quantity (an impedance): real and imaginary part, with what they share kept."""

    real: Estimate
    imaginary: Estimate

    @property
    def value(self) -> complex:
        """Real and imaginary part, in the unit of both."""
        return complex(float(self.real.value), float(self.imaginary.value))

    @property
    def correlation(self) -> float:
        """Correlation coefficient of the two parts; zero where one is exact."""
        exact = not (self.real.standard_uncertainty and self.imaginary.standard_uncertainty)
        return 0.0 if exact else float(correlation(self.real, self.imaginary))

    @property
    def covariance(self) -> Array:
        """Covariance matrix, array (2, 2) in the square of the unit."""
        a, b = float(self.real.standard_uncertainty), float(self.imaginary.standard_uncertainty)
        return np.array([[a * a, self.correlation * a * b], [self.correlation * a * b, b * b]])

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom of the pair (Willink and Hall), over independent sources."""
        parts = (merge(self.real.components), merge(self.imaginary.components))
        ties = {**self.real.correlations, **self.imaginary.correlations}
        known = {c.source: c for part in parts for c in part}
        covariances, freedom = [], []
        for block in blocks(list(known), ties):
            members = [tuple(c for c in part if c.source in block) for part in parts]
            pair = ComplexEstimate(*(Estimate.of(0.0, _apart(m), ties) for m in members))
            covariances.append(pair.covariance)
            freedom.append(min(float(known[name].degrees_of_freedom) for name in block))
        return complex_degrees_of_freedom(covariances, freedom)


def _apart(components: Sequence[Component]) -> list[Component]:
    return [Component(c.source, c.contribution) for c in components]


def complex_degrees_of_freedom(covariances: Sequence[Array], degrees_of_freedom: Sequence[float]) -> float:
    """Effective degrees of freedom of a sum of independent complex contributions, not rounded.

    ``covariances``: arrays (2, 2) of real and imaginary part, sensitivities included; one ν for each.
    Source: R. Willink and B. D. Hall, Metrologia 39 (2002) 361-369. On a real axis alone this is not
    Welch-Satterthwaite: it needs both parts. Raises :class:`~diagnb.errors.InputFault` on bad matrices or ν.
    """
    faults = []
    matrices = [np.asarray(c, dtype=float) for c in covariances]
    if not matrices or len(matrices) != len(degrees_of_freedom):
        faults.append(Fault("degrees of freedom", "give one for each covariance matrix"))
    for i, m in enumerate(matrices):
        if (
            m.shape != (2, 2)
            or not np.all(np.isfinite(m))
            or not math.isclose(m[0, 1], m[1, 0], rel_tol=1e-9, abs_tol=1e-300)
        ):
            faults.append(Fault(f"covariances[{i}]", "is not a symmetric matrix of two rows and columns"))
        elif min(m[0, 0], m[1, 1]) < 0 or m[0, 1] ** 2 > m[0, 0] * m[1, 1] * (1 + 1e-9):
            faults.append(Fault(f"covariances[{i}]", "no two quantities can have this covariance"))
    faults += [
        Fault(f"degrees of freedom[{i}]", f"{nu} must be above zero")
        for i, nu in enumerate(degrees_of_freedom)
        if not nu > 0
    ]
    if faults:
        raise InputFault(faults)

    def measure(m: Array) -> float:
        return float(2 * m[0, 0] ** 2 + m[0, 0] * m[1, 1] + m[0, 1] ** 2 + 2 * m[1, 1] ** 2)

    below = sum(measure(m) / nu for m, nu in zip(matrices, degrees_of_freedom, strict=True))
    return measure(np.sum(matrices, axis=0)) / below if below else math.inf


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope·(x - origin), fitted by least squares.

    Intercept and slope carry their correlation and share n-2 degrees of freedom; the intercept is in the unit of y,
    the slope in that of y over that of x. ``residual_deviation`` is the scatter about the line, ``span`` the
    lowest and highest x of the fit.
    """

    intercept: Estimate
    slope: Estimate
    origin: float
    residual_deviation: float
    degrees_of_freedom: int
    span: tuple[float, float]

    @property
    def correlation(self) -> float:
        """Correlation coefficient of intercept and slope."""
        exact = not self.residual_deviation
        return 0.0 if exact else float(correlation(self.intercept, self.slope))

    @property
    def covariance(self) -> float:
        """Covariance of intercept and slope."""
        return self.correlation * float(self.intercept.standard_uncertainty) * float(self.slope.standard_uncertainty)

    def at(self, x: float | Estimate) -> Estimate:
        """The value of the line at ``x`` (JCGM 100, H.3.3): the correction of a calibrated instrument there.

        It is the line that is meant, not one more scattering observation; add that scatter where it is wanted.
        """
        where = x.named("x") if isinstance(x, Estimate) else Estimate.of(x, ())
        point = where.value
        parts = [*self.intercept.components, *(c.times(point - self.origin) for c in self.slope.components)]
        parts += [c.times(self.slope.value) for c in where.components]
        ties = {**self.intercept.correlations, **where.correlations}
        return Estimate.of(self.intercept.value + self.slope.value * (point - self.origin), merge(parts), ties)

    def where(self, y: float | Estimate) -> Estimate:
        """The x at which the line has the value ``y``: a reading back through its calibration line.

        Raises :class:`~diagnb.errors.MeasurementFault` where the slope can't be told from zero at 95 %.
        """
        low, high = self.slope.expanded(0.95).interval
        if low <= 0 <= high:
            raise MeasurementFault(Fault("slope", "can't be told from zero", "calibrate over a wider span"))
        seen = y.named("y") if isinstance(y, Estimate) else Estimate.of(y, ())
        b = self.slope.value
        distance = (seen.value - self.intercept.value) / b
        parts = [c.times(-1 / b) for c in self.intercept.components]
        parts += [c.times(-distance / b) for c in self.slope.components]
        parts += [c.times(1 / b) for c in seen.components]
        ties = {**self.intercept.correlations, **seen.correlations}
        return Estimate.of(self.origin + distance, merge(parts), ties)


def fit_line(x: Values, y: Values, *, origin: float = 0.0, source: str = "line") -> Line:
    """Least squares through n >= 3 points, y scattering equally and x exact (JCGM 100, H.3.2).

    ``origin`` is the x at which the intercept is stated; near the middle of the data it makes intercept and slope
    uncorrelated. ``source`` names the two estimates' sources; two lines in one formula need different names.
    Raises :class:`~diagnb.errors.InputFault` for fewer points, unequal numbers, or x that do not differ.
    """
    if source == "" or not math.isfinite(origin):
        raise fault("origin" if source else "source", "must be given" if not source else f"{origin} is not a number")
    _, data = _sets({"x": x, "y": y})
    count = data.shape[1]
    if count < 3:
        raise fault("x", f"{count} points leave nothing to see the scatter by", "three points or more")
    first_x, first_y = data[0, 0], data[1, 0]
    mean_x, mean_y = np.mean(data[0] - first_x), np.mean(data[1] - first_y)
    dx, dy = data[0] - first_x - mean_x, data[1] - first_y - mean_y
    sxx = float(dx @ dx)
    if sxx == 0:
        raise fault("x", "does not vary", "take points at different x")
    b = float(dx @ dy) / sxx
    b += float(dx @ (dy - b * dx)) / sxx
    reach = origin - float(first_x + mean_x)
    a = float(first_y + mean_y) + b * reach
    residuals = dy - b * dx
    s = math.sqrt(float(residuals @ residuals) / (count - 2))
    u_b = s / math.sqrt(sxx)
    u_a = s * math.sqrt(1 / count + reach**2 / sxx)
    r = (reach / math.sqrt(sxx)) / math.sqrt(1 / count + reach**2 / sxx)
    names = (f"{source}: intercept", f"{source}: slope")
    ties = {names: r}
    nu = count - 2
    return Line(
        Estimate.of(a, [Component(names[0], u_a, nu, "t")], ties),
        Estimate.of(b, [Component(names[1], u_b, nu, "t")], ties),
        float(origin), s, nu, (float(data[0].min()), float(data[0].max())),
    )  # fmt: skip


def _sets(observations: Mapping[str, Values]) -> tuple[tuple[str, ...], Array]:
    """Names and an array (m, n) of finite numbers, or every fault there is."""
    faults, rows = [], {}
    for name, values in observations.items():
        try:
            rows[name] = np.asarray(values, dtype=float)
        except (TypeError, ValueError):
            faults.append(Fault(name, "holds something that is not a number"))
            continue
        if rows[name].ndim != 1 or not np.all(np.isfinite(rows[name])):
            faults.append(Fault(name, "must be a list of numbers", "leave a set out as a whole where one is missing"))
        elif rows[name].size < 2:
            faults.append(Fault(name, "an evaluation of type A needs two readings or more", "repeat the reading"))
    if not observations:
        faults.append(Fault("observations", "there are none"))
    sizes = {name: row.size for name, row in rows.items()}
    if not faults and len(set(sizes.values())) > 1:
        listed = ", ".join(f"{name} has {size}" for name, size in sizes.items())
        faults.append(Fault("observations", f"were not all taken together: {listed}", "one value of each per set"))
    if faults:
        raise InputFault(faults)
    return tuple(rows), np.array(list(rows.values()))
