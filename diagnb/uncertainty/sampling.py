"""Monte Carlo propagation of distributions (JCGM 101), seeded so that it can be repeated to the bit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.uncertainty.estimate import COMMON, Component, Estimate, Pair, Value, blocks, merge, resolve
from diagnb.uncertainty.formula import Formula, Table, parse_formula
from diagnb.uncertainty.propagate import propagate

GENERATOR = "PCG64DXSM"
_FEWEST = 1000
_BATCHES_AT_LEAST = 10
_ROOT_THREE = math.sqrt(3)


@dataclass(frozen=True)
class Sample:
    """Summary of a Monte Carlo run: value, u, and coverage intervals of the result.

    ``interval`` is probabilistically symmetric (JCGM 101, 7.7.2), ``shortest_interval`` the shortest (7.7.4).
    """

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]
    coverage: float
    trials: int
    seed: int
    generator: str
    draws: Value
    """The draws in no order: array (trials,)."""

    @cached_property
    def shortest_interval(self) -> tuple[float, float]:
        """The shortest interval with the stated coverage; its ends are noisier than those of ``interval``."""
        ordered = np.sort(self.draws)
        held = _held(self.coverage, self.trials)
        start = int(np.argmin(ordered[held:] - ordered[: self.trials - held]))
        return float(ordered[start]), float(ordered[start + held])

    def probability_within(self, lower: float | None, upper: float | None) -> float:
        """Share of the draws that lie within the limits, ends included."""
        inside = np.ones(self.trials, dtype=bool)
        if lower is not None:
            inside &= self.draws >= lower
        if upper is not None:
            inside &= self.draws <= upper
        return float(np.count_nonzero(inside)) / self.trials


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
    """Propagate distributions through ``formula`` with a fixed number of trials (JCGM 101, clause 7).

    Every independent source is drawn once and shared by all inputs that carry it. Inputs with a stated
    correlation are drawn jointly normal. Raises as :func:`~diagnb.uncertainty.propagate.propagate` does, and
    :class:`~diagnb.errors.MeasurementFault` when the formula has no value for some draw.
    """
    drawing = _prepare(formula, inputs, correlations, coverage, tables)
    if trials < _FEWEST:
        raise fault("trials", f"{trials} are too few", "1,000,000 take well under a second")
    draws = drawing.result(trials, np.random.Generator(np.random.PCG64DXSM(seed)))
    return _summary(draws, coverage, seed)


def adaptive_monte_carlo(
    formula: str | Formula,
    inputs: Mapping[str, Estimate],
    *,
    correlations: Mapping[Pair, float] | None = None,
    coverage: float = 0.95,
    digits: int = 2,
    seed: int = 1,
    most_trials: int = 20_000_000,
    tables: Mapping[str, Table] | None = None,
) -> Sample:
    """As :func:`monte_carlo`, batch after batch until value, u and both ends are stable (JCGM 101, 7.9).

    Stable means: twice the standard deviation of the mean over batches is below half a unit of the last of
    ``digits`` significant digits of u. At least ten batches are run, because a standard deviation from two or
    three batches stops by luck. Raises :class:`MeasurementFault` when ``most_trials`` do not suffice.
    """
    drawing = _prepare(formula, inputs, correlations, coverage, tables)
    if digits not in (1, 2, 3):
        raise fault("digits", f"{digits} must be 1, 2 or 3")
    size = max(math.ceil(100 / (1 - coverage)), 10_000)
    generator = np.random.Generator(np.random.PCG64DXSM(seed))
    batches: list[Value] = []
    rows: list[tuple[float, float, float, float]] = []
    while len(batches) * size < most_trials:
        batch = drawing.result(size, generator)
        batches.append(batch)
        one = _summary(batch, coverage, seed)
        rows.append((one.value, one.standard_uncertainty, *one.interval))
        if len(rows) >= _BATCHES_AT_LEAST:
            spread = np.std(np.asarray(rows), axis=0, ddof=1) / math.sqrt(len(rows))
            u = float(np.mean([row[1] for row in rows]))
            if np.all(2 * spread <= numerical_tolerance(u, digits)):
                return _summary(np.concatenate(batches), coverage, seed)
    raise MeasurementFault(
        Fault(
            "Monte Carlo",
            f"not stable after {most_trials:,} trials",
            "ask for fewer digits, or reduce the largest source",
        )
    )


def numerical_tolerance(standard_uncertainty: float, digits: int) -> float:
    """Half a unit of the last of ``digits`` significant digits of u (JCGM 101, 7.9.2)."""
    if standard_uncertainty <= 0:
        return 0.0
    exponent = math.floor(math.log10(standard_uncertainty)) - digits + 1
    # u that rounds up to the next power of ten has its last digit one place further left.
    if round(standard_uncertainty / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def _held(coverage: float, trials: int) -> int:
    return min(math.floor(coverage * trials + 0.5), trials - 1)


def _summary(draws: Value, coverage: float, seed: int) -> Sample:
    trials = draws.size
    held = _held(coverage, trials)
    low = (trials - held) // 2
    high = low + held - 1
    parted = np.partition(draws, (low, high))
    mean = float(np.mean(draws))
    return Sample(
        mean, float(np.std(draws, ddof=1, mean=np.asarray([mean]))), (float(parted[low]), float(parted[high])),
        coverage, trials, seed, GENERATOR, draws,
    )  # fmt: skip


def _prepare(
    formula: str | Formula,
    inputs: Mapping[str, Estimate],
    correlations: Mapping[Pair, float] | None,
    coverage: float,
    tables: Mapping[str, Table] | None,
) -> _Drawing:
    checked = parse_formula(formula) if isinstance(formula, str) else formula
    if not 0 < coverage < 1:
        raise fault("coverage", f"{coverage} must lie between 0 and 1", "0.95 means 95 %")
    linear = _linear(checked, inputs, correlations, tables)
    named = {name: inputs[name].named(name) for name in checked.names}
    return _Drawing(checked, named, linear, dict(tables or {}))


def _linear(
    formula: Formula,
    inputs: Mapping[str, Estimate],
    correlations: Mapping[Pair, float] | None,
    tables: Mapping[str, Table] | None,
) -> Estimate:
    """The linear result decides which end an undecided group takes; where there is none, its inputs' sum does."""
    try:
        return propagate(formula, inputs, correlations=correlations, tables=tables)
    except MeasurementFault:
        return propagate(" + ".join(formula.names), inputs, correlations=correlations)


