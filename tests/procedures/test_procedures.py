"""The door for procedures, and the procedures that ship."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault, MeasurementFault
from diagnb.procedures import caution_texts, load_procedure, procedure_files, read_procedure
from diagnb.uncertainty import parse_formula

SHIPPED = sorted(procedure_files())
MINIMAL: dict[str, Any] = {
    "schema": "diagnb-procedure/1", "id": "p", "version": 1, "title": "t", "purpose": "p", "energise": "measure only",
    "fail_means": "f", "next_step": "n",
    "readings": [
        {"name": "v", "title": "v", "unit": "V", "function": "dc voltage"},
        {"name": "i", "title": "i", "unit": "A", "function": "dc current"},
    ],
    "derived": [{"name": "r", "title": "r", "unit": "mΩ", "formula": "v / i"}],
    "limits": [{"result": "r", "unit": "mΩ", "upper": "5", "source": "s", "tag": "read"}],
}  # fmt: skip


def broken(path: str, value: Any) -> dict[str, Any]:
    made = copy.deepcopy(MINIMAL)
    place: Any = made
    *steps, last = [int(s) if s.isdigit() else s for s in path.split(".")]
    for step in steps:
        place = place[step]
    if value is None:
        del place[last]
    else:
        place[last] = value
    return made


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_procedure_loads_and_its_cautions_are_there(name: str) -> None:
    procedure = load_procedure(name)
    assert procedure.id == name
    assert set(procedure.cautions) <= set(caution_texts())
    for entry in procedure.limits:
        assert entry.source
        assert entry.tag


@pytest.mark.parametrize(
    ("path", "value", "where"),
    [
        ("schema", "diagnb-procedure/7", "procedure.schema"),
        ("schema", None, "procedure.schema"),
        ("title", None, "procedure.title"),
        ("extra", 1, "procedure.extra"),
        ("version", "1", "procedure.version"),
        ("energise", "always", "procedure.energise"),
        ("readings", [], "procedure.readings"),
        ("readings.0.unit", "Volt?", "procedure.readings[0].unit"),
        ("readings.0.name", "V", "procedure.readings[0].name"),
        ("readings.0.expected", [float("nan"), 1.0], "procedure.readings[0].expected[0].float"),
        ("readings.1.name", "v", "procedure.readings[1].name"),
        ("derived.0.formula", "v + i", "procedure.derived[0].formula"),
        ("derived.0.formula", "v * i", "procedure.derived[0].formula"),
        ("derived.0.formula", "v / x", "procedure.derived[0].formula"),
        ("derived.0.formula", "__import__('os')", "procedure.derived[0].formula"),
        ("derived.0.formula", ["v / i", "i"], "procedure.derived[0].formula[1]"),
        ("derived.0.formula", "9" * 400, "procedure.derived[0].formula"),
        ("limits.0.result", "q", "procedure.limits[0].result"),
        ("limits.0.unit", "V", "procedure.limits[0].unit"),
        ("limits.0.rule", "generous", "procedure.limits[0].rule"),
        ("limits.0.upper", None, "procedure.limits[0]"),
        ("limits.0.lower", "6", "procedure.limits[0]"),
        ("limits.0.required", True, "procedure.limits[0]"),
        ("limits.0.source", "", "procedure.limits[0].source"),
        ("given", [{"name": "g", "title": "g", "unit": "V", "default": "1"}], "procedure.given[0].source"),
        ("given", [{"name": "g", "title": "g", "unit": "V", "half_width": "-1"}], "procedure.given[0].half_width"),
        ("tables", [{"name": "t", "x": ["1", "1"], "x_unit": "V", "y": ["1", "2"], "y_unit": "V", "source": "s"}], "procedure.tables[0].x"),
        ("tables", [{"name": "t", "x": ["1", "2"], "x_unit": "V", "y": ["1", "2", "3"], "y_unit": "V", "source": "s"}], "procedure.tables[0]"),
        ("tables", [{"name": "t", "x": ["1", "2"], "x_unit": "V", "y": ["1", "2"], "y_unit": "?", "half_width": "1", "source": "s"}], "procedure.tables[0].y_unit"),
    ],
)  # fmt: skip
def test_a_broken_procedure_says_where(path: str, value: Any, where: str) -> None:
    with pytest.raises(InputFault) as raised:
        read_procedure(broken(path, value))
    assert where in [f.where for f in raised.value.faults]


def test_all_faults_come_at_once() -> None:
    made = broken("readings.0.unit", "?")
    made["derived"][0]["formula"] = "v / x"
    made["limits"][0]["rule"] = "generous"
    with pytest.raises(InputFault) as raised:
        read_procedure(made)
    assert {f.where for f in raised.value.faults} >= {
        "procedure.readings[0].unit", "procedure.derived[0].formula", "procedure.limits[0].rule",
    }  # fmt: skip


def test_a_newer_schema_is_refused_clearly() -> None:
    with pytest.raises(InputFault, match="newer version"):
        read_procedure(broken("schema", "diagnb-procedure/2"))


@pytest.mark.parametrize(
    "formula", ["v * i^-1", "v / i", "v / (2*i) * 2", "sqrt(v^2) / i", "max(v, 2*v) / i", "v * (1/i)"]
)
def test_formulas_whose_dimensions_fit_load(formula: str) -> None:
    assert read_procedure(broken("derived.0.formula", formula)).derived[0].formulas[0].text == formula


@given(st.text(max_size=30))
@settings(max_examples=300, deadline=None)
def test_any_text_is_a_formula_or_a_fault(text: str) -> None:
    try:
        formula = parse_formula(text)
    except InputFault as error:
        assert error.faults[0].what
    else:
        try:
            formula.value(dict.fromkeys(formula.names, 1.5))
        except (InputFault, MeasurementFault) as error:
            assert error.faults[0].what


@given(st.from_regex(r"[-+*/()^ 0-9vix.,]{1,25}", fullmatch=True))
@settings(max_examples=400, deadline=None)
def test_any_arithmetic_is_a_value_or_a_fault(text: str) -> None:
    try:
        formula = parse_formula(text)
        formula.derivatives(dict.fromkeys(formula.names, 1.5))
    except (InputFault, MeasurementFault) as error:
        assert error.faults[0].what


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_any_procedure_is_read_or_refused(data: st.DataObject) -> None:
    made = copy.deepcopy(MINIMAL)
    for _ in range(data.draw(st.integers(1, 2))):
        key = data.draw(st.sampled_from([*MINIMAL, "given", "tables", "constants"]))
        part = made.get(key)
        if isinstance(part, list) and part and isinstance(part[0], dict) and part[0] and data.draw(st.booleans()):
            part[0][data.draw(st.sampled_from(sorted(part[0])))] = data.draw(json_like)
        else:
            made[key] = data.draw(json_like)
    try:
        read_procedure(made)
    except InputFault as error:
        assert error.faults


@given(st.binary(max_size=60))
@settings(max_examples=60, deadline=None)
def test_any_bytes_are_a_file_or_a_fault(tmp_path_factory: Any, content: bytes) -> None:
    path = tmp_path_factory.mktemp("p") / "p.toml"
    path.write_bytes(content)
    with pytest.raises(InputFault):
        load_procedure(path)


def test_a_shop_file_wins_over_the_shipped_one(tmp_path: Any) -> None:
    text = procedure_files()["ground-side-drop"].read_text(encoding="utf-8")
    (tmp_path / "ground-side-drop.toml").write_text(text.replace('upper = "0.1"', 'upper = "0.07"'), encoding="utf-8")
    files = procedure_files(tmp_path)
    assert set(files) >= set(SHIPPED)
    limit = load_procedure(files["ground-side-drop"]).limit_for("ground_drop")
    assert limit is not None
    assert limit.upper == 0.07
    assert tomllib.loads(text)["id"] == "ground-side-drop"
