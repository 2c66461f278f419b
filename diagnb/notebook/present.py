"""Results for people, in the words, numbers and pictures of the report: for the form and for rich display."""

from __future__ import annotations

import base64

from diagnb.conformity import Advice
from diagnb.evaluation import Result, TestResult
from diagnb.forms.attached import TraceView
from diagnb.quantities import significant, unit, value_with_uncertainty
from diagnb.report.charts import Picture, interval_picture, significant_short
from diagnb.report.profile import failing_sentence, voltage_profile
from diagnb.report.traces import trace_picture
from diagnb.report.wording import Wording, load_wording


class ReportPresenter:
    """Says and draws results as the report does, in one language."""

    def __init__(self, language: str = "en") -> None:
        self.language = language
        self.wording: Wording = load_wording(language)

    def verdict(self, verdict: str) -> str:
        """The mark of a verdict and its word."""
        return self.wording.verdict(verdict)

    def no_limit(self) -> str:
        """That no limit applies to a value."""
        return self.wording.reason("no-limit")

    def limit_from(self, result: Result) -> str:
        """Where the limit comes from; blank when there is none."""
        return f"{self.wording.say('label.limit')}: {result.limit.source}" if result.limit else ""

    def expected(self, result: Result) -> str:
        """What would have been expected here, with its unit; blank when there is no value."""
        said = self.value(result)
        return f"{self.wording.say('chart.expected')} {said}" if said else ""

    def value(self, result: Result) -> str:
        """Value ± U with its unit; blank when there is no value."""
        if result.at_least is not None:
            shown = self.wording.number(significant(result.at_least, 3))
            return f"> {shown}{'' if result.unit == '1' else f' {result.unit}'}"
        if result.value is None:
            return ""
        symbol = "" if result.unit == "1" else f" {result.unit}"
        if not result.expanded_uncertainty:
            return f"{self.wording.number(significant(result.value))}{symbol}"
        value, half = value_with_uncertainty(result.value, result.expanded_uncertainty)
        return f"{self.wording.number(value)} ± {self.wording.number(half)}{symbol}"

    def limit(self, result: Result) -> str:
        """The limit as inequality; blank when none applies."""
        limit = result.limit
        if limit is None:
            return ""
        symbol = "" if limit.unit == "1" else f" {limit.unit}"
        sides = [
            f"{sign} {self.wording.number(significant_short(side))}{symbol}"
            for sign, side in (("≥", limit.lower), ("≤", limit.upper))
            if side is not None
        ]
        return ", ".join(sides)

    def remark(self, result: Result) -> str:
        """What would settle the verdict, else why there is none; blank when it is settled."""
        if result.advice:
            return self.advice(result.advice[0], result.unit)
        if result.verdict.verdict != "not judged":
            return ""
        said = self.wording.reason(result.reason)
        named = f" ({result.detail})" if result.detail else ""
        return f"{said[:1].upper()}{said[1:]}{named}"

    def advice(self, item: Advice, unit: str) -> str:
        """One piece of advice as a sentence; a code without a sentence is shown as it is."""
        symbol = "" if unit == "1" else f" {unit}"
        values: dict[str, str] = {}
        for name, number in item.numbers.items():
            shown = f"{100 * number:.0f} %" if name == "share" else self.wording.number(significant(number, 2))
            values[name] = f"{shown}{symbol}" if name.startswith("u_") else shown
        for name, word in item.words.items():
            key = f"verdict.{word.replace(' ', '-')}"
            values[name] = self.wording.say(key) if name == "then" and self.wording.has(key) else word
        try:
            return self.wording.say(f"advice.{item.code}", **values)
        except KeyError:
            return self.wording.say("advice.other", code=item.code)

    def picture(self, result: Result) -> str:
        """The interval picture as inline SVG; blank when there is no value or no limit."""
        drawn = self.drawing(result)
        return drawn.svg(ink="#000000", paper="#ffffff") if drawn else ""

    def profile_picture(self, test: TestResult) -> str:
        """The voltage profile of a path test as inline SVG."""
        return voltage_profile(test=test, language=self.language).svg(ink="#000000", paper="#ffffff")

    def profile_sentence(self, test: TestResult) -> str:
        """Which span of a path test exceeds its limit most, by how much and how probably; or that none does."""
        return failing_sentence(test, self.wording)

    def trace_picture(self, view: TraceView) -> str:
        """The course of a trace with the points that its feature rests on, as inline SVG."""
        column = view.trace.column(view.column)
        scale = unit(column.unit)
        feature = view.feature
        threshold = feature.parameters.get("threshold") if feature else None
        picture = trace_picture(
            time=view.trace.time.tolist(), values=scale.from_si(column.values).tolist(), unit=column.unit, label=column.name,
            points=[(t, float(scale.from_si(x))) for t, x in feature.points] if feature else [],
            window=view.window or (feature.window if feature else None), language=self.language,
            threshold=float(scale.from_si(float(threshold))) if threshold else None,
        )  # fmt: skip
        return picture.svg(ink="#000000", paper="#ffffff")

    def drawing(self, result: Result) -> Picture | None:
        """The interval picture, or None when there is nothing to draw."""
        if result.value is None or result.interval is None or result.limit is None:
            return None
        return interval_picture(
            value=result.value,
            lower=min(result.interval[0], result.value),
            upper=max(result.interval[1], result.value),
            limit_lower=result.limit.lower,
            limit_upper=result.limit.upper,
            acceptance_lower=result.acceptance[0],
            acceptance_upper=result.acceptance[1],
            unit=result.unit,
            verdict=result.verdict.verdict,
            language=self.language,
        )


def data_address(picture: Picture) -> str:
    """The picture as an address that stands in a page by itself: a reopened, untrusted notebook keeps it."""
    coded = base64.b64encode(picture.svg(ink="#000000", paper="#ffffff").encode()).decode()
    return f"data:image/svg+xml;base64,{coded}"
