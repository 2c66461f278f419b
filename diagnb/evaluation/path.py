"""A path test as an ordinary one: every span becomes a derived value with its own limit, and what is then said
of the whole path.

Node voltages share the errors of their meter by name, so the difference of two knows which part of them cancels.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from diagnb.conformity import Advice
from diagnb.evaluation.displays import source_name
from diagnb.evaluation.profile import Profile, ProfilePoint, ProfileSpan
from diagnb.evaluation.results import ReadingResult, Result, TestResult
from diagnb.evaluation.wires import wire_resistance
from diagnb.procedures import DerivedSpec, LimitSpec, Procedure
from diagnb.procedures.procedure import ReadingSpec
from diagnb.record import Record
from diagnb.record.document import CircuitTest, LimitStated, PathReadings, SpanKind
from diagnb.uncertainty import Estimate, parse_formula

Evaluate = Callable[[Record, CircuitTest, Procedure, Mapping[str, Estimate]], TestResult]


def evaluate_path(
    record: Record, test: CircuitTest, path: PathReadings, procedure: Procedure, evaluate: Evaluate
) -> TestResult:
    """The results of a path test: of each span the drop, resistance, expected drop and their ratio; stretches over
    nodes without a value; the load; the sum check; the span that fails, with the step to take next.

    ``evaluate`` judges an ordinary test.
    """
    titles = tuple(f"{a.name} → {b.name}" for a, b in zip(path.nodes, path.nodes[1:], strict=False))
    plan = _Plan(path, procedure, titles)
    ordinary = test.model_copy(update={"readings": path.readings, "limits": plan.limits(test), "path": None})
    known = {
        f"wire_resistance_{i}": wire_resistance(node.wire, source_name(test.id, titles[i - 1]))
        for i, node in enumerate(path.nodes, 1)
        if node.wire is not None
    }
    outcome = evaluate(record, ordinary, plan.spans(), known)
    usable = {r.name for r in outcome.readings if r.refusal is None and r.reading.estimate is not None}
    limits = {r.name: r for r in outcome.results}
    valued = {name: r.estimate for name, r in limits.items() if r.estimate is not None}
    stretches = plan.stretches(usable)
    second = plan.whole(stretches, usable, limits)
    rest = evaluate(record, ordinary, second, {**valued, **known})
    named = {r.name: r.title for r in second.readings}
    results = [_legible(r, named) for r in (*outcome.results, *rest.results)]
    spans = (*plan.listed(), *stretches)
    profile = Profile(path.reference_point, _points(path, outcome.readings, results, plan.kinds), spans)
    profile, results = _failing(profile, path, results, usable)
    profile, results = _adds_up(profile, results)
    return replace(outcome, procedure=test.procedure, results=tuple(results), profile=profile)


class _Plan:
    """The path written out as procedures: spans first, then what needs their values."""

    def __init__(self, path: PathReadings, procedure: Procedure, titles: Sequence[str]) -> None:
        self.path, self.procedure, self.titles = path, procedure, titles
        self.kinds = path.span_kinds
        self.taken = {r.name for r in path.readings}
        self.own = {d.name: d for d in procedure.derived}
        self.judged = {entry.result: entry for entry in procedure.limits}

    def has_span(self, i: int) -> bool:
        """Whether span ``i`` was read: at both its nodes, or directly across."""
        return f"drop_{i}" in self.taken or {f"node_{i}", f"node_{i + 1}"} <= self.taken

    def listed(self) -> tuple[ProfileSpan, ...]:
        """The spans that were read."""
        numbers = [i for i in range(1, len(self.path.nodes)) if self.has_span(i)]
        return tuple(ProfileSpan(f"span_{i}", self.titles[i - 1], self.kinds[i - 1], i, i + 1) for i in numbers)

    def limits(self, test: CircuitTest) -> tuple[LimitStated, ...]:
        """The user's limits by span: stated at the span, or for all spans of its kind."""
        found = []
        for i, (node, kind) in enumerate(zip(self.path.nodes, self.kinds, strict=False), 1):
            general = next((entry for entry in test.limits if entry.result == f"{kind}_drop"), None)
            if node.limit is not None:
                own = node.limit
                found.append(
                    LimitStated(
                        result=f"span_{i}_drop", upper=own.upper, unit=own.unit, source=own.source,
                        edition=own.edition, condition=own.condition, entered_by=own.entered_by,
                    )
                )  # fmt: skip
            elif general is not None:
                found.append(general.model_copy(update={"result": f"span_{i}_drop"}))
        return tuple(found)

    def readings(self) -> tuple[ReadingSpec, ...]:
        specs = {r.name: r for r in self.procedure.readings}
        found = []
        for i, node in enumerate(self.path.nodes, 1):
            found.append(replace(specs["node"], name=f"node_{i}", title=node.name))
            if i < len(self.path.nodes):
                title = f"{self.titles[i - 1]}: {_inside(specs['drop'].title)}"
                found.append(replace(specs["drop"], name=f"drop_{i}", title=title))
        others = [r for r in self.procedure.readings if r.name not in ("node", "next_node", "drop")]
        return (*found, *others)

    def spans(self) -> Procedure:
        """Drop, resistance, expected drop and ratio of every span that was read."""
        derived: list[DerivedSpec] = []
        limits: list[LimitSpec] = []
        for i, (node, kind, title) in enumerate(zip(self.path.nodes, self.kinds, self.titles, strict=False), 1):
            names = {
                "node": f"node_{i}", "next_node": f"node_{i + 1}", "drop": f"drop_{i}", "span_drop": f"span_{i}_drop",
                "wire_resistance": f"wire_resistance_{i}", "expected_drop": f"span_{i}_expected",
            }  # fmt: skip
            wanted: list[tuple[str, str]] = []
            if self.has_span(i):
                spec = self.own[f"{kind}_drop"]
                bounds = spec.physical_lower, spec.physical_upper
                derived.append(self.derived("span_drop", f"span_{i}_drop", title, names, bounds))
                if kind != "load":
                    wanted.append(("span_resistance", "resistance"))
                if spec.name in self.judged:
                    limits.append(replace(self.judged[spec.name], result=f"span_{i}_drop"))
            if node.wire is not None:
                # Also where the span was not read: the profile goes on as expected.
                wanted.append(("expected_drop", "expected"))
                wanted += [("drop_ratio", "ratio")] if self.has_span(i) else []
            for own, suffix in wanted:
                whole = f"{title}: {_inside(self.own[own].title)}"
                derived.append(self.derived(own, f"span_{i}_{suffix}", whole, names))
        return self.with_(derived, limits)

    def stretches(self, usable: set[str]) -> tuple[ProfileSpan, ...]:
        """Runs of spans without a value between two usable nodes; none that holds the load."""
        found = []
        for first, last in self.gaps(usable):
            inside = self.kinds[first - 1 : last - 1]
            if "load" not in inside and last > first + 1:
                title = f"{self.path.nodes[first - 1].name} → {self.path.nodes[last - 1].name}"
                found.append(ProfileSpan(f"stretch_{first}_{last}", title, "wire", first, last))
        return tuple(found)

    def gaps(self, usable: set[str]) -> list[tuple[int, int]]:
        """Runs of spans without a value whose two end nodes are usable, as node numbers."""
        found = []
        start = 0
        for i in range(1, len(self.path.nodes)):
            known = f"drop_{i}" in usable or {f"node_{i}", f"node_{i + 1}"} <= usable
            start = 0 if known else start or i
            if start and f"node_{i + 1}" in usable:
                if f"node_{start}" in usable:
                    found.append((start, i + 1))
                start = 0
        return found

    def whole(self, stretches: Sequence[ProfileSpan], usable: set[str], results: Mapping[str, Result]) -> Procedure:
        """Stretches with the sum of the limits of their spans, and the sum check."""
        derived: list[DerivedSpec] = []
        limits: list[LimitSpec] = []
        for s in stretches:
            names = {"node": f"node_{s.first}", "next_node": f"node_{s.last}"}
            derived.append(self.derived("stretch_drop", f"{s.name}_drop", s.title, names))
            limit = self.summed_limit(s, results)
            if limit is not None:
                limits.append(limit)
        formula = self.sum_formula(usable)
        own = self.own["sum_check"]
        derived.append(replace(own, formulas=(parse_formula(formula),)))
        return self.with_(derived, limits)

    def summed_limit(self, stretch: ProfileSpan, results: Mapping[str, Result]) -> LimitSpec | None:
        """The sum of what its spans may drop: beyond it at least one of them is beyond its own limit."""
        kinds = self.kinds[stretch.first - 1 : stretch.last - 1]
        uppers = []
        for i, kind in enumerate(kinds, stretch.first):
            found = results.get(f"span_{i}_drop")
            own = self.judged.get(f"{kind}_drop")
            node = self.path.nodes[i - 1]
            if found is not None and found.limit is not None and found.limit.upper is not None:
                uppers.append(found.limit.upper)
            elif node.limit is not None and node.limit.unit == "V":
                uppers.append(float(node.limit.upper))
            elif own is not None and own.upper is not None and own.scaling == "none":
                uppers.append(own.upper)
            else:
                return None
        like = self.judged.get("wire_drop") or next(iter(self.judged.values()))
        return replace(
            like, result=f"{stretch.name}_drop", unit="V", upper=math.fsum(uppers), scaling="none",
            source="sum of the limits of the spans inside: " + " + ".join(f"{u:g} V" for u in uppers),
        )  # fmt: skip

    def sum_formula(self, usable: set[str]) -> str:
        """Source voltage less every drop and the load, nodes that cancel left out.

        Without anything read independently it would prove nothing; then it asks for the source to be read again.
        """
        last = len(self.path.nodes)
        closed = self.path.nodes[-1].kind == "source ground"
        direct = any(f"drop_{i}" in usable for i in range(1, last))
        first = "node_1" if direct and "source_voltage" not in self.taken else "source_voltage"
        signs: dict[str, int] = {first: 1}
        bridged = dict(self.gaps(usable))
        i = 1
        while i < last:
            following = bridged.get(i, i + 1)
            if i not in bridged and self.read_across(i, usable):
                signs[f"drop_{i}"] = -1
            else:
                signs[f"node_{i}"] = signs.get(f"node_{i}", 0) - 1
                signs[f"node_{following}"] = signs.get(f"node_{following}", 0) + 1
            i = following
        if not closed:
            signs[f"node_{last}"] = signs.get(f"node_{last}", 0) - 1
        terms = [f"{'+' if sign > 0 else '-'} {name}" for name, sign in signs.items() if sign]
        return " ".join(sorted(terms, key=lambda term: term[0] == "-")).removeprefix("+ ")

    def read_across(self, i: int, usable: set[str]) -> bool:
        """Whether span ``i`` enters the sum as read across; also where nothing of it was read, so that this is asked."""
        if f"drop_{i}" in usable:
            return True
        nodes = {f"node_{i}", f"node_{i + 1}"}
        return not nodes <= usable and (f"drop_{i}" in self.taken or not nodes <= self.taken)

    def derived(
        self,
        own: str,
        name: str,
        title: str,
        names: Mapping[str, str],
        bounds: tuple[float | None, float | None] | None = None,
    ) -> DerivedSpec:
        spec = self.own[own]
        low, high = bounds or (spec.physical_lower, spec.physical_upper)
        formulas = tuple(parse_formula(_renamed(f.text, names)) for f in spec.formulas)
        return DerivedSpec(name, title, spec.unit, formulas, low, high)

    def with_(self, derived: Iterable[DerivedSpec], limits: Iterable[LimitSpec]) -> Procedure:
        return replace(
            self.procedure, readings=self.readings(), givens=(), derived=tuple(derived), limits=tuple(limits)
        )


