"""Measurement uncertainty: estimates by source, formulas, propagation, coverage (JCGM 100, JCGM 101)."""

from diagnb.uncertainty.coverage import coverage_factor, effective_degrees_of_freedom
from diagnb.uncertainty.estimate import BudgetRow, Component, Estimate, Expanded, type_a
from diagnb.uncertainty.formula import Formula, Table, parse_formula
from diagnb.uncertainty.method import DivisorHoldsZero, Outcome, propagate_by_rule
from diagnb.uncertainty.propagate import correlation, propagate
from diagnb.uncertainty.sampling import Sample, adaptive_monte_carlo, monte_carlo
from diagnb.uncertainty.shape import Shape

__all__ = [
    "BudgetRow",
    "Component",
    "DivisorHoldsZero",
    "Estimate",
    "Expanded",
    "Formula",
    "Outcome",
    "Sample",
    "Shape",
    "Table",
    "adaptive_monte_carlo",
    "correlation",
    "coverage_factor",
    "effective_degrees_of_freedom",
    "monte_carlo",
    "parse_formula",
    "propagate",
    "propagate_by_rule",
    "type_a",
]
