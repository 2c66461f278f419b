"""``diagnb fleet`` as its users meet it: real files in, tables, JSON and plots out, one line of error."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from diagnb.cli import main


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("Prüf stand") / "fleet"
    assert main(["fleet", "invent", "--out", str(where), "--number", "120", "--seed", "3"]) == 0
    return where


def call(folder: Path, action: str, *more: str) -> int:
    return main(["fleet", action, str(folder / "results.csv"), "--vehicles", str(folder / "vehicles.csv"), *more])


@pytest.mark.parametrize(("action", "more", "status", "said"), [
    ("summary", (), 0, "ranked by lower limit of the rate"),
    ("life", ("--component", "circuit 02"), 0, "suspensions"),
    ("recurrence", (), 0, "variance by vehicle"),
    ("trend", ("--clock", "age"), 1, "getting worse"),
    ("lots", (), 1, "ALARM"),
    ("trend", ("--clock", "calendar"), 0, "no trend shown"),
    ("months", ("--component", "circuit 02", "--baseline", "24"), None, "CUSUM chart"),
    ("months", ("--component", "circuit 01"), 0, "usual is the mean of"),
    ("measurement", ("--by", "instrument", "--component", "circuit 02"), 0, "the middle instrument counts as right"),
    ("drift", ("--component", "circuit 04"), 0, "V per 10,000 km"),
    ("measurement", ("--component", "circuit 01"), 0, "false among fails"),
    ("effect", ("--component", "circuit 01", "--date", "2024-01-01"), 0, "rate ratio"),
])  # fmt: skip
def test_every_question_has_its_answer(
    folder: Path,
    action: str,
    more: tuple[str, ...],
    status: int | None,
    said: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    plot = tmp_path / "plot.png"
    found = call(folder, action, *more, "--plot", str(plot))
    out = capsys.readouterr().out
    assert found == status or status is None
    assert said in out
    assert "distinct defects" in out.splitlines()[0]
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert call(folder, action, *more, "--json") == found
    assert set(json.loads(capsys.readouterr().out)) == {"facts", "notes", "results"}


def test_inventing_says_what_is_hidden_and_what_to_try_and_trying_finds_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "invent", "--out", str(tmp_path / "two words"), "--seed", "1"]) == 0
    out = capsys.readouterr().out
    for words in ("INVENTED", "200 vehicles, 48 months, 12 lots", "seed 1", "circuit 03 in lot L05 fails 4 times",
                  "circuit 01 was changed: from 2024-01-02 on", "rises by 2 mV", "instrument M01 is furthest off"):  # fmt: skip
        assert words in out
    rows = len((tmp_path / "two words" / "results.csv").read_text(encoding="utf-8").splitlines()) - 1
    assert f"{rows:,} results" in out
    lots, effect = (shlex.split(line)[1:] for line in out.splitlines() if line.startswith("  diagnb "))
    assert main(lots) == 1
    (alarm,) = (line for line in capsys.readouterr().out.splitlines() if line.endswith("ALARM"))
    assert alarm.split()[:3] == ["circuit", "03", "L05"]
    assert main(effect) == 0
    assert "Effect of the change: fewer" in capsys.readouterr().out


def test_no_table_writes_a_share_in_powers_of_ten_or_a_unit_1(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for action, more in (
        ("measurement", ()),
        ("lots", ()),
        ("effect", ("--component", "circuit 01", "--date", "2024-01-01")),
    ):
        call(folder, action, *more)
        out = capsys.readouterr().out
        assert not re.search(r"\de-\d", out), out
        assert not re.search(r"\b1 (strata|cells|alarms|results|defects)\b", out)
        assert "per vehicle-months" not in out
        assert action != "measurement" or "< 0.001" in out
    assert not re.search(r"rate ratio .* %\)\s+1 ", out)


def test_without_vehicles_rates_are_refused_and_shares_are_not(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "summary", str(folder / "results.csv")]) == 0
    out = capsys.readouterr().out
    assert "refused: nobody has said how much use" in out
    assert "Wilson score interval" in out
    assert main(["fleet", "life", str(folder / "results.csv")]) == 2
    assert "diagnb: --vehicles: is missing" in capsys.readouterr().err


def test_faults_of_the_data_go_to_the_error_stream_and_the_rest_is_used(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (folder / "results.csv").read_text(encoding="utf-8").splitlines()
    lines[3] = lines[3].replace("as found", "=cmd()")
    broken = tmp_path / "results.csv"
    broken.write_text("\n".join(lines), encoding="utf-8")
    assert main(["fleet", "summary", str(broken), "--vehicles", str(folder / "vehicles.csv")]) == 1
    said = capsys.readouterr()
    assert "diagnb: line 4, phase: a text begins like a spreadsheet formula" in said.err
    assert "1 set aside" in said.out


@pytest.mark.parametrize("arguments", [
    ["effect", "results.csv", "--date", "soon"], ["drift", "results.csv"], ["life", "nowhere.csv"], ["summary", "results.csv", "--plot", "x.doc"],
    ["life", "results.csv", "--component", "no such circuit"],
])  # fmt: skip
def test_wrong_use_is_one_line(folder: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    action, file, *more = arguments
    assert main(["fleet", action, str(folder / file), "--vehicles", str(folder / "vehicles.csv"), *more]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("diagnb: ")


def test_what_does_not_fit_the_table_of_vehicles_is_said_with_its_count(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (folder / "vehicles.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "vehicles.csv").write_text("\n".join([lines[0], *lines[3:]]) + "\n", encoding="utf-8")
    assert main(["fleet", "summary", str(folder / "results.csv"), "--vehicles", str(tmp_path / "vehicles.csv")]) == 0
    assert re.search(
        r"note: \d+ results of 2 vehicles that the table of vehicles does not have", capsys.readouterr().out
    )


def test_a_component_narrows_the_lots_and_a_long_baseline_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(folder, "lots", "--component", "circuit 03") == 1
    out = capsys.readouterr().out
    assert "circuit 03" in out
    assert "circuit 04" not in out
    assert "tested together with" in out
    assert call(folder, "lots", "--component", "circuit 02") == 0
    capsys.readouterr()
    assert call(folder, "months", "--baseline", "100") == 2
    assert "--baseline: 100 months" in capsys.readouterr().err
    assert call(folder, "summary", "--by", "site") == 2
    assert "no result says its site" in capsys.readouterr().err
    assert call(folder, "life", "--component", "circuit 99") == 2
    assert "circuit 16" in capsys.readouterr().err


def test_semicolons_and_decimal_commas_are_read_as_the_same_results(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "summary", str(folder / "results.csv")]) == 0
    plain = capsys.readouterr().out
    text = (folder / "results.csv").read_text(encoding="utf-8").replace(",", ";").replace(".", ",")
    (tmp_path / "results.csv").write_text(text, encoding="utf-8")
    assert main(["fleet", "summary", str(tmp_path / "results.csv")]) == 0
    assert capsys.readouterr().out == plain
    (tmp_path / "results.csv").write_text(text.replace("0,", "1.000,"), encoding="utf-8")
    assert main(["fleet", "summary", str(tmp_path / "results.csv")]) == 2
    assert "holds no row that can be used" in capsys.readouterr().err


def test_the_effect_says_what_is_compared_and_what_is_left_out_and_life_what_it_can_not_know(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call(folder, "effect", "--component", "circuit 01", "--date", "2024-01-01")
    out = capsys.readouterr().out
    for words in (
        "age bands of 12 months",
        "the two rates as they stand have the ratio",
        "the first 3 months after the change are left out",
    ):
        assert words in out
    call(folder, "life", "--component", "circuit 01")
    assert "in service before the watch began: what failed earlier is not known" in capsys.readouterr().out
    for action in ("summary", "lots"):
        call(folder, action)
        assert max(len(line) for line in capsys.readouterr().out.splitlines() if line.startswith("  c")) < 150
