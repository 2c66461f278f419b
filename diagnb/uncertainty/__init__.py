"""Measurement uncertainty: estimates by source, formulas, propagation, coverage (JCGM 100, JCGM 101)."""

from diagnb.uncertainty.coverage import coverage_factor, effective_degrees_of_freedom
from diagnb.uncertainty.coverage_region import box_factor, ellipsoid_factor
from diagnb.uncertainty.doubt import degrees_of_freedom_of_doubt, relative_doubt_of_deviation
from diagnb.uncertainty.estimate import BudgetRow, Component, Estimate, Expanded, type_a
from diagnb.uncertainty.formula import Formula, Table, parse_formula
from diagnb.uncertainty.gauge import (
    POOLING_LEVEL,
    AnovaRow,
    GaugeStudy,
    OneWay,
    gauge_study,
    one_way,
    one_way_of_summaries,
)
from diagnb.uncertainty.joint import (
    ComplexEstimate,
    JointMeans,
    Line,
    complex_degrees_of_freedom,
    fit_line,
    type_a_derived,
    type_a_joint,
)
from diagnb.uncertainty.method import DivisorHoldsZero, Outcome, propagate_by_rule
from diagnb.uncertainty.propagate import correlation, propagate
from diagnb.uncertainty.sampling import Sample, adaptive_monte_carlo, monte_carlo
from diagnb.uncertainty.series import Series, lag_one_correlation, type_a_series
from diagnb.uncertainty.shape import Shape

__all__ = [
    "POOLING_LEVEL",
    "AnovaRow",
    "BudgetRow",
    "ComplexEstimate",
    "Component",
    "DivisorHoldsZero",
    "Estimate",
    "Expanded",
    "Formula",
    "GaugeStudy",
    "JointMeans",
    "Line",
    "OneWay",
    "Outcome",
    "Sample",
    "Series",
    "Shape",
    "Table",
    "adaptive_monte_carlo",
    "box_factor",
    "complex_degrees_of_freedom",
    "correlation",
    "coverage_factor",
    "degrees_of_freedom_of_doubt",
    "effective_degrees_of_freedom",
    "ellipsoid_factor",
    "fit_line",
    "gauge_study",
    "lag_one_correlation",
    "monte_carlo",
    "one_way",
    "one_way_of_summaries",
    "parse_formula",
    "propagate",
    "propagate_by_rule",
    "relative_doubt_of_deviation",
    "type_a",
    "type_a_derived",
    "type_a_joint",
    "type_a_series",
]
