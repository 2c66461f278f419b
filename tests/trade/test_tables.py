"""The door of the reference tables: what ships is whole, what is wrong is named with its place, all of it at once."""

from __future__ import annotations

import copy
import tomllib
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault
from diagnb.shipped import templates_directory

FILES = sorted((templates_directory() / "trade").glob("*.toml"))
GOOD: dict[str, Any] = {
    "schema": "diagnb-trade/1",
    "tables": [
        {
            "id": "ours", "title": "Ours", "source": "the shop", "edition": "2026", "provenance": "common practice",
            "columns": [{"name": "t", "unit": "°C"}, {"name": "v", "unit": "V"}], "rows": [[0, 1.0], [10, 2.0]],
        }
    ],
}  # fmt: skip


def faults(change: Any) -> list[str]:
    plain = copy.deepcopy(GOOD)
    change(plain)
    with pytest.raises(InputFault) as found:
        trade.read_tables(plain, "x.toml")
    return [str(f) for f in found.value.faults]


def test_no_id_is_used_in_two_files() -> None:
    counted = Counter(t.id for path in FILES for t in trade.load_tables(path))
    assert [name for name, n in counted.items() if n > 1] == []
    assert set(counted) == set(trade.shipped_tables())


@pytest.mark.parametrize("table", trade.shipped_tables().values(), ids=lambda t: t.id)
def test_every_shipped_table_says_where_it_comes_from(table: trade.ReferenceTable) -> None:
    assert table.source
    assert table.edition
    assert table.provenance in ("read", "from memory", "common practice", "definition")


def test_what_was_not_seen_is_not_called_read() -> None:
    assert [t.id for t in trade.shipped_tables().values() if t.edition == "not seen" and t.provenance == "read"] == []


def test_a_good_table_is_taken_in_its_units() -> None:
    (table,) = trade.read_tables(copy.deepcopy(GOOD))
    assert table.interpolate("v", 278.15, symbol="mV", x_symbol="K", argument="t") == pytest.approx(1500)
    assert table.values("t", "°F") == pytest.approx([32, 50])


def test_all_faults_are_told_at_once_with_their_place() -> None:
    def change(plain: dict[str, Any]) -> None:
        plain["colour"] = "red"
        plain["tables"][0] |= {"provenance": "hearsay", "source": " ", "limit": 3}
        plain["tables"].append("more")

    found = "\n".join(faults(change))
    for part in ("x.toml.colour", "tables[0].provenance", "tables[0].source", "tables[0].limit", "tables[1]"):
        assert part in found


@pytest.mark.parametrize(
    ("key", "value", "part"),
    [
        ("rows", [[0, 1.0], [0, 2.0]], "must rise"),
        ("rows", [[0, 1.0], [10]], "rows[1]: must have 2 values"),
        ("rows", [[0, "1"], [10, 2]], "rows[0].v: '1' is not a number"),
        ("rows", [[0, True], [10, float("nan")]], "rows[1].v"),
        ("rows", [], "one row or more"),
        ("columns", [{"name": "t", "unit": "°C"}, {"name": "v", "unit": "furlongs!"}], "columns[1].unit"),
        ("columns", [{"name": "v", "unit": "°C"}, {"name": "v", "unit": "V"}], "'v' stands twice"),
        ("columns", [{"name": "t"}, {"name": "v", "unit": "V"}], "columns[0]"),
        ("reach", [5, 20], "must hold all of t"),
        ("reach", [5], "must be two numbers"),
        ("key", "w", "'w' is no column"),
    ],
)
def test_a_fault_is_named(key: str, value: Any, part: str) -> None:
    assert any(part in f for f in faults(lambda plain: plain["tables"][0].update({key: value})))


def test_two_rows_of_one_key_and_two_tables_of_one_id_are_faults() -> None:
    def change(plain: dict[str, Any]) -> None:
        plain["tables"].append(copy.deepcopy(plain["tables"][0]) | {"key": "v", "rows": [[0, 1], [10, 1]]})
        plain["tables"].append(plain["tables"][0])

    found = faults(change)
    assert any("two rows have the same v" in f for f in found)
    assert any("'ours' stands twice" in f for f in found)


def test_a_newer_schema_is_told_apart_from_a_wrong_one() -> None:
    assert any("newer version" in f for f in faults(lambda p: p.update(schema="diagnb-trade/2")))
    assert any("start the file" in f for f in faults(lambda p: p.update(schema=None)))


@pytest.mark.parametrize("content", [b"a = [", b"\xff\xfe", None])
def test_a_file_that_cannot_be_read_is_a_named_fault(tmp_path: Any, content: bytes | None) -> None:
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputFault, match=r"mine\.toml"):
        trade.load_tables(path)


def test_a_shop_can_use_its_own_copy_of_a_table(tmp_path: Any) -> None:
    text = (templates_directory() / "trade" / "batteries.toml").read_text(encoding="utf-8")
    path = tmp_path / "batteries.toml"
    path.write_text(text.replace("[11.7, 0]", "[11.5, 0]"), encoding="utf-8")
    own = next(t for t in trade.load_tables(path) if t.id == "charge-tm-5-3805")
    assert trade.state_of_charge_from_voltage(voltage=11.75, table=own) == pytest.approx(0.125)
    assert trade.state_of_charge_from_voltage(voltage=11.75, table="charge-tm-5-3805") == pytest.approx(1 / 24)


@pytest.mark.parametrize("keys", ["Q", ["A", "Q"], 5, None, {"A": 1}, np.array([1, 2])])
def test_a_row_that_is_not_there_is_a_fault(keys: Any) -> None:
    with pytest.raises(InputFault, match="supply-voltage-codes"):
        trade.find_table("supply-voltage-codes").pick("lowest", keys)


def test_unknown_tables_and_columns_list_what_there_is() -> None:
    with pytest.raises(InputFault, match="charge-battery-council"):
        trade.state_of_charge_from_voltage(voltage=12.4, table="mine")
    with pytest.raises(InputFault, match="it has code, system, lowest, highest"):
        trade.find_table("supply-voltage-codes").values("middle")
    with pytest.raises(InputFault, match="words"):
        trade.find_table("supply-voltage-codes").values("code")
    with pytest.raises(InputFault, match="no named rows"):
        trade.find_table("regulator-12v").row(65)


def test_shipped_files_name_no_page_or_maker() -> None:
    for path in FILES:
        text = path.read_text(encoding="utf-8")
        assert "http" not in text
        assert tomllib.loads(text)["schema"] == "diagnb-trade/1"


LEAF = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6) | st.just(10**400)
ANYTHING = st.recursive(LEAF, lambda x: st.lists(x, max_size=3) | st.dictionaries(st.text(max_size=4), x, max_size=3))


@given(st.sampled_from(["schema", "tables"]), ANYTHING)
def test_any_file_gives_tables_or_named_faults(key: str, value: Any) -> None:
    with pytest.raises(InputFault):
        trade.read_tables(GOOD | {key: value})


@given(st.sampled_from([*GOOD["tables"][0], "reach", "key", "note"]), ANYTHING)
def test_any_table_gives_a_table_or_named_faults(key: str, value: Any) -> None:
    try:
        found = trade.read_tables({"schema": GOOD["schema"], "tables": [GOOD["tables"][0] | {key: value}]})
    except InputFault:
        return
    assert found[0].columns
