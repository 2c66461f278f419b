"""Plots and tables say in words and marks what they mean, are the same each time, and show refusals."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from diagnb.conformity import Limit
from diagnb.fleet import (
    Lives,
    as_png,
    as_svg,
    by_month,
    cells_table,
    chart_table,
    compare_lots,
    components_by_rate,
    cusum_chart,
    distinct_defects,
    drift_over_use,
    effect_at,
    effect_table,
    ewma_chart,
    explained_by_measurement,
    fail_shares,
    figures_table,
    first_lives,
    histories,
    kaplan_meier,
    lots_survey,
    lots_table,
    mean_cumulative_function,
    measurement_table,
    pareto_table,
    plot_cells,
    plot_chart,
    plot_drift,
    plot_effect,
    plot_events,
    plot_lots,
    plot_measurement_share,
    plot_pareto,
    plot_recurrence,
    plot_shares,
    plot_survival,
    rate,
    rate_chart,
    read_rows,
    read_vehicles,
    synthesise,
    to_plain,
    trials_table,
    weibull,
)
from diagnb.fleet.plots import save


@pytest.fixture(scope="module")
def found() -> dict[str, Any]:
    made = synthesise(seed=1, vehicles=120)
    rows, vehicles = read_rows(made.rows).under_one_rule(), read_vehicles(made.vehicles)
    defects = distinct_defects(rows)
    mine = defects.of_component("circuit 02")
    month = by_month(mine, vehicles)
    common = {"counts": month.counts, "exposure": month.exposure, "labels": month.labels}
    good = rows.of_component("circuit 05")
    good = good.take(good.verdict == 0)
    lives = first_lives(mine, vehicles)
    return {
        "pareto": components_by_rate(rows, defects, vehicles), "shares": fail_shares(rows, by="technician"),
        "lots": compare_lots(names=list("ABC"), fails=[10, 12, 60], tests=[300] * 3),
        "cells": lots_survey(rows, defects, vehicles), "curve": kaplan_meier(lives), "fit": weibull(lives),
        "mcf": mean_cumulative_function(histories(mine, vehicles)[0]), "chart": rate_chart(**common), "ewma": ewma_chart(**common),
        "cusum": cusum_chart(**common), "effect": effect_at(mine, vehicles, date="2024-01-01"),
        "drift": drift_over_use(use=good.distance_km, value=good.value, standard_uncertainty=good.standard_uncertainty, asset=good.asset.codes),
        "good": good,
        "share": explained_by_measurement(value=good.value, standard_uncertainty=good.standard_uncertainty, limit=Limit(upper=0.16), resamples=5),
    }  # fmt: skip


def figures(found: dict[str, Any]) -> dict[str, Any]:
    return {
        "pareto": plot_pareto(found["pareto"]), "shares": plot_shares(found["shares"]), "lots": plot_lots(found["lots"]),
        "cells": plot_cells(found["cells"]), "survival": plot_survival({"a": found["curve"], "b": found["curve"]}, fits={"a": found["fit"]}),
        "mcf": plot_recurrence({"a": found["mcf"], "b": found["mcf"]}), "chart": plot_chart(found["chart"]),
        "ewma": plot_chart(found["ewma"]), "cusum": plot_chart(found["cusum"]), "effect": plot_effect(found["effect"]),
        "drift": plot_drift(found["drift"], use=found["good"].distance_km, value=found["good"].value, limit=0.29),
        "share": plot_measurement_share({"circuit 05": found["share"]}), "events": plot_events([3, 9, 20], end=30, unit="h", shape=1.2, scale=0.05),
    }  # fmt: skip


def test_every_plot_is_grey_and_draws_the_same_each_time(found: dict[str, Any]) -> None:
    for name, figure in figures(found).items():
        picture = np.asarray(Image.open(io.BytesIO(as_png(figure, dpi=50))).convert("RGB"), dtype=int)
        assert np.ptp(picture, axis=2).max() <= 3, f"{name} carries colour"
        assert (picture.min(axis=2) < 100).mean() > 0.002, f"{name} is empty"
        assert as_svg(figure).startswith("<?xml")
    one, two = (as_svg(plot_recurrence({"a": found["mcf"]})) for _ in range(2))
    assert one == two
    one_png, two_png = (as_png(plot_pareto(found["pareto"])) for _ in range(2))
    assert one_png == two_png


def words(figure: Any) -> str:
    from matplotlib.text import Text

    return " ".join(t.get_text() for t in figure.findobj(Text))


def test_what_is_meant_stands_in_words(found: dict[str, Any]) -> None:
    drawn = figures(found)
    assert "ALARM" in words(drawn["cells"])
    assert "first signal" in words(drawn["cusum"]) or "no signal" in words(drawn["cusum"])
    assert found["effect"].finding in words(drawn["effect"])
    assert "lower limit of the rate" in words(drawn["pareto"])
    assert "C *" in words(drawn["lots"])


def test_a_refusal_is_drawn_as_one() -> None:
    chart = rate_chart(counts=[1, 0], exposure=[5, 5])
    assert "refused: too few events in the baseline" in words(plot_chart(chart))
    none = kaplan_meier(Lives([5, 6], [0, 0]))
    assert "refused: too few defects" in words(plot_survival({"a": none}))
    assert "limits refused" in words(plot_recurrence({"a": mean_cumulative_function(histories_of_three())}))
    assert "refused" in str(chart_table(chart))


def histories_of_three() -> Any:
    from diagnb.fleet import Histories

    return Histories([0, 0, 0], [9, 9, 9], [0, 1], [3.0, 5.0])


def test_files_of_three_kinds(found: dict[str, Any], tmp_path: Path) -> None:
    for kind, start in (("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")):
        save(plot_effect(found["effect"]), tmp_path / f"x.{kind}")
        assert (tmp_path / f"x.{kind}").read_bytes().startswith(start)


def test_tables_carry_numerator_exposure_interval_method(found: dict[str, Any]) -> None:
    refused = rate(events=2, exposure=None, exposure_unit="vehicle-months", name="<b>odd</b> & name")
    tables = [
        pareto_table(found["pareto"], plot=plot_pareto(found["pareto"])), cells_table(found["cells"]), lots_table(found["lots"]),
        effect_table(found["effect"]), chart_table(found["chart"]), measurement_table({"a": found["share"]}),
        figures_table([refused, found["fit"].shape], title="figures"), trials_table([found["effect"].trial], title="trials"),
    ]  # fmt: skip
    for table in tables:
        lines = list(table.lines())
        assert len(lines) >= 2 + len(table.rows)
        assert all(len(row) == len(table.columns) for row in table.rows)
    assert {"interval", "exposure", "n"} <= set(tables[0].columns)
    # A method that many rows share stands once below them.
    assert any(note.startswith("method") for note in tables[0].notes)
    assert "method" in tables[6].columns
    page = tables[6]._repr_html_()
    assert "&lt;b&gt;odd&lt;/b&gt; &amp; name" in page
    assert "refused: nobody has said how much use" in page
    assert "<img alt=" in tables[0]._repr_html_()


def test_results_become_json(found: dict[str, Any]) -> None:
    import json

    plain = to_plain({name: value for name, value in found.items() if name != "good"})
    again = json.loads(json.dumps(plain, allow_nan=False))
    assert again["pareto"]["rows"][0]["rate"]["exposure_unit"] == "vehicle-months"