def _renamed(text: str, names: Mapping[str, str]) -> str:
    return re.sub(r"[A-Za-z_]\w*", lambda found: names.get(found[0], found[0]), text)


def _inside(title: str) -> str:
    return title[:1].lower() + title[1:]


def _legible(result: Result, titles: Mapping[str, str]) -> Result:
    """Names of nodes instead of their numbers, where a result says what stood in its way."""
    if not result.detail:
        return result
    return replace(result, detail=", ".join(titles.get(name, name) for name in result.detail.split(", ")))


def _points(
    path: PathReadings, readings: Sequence[ReadingResult], results: Sequence[Result], kinds: Sequence[SpanKind]
) -> tuple[ProfilePoint, ...]:
    read = {r.name: r for r in readings}
    points = []
    for i, node in enumerate(path.nodes, 1):
        found = read.get(f"node_{i}")
        estimate = None if found is None or found.refusal else found.reading.estimate
        points.append(
            ProfilePoint(
                i, node.name, node.kind,
                None if estimate is None else float(estimate.value),
                None if estimate is None else float(estimate.expanded(0.95).expanded_uncertainty),
                None if found is None else found.refusal,
            )
        )  # fmt: skip
    expected = _expected(points, {r.name: r.value for r in results}, kinds)
    return tuple(replace(p, expected=expected.get(p.number)) for p in points)


