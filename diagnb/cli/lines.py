"""Lines of text for a terminal: results, remarks."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from diagnb.quantities import significant, value_with_uncertainty

if TYPE_CHECKING:
    from diagnb.conformity import Advice
    from diagnb.evaluation import Evaluation, Result, UsedLimit
    from diagnb.readiness import Remark


def evaluation_lines(evaluation: Evaluation) -> Iterable[str]:
    """One block a test, one line a result, advice below it."""
    yield f"record {evaluation.record}, revision {evaluation.revision}"
    for test in evaluation.tests:
        yield ""
        yield f"test {test.id} ({test.phase}): {test.title}"
        for result in test.results:
            if not result.to_judge and result.value is None and not test.missing:
                continue
            yield f"  {result_line(result)}"
            for advice in result.advice:
                yield f"      {advice_line(advice, result.unit)}"


def quantity_text(result: Result) -> str:
    """``0.240 ± 0.008 V``, ``above 2.00 MΩ``, or "no value"."""
    if result.at_least is not None:
        return f"above {significant(result.at_least, 3)}{'' if result.unit == '1' else ' ' + result.unit}"
    if result.value is None or result.expanded_uncertainty is None:
        return "no value"
    value, expanded = value_with_uncertainty(result.value, result.expanded_uncertainty)
    symbol = "" if result.unit == "1" else f" {result.unit}"
    return f"{value} ± {expanded}{symbol}"


def limit_text(limit: UsedLimit) -> str:
    """``≤ 0.2 V``."""
    symbol = "" if limit.unit == "1" else f" {limit.unit}"
    if limit.lower is not None and limit.upper is not None:
        return f"{limit.lower:g} to {limit.upper:g}{symbol}"
    return f"≥ {limit.lower:g}{symbol}" if limit.lower is not None else f"≤ {limit.upper:g}{symbol}"


def result_line(result: Result) -> str:
    """Value, limit, verdict and reason of one result in one line."""
    from diagnb.conformity import REASONS

    text = f"{result.title}: {quantity_text(result)}"
    if result.reason == "no-limit":
        return text
    if result.limit:
        text += f"; limit {limit_text(result.limit)}"
    text += f": {result.verdict.verdict.upper()}: {REASONS[result.reason]}"
    if result.detail:
        text += f" ({result.detail})"
    probability = result.verdict.conformance_probability
    if probability is not None and result.reason != "not-capable":
        text += f"; conformance probability {probability_text(probability)}"
    return text


def probability_text(probability: float) -> str:
    """A probability in per cent, never printed as certain."""
    if probability > 0.999:
        return "> 99.9 %"
    if probability < 0.001:
        return "< 0.1 %"
    return f"{100 * probability:.1f} %"


def advice_line(advice: Advice, unit: str) -> str:
    """One line of advice in English, in the words of the report."""
    from diagnb.report.wording import load_wording

    wording = load_wording("en")
    key = f"advice.{advice.code}" if wording.has(f"advice.{advice.code}") else "advice.other"
    symbol = "" if unit == "1" else f" {unit}"
    values: dict[str, str] = {"code": advice.code, **advice.words}
    for name, number in advice.numbers.items():
        shown = f"{100 * number:.0f} %" if name == "share" else significant(number, 2)
        values[name] = f"{shown}{symbol}" if name.startswith("u_") else shown
    mark = "→" if advice.settles else "·"
    return f"{mark} {wording.sentences[key].format(**values)}"


def remark_lines(remarks: Iterable[Remark]) -> Iterable[str]:
    """One remark a line: severity, code, where, message, repair."""
    for remark in remarks:
        yield f"{remark.severity:8} {remark.code}  {remark.where}: {remark.message}. Repair: {remark.repair}."
