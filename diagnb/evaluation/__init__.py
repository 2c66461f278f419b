"""From a record to its evaluation: derived values, uncertainties, verdicts, advice."""

from diagnb.evaluation.capability import LimitCapability, capabilities
from diagnb.evaluation.evaluate import evaluate, evaluate_test
from diagnb.evaluation.results import Evaluation, ReadingResult, Result, TestResult, UsedLimit

__all__ = [
    "Evaluation",
    "LimitCapability",
    "ReadingResult",
    "Result",
    "TestResult",
    "UsedLimit",
    "capabilities",
    "evaluate",
    "evaluate_test",
]
