"""Procedures: how a circuit test is made, what is derived from it, and against which limit."""

from diagnb.procedures.door import caution_texts, load_procedure, procedure_files, read_procedure
from diagnb.procedures.procedure import (
    SYSTEM_VOLTAGE,
    DerivedSpec,
    GivenSpec,
    LimitSpec,
    Procedure,
    ReadingSpec,
    SystemLimit,
)

__all__ = [
    "SYSTEM_VOLTAGE",
    "DerivedSpec",
    "GivenSpec",
    "LimitSpec",
    "Procedure",
    "ReadingSpec",
    "SystemLimit",
    "caution_texts",
    "load_procedure",
    "procedure_files",
    "read_procedure",
]
