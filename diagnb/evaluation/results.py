"""Results: what an evaluation says, as frozen objects with their evidence."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

from diagnb.conformity import Advice, Verdict
from diagnb.evaluation.profile import Profile
from diagnb.meters import MeterReading
from diagnb.uncertainty import BudgetRow, Estimate

SCHEMA = "diagnb-evaluation/1"
Method = Literal["linear", "monte-carlo"]
COVERAGE_OF_PAIRS = 0.95


@dataclass(frozen=True, slots=True)
class UsedLimit:
    """The limit that a result was judged against, in display units, and where it comes from."""

    lower: float | None
    upper: float | None
    unit: str
    source: str
    edition: str
    method: str
    condition: str
    tag: str
    stated_by: Literal["procedure", "user"]

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "lower": self.lower, "upper": self.upper, "unit": self.unit, "source": self.source,
            "edition": self.edition, "method": self.method, "condition": self.condition, "tag": self.tag,
            "stated_by": self.stated_by,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Result:
    """One derived value with its uncertainty and verdict. All numbers are in ``unit``, unrounded.

    ``estimate`` is the same value in coherent SI with its components by source; None when there is no value.
    """

    name: str
    title: str
    unit: str
    value: float | None
    standard_uncertainty: float | None
    degrees_of_freedom: float | None
    coverage_factor: float | None
    expanded_uncertainty: float | None
    coverage: float
    interval: tuple[float, float] | None
    method: Method
    limit: UsedLimit | None
    verdict: Verdict
    formula: str
    inputs: tuple[str, ...]
    budget: tuple[BudgetRow, ...] = ()
    advice: tuple[Advice, ...] = ()
    detail: str = ""
    acceptance: tuple[float | None, float | None] = (None, None)
    triggers: tuple[str, ...] = ()
    """Why Monte Carlo was run; the method says whether its numbers were needed."""
    estimate: Estimate | None = field(default=None, repr=False, compare=False)
    at_least: float | None = None
    """Where there is no value because a display was over range: what it lies above all the same."""

    @property
    def reason(self) -> str:
        """Reason code of the verdict."""
        return self.verdict.reason

    @property
    def to_judge(self) -> bool:
        """Whether a limit applies, or is missing where one is needed. A value that nobody limits is not to be judged,
        whether all its readings were taken or not."""
        return self.limit is not None or self.reason not in ("no-limit", "reading-missing")

    @property
    def margin(self) -> float | None:
        """Distance to the nearest side of the limit over U: positive within the limit, negative beyond."""
        if self.value is None or self.limit is None or not self.expanded_uncertainty:
            return None
        sides = []
        if self.limit.upper is not None:
            sides.append(self.limit.upper - self.value)
        if self.limit.lower is not None:
            sides.append(self.value - self.limit.lower)
        return min(sides) / self.expanded_uncertainty

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb evaluate --json``. Infinite degrees of freedom are null."""
        nu = self.degrees_of_freedom
        probability = self.verdict.conformance_probability
        return {
            "name": self.name,
            "title": self.title,
            "value": self.value,
            "unit": self.unit,
            "standard_uncertainty": self.standard_uncertainty,
            "degrees_of_freedom": None if nu is None or math.isinf(nu) else nu,
            "coverage_factor": self.coverage_factor,
            "expanded_uncertainty": self.expanded_uncertainty,
            "coverage": self.coverage,
            "interval": list(self.interval) if self.interval else None,
            "method": self.method,
            "triggers": list(self.triggers),
            "limit": self.limit.to_plain() if self.limit else None,
            "rule": self.verdict.rule,
            "conformance_probability": probability,
            "verdict": self.verdict.verdict,
            "reason": self.verdict.reason,
            "detail": self.detail,
            "formula": self.formula,
            "inputs": list(self.inputs),
            "budget": [
                {"source": r.source, "contribution": abs(float(r.contribution)), "share": float(r.share), "assumption": r.assumption}
                for r in self.budget
            ],
            "advice": [
                {"code": a.code, "numbers": dict(a.numbers), "words": dict(a.words), "settles": a.settles} for a in self.advice
            ],
            **({} if self.at_least is None else {"at_least": self.at_least}),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReadingResult:
    """One reading as understood: the display read back, its value and limit of error in SI, or the refusal."""

    name: str
    title: str
    unit: str
    reading: MeterReading
    refusal: str | None
    instrument: str


@dataclass(frozen=True, slots=True)
class TestResult:
    """The results of one test."""

    id: str
    procedure: str
    title: str
    phase: str
    readings: tuple[ReadingResult, ...]
    results: tuple[Result, ...]
    missing: tuple[str, ...] = ()
    profile: Profile | None = None
    """The path as a whole, for a path test."""

    __test__ = False

    def result(self, name: str) -> Result:
        """The result called ``name``. KeyError when there is none."""
        for candidate in self.results:
            if candidate.name == name:
                return candidate
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Pair:
    """One value before and after, all in ``unit``, unrounded. ``before`` and ``after`` are ids of tests.

    ``change`` is after less before, ``expanded`` its expanded uncertainty, ``interval`` its 95 % interval; what the
    two share (one meter, one range) cancels. ``ratio`` is after over before, None where before can't be told from
    zero. ``improvement`` is "improved" or "not shown" with its ``probability``, and "" where no one-sided limit says
    which way is better.
    """

    before: str
    after: str
    name: str
    title: str
    unit: str
    value_before: float
    value_after: float
    change: float
    standard_uncertainty: float
    expanded: float
    interval: tuple[float, float]
    ratio: float | None
    ratio_interval: tuple[float, float] | None
    probability: float | None
    improvement: str
    assumptions: tuple[str, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "before": self.before, "after": self.after, "name": self.name, "title": self.title, "unit": self.unit,
            "value_before": self.value_before, "value_after": self.value_after, "change": self.change,
            "standard_uncertainty": self.standard_uncertainty, "expanded_uncertainty": self.expanded,
            "coverage": COVERAGE_OF_PAIRS, "interval": list(self.interval), "ratio": self.ratio,
            "ratio_interval": list(self.ratio_interval) if self.ratio_interval else None,
            "probability": self.probability, "improvement": self.improvement,
            "assumptions": list(self.assumptions),
        }  # fmt: skip


@dataclass(frozen=True)
class Evaluation:
    """All derived values, uncertainties and verdicts of one record."""

    record: str
    revision: int
    record_digest: str
    engine: str
    tests: tuple[TestResult, ...]
    pairing: Callable[[], tuple[Pair, ...]] = field(default=tuple, repr=False, compare=False)
    """Works out :attr:`pairs`, whose intervals of ratios take longer than all the rest."""

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """Values measured as found and again as left, with their change; worked out when first asked for."""
        return self.pairing()

    def test(self, name: str) -> TestResult:
        """The test with this id. KeyError when there is none."""
        for candidate in self.tests:
            if candidate.id == name:
                return candidate
        raise KeyError(name)

    def to_plain(self) -> dict[str, Any]:
        """As JSON, in the shape of ``diagnb evaluate --json``."""
        return {
            "schema": SCHEMA,
            "record": self.record,
            "revision": self.revision,
            "record_digest": self.record_digest,
            "engine": self.engine,
            "tests": [
                {
                    "id": t.id,
                    "procedure": t.procedure,
                    "phase": t.phase,
                    "results": [r.to_plain() for r in t.results],
                    **({"path": t.profile.to_plain()} if t.profile else {}),
                }
                for t in self.tests
            ],
            **({"pairs": [pair.to_plain() for pair in self.pairs]} if self.pairs else {}),
        }