class _Drawing:
    """What is drawn for one formula: every independent source once."""

    def __init__(
        self, formula: Formula, inputs: Mapping[str, Estimate], linear: Estimate, tables: dict[str, Table]
    ) -> None:
        self.formula, self.linear, self.tables = formula, linear, tables
        decided = {row.source: row.assumption for row in linear.parts}
        self.common = {c.group for c in linear.components if c.group and decided.get(c.group) == COMMON}
        self.tied = dict(_tied_offsets(linear, self.common))
        lone = {row.source.rsplit(":", 1)[0] for row in linear.parts if row.assumption.startswith("whole limit")}
        self.inputs = {name: (float(e.value), _as_drawn(merge(e.components), lone)) for name, e in inputs.items()}

    def result(self, trials: int, generator: np.random.Generator) -> Value:
        drawn = _joint_normal(self.linear, trials, generator)
        values = {}
        for name, (value, components) in self.inputs.items():
            total: Value = value
            for c in components:
                key, sign = (c.group, 1.0) if c.group in self.common else self.tied.get(c.source, (c.source, 1.0))
                if not c.contribution:
                    continue
                if key not in drawn:
                    drawn[key] = _standard(c, trials, generator)
                part = drawn[key] * (sign * float(c.contribution))
                if isinstance(total, float):
                    part += total
                    total = part
                else:
                    total += part
            values[name] = total
        tables = dict(self._shifted_tables(trials, generator))
        result = np.asarray(self.formula.value(values, tables), dtype=float)
        if not np.all(np.isfinite(result)):
            raise MeasurementFault(Fault(self.formula.text, "has no value for part of the readings' distributions"))
        return np.broadcast_to(result, (trials,)) if result.ndim == 0 else result

    def _shifted_tables(self, trials: int, generator: np.random.Generator) -> Iterator[tuple[str, Table]]:
        for name in sorted(self.tables):
            table = self.tables[name]
            if name in self.formula.tables and table.standard_uncertainty:
                shift = table.standard_uncertainty * generator.standard_normal(trials)
                yield name, table.shifted(shift)
            else:
                yield name, table


def _tied_offsets(linear: Estimate, common: set[str]) -> Iterator[tuple[str, tuple[str, float]]]:
    """Offsets that share the draw of their range's common gain, with the sign that makes them add."""
    pool = merge(linear.components)
    for group in sorted(common):
        members = [c for c in pool if c.group == group]
        gain = sum(c.contribution for c in members)
        for c in pool:
            if c.limit and c.limit == members[0].limit and not c.group and len(c.indications) > 1:
                yield c.source, (group, math.copysign(1.0, float(gain) * float(c.contribution)))


def _as_drawn(components: tuple[Component, ...], lone: set[str]) -> list[Component]:
    kept = [c for c in components if not (len(c.indications) == 1 and c.indications <= lone)]
    alone = [c for c in components if len(c.indications) == 1 and c.indications <= lone]
    for row in resolve(alone):
        # A whole limit has no sign of its own, but two inputs that carry it must draw it the same way round.
        mine = sorted(
            (c.source, c.contribution) for c in alone if f"{next(iter(c.indications))}: accuracy" == row.source
        )
        sign = math.copysign(1.0, next((x for _, x in mine if x), 1.0))
        kept.append(Component(row.source, sign * row.contribution, row.degrees_of_freedom, row.distribution))
    return kept


def _standard(c: Component, trials: int, generator: np.random.Generator) -> Value:
    """Draws of mean 0 whose spread is that of the stated standard uncertainty (JCGM 101, 6.4)."""
    if c.distribution == "rectangular":
        return generator.uniform(-_ROOT_THREE, _ROOT_THREE, trials)
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
    freedom = {c.source: float(np.min(c.degrees_of_freedom)) for c in linear.components if c.source in names}
    for block in blocks(names, linear.correlations):
        nu = min(freedom.get(name, math.inf) for name in block)
        if math.isfinite(nu):
            # Quantities observed together share one scaled chi-square: a multivariate t (JCGM 101, 6.4.9.2).
            scale = np.sqrt(nu / generator.chisquare(nu, trials))
            for name in block:
                draws[names.index(name)] *= scale
    return dict(zip(names, draws, strict=True))
