"""How a result is said and drawn. The form asks for it; whoever opens the form hands one in."""

from __future__ import annotations

from typing import Protocol

from diagnb.evaluation import Result, TestResult
from diagnb.forms.attached import TraceView


class Presenter(Protocol):
    """Words, numbers and pictures of one result, for people."""

    def verdict(self, verdict: str) -> str:
        """The mark of a verdict and its word."""

    def no_limit(self) -> str:
        """That no limit applies to a value."""

    def limit_from(self, result: Result) -> str:
        """Where the limit comes from; blank when there is none."""

    def expected(self, result: Result) -> str:
        """What would have been expected here, with its unit; blank when there is no value."""

    def value(self, result: Result) -> str:
        """Value ± U with its unit, blank when there is no value."""

    def limit(self, result: Result) -> str:
        """The limit with its source."""

    def remark(self, result: Result) -> str:
        """What would settle it, or why it was not judged."""

    def picture(self, result: Result) -> str:
        """The interval picture as inline SVG, blank when there is no value."""

    def profile_picture(self, test: TestResult) -> str:
        """The voltage profile of a path test as inline SVG; it has at least one node with a value."""

    def profile_sentence(self, test: TestResult) -> str:
        """Which span of a path test exceeds its limit most, or that none does."""

    def trace_picture(self, view: TraceView) -> str:
        """The course of a trace with the points that its feature rests on, as inline SVG."""
