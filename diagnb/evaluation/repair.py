"""Does the record show that the repair worked? Each value that failed as found, and what it was as left."""

from __future__ import annotations

from dataclasses import dataclass

from diagnb.evaluation.pairs import paired_tests
from diagnb.evaluation.results import Evaluation, Result
from diagnb.record import Record

_FAILED = ("fail", "conditional fail")


@dataclass(frozen=True, slots=True)
class Repair:
    """Results that failed as found, as (test id, result): those that pass as left, those measured again that do not,
    and those never measured again. A conditional pass is not a pass: it proves nothing."""

    passed: tuple[tuple[str, Result], ...]
    not_passed: tuple[tuple[str, Result], ...]
    not_repeated: tuple[tuple[str, Result], ...]

    @property
    def failed(self) -> int:
        """How many values failed as found."""
        return len(self.passed) + len(self.not_passed) + len(self.not_repeated)

    @property
    def shown(self) -> bool:
        """Whether something failed as found, and all of that passes as left."""
        return bool(self.passed) and not self.not_passed and not self.not_repeated


def repair_of(record: Record, evaluation: Evaluation) -> Repair:
    """What became of each value that failed as found. The last as-left test that repeats its test counts; where a
    fault was measured several times before the repair, the last of these stands for it."""
    again: dict[str, str] = {earlier.id: later.id for earlier, later in paired_tests(record)}
    repeated = {(t.procedure, r.name) for t in record.tests if t.id in again for r in evaluation.test(t.id).results}
    passed: list[tuple[str, Result]] = []
    not_passed: list[tuple[str, Result]] = []
    not_repeated: list[tuple[str, Result]] = []
    for test in record.tests:
        if test.phase != "as found":
            continue
        for result in evaluation.test(test.id).results:
            if result.verdict.verdict not in _FAILED:
                continue
            if test.id not in again:
                if (test.procedure, result.name) not in repeated:
                    not_repeated.append((test.id, result))
                continue
            after = {r.name: r for r in evaluation.test(again[test.id]).results}.get(result.name)
            good = after is not None and after.verdict.verdict == "pass"
            (passed if good else not_passed).append((test.id, result))
    return Repair(tuple(passed), tuple(not_passed), tuple(not_repeated))