def _expected(
    points: Sequence[ProfilePoint], values: Mapping[str, float | None], kinds: Sequence[SpanKind]
) -> dict[int, float]:
    """Expected node voltages: down from the source and up from the far end, as far as the wires are known.

    A sound connection or switch is taken as dropping nothing.
    """
    known = len(kinds)
    drops: list[float | None] = [
        values.get(f"span_{i}_expected") if kind == "wire" else None if kind == "load" else 0.0
        for i, kind in enumerate(kinds, 1)
    ]
    if not any(d for d in drops):
        return {}
    found: dict[int, float] = {}
    level = points[0].value
    if level is not None:
        found[1] = level
        for i in range(known):
            step = drops[i]
            if step is None:
                break
            level -= step
            found[i + 2] = level
    level = points[-1].value
    if level is not None and "load" in kinds:
        found[known + 1] = level
        for i in range(known - 1, -1, -1):
            step = drops[i]
            if step is None:
                break
            level += step
            found.setdefault(i + 1, level)
    return found


def _failing(
    profile: Profile, path: PathReadings, results: list[Result], usable: set[str]
) -> tuple[Profile, list[Result]]:
    """The span with the largest excess over its limit, and where to probe next."""
    by_name = {r.name: r for r in results}
    worst: tuple[float, ProfileSpan, Result] | None = None
    for span in profile.spans:
        result = by_name.get(f"{span.name}_drop")
        if span.kind == "load" or result is None or result.value is None or result.limit is None:
            continue
        if result.limit.upper is None:
            continue
        excess = result.value - result.limit.upper
        if excess > 0 and (worst is None or excess > worst[0]):
            worst = excess, span, result
    if worst is None:
        return profile, results
    excess, span, result = worst
    chance = result.verdict.conformance_probability
    advice = _next_step(span, path, by_name, usable)
    changed = [replace(r, advice=(advice, *r.advice)) if r is result else r for r in results]
    over = None if chance is None else 1 - chance
    return replace(profile, failing=span.name, excess=excess, probability=over), changed


