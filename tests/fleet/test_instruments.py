"""Which meter is off: found at the same points of the same vehicles, and no other one is blamed."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import InstrumentOffset, Rows, Truth, instrument_offsets, offsets_table, read_rows, synthesise


def offsets(rows: Rows) -> tuple[InstrumentOffset, ...]:
    rows = rows.take(rows.phase.marked({"as found"}))
    return instrument_offsets(
        value=rows.value, asset=rows.asset.codes, point=rows.point.codes, instrument=rows.instrument.codes,
        names=rows.instrument.names, standard_uncertainty=rows.standard_uncertainty,
    )  # fmt: skip


def test_a_meter_that_shows_30_percent_too_much_is_named_and_no_other() -> None:
    made = synthesise(seed=1, vehicles=120)
    rows = dict(made.rows)
    rows["value"] = rows["value"] * np.where(rows["instrument"].codes == 4, 1.3, 1.0)
    found = offsets(read_rows(rows).under_one_rule())
    assert [o.instrument for o in found if o.flagged] == ["M05"]
    assert found[0].instrument == "M05"
    assert found[0].ratio.lower < 1.3 * made.gain[4] / np.median(made.gain) < found[0].ratio.upper
    table = str(offsets_table(found))
    assert "OFF" in next(line for line in table.splitlines() if line.startswith("  M05"))
    assert "an error that most instruments share is not seen" in table


def test_meters_without_error_are_seldom_told_apart_and_true_gains_are_covered() -> None:
    quiet = [
        offsets(read_rows(synthesise(seed=s, vehicles=80, truth=Truth(instrument_spread=0.0)).rows)) for s in range(8)
    ]
    assert sum(any(o.differs for o in found) for found in quiet) <= 2
    assert not any(o.flagged for found in quiet for o in found)
    covered = 0
    for seed in range(8):
        made = synthesise(seed=seed, vehicles=80, truth=Truth(instrument_spread=0.03))
        gain = dict(zip(made.rows["instrument"].names, made.gain / np.median(made.gain), strict=True))
        covered += all(o.ratio.lower <= gain[o.instrument] <= o.ratio.upper for o in offsets(read_rows(made.rows)))
    assert covered >= 6


def test_a_closed_case_and_what_can_not_be_compared() -> None:
    asset = np.repeat(np.arange(10), 3)
    meter = np.tile([0, 1, 2], 10)
    level = np.repeat(np.linspace(1, 2, 10), 3)
    found = instrument_offsets(
        value=level * np.array([1.0, 1.1, 0.95])[meter], asset=asset, point=np.zeros(30), instrument=meter, names=("x", "y", "z")
    )  # fmt: skip
    assert {o.instrument: round(o.ratio.value or 0, 9) for o in found} == {"x": 1.0, "y": 1.1, "z": 0.95}
    assert all(o.flagged for o in found if o.instrument != "x")
    alone = instrument_offsets(
        value=level, asset=np.arange(30), point=np.zeros(30), instrument=meter, names=("x", "y", "z")
    )
    assert all(o.ratio.refusal is not None and not o.flagged for o in alone)
    assert "refused" in str(offsets_table(alone))
    with pytest.raises(InputFault, match="one length"):
        instrument_offsets(value=[1.0], asset=[1, 2], point=[1], instrument=[0], names=("x",))
