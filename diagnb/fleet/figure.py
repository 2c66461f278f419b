"""A figure about a fleet: never a bare number, and where it can't be honest, a refusal instead of a value."""

from __future__ import annotations

import math
from dataclasses import dataclass

from diagnb.errors import Fault, InputFault, fault
from diagnb.fleet.cells import amount, in_unit, number, probability, readable, span, unit_text

REFUSALS: dict[str, str] = {
    "exposure-missing": "nobody has said how much use stands behind these events",
    "exposure-too-small": "too little use stands behind these events for a rate",
    "no-tests": "nothing was tested",
    "too-few-failures": "too few defects to estimate this",
    "too-few-assets": "too few vehicles to tell how vehicles differ",
    "too-few-points": "too few points to judge a course",
    "baseline-too-small": "too few events in the baseline to say what is usual",
    "cell-too-small": "a cell is too small for this test; pool cells or wait",
    "nothing-varies": "there is no difference here that could be tested",
    "entry-age-missing": "vehicles were already in use when the archive began, and their entry age is not given",
    "nobody-at-risk": "at some age every vehicle under watch had had its defect, so later ages can't be judged",
    "beyond-observed-age": "the question reaches beyond the ages that were observed",
    "not-converged": "the fit has no finite maximum with these data",
    "slope-not-proved": "the slope can't be told from zero, so nothing can be foretold from it",
    "uncertainty-missing": "values without their uncertainty can't be judged",
    "mixed-rules": "results were judged under different rules or limits; judge all history under one rule first",
    "unbalanced": "not every operator read every part equally often",
    "confounded": "two causes always change together here, so their effects can't be told apart",
    "no-common-scale": "too few vehicles were measured both by it and by others at the same points, so nothing compares them",
    "lot-not-stated": "no lot is stated for these, so they are neither compared nor among what others are compared with",
    "stated-with-fails": "it is stated mainly where a test failed, so shares by it would tell who wrote it down",
    "lots-of-defects": "lots are stated mainly where there was a defect, so nobody knows how many parts of a lot there are",
    "level-not-reached": "the curve does not come down to this level within the ages observed",
}
"""Every reason for which this room refuses a figure, with what it means."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why there is no figure: a code of :data:`REFUSALS` and what was found here."""

    code: str
    detail: str = ""

    def __post_init__(self) -> None:
        if self.code not in REFUSALS:
            raise fault("refusal", f"{self.code!r} is not a code")

    def __str__(self) -> str:
        return REFUSALS[self.code] + (f" ({self.detail})" if self.detail else "")


@dataclass(frozen=True, slots=True)
class Figure:
    """One number about a fleet with everything a reader needs to weigh it.

    ``value`` and the limits ``lower``, ``upper`` are in ``unit``; ``numerator`` counts events (failures, defects),
    ``exposure`` is what they happened in, in ``exposure_unit`` (tests, vehicle-months, km); ``n`` is the number of
    vehicles, points or tests that the figure rests on; ``coverage`` is the confidence level of the interval.
    A figure has either a value or a ``refusal``. ``cautions`` are sentences to be printed with it.
    A side of the interval without a bound is infinite.
    Raises :class:`~diagnb.errors.InputFault` when both or neither is there, or the limits are crossed.
    """

    name: str
    value: float | None
    lower: float | None
    upper: float | None
    unit: str
    numerator: float
    exposure: float
    exposure_unit: str
    n: int
    coverage: float
    method: str
    refusal: Refusal | None = None
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        faults = []
        if (self.value is None) == (self.refusal is None):
            faults.append(Fault(self.name, "needs either a value or a refusal"))
        if not self.method:
            faults.append(Fault(self.name, "names no method"))
        for side in (self.value, self.lower, self.upper):
            if side is not None and math.isnan(side):
                faults.append(Fault(self.name, "holds something that is not a number"))
        if not faults and self.lower is not None and self.upper is not None and self.lower > self.upper:
            faults.append(Fault(self.name, f"lower limit {self.lower:g} is above upper limit {self.upper:g}"))
        if faults:
            raise InputFault(faults)

    def __str__(self) -> str:
        if self.value is None:
            return f"{self.name}: refused: {self.refusal}"
        times, unit = readable(self.value, self.unit)
        text = f"{self.name}: {in_unit(times * self.value, unit)}"
        if self.lower is not None and self.upper is not None:
            text += f" ({span(times * self.lower, times * self.upper, unit)}, {100 * self.coverage:g} %)"
        text = f"{text} {unit_text(unit)}".rstrip()
        return f"{text}; {amount(self.numerator)} in {amount(self.exposure)} {self.exposure_unit}".rstrip()


def refused(
    name: str, code: str, detail: str = "", *, unit: str = "", numerator: float = 0, exposure: float = 0,
    exposure_unit: str = "", n: int = 0, coverage: float = 0.95, method: str = "none",
) -> Figure:  # fmt: skip
    """A figure that is refused, with what was counted all the same."""
    return Figure(
        name, None, None, None, unit, numerator, exposure, exposure_unit, n, coverage, method, Refusal(code, detail)
    )


@dataclass(frozen=True, slots=True)
class Trial:
    """A test of a hypothesis. ``statistic`` follows ``distribution`` if ``hypothesis`` holds.

    ``p_value`` is two-sided unless ``method`` says otherwise; ``critical`` is what the statistic exceeds with
    probability 1 - ``level`` under the hypothesis, where that is of use. ``direction`` is a word on what was seen.
    Either the statistic or a ``refusal`` is there.
    """

    name: str
    hypothesis: str
    statistic: float | None
    distribution: str
    p_value: float | None
    critical: float | None
    level: float
    direction: str
    n: int
    method: str
    refusal: Refusal | None = None
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.p_value is None) == (self.refusal is None):
            raise fault(self.name, "needs either a p-value or a refusal")

    @property
    def rejects(self) -> bool:
        """Whether the hypothesis is rejected at ``level``; a refused test rejects nothing."""
        return self.p_value is not None and self.p_value < self.level

    def __str__(self) -> str:
        if self.p_value is None:
            return f"{self.name}: refused: {self.refusal}"
        word = "rejected" if self.rejects else "not rejected"
        return f"{self.name}: {number(self.statistic)}, p {probability(self.p_value, 3)}: {self.hypothesis}: {word} at {self.level:g}; {self.direction}"


def no_trial(name: str, hypothesis: str, code: str, detail: str = "", *, level: float = 0.05, n: int = 0) -> Trial:
    """A test that is refused."""
    return Trial(name, hypothesis, None, "", None, None, level, "not tested", n, "none", Refusal(code, detail))


def check_level(level: float, where: str) -> None:
    """Raise unless ``level`` lies strictly between 0 and 1."""
    if not 0 < level < 1:
        raise fault(where, f"{level} must lie between 0 and 1", "0.95 means 95 %")
