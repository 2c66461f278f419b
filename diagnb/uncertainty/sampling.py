"""Monte Carlo propagation of distributions (JCGM 101), seeded so that it can be repeated to the bit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.uncertainty.estimate import Component, Estimate, Pair, Value, merge, resolve
from diagnb.uncertainty.formula import Formula, Table, parse_formula

GENERATOR = "PCG64DXSM"


@dataclass(frozen=True, slots=True)
class Sample:
    """Summary of a Monte Carlo run: value, u, and 95 % (or other) coverage intervals of the result."""

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]
    shortest_interval: tuple[float, float]
    coverage: float
    trials: int
    seed: int
    generator: str
    values: Value
    """The draws, sorted: array (trials,)."""

    def probability_within(self, lower: float | None, upper: float | None) -> float:
        """Share of the draws that lie within the limits, ends included."""
        low = 0 if lower is None else int(np.searchsorted(self.values, lower, side="left"))
        high = self.trials if upper is None else int(np.searchsorted(self.values, upper, side="right"))
        return max(high - low, 0) / self.trials


def monte_carlo(
    formula: str | Formula,
    inputs: Mapping[str, Estimate],
    *,
    correlations: Mapping[Pair, float] | None = None,
    coverage: float = 0.95,
    trials: int = 1_000_000,
    seed: int = 1,
    tables: Mapping[str, Table] | None = None,
) -> Sample:
    """Propagate distributions through ``formula`` (JCGM 101, clause 7; quantiles by 7.7.2, shortest by 7.7.4).

    Every independent source is drawn once and shared by all inputs that carry it. Inputs with a stated
    correlation are drawn jointly normal. Raises as :func:`~diagnb.uncertainty.propagate.propagate` does, and
    :class:`~diagnb.errors.MeasurementFault` when the formula has no value for some draw.
    """
    from diagnb.uncertainty.propagate import propagate

    checked = parse_formula(formula) if isinstance(formula, str) else formula
    if not 0 < coverage < 1:
        raise fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %")
    if trials < 1000:
        raise fault("trials", f"{trials} are too few", "1,000,000 take well under a second")
    linear = propagate(checked, inputs, correlations=correlations, tables=tables)
    named = {name: inputs[name].named(name) for name in checked.names}
    draws = _draw(named, linear, trials, np.random.Generator(np.random.PCG64DXSM(seed)))
    result = np.asarray(checked.value(draws, tables), dtype=float)
    if not np.all(np.isfinite(result)):
        raise MeasurementFault(Fault(checked.text, "has no value for part of the readings' distributions"))
    result = np.sort(np.broadcast_to(result, (trials,)))
    held = math.floor(coverage * trials + 0.5)
    tail = (trials - held) // 2
    widths = result[held:] - result[: trials - held]
    start = int(np.argmin(widths))
    return Sample(
        float(np.mean(result)),
        float(np.std(result, ddof=1)),
        (float(result[tail]), float(result[tail + held - 1])),
        (float(result[start]), float(result[start + held])),
        coverage,
        trials,
        seed,
        GENERATOR,
        result,
    )


def _draw(
    inputs: Mapping[str, Estimate], linear: Estimate, trials: int, generator: np.random.Generator
) -> dict[str, Value]:
    """Arrays (trials,) of every input. The worst end of an undecided group is the one the linear budget took."""
    joint = _joint_normal(linear, trials, generator)
    decided = {row.source: row.assumption for row in linear.parts}
    common = {c.group for c in linear.components if c.group and decided.get(c.group) == "taken as fully common"}
    lone = {
        i for row in linear.parts if row.assumption.startswith("whole limit") for i in [row.source.rsplit(":", 1)[0]]
    }
    drawn: dict[str, Value] = dict(joint)
    result: dict[str, Value] = {}
    for name, estimate in inputs.items():
        total: Value = np.full(trials, float(estimate.value))
        for c in _as_drawn(merge(estimate.components), lone):
            key = c.group if c.group in common else c.source
            if key not in drawn:
                drawn[key] = _standard(c, trials, generator)
            total = total + float(c.contribution) * drawn[key]
        result[name] = total
    return result


def _as_drawn(components: tuple[Component, ...], lone: set[str]) -> list[Component]:
    kept = [c for c in components if not (len(c.indications) == 1 and c.indications <= lone)]
    alone = [c for c in components if len(c.indications) == 1 and c.indications <= lone]
    for row in resolve(alone):
        kept.append(Component(row.source, row.contribution, row.degrees_of_freedom, row.distribution))
    return kept


def _standard(c: Component, trials: int, generator: np.random.Generator) -> Value:
    """Draws of mean 0 whose spread is that of the stated standard uncertainty (JCGM 101, 6.4)."""
    if c.distribution == "rectangular":
        return generator.uniform(-math.sqrt(3), math.sqrt(3), trials)
    if c.distribution == "triangular":
        return math.sqrt(6) / 2 * (generator.uniform(-1, 1, trials) + generator.uniform(-1, 1, trials))
    if c.distribution == "arcsine":
        return math.sqrt(2) * np.sin(generator.uniform(0, 2 * math.pi, trials))
    if c.distribution == "t" and np.isfinite(c.degrees_of_freedom):
        return generator.standard_t(float(c.degrees_of_freedom), trials)
    return generator.standard_normal(trials)


def _joint_normal(linear: Estimate, trials: int, generator: np.random.Generator) -> dict[str, Value]:
    names = list(dict.fromkeys(name for pair in linear.correlations for name in pair))
    if not names:
        return {}
    matrix = np.eye(len(names))
    for (a, b), r in linear.correlations.items():
        i, j = names.index(a), names.index(b)
        matrix[i, j] = matrix[j, i] = r
    values, vectors = np.linalg.eigh(matrix)
    if values[0] < -1e-9:
        raise InputFault(Fault("correlations", "the matrix is not positive semidefinite"))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = root @ generator.standard_normal((len(names), trials))
    return dict(zip(names, draws, strict=True))
