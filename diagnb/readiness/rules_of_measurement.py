"""Claim readiness: what of the measurements would get a claim rejected: limits, verdicts, meters, conditions."""

from __future__ import annotations

from collections.abc import Iterable

from diagnb.evaluation import Evaluation, Result, TestResult
from diagnb.readiness.remark import Remark
from diagnb.record import Record, procedure_of
from diagnb.record.document import CircuitTest


def _inside(title: str) -> str:
    """A title as it stands inside a sentence."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def tests_of(record: Record, phase: str) -> list[tuple[int, CircuitTest]]:
    """The tests of one phase with their places in the record."""
    return [(i, t) for i, t in enumerate(record.tests) if t.phase == phase]


def _judged(record: Record, evaluation: Evaluation) -> Iterable[tuple[int, CircuitTest, TestResult, Result]]:
    for i, test in enumerate(record.tests):
        outcome = evaluation.test(test.id)
        for result in outcome.results:
            if result.to_judge or (outcome.missing and result.reason != "no-limit"):
                yield i, test, outcome, result


def no_as_found_reading(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A part was replaced before anything was measured."""
    if not any(t.taken for _, t in tests_of(record, "as found")):
        yield Remark(
            "no-as-found-reading", "rejects", "tests", "nothing was measured before the repair",
            "a claim without a reading before replacement is not substantiated; say why under deviations",
        )  # fmt: skip


