"""Formulas: text in, a checked expression out. No ``eval``: the text is parsed once to a list of steps.

Grammar: names, numbers, ``+ - * / **`` (``^`` is read as a power), brackets, and the functions sqrt, exp, log,
abs, sin, cos, tan, min, max, and ``table(name, x)`` for interpolation in a named table. Evaluation gives
the value and the exact first derivatives by one backward sweep; arrays (n,) pass through unchanged.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from diagnb.errors import Fault, InputFault, MeasurementFault, fault
from diagnb.quantities import Dimension

Value = Any
MOST_STEPS = 200
_ONE_ARGUMENT = ("sqrt", "exp", "log", "abs", "sin", "cos", "tan")
_TWO_ARGUMENTS = ("min", "max")
_OPERATORS: dict[type[ast.operator], str] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Pow: "**",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """A named table for linear interpolation: x rising, y of equal length, both in coherent SI.

    ``standard_uncertainty`` is that of an interpolated value, in the unit of y.
    """

    name: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    x_dimension: Dimension
    y_dimension: Dimension
    standard_uncertainty: float = 0.0
    hold: bool = False
    """Outside the table, hold its end value instead of refusing."""
    shift: Value = 0.0
    """Added to every y: a number, or an array of draws."""

    def shifted(self, shift: Value) -> Table:
        """The same table with ``shift`` (unit of y) added to its output."""
        return replace(self, shift=shift)


@dataclass(frozen=True, slots=True)
class Step:
    """One step: an operation on earlier steps. ``constant`` holds a number, ``name`` a name or a table."""

    operation: str
    operands: tuple[int, ...] = ()
    name: str = ""
    constant: float = 0.0


@dataclass(frozen=True)
class Formula:
    """A checked formula. ``names`` are its variables in order of first use, ``tables`` the tables it reads."""

    text: str
    steps: tuple[Step, ...]
    names: tuple[str, ...]
    tables: tuple[str, ...]

    def value(self, inputs: Mapping[str, Value], tables: Mapping[str, Table] | None = None) -> Value:
        """The value alone; ``inputs`` in coherent SI, scalars or arrays that broadcast."""
        return self._forward(inputs, tables or {})[-1]

    def derivatives(
        self, inputs: Mapping[str, Value], tables: Mapping[str, Table] | None = None
    ) -> tuple[Value, dict[str, Value]]:
        """The value and its exact first derivatives with respect to every name.

        Raises :class:`~diagnb.errors.MeasurementFault` where the formula has no value or no derivative.
        """
        shapes = tables or {}
        values = self._forward(inputs, shapes)
        adjoint: list[Value] = [0.0] * len(values)
        adjoint[-1] = 1.0
        gradient: dict[str, Value] = dict.fromkeys(self.names, 0.0)
        for index in range(len(self.steps) - 1, -1, -1):
            step = self.steps[index]
            seed = adjoint[index]
            if step.operation == "name":
                gradient[step.name] = gradient[step.name] + seed
            elif step.operation != "constant":
                slopes = _slopes(step, values, index, shapes)
                for operand, slope in zip(step.operands, slopes, strict=True):
                    adjoint[operand] = adjoint[operand] + seed * slope
        return values[-1], gradient

    def _forward(self, inputs: Mapping[str, Value], tables: Mapping[str, Table]) -> list[Value]:
        values: list[Value] = []
        try:
            with np.errstate(all="raise", under="ignore"):
                for step in self.steps:
                    values.append(_apply(step, values, inputs, tables))
        except (ZeroDivisionError, FloatingPointError, OverflowError, ValueError) as error:
            raise MeasurementFault(
                Fault(self.text, f"has no value here: {error}", "check the readings it uses")
            ) from error
        return values

    def dimension(self, dimensions: Mapping[str, Dimension], tables: Mapping[str, Table] | None = None) -> Dimension:
        """The dimension of the result. Raises :class:`~diagnb.errors.InputFault` where dimensions do not fit."""
        known: list[Dimension] = []
        for step in self.steps:
            known.append(_dimension_of(step, known, dimensions, tables or {}, self))
        return known[-1]

    @cached_property
    def divisors(self) -> tuple[Formula, ...]:
        """The sub-formulas that something is divided by; an interval that holds zero there makes no result."""
        found = [s.operands[1] for s in self.steps if s.operation == "/"]
        return tuple(self._sub(i) for i in found if self.steps[i].operation != "constant")

    def _sub(self, last: int) -> Formula:
        reached = {last}
        for index in range(last, -1, -1):
            if index in reached:
                reached.update(self.steps[index].operands)
        names = dict.fromkeys(s.name for i, s in enumerate(self.steps) if i in reached and s.operation == "name")
        tables = dict.fromkeys(s.name for i, s in enumerate(self.steps) if i in reached and s.operation == "table")
        place = {old: new for new, old in enumerate(sorted(reached))}
        steps = tuple(
            replace(self.steps[i], operands=tuple(place[o] for o in self.steps[i].operands)) for i in sorted(reached)
        )
        return Formula(self.text, steps, tuple(names), tuple(tables))


@lru_cache(maxsize=2048)
def parse_formula(text: str) -> Formula:
    """Check ``text`` and turn it into a :class:`Formula`. Raises :class:`~diagnb.errors.InputFault`."""
    if len(text) > 2000:
        raise fault("formula", "is longer than 2,000 characters")
    try:
        tree = ast.parse(text.strip().replace("^", "**").replace("·", "*").replace("\u2212", "-"), mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise fault(repr(text), "is not a formula", "write for example (v_source - v_load) / i_load") from error
    steps: list[Step] = []
    names: dict[str, None] = {}
    tables: dict[str, None] = {}

    def add(step: Step) -> int:
        if len(steps) >= MOST_STEPS:
            raise fault(repr(text), f"has more than {MOST_STEPS} steps")
        steps.append(step)
        return len(steps) - 1

    def number(literal: Any) -> float:
        try:
            found = float(literal)
        except OverflowError:
            found = math.inf
        if not math.isfinite(found):
            raise fault(repr(text), f"{found} is not a finite number")
        return found

    def walk(node: ast.expr, depth: int = 0) -> int:
        if depth > 50:
            raise fault(repr(text), "is nested more than 50 deep")
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool):
            return add(Step("constant", constant=number(node.value)))
        if isinstance(node, ast.Name):
            if node.id == "pi":
                return add(Step("constant", constant=math.pi))
            names[node.id] = None
            return add(Step("name", name=node.id))
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.UAdd):
            if isinstance(node.op, ast.USub) and isinstance(node.operand, ast.Constant):
                # A negative number is a constant, so that a quantity may be raised to the power -1.
                return add(replace(steps.pop(walk(node.operand, depth + 1)), constant=-number(node.operand.value)))
            operand = walk(node.operand, depth + 1)
            return add(Step("negative", (operand,))) if isinstance(node.op, ast.USub) else operand
        if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
            left, right = walk(node.left, depth + 1), walk(node.right, depth + 1)
            return add(Step(_OPERATORS[type(node.op)], (left, right)))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and not node.keywords:
            return call(node.func.id, node.args, depth)
        raise fault(
            repr(text),
            f"{type(node).__name__.lower()} is not allowed in a formula",
            "use names, numbers, + - * / ** and the listed functions",
        )

    def call(function: str, arguments: list[ast.expr], depth: int) -> int:
        if function in _ONE_ARGUMENT and len(arguments) == 1:
            return add(Step(function, (walk(arguments[0], depth + 1),)))
        if function in _TWO_ARGUMENTS and len(arguments) >= 2:
            index = walk(arguments[0], depth + 1)
            for argument in arguments[1:]:
                index = add(Step(function, (index, walk(argument, depth + 1))))
            return index
        if function == "table" and len(arguments) == 2 and isinstance(arguments[0], ast.Name):
            tables[arguments[0].id] = None
            return add(Step("table", (walk(arguments[1], depth + 1),), name=arguments[0].id))
        if function in (*_ONE_ARGUMENT, *_TWO_ARGUMENTS, "table"):
            raise fault(repr(text), f"{function} has the wrong number of arguments")
        listed = ", ".join((*_ONE_ARGUMENT, *_TWO_ARGUMENTS, "table"))
        raise fault(repr(text), f"{function} is not a known function", f"use one of {listed}")

    walk(tree.body)
    return Formula(text, tuple(steps), tuple(names), tuple(tables))


def _apply(step: Step, values: list[Value], inputs: Mapping[str, Value], tables: Mapping[str, Table]) -> Value:
    operation = step.operation
    if operation == "constant":
        return step.constant
    if operation == "name":
        if step.name not in inputs:
            raise fault(step.name, "has no value")
        return inputs[step.name]
    x = values[step.operands[0]]
    if len(step.operands) == 1:
        if operation == "negative":
            return -x
        if operation == "table":
            if step.name not in tables:
                raise fault(step.name, "is not a table that was handed in")
            return _interpolate(tables[step.name], x)
        if isinstance(x, np.ndarray):
            return getattr(np, operation)(x)
        return abs(x) if operation == "abs" else getattr(math, operation)(float(x))
    y = values[step.operands[1]]
    if operation == "+":
        return x + y
    if operation == "-":
        return x - y
    if operation == "*":
        return x * y
    if operation == "/":
        return x / y
    if operation == "**":
        return _power(x, y)
    return (np.minimum if operation == "min" else np.maximum)(x, y)


def _power(x: Value, y: Value) -> Value:
    if isinstance(x, np.ndarray) or isinstance(y, np.ndarray):
        return np.power(np.asarray(x, dtype=float), y)
    result = x**y
    if isinstance(result, complex):
        raise ValueError("a fractional power of a negative number")  # noqa: TRY004
    return result


def _interpolate(table: Table, x: Value) -> Value:
    if not table.hold and (np.any(np.less(x, table.x[0])) or np.any(np.greater(x, table.x[-1]))):
        raise ValueError(f"outside the table {table.name} ({table.x[0]:g} to {table.x[-1]:g})")
    result = np.interp(x, table.x, table.y) + table.shift
    return result if isinstance(result, np.ndarray) and result.ndim else float(result)


def _slopes(step: Step, values: list[Value], index: int, tables: Mapping[str, Table]) -> tuple[Value, ...]:
    operation, result = step.operation, values[index]
    x = values[step.operands[0]]
    y = values[step.operands[1]] if len(step.operands) == 2 else None
    try:
        with np.errstate(all="raise", under="ignore"):
            return _slope_of(operation, x, y, result, tables, step)
    except (ZeroDivisionError, FloatingPointError, ValueError) as error:
        raise MeasurementFault(
            Fault(operation, "has no derivative here", "the reading lies where the formula turns")
        ) from error


def _slope_of(
    operation: str, x: Value, y: Value, result: Value, tables: Mapping[str, Table], step: Step
) -> tuple[Value, ...]:
    if operation == "negative":
        return (-1.0,)
    if operation == "sqrt":
        return (0.5 / result,)
    if operation == "exp":
        return (result,)
    if operation == "log":
        return (1.0 / x,)
    if operation == "abs":
        return (np.sign(x),)
    if operation == "sin":
        return (np.cos(x),)
    if operation == "cos":
        return (-np.sin(x),)
    if operation == "tan":
        return (1.0 + result * result,)
    if operation == "table":
        return (_table_slope(tables[step.name], x),)
    if operation == "+":
        return (1.0, 1.0)
    if operation == "-":
        return (1.0, -1.0)
    if operation == "*":
        return (y, x)
    if operation == "/":
        return (1.0 / y, -result / y)
    if operation == "**":
        by_exponent = result * np.log(x) if np.all(np.greater(x, 0)) else 0.0
        return (y * _power(x, y - 1) if np.any(np.not_equal(y, 0)) else 0.0, by_exponent)
    first = np.less_equal(x, y) if operation == "min" else np.greater_equal(x, y)
    return (np.where(first, 1.0, 0.0), np.where(first, 0.0, 1.0))


def _table_slope(table: Table, x: Value) -> Value:
    slopes = np.diff(table.y) / np.diff(table.x)
    at = np.clip(np.searchsorted(table.x, x, side="right") - 1, 0, len(slopes) - 1)
    outside = np.less(x, table.x[0]) | np.greater(x, table.x[-1])
    return np.where(outside, 0.0, slopes[at])


def _dimension_of(
    step: Step, known: list[Dimension], names: Mapping[str, Dimension], tables: Mapping[str, Table], formula: Formula
) -> Dimension:
    operation = step.operation
    if operation == "constant":
        return ()
    if operation == "name":
        if step.name not in names:
            raise fault(repr(formula.text), f"{step.name} is not a reading, a given value or an earlier result")
        return names[step.name]
    x = known[step.operands[0]]
    if operation in ("negative", "abs"):
        return x
    if operation == "sqrt":
        return _times(x, 0.5)
    if operation == "table":
        if step.name not in tables:
            raise fault(repr(formula.text), f"there is no table {step.name}")
        if tables[step.name].x_dimension != x:
            raise fault(repr(formula.text), f"the table {step.name} is entered with another dimension")
        return tables[step.name].y_dimension
    if len(step.operands) == 1:
        if x:
            raise fault(
                repr(formula.text), f"{operation} needs a pure number", "divide by a value of the same dimension first"
            )
        return ()
    y = known[step.operands[1]]
    if operation == "*":
        return _combine(x, y, 1)
    if operation == "/":
        return _combine(x, y, -1)
    if operation == "**":
        exponent = formula.steps[step.operands[1]]
        if not x and not y:
            return ()
        if exponent.operation != "constant":
            raise fault(repr(formula.text), "a quantity can only be raised to a constant power")
        return _times(x, exponent.constant)
    if x != y:
        raise fault(
            repr(formula.text),
            f"the two sides of {operation} have different dimensions",
            "they can't be added or compared",
        )
    return x


def _times(dimension: Dimension, power: float) -> Dimension:
    return tuple((name, exponent * power) for name, exponent in dimension if exponent * power)


def _combine(x: Dimension, y: Dimension, sign: int) -> Dimension:
    total = dict(x)
    for name, exponent in y:
        total[name] = total.get(name, 0.0) + sign * exponent
    return tuple(sorted((name, exponent) for name, exponent in total.items() if exponent))


def check_names(formula: Formula, allowed: Mapping[str, object]) -> list[Fault]:
    """Faults for every name of the formula that is not ``allowed``."""
    return [Fault(repr(formula.text), f"{name} is unknown") for name in formula.names if name not in allowed]


__all__ = ["Formula", "InputFault", "Step", "Table", "check_names", "parse_formula"]
