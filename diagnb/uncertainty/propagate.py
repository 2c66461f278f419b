"""Propagation: estimates through a formula to an estimate, components kept by source (JCGM 100, clause 5)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnb.errors import Fault, InputFault
from diagnb.uncertainty.estimate import Component, Estimate, Pair, Value, merge
from diagnb.uncertainty.formula import Formula, Table, parse_formula


def propagate(
    formula: str | Formula,
    inputs: Mapping[str, Estimate],
    *,
    correlations: Mapping[Pair, float] | None = None,
    tables: Mapping[str, Table] | None = None,
) -> Estimate:
    """First-order propagation of ``inputs`` through ``formula`` with exact derivatives.

    Inputs that carry sources of one name share that error. ``correlations`` gives coefficients between whole
    inputs that were observed together (each must then have a single source). Values may be arrays (n,).

    Raises :class:`~diagnb.errors.InputFault` for unknown names, unused correlation names, coefficients
    outside [-1, 1] or a matrix that is not positive semidefinite;
    :class:`~diagnb.errors.MeasurementFault` where the formula has no value.
    """
    checked = parse_formula(formula) if isinstance(formula, str) else formula
    missing = [Fault(checked.text, f"{name} has no estimate") for name in checked.names if name not in inputs]
    if missing:
        raise InputFault(missing)
    named = {name: inputs[name].named(name) for name in checked.names}
    value, slopes = checked.derivatives({name: estimate.value for name, estimate in named.items()}, tables)
    components: list[Component] = []
    between: dict[Pair, float] = {}
    for name, estimate in named.items():
        slope = slopes[name]
        components.extend([c.times(slope) for c in estimate.components])
        between.update(estimate.correlations)
    if tables:
        components.extend(_table_components(checked, named, tables))
    between.update(_between_inputs(correlations or {}, {**inputs, **named}))
    return Estimate.of(value, merge(components), between)


def _table_components(formula: Formula, inputs: Mapping[str, Estimate], tables: Mapping[str, Table]) -> list[Component]:
    found = []
    for name in formula.tables:
        table = tables[name]
        if table.standard_uncertainty:
            # The slope of the result against the table's output, by a small shift of the whole table.
            values = {n: e.value for n, e in inputs.items()}
            shift = table.standard_uncertainty
            up, down = table.shifted(shift), table.shifted(-shift)
            effect = (formula.value(values, {**tables, name: up}) - formula.value(values, {**tables, name: down})) / 2
            found.append(Component(f"table {name}", effect))
    return found


def _between_inputs(correlations: Mapping[Pair, float], inputs: Mapping[str, Estimate]) -> dict[Pair, float]:
    if not correlations:
        return {}
    faults = []
    names = list(dict.fromkeys(name for pair in correlations for name in pair))
    matrix = np.eye(len(names))
    result: dict[Pair, float] = {}
    for (a, b), r in correlations.items():
        where = f"correlation of {a} and {b}"
        unknown = [name for name in (a, b) if name not in inputs]
        if unknown:
            faults.append(Fault(where, f"{', '.join(unknown)} is not an input"))
        elif a == b or not -1 <= r <= 1:
            faults.append(
                Fault(where, f"{r} is not a correlation coefficient", "between two different inputs, from -1 to 1")
            )
        elif len(inputs[a].components) != 1 or len(inputs[b].components) != 1:
            faults.append(
                Fault(where, "an input with several sources can't take a coefficient", "name the shared source in both")
            )
        else:
            i, j = names.index(a), names.index(b)
            matrix[i, j] = matrix[j, i] = r
            sources: Pair = (inputs[a].named(a).components[0].source, inputs[b].named(b).components[0].source)
            result[sources] = r
    if not faults and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        faults.append(
            Fault(
                "correlations",
                "the matrix is not positive semidefinite",
                "no set of quantities can have these coefficients",
            )
        )
    if faults:
        raise InputFault(faults)
    return result


def correlation(a: Estimate, b: Estimate) -> Value:
    """Correlation coefficient of two results through the sources they share by name (JCGM 100, F.1.2.3).

    Sources of a group whose common share nobody stated have names of their own and count as independent.
    Between single readings of one meter both u are taken component by component, as the covariance is.
    """
    mine = {c.source: c.contribution for c in merge(a.components)}
    other = {c.source: c.contribution for c in merge(b.components)}
    between = {**a.correlations, **b.correlations}

    def covariance(x: Mapping[str, Value], y: Mapping[str, Value]) -> Value:
        total = sum((x[s] * y[s] for s in x if s in y), 0.0)
        for (s, t), r in between.items():
            total = total + r * (x.get(s, 0.0) * y.get(t, 0.0) + x.get(t, 0.0) * y.get(s, 0.0))
        return total

    return covariance(mine, other) / np.sqrt(covariance(mine, mine) * covariance(other, other))
