"""Simulated meters: true errors inside the accuracy specification, known truths, the whole chain of evaluation.

A trial draws the true value of every reading and given quantity, an instrument whose gain and offset lie inside
its specification, and the displays that this instrument would show. The evaluation then has to hold the truth.
Run as a program it prints the table of DEVELOPERS.md: python tests/evaluation/simulated_meters.py
"""

from __future__ import annotations

import importlib
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnb.evaluation import evaluate_test
from diagnb.meters import Function, Range
from diagnb.procedures import Procedure
from diagnb.quantities import parse_indication, unit
from diagnb.record import Record, load_record, procedure_of, sheet_of
from diagnb.record.document import CircuitTest, Given, Reading
from diagnb.shipped import templates_directory

RECORDS = Path(__file__).resolve().parents[1] / "data" / "records"
engine: Any = importlib.import_module("diagnb.evaluation.evaluate")
SAMPLED_TRIALS = 20_000
"""Monte Carlo trials inside one evaluation; the shipped million would only make the study slow."""


@dataclass(frozen=True)
class Case:
    """One judged result of one example record: what is simulated."""

    record: Record
    test: CircuitTest
    procedure: Procedure
    result: str
    truths: dict[str, float]
    lever: str
    lower: float | None
    upper: float | None

    @property
    def label(self) -> str:
        return f"{self.procedure.id}: {self.result}"


@dataclass
class Tally:
    """What came of the trials of one case."""

    trials: int = 0
    held: int = 0
    judged_bad: int = 0
    passed_though_bad: int = 0
    judged_good: int = 0
    failed_though_good: int = 0
    without_value: int = 0


def examples() -> Iterator[Record]:
    """The demonstration record and every example record of the tests."""
    for path in (templates_directory() / "demo-record.json", *sorted(RECORDS.glob("*.json"))):
        record = load_record(json.loads(path.read_text(encoding="utf-8")))
        # Whether a qualified person is named is not what is simulated.
        yield record.model_copy(update={"qualified_person": record.people[0].id})


def cases() -> list[Case]:
    """One case for every judged result of every procedure, from the first example that judges it."""
    found: dict[str, Case] = {}
    for record in examples():
        for test in record.tests:
            if test.path is not None:
                continue  # tests/evaluation/test_path.py walks simulated paths
            procedure = procedure_of(record, test.procedure)
            truths = _truths(record, test, procedure)
            outcome = evaluate_test(record, test)
            for result in outcome.results:
                label = f"{procedure.id}: {result.name}"
                if label in found or result.value is None or result.limit is None or result.reason == "no-limit":
                    continue
                scale = unit(result.limit.unit)
                low = None if result.limit.lower is None else float(scale.to_si(result.limit.lower))
                high = None if result.limit.upper is None else float(scale.to_si(result.limit.upper))
                lever = _lever(procedure, test, truths, result.name)
                if lever:
                    found[label] = Case(record, test, procedure, result.name, truths, lever, low, high)
    return list(found.values())


def _truths(record: Record, test: CircuitTest, procedure: Procedure) -> dict[str, float]:
    found = {**procedure.constants, "system_voltage": float(record.vehicle.system_voltage)}
    for spec in procedure.givens:
        given = test.given.get(spec.name) or (
            Given(value=spec.default, unit=spec.unit, source=spec.source, half_width=spec.half_width)
            if spec.default
            else None
        )
        if given:
            found[spec.name] = float(unit(given.unit).to_si(float(given.value)))
    for reading in test.readings:
        function = _function(record, procedure, reading)
        values = [parse_indication(t, unit=function.unit).value for t in reading.texts]
        found[reading.name] = sum(values) / len(values)
    return found


def _function(record: Record, procedure: Procedure, reading: Reading) -> Function:
    spec = procedure.reading(reading.name)
    assert spec is not None
    sheet = sheet_of(record, record.instrument(reading.instrument).meter)
    return sheet.function(reading.function or spec.function)


def derive(procedure: Procedure, truths: dict[str, float], wanted: str) -> float:
    """The derived value that these true values have."""
    known = dict(truths)
    for spec in procedure.derived:
        formula = next((f for f in spec.formulas if all(n in known for n in f.names)), None)
        if formula is not None:
            known[spec.name] = float(formula.value(known, procedure.tables))
    return known[wanted]


def _lever(procedure: Procedure, test: CircuitTest, truths: dict[str, float], wanted: str) -> str:
    """The reading that moves the result most, relative to its own size."""
    here = derive(procedure, truths, wanted)
    effects = {}
    for reading in test.readings:
        moved = {**truths, reading.name: truths[reading.name] * 1.001}
        effects[reading.name] = abs(derive(procedure, moved, wanted) - here)
    name = max(effects, key=lambda n: effects[n], default="")
    return name if name and effects[name] > 0 else ""


def _aimed(case: Case, truths: dict[str, float], target: float) -> dict[str, float] | None:
    """``truths`` with the lever set so that the result is ``target``; None when no reading gives it."""
    start = truths[case.lever]

    def gap(factor: float) -> float:
        return derive(case.procedure, {**truths, case.lever: start * factor}, case.result) - target

    factors = np.geomspace(1e-3, 1e3, 61)
    try:
        gaps = [gap(f) for f in factors]
    except Exception:
        gaps = []
        for f in factors:
            try:
                gaps.append(gap(f))
            except Exception:
                gaps.append(math.nan)
    for (a, ga), (b, gb) in zip(
        list(zip(factors, gaps, strict=True)), list(zip(factors, gaps, strict=True))[1:], strict=False
    ):
        if math.isfinite(ga) and math.isfinite(gb) and ga * gb <= 0:
            low, high = a, b
            for _ in range(60):
                middle = (low + high) / 2
                if gap(middle) * ga > 0:
                    low = middle
                else:
                    high = middle
            return {**truths, case.lever: start * (low + high) / 2}
    return None