def _next_step(span: ProfileSpan, path: PathReadings, results: Mapping[str, Result], usable: set[str]) -> Advice:
    nodes = path.nodes
    words = {"first": nodes[span.first - 1].name, "second": nodes[span.last - 1].name}
    if span.last > span.first + 1:
        inside = [i for i in range(span.first + 1, span.last) if f"node_{i}" not in usable]
        middle = min(inside, key=lambda i: (abs(2 * i - span.first - span.last), i))
        return Advice("halve-here", {}, {**words, "node": nodes[middle - 1].name})
    ratio = results.get(f"{span.name}_ratio")
    if ratio is not None and ratio.interval is not None and ratio.interval[0] <= 1.0:
        return Advice("wire-too-thin", {}, words)
    if span.kind == "wire":
        return Advice("halve-between", {}, words)
    return Advice("fault-is-here", {}, words)


def _adds_up(profile: Profile, results: list[Result]) -> tuple[Profile, list[Result]]:
    check = next((r for r in results if r.name == "sum_check"), None)
    if check is None or check.value is None or check.expanded_uncertainty is None:
        return profile, results
    closed = abs(check.value) <= check.expanded_uncertainty
    if closed:
        return replace(profile, adds_up=True), results
    numbers = {"u_gap": abs(check.value), "u_expanded": check.expanded_uncertainty}
    advice = Advice("sum-does-not-close", numbers, {"reference": profile.reference_point})
    changed = [replace(r, advice=(advice, *r.advice)) if r is check else r for r in results]
    return replace(profile, adds_up=False), changed
