"""Few trials may settle a validation, but never decide it otherwise than the full number would."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.uncertainty import Estimate, monte_carlo, parse_formula, propagate_by_rule
from diagnb.uncertainty import method as rules
from diagnb.uncertainty.method import SCOUTING_TRIALS, surely_agrees


def cases() -> list[tuple[str, dict[str, Estimate]]]:
    """Quotients, products and powers from well behaved to badly curved, 120 of them."""
    chance = np.random.default_rng(11)
    made = []
    for number in range(120):
        text = ("a / b", "a * b", "a * a", "sqrt(a)", "a / b - c")[number % 5]
        relative = 10 ** chance.uniform(-2.5, -0.8)
        shape = ("normal", "rectangular", "arcsine")[number % 3]
        inputs = {
            n: Estimate(v, abs(v) * relative, source=n, distribution=shape)
            for n, v in (("a", 3.0), ("b", 7.0), ("c", 0.4))
        }
        made.append((text, {n: inputs[n] for n in parse_formula(text).names}))
    return made


def test_the_method_is_the_one_that_the_full_number_of_trials_chooses(monkeypatch: pytest.MonkeyPatch) -> None:
    settled, methods = 0, set()
    for text, inputs in cases():
        formula = parse_formula(text)
        near = 0.999 * float(formula.value({n: e.value for n, e in inputs.items()}))
        scouted = propagate_by_rule(formula, inputs, physical_lower=near, trials=1_000_000)
        with monkeypatch.context() as alone:
            alone.setattr(rules, "SCOUTING_TRIALS", ())
            whole = propagate_by_rule(formula, inputs, physical_lower=near, trials=1_000_000)
        assert (scouted.method, scouted.triggers, scouted.validated) == (whole.method, whole.triggers, whole.validated)
        assert (scouted.value, scouted.interval, scouted.coverage_factor) == (
            whole.value,
            whole.interval,
            whole.coverage_factor,
        )
        methods.add(whole.method)
        settled += scouted.sample is not None and scouted.sample.trials in SCOUTING_TRIALS
    assert methods == {"linear", "monte-carlo"}, "the cases lie on both sides of the decision"
    assert settled > 40


def test_an_interval_near_the_edge_of_the_tolerance_is_not_settled_by_few_trials() -> None:
    inputs = {"a": Estimate(1.0, 0.1, source="a")}
    sample = monte_carlo("a", inputs, trials=SCOUTING_TRIALS[0])
    low, high = sample.interval
    assert surely_agrees(sample, (low, high), 0.02)
    assert not surely_agrees(sample, (low + 0.0199, high), 0.02)
    assert not surely_agrees(sample, (low, high - 0.0199), 0.02)
    assert not surely_agrees(monte_carlo("a", inputs, trials=1000, coverage=0.9999), (low, high), 1.0)
