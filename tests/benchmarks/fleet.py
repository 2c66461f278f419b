"""CPU time and memory of fleet statistics over invented results: python tests/benchmarks/fleet.py [RESULTS …]

Nothing here asserts a time. Default sizes 10⁵ and 10⁶; 10⁷ takes some 4 GB. ``growth`` is against the size before.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from typing import Any

from diagnb.conformity import Limit
from diagnb.fleet import (
    by_month,
    by_month_at_same_age,
    components_by_rate,
    cusum_chart,
    distinct_defects,
    drift_over_use,
    effect_at,
    explained_by_measurement,
    first_lives,
    histories,
    kaplan_meier,
    laplace,
    lots_survey,
    mean_cumulative_function,
    meters_compared,
    read_rows,
    read_vehicles,
    synthesise,
    watches,
    weibull,
)

RESULTS_PER_VEHICLE = 204


def study(results: int) -> dict[str, float]:
    """Seconds of CPU of each step for about ``results`` rows."""
    spent: dict[str, float] = {}

    def timed(name: str, work: Callable[[], Any]) -> Any:
        start = time.process_time()
        found = work()
        spent[name] = time.process_time() - start
        return found

    made = timed("invent the fleet", lambda: synthesise(seed=1, vehicles=max(results // RESULTS_PER_VEHICLE, 10)))
    rows = timed("check the rows", lambda: read_rows(made.rows))
    vehicles = timed("check the vehicles", lambda: read_vehicles(made.vehicles))
    rows = timed("judge all history again", lambda: rows.under_one_rule("guarded-95"))
    defects = timed("distinct defects", lambda: distinct_defects(rows))
    timed("components by rate", lambda: components_by_rate(rows, defects, vehicles))
    timed("192 cells of component by lot", lambda: lots_survey(rows, defects, vehicles))
    mine = defects.of_component("circuit 02")
    lives = first_lives(mine, vehicles)
    timed("Kaplan-Meier", lambda: kaplan_meier(lives))
    timed("Weibull", lambda: weibull(lives))
    timed("mean cumulative function", lambda: mean_cumulative_function(histories(mine, vehicles)[0]))
    timed("Laplace test", lambda: laplace(watches(mine, vehicles)))
    month = by_month(mine, vehicles)
    timed("CUSUM by month", lambda: cusum_chart(counts=month.counts, exposure=month.exposure))
    timed("effect of a change", lambda: effect_at(mine, vehicles, date="2024-01-01"))
    good = rows.of_component("circuit 05")
    good = good.take(good.verdict == 0)
    timed("drift of one circuit", lambda: drift_over_use(
        use=good.distance_km, value=good.value, standard_uncertainty=good.standard_uncertainty, asset=good.asset.codes,
        instrument=good.instrument.codes,
    ))  # fmt: skip
    timed("measurement share, 20 resamples", lambda: explained_by_measurement(
        value=good.value, standard_uncertainty=good.standard_uncertainty, limit=Limit(upper=0.16), resamples=20,
    ))  # fmt: skip
    timed("instruments compared", lambda: meters_compared(rows))
    timed("months at the same age", lambda: by_month_at_same_age(mine, vehicles))
    spent["results"] = float(made.results)
    return spent


def main() -> None:
    """Print the table."""
    weibull(first_lives(*_small()))  # lifelines and pandas are imported before anything is timed
    sizes = [int(float(a)) for a in sys.argv[1:]] or [100_000, 1_000_000]
    before: dict[str, float] | None = None
    for size in sizes:
        spent = study(size)
        count = spent.pop("results")
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"\n{count:,.0f} results; {sum(spent.values()):.2f} s of CPU in all; peak memory of the process so far {peak:,.0f} MB",
            flush=True,
        )
        for name, seconds in spent.items():
            growth = f"x {seconds / max(before[name], 1e-9):.1f}" if before else ""
            print(f"| {name:34} | {seconds * 1e3:10.1f} ms | {growth:8} |")
        before = spent


def _small() -> tuple[Any, Any]:
    made = synthesise(seed=2, vehicles=60)
    return distinct_defects(read_rows(made.rows)), read_vehicles(made.vehicles)


if __name__ == "__main__":
    main()
