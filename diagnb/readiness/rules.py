"""Claim readiness: what would get this claim rejected, said before it is sent.

Each rule is a small function with a stable code; grounds of rejection are common practice of the trade unless
a source stands beside the rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from diagnb.evaluation import Evaluation
from diagnb.readiness.evidence import photo_of_part
from diagnb.readiness.remark import Remark
from diagnb.readiness.rules_of_claim import (
    causal_part,
    cautions_recorded,
    codes_saved,
    dates_in_order,
    identity,
    second_person,
    standing,
    three_statements,
)
from diagnb.readiness.rules_of_measurement import (
    as_left,
    conditions_held,
    conditions_stated,
    drop_without_current,
    drops_do_not_add_up,
    fault_not_proved,
    fed_though_measure_only,
    generic_default,
    limit_missing,
    meter_state,
    no_as_found_reading,
    not_settled,
    voltage_class,
)
from diagnb.record import Record

Rule = Callable[[Record, Evaluation], Iterable[Remark]]

RULES: tuple[Rule, ...] = (
    standing, no_as_found_reading, fault_not_proved, drop_without_current, drops_do_not_add_up, limit_missing, generic_default,
    not_settled, as_left, meter_state, causal_part, photo_of_part, identity, three_statements, dates_in_order, codes_saved,
    conditions_stated, conditions_held, second_person, cautions_recorded, voltage_class, fed_though_measure_only,
)  # fmt: skip
"""All rules, in the order in which an adjuster would ask."""
