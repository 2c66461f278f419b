"""From a record to its evaluation: derived values, uncertainties, verdicts, advice."""

from diagnb.evaluation.capability import LimitCapability, capabilities
from diagnb.evaluation.evaluate import evaluate, evaluate_test
from diagnb.evaluation.profile import Profile, ProfilePoint, ProfileSpan
from diagnb.evaluation.repair import Repair, repair_of
from diagnb.evaluation.results import Evaluation, Pair, ReadingResult, Result, TestResult, UsedLimit

__all__ = [
    "Evaluation",
    "LimitCapability",
    "Pair",
    "Profile",
    "ProfilePoint",
    "ProfileSpan",
    "ReadingResult",
    "Repair",
    "Result",
    "TestResult",
    "UsedLimit",
    "capabilities",
    "evaluate",
    "evaluate_test",
    "repair_of",
]
