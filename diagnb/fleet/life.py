"""How long until the first defect: Kaplan-Meier and Weibull; survivors and late entry counted.

A failed-only mean is far too short, and an archive that begins when vehicles are already old makes life look too
long unless the entry ages are used. The only file that knows lifelines.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from diagnb.errors import Fault, InputFault, fault, missing_package
from diagnb.fleet.cells import share
from diagnb.fleet.figure import Figure, Refusal, check_level, refused
from diagnb.quantities.counting import counted

Array = Any


@dataclass(frozen=True, slots=True)
class Lives:
    """First failures and survivors: ages (n,) in ``unit``.

    ``age``: age at failure or at the end of the watch; ``failed``: whether it failed then; ``entry``: age at which
    the watch began (0 for all that were watched from new). ``entry`` None says that nobody knows; everything here
    then refuses. Raises :class:`~diagnb.errors.InputFault` with every fault.
    """

    age: Array
    failed: Array
    entry: Array | float | None = 0.0
    unit: str = ""

    def __post_init__(self) -> None:
        age, failed = np.array(self.age, dtype=float), np.array(self.failed, dtype=bool)
        faults = []
        if age.ndim != 1 or age.shape != failed.shape or not age.size:
            raise fault("lives", "age and failed must be lists of one length, with one vehicle or more")
        if np.any(~np.isfinite(age)) or np.any(age <= 0):
            faults.append(Fault("lives.age", f"{int(np.sum(~(age > 0)))} ages are not above zero"))
        if self.entry is not None:
            entry = np.array(np.broadcast_to(np.asarray(self.entry, dtype=float), age.shape))
            if np.any(~np.isfinite(entry)) or np.any(entry < 0) or np.any(entry >= age):
                faults.append(
                    Fault(
                        "lives.entry", f"{int(np.sum(~(entry < age)))} vehicles were watched from after their last age"
                    )
                )
            entry.flags.writeable = False
            object.__setattr__(self, "entry", entry)
        if faults:
            raise InputFault(faults)
        for name, column in (("age", age), ("failed", failed)):
            column.flags.writeable = False
            object.__setattr__(self, name, column)

    @property
    def failures(self) -> int:
        """Number that failed."""
        return int(self.failed.sum())

    @property
    def suspensions(self) -> int:
        """Number that had not failed when last seen."""
        return int(self.age.size - self.failures)

    @property
    def use(self) -> float:
        """Use under watch, all vehicles together, in ``unit``."""
        return float(np.sum(self.age - (0.0 if self.entry is None else self.entry)))

    def described(self, method: str) -> str:
        """The method with what it rests on."""
        late = self.entry is not None and bool(np.any(np.asarray(self.entry) > 0))
        entries = "entry ages used" if late else "all watched from new"
        return f"{method}; {counted(self.failures, 'failure')}, {counted(self.suspensions, 'suspension')}; {entries}"


@dataclass(frozen=True, slots=True)
class Survival:
    """Kaplan-Meier curve at the ages of failure; all arrays (points,). Limits on the log-minus-log scale.

    ``standard_error`` is Greenwood's.
    """

    age: Array
    survival: Array
    standard_error: Array
    lower: Array
    upper: Array
    at_risk: Array
    lives: Lives
    coverage: float
    method: str
    refusal: Refusal | None = None

    def _figure(self, name: str, value: float, low: float, high: float, unit: str) -> Figure:
        lives = self.lives
        return Figure(
            name, value, low, high, unit, lives.failures, lives.use, lives.unit, int(lives.age.size), self.coverage,
            self.method,
        )  # fmt: skip

    def _refused(self, name: str, unit: str, refusal: Refusal) -> Figure:
        lives = self.lives
        return refused(
            name, refusal.code, refusal.detail, unit=unit, numerator=lives.failures, exposure=lives.use,
            exposure_unit=lives.unit, n=int(lives.age.size), coverage=self.coverage, method=self.method,
        )  # fmt: skip

    def at(self, age: float) -> Figure:
        """Share that survives ``age``; refused beyond the last age under watch."""
        name = f"share surviving {age:g} {self.lives.unit}".rstrip()
        if self.refusal:
            return self._refused(name, "1", self.refusal)
        if age > float(self.lives.age.max()):
            return self._refused(name, "1", Refusal("beyond-observed-age", f"last age {self.lives.age.max():g}"))
        k = int(np.searchsorted(self.age, age, side="right")) - 1
        if k < 0:
            return self._figure(name, 1.0, 1.0, 1.0, "1")
        return self._figure(name, float(self.survival[k]), float(self.lower[k]), float(self.upper[k]), "1")

    def age_at(self, share_failed: float = 0.5) -> Figure:
        """Age by which ``share_failed`` have failed (0.5: the median); a limit the curve does not reach is infinite."""
        check_level(share_failed, "share_failed")
        name = f"age with {100 * share_failed:g} % failed"
        if self.refusal:
            return self._refused(name, self.lives.unit, self.refusal)

        def first(curve: Array) -> float:
            below = np.nonzero(curve <= 1 - share_failed + 1e-12)[0]
            return float(self.age[below[0]]) if below.size else math.inf

        value, low, high = first(self.survival), first(self.lower), first(self.upper)
        if math.isinf(value):
            lowest = float(self.survival[-1]) if self.survival.size else 1.0
            return self._refused(
                name, self.lives.unit, Refusal("level-not-reached", f"{share(lowest, 3)} still survive")
            )
        return self._figure(name, value, low, high, self.lives.unit)


def kaplan_meier(lives: Lives, *, coverage: float = 0.95) -> Survival:
    """Product-limit estimate of survival with suspensions and entry ages (Kaplan and Meier 1958).

    Refused where entry ages are unknown, without a failure, and where the vehicles under watch run out before the
    last ones enter (the curve would fall to zero for ever).
    """
    check_level(coverage, "coverage")
    method = lives.described("Kaplan-Meier, Greenwood, log-minus-log limits")
    none = np.zeros(0)

    def no(code: str, detail: str = "") -> Survival:
        return Survival(none, none, none, none, none, none, lives, coverage, method, Refusal(code, detail))

    if lives.entry is None:
        return no("entry-age-missing")
    if not lives.failures:
        return no("too-few-failures", f"none among {lives.age.size}")
    ages, risk, deaths = risk_table(lives)
    last = float(lives.age.max())
    emptied = np.nonzero((deaths == risk) & (ages < last))[0]
    if emptied.size:
        return no("nobody-at-risk", f"after age {ages[emptied[0]]:g}")
    fitter = lifelines_package().KaplanMeierFitter(alpha=1 - coverage)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        late = bool(np.any(np.asarray(lives.entry) > 0))
        fitter.fit(lives.age, lives.failed, entry=np.asarray(lives.entry) if late else None)
        curve = fitter.survival_function_["KM_estimate"].reindex(ages).to_numpy()
        limits = fitter.confidence_interval_.reindex(ages).to_numpy()
        with np.errstate(divide="ignore", invalid="ignore"):
            error = curve * np.sqrt(np.cumsum(deaths / (risk * (risk - deaths))))
    gone = curve <= 0
    error[gone], limits[gone] = 0.0, 0.0
    return Survival(ages, curve, error, limits[:, 0], limits[:, 1], risk, lives, coverage, method)


def risk_table(lives: Lives) -> tuple[Array, Array, Array]:
    """Ages of failure, vehicles under watch just before each, failures at each; arrays (points,).

    A vehicle that enters at an age is under watch after it.
    """
    ages, deaths = np.unique(lives.age[lives.failed], return_counts=True)
    entered = np.searchsorted(np.sort(np.asarray(lives.entry)), ages, side="left")
    risk = entered - np.searchsorted(np.sort(lives.age), ages, side="left")
    return ages, risk.astype(float), deaths.astype(float)


@dataclass(frozen=True, slots=True)
class Weibull:
    """Two-parameter Weibull life: ``shape``, ``scale`` (age at 63.2 % failed) and what the shape says.

    ``covariance`` (2, 2) is of (ln scale, ln shape).
    """

    shape: Figure
    scale: Figure
    covariance: Array
    log_likelihood: float | None
    lives: Lives
    reading: str
    method: str
    refusal: Refusal | None = None

    def age_at(self, share_failed: float) -> Figure:
        """Age by which ``share_failed`` have failed (0.1: B10 life), delta method on the logarithm.

        A caution is added where the age lies beyond those observed.
        """
        check_level(share_failed, "share_failed")
        name, lives = f"age with {100 * share_failed:g} % failed", self.lives
        counted = (lives.failures, lives.use, lives.unit, int(lives.age.size), self.shape.coverage, self.method)
        if self.refusal or self.shape.value is None or self.scale.value is None:
            return Figure(name, None, None, None, lives.unit, *counted, self.refusal)
        w = math.log(-math.log1p(-share_failed))
        shape, scale = self.shape.value, self.scale.value
        value = scale * math.exp(w / shape)
        slope = np.array([1.0, -w / shape])
        error = math.sqrt(float(slope @ self.covariance @ slope))
        reach = math.exp(float(ndtri((1 + self.shape.coverage) / 2)) * error)
        beyond = value > float(lives.age.max())
        cautions = (f"beyond the last age observed, {lives.age.max():g}: an extrapolation",) if beyond else ()
        return Figure(name, value, value / reach, value * reach, lives.unit, *counted, cautions=cautions)


def weibull(lives: Lives, *, coverage: float = 0.95, minimum_failures: int = 5) -> Weibull:
    """Two-parameter Weibull by maximum likelihood with suspensions and entry ages; limits on the logarithm.

    ``reading``: "wear-out" where the limits of the shape lie above 1, "early failures" below, else "no ageing shown".
    Refused below ``minimum_failures``, without entry ages, or where all failures have one age.
    """
    check_level(coverage, "coverage")
    method = lives.described("Weibull, maximum likelihood")
    if lives.entry is None:
        return _no_weibull(lives, coverage, method, Refusal("entry-age-missing"))
    if lives.failures < minimum_failures:
        detail = f"{lives.failures} of at least {minimum_failures}"
        return _no_weibull(lives, coverage, method, Refusal("too-few-failures", detail))
    if np.unique(lives.age[lives.failed]).size < 2:
        return _no_weibull(lives, coverage, method, Refusal("not-converged", "all failures have one age"))
    package = lifelines_package()
    late = bool(np.any(np.asarray(lives.entry) > 0))
    fitter = package.WeibullFitter(alpha=1 - coverage)
    # Ages of order 1 keep the optimiser's tolerances meaningful in any unit.
    unit = float(np.mean(lives.age))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fitter.fit(lives.age / unit, lives.failed, entry=np.asarray(lives.entry) / unit if late else None)
        except (package.exceptions.ConvergenceError, ValueError, np.linalg.LinAlgError) as error:
            return _no_weibull(lives, coverage, method, Refusal("not-converged", type(error).__name__))
    polished = _polish(lives, math.log(float(fitter.lambda_) * unit), math.log(float(fitter.rho_)))
    if polished is None:
        return _no_weibull(lives, coverage, method, Refusal("not-converged", "no curvature at the maximum"))
    scale, shape, covariance, likelihood = polished
    z = float(ndtri((1 + coverage) / 2))
    counted = (lives.failures, lives.use, lives.unit, int(lives.age.size), coverage, method)

    def figure(name: str, value: float, variance: float, unit_of: str) -> Figure:
        reach = math.exp(z * math.sqrt(variance))
        return Figure(name, value, value / reach, value * reach, unit_of, *counted)

    shaped = figure("shape", shape, float(covariance[1, 1]), "1")
    low, high = float(shaped.lower or 0), float(shaped.upper or 0)
    reading = "wear-out" if low > 1 else "early failures" if high < 1 else "no ageing shown"
    return Weibull(
        shaped, figure("scale", scale, float(covariance[0, 0]), lives.unit), covariance, likelihood, lives, reading,
        method,
    )  # fmt: skip


def _polish(lives: Lives, a: float, b: float) -> tuple[float, float, Array, float] | None:
    """Newton steps from the optimiser's ln scale and ln shape to rounding; scale, shape, covariance, log likelihood.

    The optimiser stops some six digits in, and the observed information is wanted on the logarithms anyway.
    """
    log_age, failed = np.log(lives.age), lives.failed
    with np.errstate(divide="ignore"):
        log_entry = np.log(np.asarray(lives.entry))
    late = np.isfinite(log_entry)
    for _ in range(50):
        beta = math.exp(b)
        z, ze = beta * (log_age - a), beta * (log_entry[late] - a)
        h, he = np.exp(z), np.exp(ze)
        spent = float(h.sum() - he.sum())
        turned = float(np.sum(h * z) - np.sum(he * ze))
        first = np.array([beta * (spent - failed.sum()), float(np.sum(1 + z[failed])) - turned])
        cross = beta * (spent - failed.sum() + turned)
        twice = float(np.sum(h * (z * z + z)) - np.sum(he * (ze * ze + ze)))
        second = np.array([[-beta * beta * spent, cross], [cross, float(np.sum(z[failed])) - twice]])
        if not np.all(np.isfinite(second)) or np.linalg.eigvalsh(second)[-1] >= 0:
            return None
        step = np.linalg.solve(second, first)
        a, b = a - float(step[0]), b - float(step[1])
        if float(np.max(np.abs(step))) < 1e-12:
            break
    beta = math.exp(b)
    z = beta * (log_age - a)
    likelihood = float(np.sum(b + z[failed] - log_age[failed]) - np.sum(np.exp(z)))
    likelihood += float(np.sum(np.exp(beta * (log_entry[late] - a))))
    return math.exp(a), beta, -np.linalg.inv(second), likelihood


def _no_weibull(lives: Lives, coverage: float, method: str, why: Refusal) -> Weibull:
    counted = (lives.failures, lives.use, lives.unit, int(lives.age.size), coverage, method, why)
    return Weibull(
        Figure("shape", None, None, None, "1", *counted), Figure("scale", None, None, None, lives.unit, *counted),
        np.full((2, 2), math.nan), None, lives, "not estimated", method, why,
    )  # fmt: skip


def weibull_by_ranks(lives: Lives, *, minimum_failures: int = 3) -> tuple[float, float]:
    """Shape and scale by rank regression of age on rank (Johnson's adjusted ranks, Benard's median ranks).

    For comparison with reports that used it: it gives other numbers than maximum likelihood. No entry ages.
    Raises :class:`~diagnb.errors.InputFault` with entry ages or too few failures.
    """
    if lives.entry is None or np.any(np.asarray(lives.entry) > 0):
        raise fault("lives.entry", "rank regression can't use entry ages", "use weibull")
    if lives.failures < minimum_failures:
        raise fault("lives", f"{lives.failures} failures are too few", f"{minimum_failures} or more")
    order = np.lexsort((~lives.failed, lives.age))
    n, rank, ranks, ages = lives.age.size, 0.0, [], []
    for position, k in enumerate(order):
        if lives.failed[k]:
            rank += (n + 1 - rank) / (1 + n - position)
            ranks.append((rank - 0.3) / (n + 0.4))
            ages.append(lives.age[k])
    x, y = np.log(-np.log1p(-np.array(ranks))), np.log(np.array(ages))
    slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
    return 1 / slope, math.exp(float(y.mean() - slope * x.mean()))


def lifelines_package() -> Any:
    """lifelines, imported when first needed. Raises :class:`~diagnb.errors.MissingPackage`."""
    try:
        import lifelines
        import lifelines.exceptions
    except ImportError as error:
        raise missing_package("lifelines", "archive,fleet", "is needed for life analysis, and not installed") from error
    return lifelines
