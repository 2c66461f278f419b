"""Descriptions of a recorder's file: what is stated holds, the rest is guessed and said, every fault has its path."""

from __future__ import annotations

import pytest

from diagnb.errors import InputFault
from diagnb.traces import load_description, read_description, read_trace
from diagnb.traces.description import parse_description

FULL = """
schema = "diagnb-trace/1"
delimiter = "semicolon"
decimal = ","
encoding = "latin-1"
header_lines = 2

[time]
column = "t"
unit = "ms"

[[columns]]
column = "A"
name = "starter current"
unit = "mV"
adapter = "1 mV/A"
gives = "A"
invert = true
function = "dc current"
range = "2000 A"

[[columns]]
column = 3
name = "battery"
unit = "V"
scale = 10
"""
ROWS = "shop;x;y\nt;A;B\n" + "\n".join(f"{i},5;{-100 * i},0;1,2{i}" for i in range(9))


def test_a_full_description_leaves_nothing_to_guess(tmp_path):
    (tmp_path / "layout.toml").write_text(FULL, encoding="utf-8")
    stated = load_description(tmp_path / "layout.toml")
    trace = read_trace(ROWS.encode("latin-1"), {"schema": "diagnb-trace/1"} | _plain())
    assert stated["columns"] == trace.description.columns
    assert trace.description.guessed == ()
    assert trace.time[1] == pytest.approx(1.5e-3)
    assert trace.column("starter current").values[3] == pytest.approx(300.0)
    assert trace.column("battery").values[3] == pytest.approx(12.3)
    assert trace.column("battery").function == "dc voltage"


def _plain():
    import tomllib

    return tomllib.loads(FULL)


def test_a_guess_can_be_kept_and_reads_the_file_the_same_way():
    text = "Zeit (ms);Kanal 1 (V);Strom\n" + "\n".join(f"{i},25;12,{i:02d};0,{i}" for i in range(20))
    guessed = read_trace(text.encode()).description
    assert any("comma" in said for said in guessed.guessed)
    assert any("'Strom'" in said and "A" in said for said in guessed.guessed)
    again = read_trace(text.encode(), _toml(guessed.to_toml())).description
    assert (again.delimiter, again.decimal, again.time, again.columns) == (
        guessed.delimiter, guessed.decimal, guessed.time, guessed.columns,
    )  # fmt: skip
    assert again.guessed == ()


def _toml(text):
    import tomllib

    return tomllib.loads(text)


@pytest.mark.parametrize(
    ("changed", "place"),
    [
        ({"schema": "diagnb-trace/2"}, "schema"),
        ({"delimeter": ";"}, "delimeter"),
        ({"delimiter": "#"}, "delimiter"),
        ({"delimiter": ",", "decimal": ","}, "decimal"),
        ({"encoding": "ebcdic"}, "encoding"),
        ({"header_lines": -1}, "header_lines"),
        ({"time": {}}, "time"),
        ({"time": {"interval": "10 V"}}, "time.interval"),
        ({"time": {"column": "t", "unit": "A"}}, "time.unit"),
        ({"columns": []}, "columns"),
        ({"columns": [{"column": "A"}]}, "columns[0].unit"),
        ({"columns": [{"column": "A", "unit": "furlongs per"}]}, "columns[0].unit"),
        ({"columns": [{"column": 0, "unit": "V"}]}, "columns[0].column"),
        ({"columns": [{"column": "A", "unit": "V", "adapter": "100 mV/A"}]}, "columns[0].gives"),
        ({"columns": [{"column": "A", "unit": "V", "adapter": "100 mV/V", "gives": "A"}]}, "columns[0].adapter"),
        ({"columns": [{"column": "A", "unit": "V", "adapter": "fast", "gives": "A"}]}, "columns[0].adapter"),
        ({"columns": [{"column": "A", "unit": "V", "scale": 0}]}, "columns[0].scale"),
        ({"columns": [{"column": "A", "unit": "V", "invert": "yes"}]}, "columns[0].invert"),
        ({"columns": [{"column": "A", "unit": "V"}, {"column": "A", "unit": "V"}]}, "columns"),
    ],
)  # fmt: skip
def test_every_fault_names_its_place(changed, place):
    with pytest.raises(InputFault) as caught:
        read_description({"schema": "diagnb-trace/1"} | changed)
    assert f"trace.{place}" in {f.where for f in caught.value.faults}


def test_all_faults_are_listed_at_once():
    plain = {"schema": "x", "decimal": "!", "columns": [{"unit": "V"}, {"column": "A", "unit": "nonsense"}]}
    with pytest.raises(InputFault) as caught:
        read_description(plain)
    assert len(caught.value.faults) == 4


def test_broken_toml_is_a_fault():
    for data in (b"schema = ", b"\xff\xfe", b"a" * 200_000):
        with pytest.raises(InputFault):
            parse_description(data)
    with pytest.raises(InputFault):
        load_description("no such file.toml")
