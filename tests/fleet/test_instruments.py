"""Which meter is off: found at the same points of the same vehicles, and no other one is blamed."""

from __future__ import annotations

import numpy as np
import pytest

from diagnb.errors import InputFault
from diagnb.fleet import (
    InstrumentOffset,
    Rows,
    Truth,
    instrument_offsets,
    offsets_table,
    read_rows,
    sets_said,
    synthesise,
)
from diagnb.fleet.common_scale import common_sets, weakest_cut


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
    asset = np.repeat(np.arange(10), 5)
    meter = np.tile([0, 1, 2, 3, 4], 10)
    level = np.repeat(np.linspace(1, 2, 10), 5)
    gain = np.array([1.0, 1.1, 0.95, 1.0, 1.0])
    found = instrument_offsets(
        value=level * gain[meter], asset=asset, point=np.zeros(50), instrument=meter, names=("v", "y", "z", "w", "x")
    )  # fmt: skip
    assert {o.instrument: round(o.ratio.value or 0, 9) for o in found} == {"v": 1.0, "w": 1.0, "x": 1.0, "y": 1.1, "z": 0.95}  # fmt: skip
    assert {o.instrument for o in found if o.flagged} == {"y", "z"}
    alone = instrument_offsets(
        value=level, asset=np.arange(50), point=np.zeros(50), instrument=meter, names=("v", "y", "z", "w", "x")
    )
    assert all(o.ratio.refusal is not None and o.ratio.refusal.code == "no-common-scale" for o in alone)
    assert not any(o.flagged or o.undecided or o.group for o in alone)
    assert "refused" in str(offsets_table(alone))
    with pytest.raises(InputFault, match="one length"):
        instrument_offsets(value=[1.0], asset=[1, 2], point=[1], instrument=[0], names=("x",))


def depots(sites: dict[str, dict[str, float]], *, seed: int = 1, bridge: int = 0) -> tuple[InstrumentOffset, ...]:
    """Forty vehicles a depot, read twice at each of three points by two instruments of the depot; ``sites``: their gains.

    The first ``bridge`` vehicles of every depot but the first are read by an instrument of the first one too.
    """
    rng = np.random.default_rng(seed)
    names = tuple(m for gains in sites.values() for m in gains)
    gain = [g for gains in sites.values() for g in gains.values()]
    asset, point, meter, value = [], [], [], []
    for s, gains in enumerate(sites.values()):
        own = [names.index(m) for m in gains]
        for vehicle in range(40):
            chosen = list(rng.choice(own, size=min(2, len(own)), replace=False))
            chosen += [0] if s and vehicle < bridge else []
            for p in range(3):
                level = rng.lognormal(0, 0.2)
                for m in chosen:
                    asset.append(100 * s + vehicle)
                    point.append(p)
                    meter.append(m)
                    value.append(level * gain[m] * (1 + 0.01 * rng.standard_normal()))
    return instrument_offsets(
        value=np.array(value), asset=np.array(asset), point=np.array(point), instrument=np.array(meter), names=names,
        standard_uncertainty=0.01 * np.array(value),
    )  # fmt: skip


def holds(one: InstrumentOffset, gain: float) -> bool:
    return bool(one.ratio.lower < gain < one.ratio.upper)  # type: ignore[operator]


NORTH = {"N-1": 1.0, "N-2": 1.0, "N-3": 1.0, "N-4": 1.0}


def test_depots_that_share_no_vehicle_are_not_put_on_one_scale() -> None:
    """All of the south shows 10 % too much: nothing in the results says so, and nobody is blamed."""
    found = depots({"north": NORTH, "south": {"S-1": 1.1, "S-2": 1.1, "S-3": 1.1}})
    assert not any(o.flagged or o.undecided or o.differs for o in found)
    assert {o.group for o in found if o.instrument < "S"} == {1} and {o.group for o in found if o.instrument > "S"} == {
        2
    }
    said = " ".join(sets_said(found))
    assert "2 sets without a common scale" in said
    assert "set 2: S-1, S-2, S-3" in said
    assert "nothing compares one set with another" in str(offsets_table(found))


def test_within_a_depot_the_guilty_one_is_named_and_the_innocent_are_not() -> None:
    for seed in range(10):
        found = depots({"north": NORTH, "south": {"S-1": 1.0, "S-2": 1.0, "S-9": 1.1}}, seed=seed)
        assert [o.instrument for o in found if o.flagged or o.undecided] == ["S-9"]
        assert holds(found[0], 1.1)


def test_of_two_that_differ_nobody_is_blamed_and_their_ratio_is_told() -> None:
    found = depots({"north": NORTH, "south": {"S-1": 1.0, "S-9": 1.1}})
    assert not any(o.flagged for o in found)
    pair = {o.instrument: o for o in found if o.undecided}
    assert set(pair) == {"S-1", "S-9"}
    assert holds(pair["S-9"], 1.1) and holds(pair["S-1"], 1 / 1.1)
    said = " ".join(sets_said(found))
    assert "S-9 shows 1.1 times what S-1 shows" in said
    assert "which one can't be said" in said
    assert "CAN'T BE SAID" in next(line for line in str(offsets_table(found)).splitlines() if line.startswith("  S-9"))


def test_without_a_majority_nobody_is_blamed() -> None:
    found = depots({"south": {"S-1": 1.0, "S-2": 1.0, "S-3": 1.2, "S-4": 1.2}})
    assert not any(o.flagged for o in found)
    assert all(o.undecided for o in found)
    assert "no majority agrees" in " ".join(sets_said(found))


def test_a_bridge_of_few_vehicles_carries_no_verdict_and_one_of_many_does() -> None:
    south = {"S-1": 1.1, "S-2": 1.1, "S-3": 1.1}
    weak = depots({"north": NORTH, "south": south}, bridge=7)
    assert len({o.group for o in weak}) == 2
    assert not any(o.flagged or o.undecided for o in weak)
    firm = depots({"north": NORTH, "south": south}, bridge=25)
    assert {o.group for o in firm} == {1}
    assert {o.instrument for o in firm if o.flagged} == set(south)


def test_the_weakest_cut_is_the_one_that_trying_all_of_them_finds() -> None:
    from itertools import product

    rng = np.random.default_rng(5)
    for _ in range(60):
        n = int(rng.integers(2, 8))
        w = np.triu(rng.integers(1, 9, (n, n)) * (rng.random((n, n)) < 0.7), 1).astype(float)
        w += np.diag(np.ones(n - 1), 1)
        w += w.T

        def across(side: np.ndarray, w: np.ndarray = w) -> float:
            return float(w[np.ix_(side, ~side)].sum())

        least = min(across(np.array((True, *s))) for s in product((False, True), repeat=n - 1) if not all(s))
        side = weakest_cut(w)
        assert side.any() and not side.all()
        assert across(side) == pytest.approx(least)


def test_a_chain_is_one_set_and_two_blocks_are_two() -> None:
    """Rows and columns joined by the filled cells: one connected part, or two that share neither row nor column."""
    asset = np.repeat(np.arange(24), 2)
    chain = np.stack([np.arange(24) % 3, np.arange(24) % 3 + 1], axis=1).ravel()
    joined = common_sets(asset=asset, place=asset, instrument=chain, minimum_assets=8)
    assert [s.tolist() for s in joined] == [[0, 1, 2, 3]]
    apart = np.stack([np.arange(24) % 2 * 2, np.arange(24) % 2 * 2 + 1], axis=1).ravel()
    parts = common_sets(asset=asset, place=asset, instrument=apart, minimum_assets=8)
    assert [s.tolist() for s in parts] == [[0, 1], [2, 3]]
