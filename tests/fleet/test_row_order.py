"""The order of the rows is nobody's finding: crowded little tables, full of contradictions, answered alike however shuffled."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.fleet import (
    Labels,
    components_by_rate,
    distinct_defects,
    fail_shares,
    instrument_offsets,
    lots_survey,
    read_rows,
    read_vehicles,
    to_plain,
)

VEHICLES = {"asset": list("ABC"), "watched_from": ["2024-01-01"] * 3, "watched_to": ["2025-01-01"] * 3, "lot": ["T1", "", "T2"]}  # fmt: skip
ROW = st.tuples(
    st.sampled_from(["R1", "R2", "R3"]), st.sampled_from("ABC"), st.sampled_from(["p", "q"]), st.sampled_from(["c", "d"]),
    st.sampled_from(["", "K-1", "K-2"]), st.sampled_from(["2024-02-01", "2024-02-01", "2024-05-01", "2024-09-01"]),
    st.sampled_from(["as found", "as left", ""]), st.sampled_from(["pass", "fail", "not judged"]),
    st.sampled_from(["0.1", "0.4", ""]), st.sampled_from(["M1", "M2", ""]), st.sampled_from(["1", "2"]),
)  # fmt: skip
NAMES = ("record", "asset", "point", "component", "lot", "date", "phase", "verdict", "value", "instrument", "test")


def answers(rows: list[tuple[str, ...]]) -> dict[str, Any]:
    found = read_rows(dict(zip(NAMES, map(list, zip(*rows, strict=True)), strict=True)))
    vehicles = read_vehicles(VEHICLES)
    defects = distinct_defects(found)
    kept = found.take(np.isfinite(found.value))
    columns = {f.name: getattr(defects, f.name) for f in fields(defects) if f.name != "row"}
    return {
        "rows": [getattr(found, n).texts() for n in NAMES if isinstance(getattr(found, n), Labels)] + [found.value.tolist()],
        "aside": {code: at.size for code, at in found.set_aside.items()},
        "defects": to_plain(columns),
        "rates": to_plain(components_by_rate(found, defects, vehicles)),
        "shares": to_plain(fail_shares(found)),
        "lots": to_plain(lots_survey(found, defects, vehicles, minimum_months=1.0)),
        "instruments": to_plain(instrument_offsets(
            value=kept.value, asset=kept.asset.codes, point=kept.point.codes, instrument=kept.instrument.codes,
            names=kept.instrument.names, minimum_assets=2,
        )) if len(kept) else [],
    }  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=30), st.randoms(use_true_random=False))
def test_shuffled_rows_give_the_same_answers(rows: list[tuple[str, ...]], rng: Any) -> None:
    shuffled = list(rows)
    rng.shuffle(shuffled)
    assert repr(answers(rows)) == repr(answers(shuffled))
