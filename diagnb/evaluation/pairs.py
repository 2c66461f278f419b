"""As found against as left: which tests belong together, and the change of each value with its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from diagnb.conformity import compare
from diagnb.evaluation.results import COVERAGE_OF_PAIRS, Pair, Result, TestResult
from diagnb.quantities import unit
from diagnb.record import Record
from diagnb.record.document import CircuitTest
from diagnb.uncertainty import propagate

_NOT_OF_THE_CIRCUIT = ("sum_check", "_expected", "_ratio")


def pairs_of(record: Record, tests: Sequence[TestResult]) -> tuple[Pair, ...]:
    """Every value that was measured as found and again as left, in the order of the as-left tests."""
    results = {t.id: t for t in tests}
    found: list[Pair] = []
    for earlier, later in paired_tests(record):
        before = {r.name: r for r in results[earlier.id].results}
        for after in results[later.id].results:
            other = before.get(after.name)
            if other is not None and not after.name.endswith(_NOT_OF_THE_CIRCUIT):
                pair = _pair(earlier.id, other, later.id, after)
                if pair is not None:
                    found.append(pair)
    return tuple(found)


def paired_tests(record: Record) -> Iterator[tuple[CircuitTest, CircuitTest]]:
    """Each as-left test with the one that it repeats: the one it names, else the last as-found test of the same
    procedure between the same points."""
    by_id = {t.id: t for t in record.tests}
    for later in record.tests:
        if later.phase != "as left":
            continue
        if later.repeats_test is not None:
            earlier = by_id[later.repeats_test]
            if earlier.id != later.id and earlier.procedure == later.procedure:
                yield earlier, later
            continue
        same = [
            t for t in record.tests
            if t.phase == "as found" and t.procedure == later.procedure and _points(t) == _points(later)
        ]  # fmt: skip
        if same:
            yield same[-1], later


def _points(test: CircuitTest) -> frozenset[tuple[str, str, str]]:
    return frozenset((r.name, r.from_point, r.to_point) for r in test.taken)


def _pair(first: str, before: Result, second: str, after: Result) -> Pair | None:
    """None where one of the two has no value, or the two are not in one unit or not of the same points."""
    if before.estimate is None or after.estimate is None or before.unit != after.unit:
        return None
    if before.value is None or after.value is None or before.title != after.title:
        return None
    scale = unit(after.unit)
    smaller, larger = _direction(after)
    gained = propagate("after - before", {"before": before.estimate, "after": after.estimate})
    ratio, ratio_interval, chance, improvement = None, None, None, ""
    if not scale.offset:
        compared = compare(
            before=before.estimate, after=after.estimate, smaller_is_better=not larger, coverage=COVERAGE_OF_PAIRS
        )
        ratio_interval = compared.ratio_interval
        ratio = None if compared.ratio is None else float(compared.ratio.value)
        if smaller or larger:
            chance, improvement = compared.probability, str(compared.verdict)
    expanded = gained.expanded(COVERAGE_OF_PAIRS)
    change, half = float(gained.value) / scale.factor, float(expanded.expanded_uncertainty) / scale.factor
    return Pair(
        first, second, after.name, after.title, after.unit, before.value, after.value, change,
        float(gained.standard_uncertainty) / scale.factor, half, (change - half, change + half), ratio,
        ratio_interval, chance, improvement,
        tuple(dict.fromkeys(row.assumption for row in gained.parts if row.assumption)),
    )  # fmt: skip


def _direction(result: Result) -> tuple[bool, bool]:
    """Whether smaller, or larger, is better: what a limit on one side says."""
    limit = result.limit
    if limit is None:
        return False, False
    return limit.lower is None and limit.upper is not None, limit.upper is None and limit.lower is not None
