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
    ("months", ("--component", "circuit 02", "--baseline", "24"), None, "CUSUM chart"),
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
    assert set(json.loads(capsys.readouterr().out)) == {"facts", "results"}


def test_inventing_says_what_is_hidden_and_what_to_try_and_trying_finds_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "invent", "--out", str(tmp_path / "two words"), "--seed", "1"]) == 0
    out = capsys.readouterr().out
    for words in ("INVENTED", "200 vehicles, 48 months, 12 lots", "seed 1", "circuit 03 in lot L05 fails 4 times",
                  "circuit 01 was changed: from 2024-01-02 on", "rises by 2 mV", "meter M01 is furthest off"):  # fmt: skip
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
    assert "diagnb: row 3, phase: a text begins like a spreadsheet formula" in said.err
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