def _display(value: float, function: Function, chosen: Range, gain: float, offset: float) -> str:
    # The gain error is a share of what the display shows, of 20 °C and not of 293 K.
    zero = unit(function.unit).offset
    shown = zero + round(((value - zero) * (1 + gain) + offset) / chosen.step) * chosen.step
    full = parse_indication(chosen.name, unit=function.unit)
    places = len(str(full.number).partition(".")[2])
    text = f"{unit(full.unit).from_si(shown):.{places}f}"
    return text if full.unit == "1" else f"{text} {full.unit}"


def trial(case: Case, truths: dict[str, float], chance: np.random.Generator) -> Any:
    """One visit of one simulated instrument set; returns the result and its true value."""
    ambient = case.test.ambient_degc or case.record.conditions.ambient_degc
    real = dict(truths)
    for spec in case.procedure.givens:
        given = case.test.given.get(spec.name)
        width = given.half_width if given else spec.half_width
        symbol = given.unit if given else spec.unit
        if width and spec.name in real:
            real[spec.name] += chance.uniform(-1, 1) * float(width) * unit(symbol).factor
    common = bool(chance.integers(2))
    errors: dict[tuple[str, str, str], tuple[float, float]] = {}
    readings = []
    for reading in case.test.readings:
        function = _function(case.record, case.procedure, reading)
        sheet = sheet_of(case.record, case.record.instrument(reading.instrument).meter)
        step = min(parse_indication(t, unit=function.unit).step_si for t in reading.texts)
        fits = [r for r in function.ranges if abs(real[reading.name]) <= 0.98 * r.full_scale and r.step >= step * 0.999]
        if not fits:
            return None
        chosen = fits[0]
        low, high = sheet.reference_degc
        excess = 0.0 if ambient is None else max(low - float(ambient), float(ambient) - high, 0.0)
        widening = 1 + function.temperature_coefficient * excess
        key = (reading.instrument, function.name, chosen.name)
        counts = chosen.counts * chosen.step
        # One draw places the instrument within its limit: every error inside it is equally likely.
        place = chance.uniform(-1, 1)
        drawn = (
            place * chosen.percent / 100 * widening,
            place * (max(counts - chosen.step / 2, 0) + counts * (widening - 1)),
        )
        gain, offset = errors.setdefault(key, drawn)
        if not common:
            gain = drawn[0]
        if function.zeroed == "each reading":
            offset = drawn[1]
        text = _display(real[reading.name], function, chosen, gain, offset)
        readings.append(reading.model_copy(update={"texts": (text,), "range": chosen.name, "zero": ""}))
    test = case.test.model_copy(update={"readings": tuple(readings)})
    result = next(r for r in evaluate_test(case.record, test).results if r.name == case.result)
    return result, derive(case.procedure, real, case.result)


def study(case: Case, *, trials: int, seed: int) -> Tally:
    """``trials`` visits around the example, and as many with the truth just beyond and just within a limit."""
    chance = np.random.default_rng(seed)
    tally = Tally()
    scale = unit(next(d.unit for d in case.procedure.derived if d.name == case.result))
    sides = [(side, sign) for side, sign in ((case.lower, -1), (case.upper, 1)) if side is not None]
    before, engine.TRIALS = engine.TRIALS, SAMPLED_TRIALS
    try:
        for number in range(trials):
            spread = {
                n: v * (chance.uniform(0.9, 1.1) if case.procedure.reading(n) else 1) for n, v in case.truths.items()
            }
            found = trial(case, spread, chance)
            if found is not None:
                result, truth = found
                tally.trials += 1
                if result.interval is None:
                    tally.without_value += 1
                else:
                    low, high = (float(scale.to_si(end)) for end in result.interval)
                    slack = 1e-9 * max(abs(low), abs(high))
                    tally.held += low - slack <= truth <= high + slack
            side, sign = sides[number % len(sides)]
            size = max(abs(side), 1e-9)
            for bad in (True, False):
                aimed = _aimed(case, case.truths, side + (sign if bad else -sign) * 1e-6 * size)
                found = trial(case, aimed, chance) if aimed else None
                if found is None:
                    continue
                result, truth = found
                within = (case.lower is None or truth >= case.lower) and (case.upper is None or truth <= case.upper)
                word = result.verdict.verdict
                if within:
                    tally.judged_good += 1
                    tally.failed_though_good += word == "fail"
                else:
                    tally.judged_bad += 1
                    tally.passed_though_bad += word == "pass"
    finally:
        engine.TRIALS = before
    return tally


def main(trials: int = 2000) -> None:
    """Print the table."""
    print(
        "| procedure: result | trials | 95 % interval holds the truth | false pass at the limit | false fail at the limit |"
    )
    print("|---|---|---|---|---|")
    for case in cases():
        t = study(case, trials=trials, seed=2026)
        held = f"{100 * t.held / max(t.trials - t.without_value, 1):.1f} %"
        bad = f"{100 * t.passed_though_bad / t.judged_bad:.1f} %" if t.judged_bad else "–"
        good = f"{100 * t.failed_though_good / t.judged_good:.1f} %" if t.judged_good else "–"
        print(f"| {case.label} | {t.trials} | {held} | {bad} | {good} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
