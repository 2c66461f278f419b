"""People and instruments: kappa, gauge studies from rows, capability."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnb.errors import InputFault
from diagnb.fleet import fleiss_kappa, gauge_by_ranges, gauge_from_rows, process_capability


def test_kappa_of_chance_and_of_full_agreement() -> None:
    rng = np.random.default_rng(1)
    chance = fleiss_kappa(ratings=rng.multinomial(6, [0.5, 0.3, 0.2], 400))
    assert chance.lower < 0 < chance.upper
    full = np.zeros((30, 3))
    full[np.arange(30), np.arange(30) % 3] = 6
    assert fleiss_kappa(ratings=full).value == pytest.approx(1)
    same = fleiss_kappa(ratings=np.tile([6, 0], (9, 1)))
    assert same.refusal is not None
    assert same.refusal.code == "nothing-varies"
    with pytest.raises(InputFault, match="same two"):
        fleiss_kappa(ratings=[[3, 0], [2, 0], [3, 0]])


def test_gauge_study_from_rows_keeps_what_everyone_read() -> None:
    rng = np.random.default_rng(2)
    part, operator, _ = (a.ravel() for a in np.meshgrid(np.arange(40), np.arange(3), np.arange(3), indexing="ij"))
    value = rng.normal(0, 1.0, 40)[part] + rng.normal(0, 0.3, 3)[operator] + rng.normal(0, 0.1, part.size)
    drop = ~((part == 7) & (operator == 1))
    found = gauge_from_rows(value=value[drop], part=part[drop], operator=operator[drop])
    assert found.study is not None
    assert len(found.parts) == 39
    assert found.set_aside == 6
    assert found.study.repeatability == pytest.approx(0.1, rel=0.15)
    assert found.study.part_to_part == pytest.approx(1.0, rel=0.3)
    # Every depot has its own technician and its own vehicles: nothing tells them apart.
    depots = gauge_from_rows(value=value, part=part, operator=part % 3)
    assert depots.refusal is not None
    assert depots.refusal.code == "confounded"
    alone = gauge_from_rows(value=value, part=part, operator=np.zeros(part.size))
    assert alone.refusal is not None
    single = gauge_from_rows(value=[1, 2, 3, 4], part=[0, 0, 1, 1], operator=[0, 1, 0, 1])
    assert single.refusal is not None
    assert single.refusal.code == "unbalanced"


def test_range_method_wants_a_size_it_has_factors_for() -> None:
    with pytest.raises(InputFault, match="2 to 10 parts"):
        gauge_by_ranges(np.zeros((12, 3, 3)))


def test_capability_and_its_limits() -> None:
    found = process_capability(mean=0.2, standard_deviation=0.02, upper=0.29)
    assert found.cp is None
    assert found.cpk == pytest.approx(1.5)
    assert found.share_outside == pytest.approx(stats.norm.sf(4.5))
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(500):
        x = rng.normal(0.2, 0.02, 60)
        one = process_capability(mean=x.mean(), standard_deviation=x.std(ddof=1), lower=0.12, upper=0.29, n=60)
        inside += one.lower <= 4 / 3 <= one.upper
    assert inside / 500 > 0.92
    with pytest.raises(InputFault, match="crossed"):
        process_capability(mean=0, standard_deviation=1, lower=2, upper=1)