def fault_not_proved(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A part is claimed, but no as-found result proves that a limit was missed."""
    if not any(p.causal for p in record.parts) or not tests_of(record, "as found"):
        return
    verdicts = [r.verdict.verdict for _, t, _, r in _judged(record, evaluation) if t.phase == "as found"]
    if "fail" in verdicts:
        return
    if "conditional fail" in verdicts:
        yield Remark(
            "conditional-claimed-as-fail", "rejects", "tests", "the fault is asserted, but the verdict is only a conditional fail",
            "measure again with a smaller uncertainty; the evaluation says what would settle it",
        )  # fmt: skip
    else:
        yield Remark(
            "no-fault-proved", "rejects", "tests", "no as-found result shows that a limit was missed",
            "take the reading that shows the fault, at the part, under load",
        )  # fmt: skip


def drop_without_current(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A voltage drop was taken without the current that proves the load was on."""
    for i, test in enumerate(record.tests):
        procedure = procedure_of(record, test.procedure)
        taken = {r.name for r in test.taken}
        for spec in procedure.readings:
            if spec.proves_load and spec.name not in taken:
                yield Remark(
                    "drop-without-current", "rejects", f"tests[{i}].readings",
                    f"test {test.id} has no {_inside(spec.title)}: nothing shows that the load was on",
                    f"take {_inside(spec.title)} at the same moment",
                )  # fmt: skip


def drops_do_not_add_up(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Along a path, source voltage, drops and load can't all be true."""
    for i, test in enumerate(record.tests):
        profile = evaluation.test(test.id).profile
        if profile is not None and profile.adds_up is False:
            yield Remark(
                "drops-do-not-add-up", "weakens", f"tests[{i}].path",
                f"test {test.id}: source voltage, drops and load do not add up within their uncertainty",
                f"check that the black lead stayed at {profile.reference_point} and that nothing changed; read again",
            )  # fmt: skip


_SEARCHES = frozenset({"fuse-current-estimate"})
"""Procedures that look for the place of a fault; what they estimate is judged by another test."""


def limit_missing(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A value has no limit with a source."""
    for i, test, _, result in _judged(record, evaluation):
        if result.reason == "limit-missing":
            searches = test.phase == "isolating" or test.procedure in _SEARCHES
            others = any(r.limit is not None for r in evaluation.test(test.id).results)
            yield Remark(
                "limit-missing", "note" if searches else "weakens" if others else "rejects", f"tests[{i}].limits",
                f"test {test.id}: {_inside(result.title)} has no limit to be judged against",
                "enter the maker's figure with document, page and edition",
            )  # fmt: skip


def generic_default(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """The verdict rests on a generic default, not on the maker's figure."""
    for i, test, _, result in _judged(record, evaluation):
        limit = result.limit
        if limit and limit.stated_by == "procedure" and limit.tag in ("common practice", "from memory"):
            yield Remark(
                "generic-default", "weakens", f"tests[{i}].limits",
                f"test {test.id}: {_inside(result.title)} is judged against a generic default ({limit.tag})",
                "enter the maker's figure with its source; it replaces the default",
            )  # fmt: skip


_SAID_ELSEWHERE = (
    "limit-missing",
    "meter-overdue",
    "calibration-unknown",
    "circuit-class-forbids",
    "qualified-person-missing",
)
"""Reasons that have a remark of their own."""


def _has_limit(record: Record, test: CircuitTest, result: Result) -> bool:
    stated = any(limit.result == result.name for limit in test.limits)
    return stated or procedure_of(record, test.procedure).limit_for(result.name) is not None


def not_settled(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """An as-left value is not proved good, or a value could not be judged."""
    for i, test, _, result in _judged(record, evaluation):
        word, where = result.verdict.verdict, f"tests[{i}]"
        if test.phase == "as left" and word in ("fail", "conditional fail"):
            yield Remark(
                "as-left-not-met", "rejects", where, f"test {test.id}: after the repair {_inside(result.title)} is still a {word}",
                "find the rest of the fault, then measure again",
            )  # fmt: skip
        elif word == "conditional pass":
            yield Remark(
                "conditional-pass", "weakens", where, f"test {test.id}: {_inside(result.title)} is only a conditional pass",
                "see the advice beside the verdict for what would settle it",
            )  # fmt: skip
        elif word == "not judged" and result.reason not in _SAID_ELSEWHERE and _has_limit(record, test, result):
            yield Remark(
                "not-judged", "weakens", where, f"test {test.id}: {_inside(result.title)} is not judged ({result.reason})",
                "see the reason and the advice beside the verdict",
            )  # fmt: skip


def as_left(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A proved fault has no reading after the repair with the same points, load and instrument."""
    if not record.correction and not any(p.action == "installed" for p in record.parts):
        return
    after = tests_of(record, "as left")
    for i, test in tests_of(record, "as found"):
        if not any(r.verdict.verdict in ("fail", "conditional fail") for r in evaluation.test(test.id).results):
            continue
        same = [t for _, t in after if t.procedure == test.procedure]
        same = [t for t in same if t.repeats_test == test.id] or same
        if not same:
            yield Remark(
                "no-as-left-reading", "rejects", f"tests[{i}]", f"test {test.id} was not repeated after the repair",
                "repeat it with the same points, load and instrument, phase 'as left'",
            )  # fmt: skip
            continue
        differences = [_differences(test, t) for t in same]
        if all(differences):
            yield Remark(
                "as-left-differs", "weakens", f"tests[{i}]",
                f"test {test.id} and its as-left test {same[0].id} differ in {', '.join(differences[0])}",
                "repeat it with the same points, load and instrument, or say why under deviations",
            )  # fmt: skip


def _differences(before: CircuitTest, after: CircuitTest) -> list[str]:
    found: list[str] = []
    earlier = {r.name: r for r in before.taken}
    for reading in after.taken:
        other = earlier.get(reading.name)
        if other is None:
            continue
        if (other.from_point, other.to_point) != (reading.from_point, reading.to_point):
            found.append("points")
        if other.load_state != reading.load_state:
            found.append("load")
        if other.instrument != reading.instrument:
            found.append("instrument")
    return list(dict.fromkeys(found))


def meter_state(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """An instrument was overdue, has no calibration date, or has no serial number."""
    used = {r.instrument: t for t in record.tests for r in t.taken}
    for i, instrument in enumerate(record.instruments):
        test = used.get(instrument.id)
        if test is None:
            continue
        where = f"instruments[{i}]"
        if instrument.due is None:
            yield Remark(
                "calibration-unknown", "rejects", where, f"instrument {instrument.id} has no calibration due date",
                "enter it from the calibration certificate",
            )  # fmt: skip
        elif any(
            t.time.date() > instrument.due for t in record.tests if any(r.instrument == instrument.id for r in t.taken)
        ):
            yield Remark(
                "meter-overdue", "rejects", where, f"instrument {instrument.id} was overdue for calibration (due {instrument.due})",
                "measure again with an instrument in its calibration interval",
            )  # fmt: skip
        if not instrument.serial:
            yield Remark(
                "instrument-unnamed", "weakens", where, f"instrument {instrument.id} has no serial number", "enter it"
            )


def conditions_stated(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """No ambient temperature: the whole operating range of the meter had to be assumed."""
    for i, test in enumerate(record.tests):
        if test.taken and test.ambient_degc is None and record.conditions.ambient_degc is None:
            yield Remark(
                "temperature-missing", "weakens", f"tests[{i}].ambient_degc",
                f"test {test.id} states no ambient temperature; the instrument's whole operating range is assumed",
                "enter the temperature at the instrument",
            )  # fmt: skip
            return


def conditions_held(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A condition that the procedure asks for did not hold."""
    for i, test in enumerate(record.tests):
        if test.conditions_not_met and test.taken:
            said = "; ".join(test.conditions_not_met)
            yield Remark(
                "condition-not-met", "weakens" if test.deviations.strip() else "rejects", f"tests[{i}].conditions_not_met",
                f"test {test.id} was made although its procedure asks for: {said}",
                "let the condition hold and measure again, or say under deviations why the reading counts all the same",
            )  # fmt: skip


def voltage_class(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """Above 60 V DC or 30 V AC nobody qualified is named (voltage classes of ISO 6469-3, from memory)."""
    for i, test in enumerate(record.tests):
        if any(r.refusal == "qualified-person-missing" for r in evaluation.test(test.id).readings):
            yield Remark(
                "qualified-person-missing", "rejects", f"tests[{i}]",
                f"test {test.id} was taken above 60 V DC or 30 V AC, and no qualified person is named",
                "name the qualified person who took the reading; measure nothing more without one",
            )  # fmt: skip


def fed_though_measure_only(record: Record, evaluation: Evaluation) -> Iterable[Remark]:
    """A circuit that is measured only was fed from outside."""
    for i, test in enumerate(record.tests):
        if any(r.reason == "circuit-class-forbids" for r in evaluation.test(test.id).results):
            yield Remark(
                "fed-though-measure-only", "rejects", f"tests[{i}]",
                f"test {test.id} feeds a circuit of the class {record.circuit.circuit_class}, which is measured only",
                "take it out; follow the vehicle maker's procedure for this circuit, with trained or licensed people",
            )  # fmt: skip
