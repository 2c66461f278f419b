"""A path test on the sheet: nodes one below the other, the profile, the span that fails, what to probe next."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.forms.path_nodes import node_ids
from diagnb.record import load_record, plain

PROBED = {"n1": "12.61 V", "n2": "12.57 V", "n3": "12.47 V", "n4": "11.92 V", "n5": "0.148 V", "n6": "0.0001 V"}


def path_test(model) -> str:
    test = model.add("tests", procedure="path-test", phase="as found")
    for node, text in PROBED.items():
        model.put(f"tests.{test}.readings.node_{node}", text)
    model.put(f"tests.{test}.readings.current", "6.42 A")
    return test


def test_a_new_path_begins_with_the_usual_nodes_in_their_order(model):
    test = model.add("tests", procedure="path-test", phase="as found")
    names = [model.text(f"tests.{test}.path.{n}.name") for n in node_ids(model.values, test)]
    assert names[0] == "source +"
    assert names[-1] == "source -"
    assert model.blank(test) == (f"tests.{test}.readings.current",)


def test_the_failing_span_is_found_while_the_nodes_are_typed(model):
    test = path_test(model)
    outcome, faults = model.evaluated(test)
    assert not faults
    assert outcome.profile.failing == "span_3"
    drop = outcome.result("span_3_drop")
    assert drop.verdict.verdict == "fail"
    assert drop.advice[0].code == "halve-between"
    assert outcome.result("span_1_drop").verdict.verdict in ("pass", "conditional pass")


def test_the_record_of_a_path_test_is_whole_and_gives_the_same_results(model):
    test = path_test(model)
    model.put(f"tests.{test}.path.n3.size", "12 AWG")
    model.put(f"tests.{test}.path.n3.length", "900 cm")
    model.put(f"tests.{test}.path.n1.size", "4 mm²")
    model.put(f"tests.{test}.path.n1.length", "1,2")
    model.put(f"tests.{test}.path.n1.degc", "40")
    model.put(f"tests.{test}.readings.drop_n1", "41.2 mV")
    model.put(f"tests.{test}.readings.source_voltage", "12.60 V")
    record, evaluation = model.frozen()
    nodes = record.tests[0].path.nodes
    assert [n.texts[0] for n in nodes] == list(PROBED.values())
    assert (nodes[2].wire.awg, nodes[2].wire.length_m, nodes[2].wire.conductor_degc) == ("12", "9", "21")
    assert (nodes[0].wire.area_mm2, nodes[0].wire.length_m, nodes[0].wire.conductor_degc) == ("4", "1.2", "40")
    assert nodes[0].drop.texts == ("41.2 mV",)
    assert record.tests[0].path.current.texts == ("6.42 A",)
    again = evaluate(load_record(json.loads(json.dumps(plain(record)))))
    assert again.to_plain() == evaluation.to_plain()
    assert any(r.name == "span_3_ratio" for r in evaluation.tests[0].results)
    assert evaluation.tests[0].profile.adds_up is True


def test_nodes_are_added_moved_and_taken_off_and_undo_brings_each_back(model):
    test = path_test(model)
    made = model.add_node(test, "n3")
    assert node_ids(model.values, test) == ("n1", "n2", "n3", made, "n4", "n5", "n6")
    model.put(f"tests.{test}.path.{made}.name", "connector C4")
    model.move_node(test, made, -1)
    assert node_ids(model.values, test)[2] == made
    model.remove_node(test, made)
    assert made not in node_ids(model.values, test)
    model.undo()
    model.undo()
    assert node_ids(model.values, test)[3] == made
    assert model.text(f"tests.{test}.path.{made}.name") == "connector C4"
    model.move_node(test, "n1", -1)
    assert node_ids(model.values, test)[0] == "n1"


def test_an_unprobed_node_leaves_a_stretch_that_says_where_to_halve_it(model):
    test = path_test(model)
    model.put(f"tests.{test}.readings.node_n3", "")
    outcome, _ = model.evaluated(test)
    assert outcome.profile.failing == "stretch_2_4"
    assert outcome.result("stretch_2_4_drop").advice[0].words["node"] == "switch, output"


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("path.n1.size", "four", "not"),
        ("path.n1.length", "12 V", "metres"),
        ("readings.node_n2", "12,5,7 V", "decimal"),
        ("path.n2.name", "source +", "twice"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_the_rest_is_judged_all_the_same(model, key, text, said):
    test = path_test(model)
    model.put(f"tests.{test}.{key}", text)
    outcome, faults = model.evaluated(test)
    assert outcome is not None
    assert outcome.result("span_4_drop").value is not None
    found = faults[f"tests.{test}.{key}"]
    assert said in f"{found.what} {found.repair}"
    with pytest.raises(InputFault):
        model.record()


def test_a_span_may_have_a_limit_of_its_own_with_its_source(model):
    test = path_test(model)
    model.put(f"tests.{test}.path.n3.limit", "0.6 V")
    assert "where the limit comes from" in str(model.faults()[0])
    model.put(f"tests.{test}.path.n3.limit_source", "maker's wiring sheet 7 (invented)")
    record, evaluation = model.frozen()
    assert record.tests[0].path.nodes[2].limit.upper == "0.6"
    assert evaluation.tests[0].result("span_3_drop").verdict.verdict != "fail"


def test_the_same_nodes_are_read_again_as_left(model):
    test = path_test(model)
    model.add_node(test, "n6")
    (left,) = model.repeat_as_left()
    assert node_ids(model.values, left) == node_ids(model.values, test)
    assert model.text(f"tests.{left}.path.n2.name") == "fuse, output"
    assert model.text(f"tests.{left}.readings.node_n2") == ""


def test_the_screen_shows_nodes_spans_profile_and_the_next_step(bench):
    bench.fill()
    bench.sheet._add_test("path-test", "found", "")
    for node, text in PROBED.items():
        bench.type(f"tests.t2.readings.node_{node}", text)
    bench.type("tests.t2.readings.current", "6.42 A")
    picture = bench.row("tests.t2.profile")
    assert picture["picture"].startswith("<svg")
    assert "switch, output → load +" in picture["said"]
    assert "Halve the span" in picture["said"]
    span = bench.row("tests.t2.results.span_n3")
    assert (span["verdict"], span["compact"]) == ("fail", True)
    assert bench.row("tests.t2.readings.node_n1")["next"] == "tests.t2.readings.node_n2"
    assert bench.row("tests.t2.readings.node_n6")["next"] == "tests.t2.readings.current"
    assert not bench.trouble


def test_the_buttons_of_a_node_add_move_and_take_off(bench):
    bench.fill()
    bench.sheet._add_test("path-test", "found", "")
    bench.act("node-add.t2.n2")
    assert node_ids(bench.model.values, "t2") == ("n1", "n2", "n7", "n3", "n4", "n5", "n6")
    bench.act("node-down.t2.n7")
    assert node_ids(bench.model.values, "t2")[3] == "n7"
    bench.act("node-off.t2.n7")
    assert "n7" not in node_ids(bench.model.values, "t2")
    for node in ("n1", "n2", "n3", "n4", "n5", "n6"):
        bench.act(f"node-off.t2.{node}")
    assert "fewer than two" in bench.trouble


def test_the_shipped_path_record_typed_into_the_form_gives_its_own_verdicts(model):
    path = Path(__file__).parents[1] / "data" / "records" / "path-test.json"
    record = load_record(path)
    wanted = evaluate(record).tests[0]
    source = record.tests[0].path
    model.put("instruments.m1.meter", record.instrument("M1").meter)
    model.put("instruments.m2.meter", record.instrument("A1").meter)
    test = model.add("tests", procedure="path-test", phase="as found")
    base = f"tests.{test}.path"
    model.put(f"{base}.order", " ".join(f"n{i}" for i in range(1, len(source.nodes) + 1)))
    for number, node in enumerate(source.nodes, 1):
        model.put(f"{base}.n{number}.name", node.name)
        model.put(f"{base}.n{number}.kind", node.kind)
        model.put(f"tests.{test}.readings.node_n{number}", node.texts[0])
        if node.drop:
            model.put(f"tests.{test}.readings.drop_n{number}", node.drop.texts[0])
        if node.wire:
            model.put(f"{base}.n{number}.size", f"{node.wire.area_mm2} mm²")
            model.put(f"{base}.n{number}.length", f"{node.wire.length_m} m")
        if node.crosses:
            model.put(f"{base}.n{number}.crosses", node.crosses)
        if node.limit:
            model.put(f"{base}.n{number}.limit", f"{node.limit.upper} {node.limit.unit}")
            model.put(f"{base}.n{number}.limit_source", node.limit.source)
    model.put(f"tests.{test}.readings.current", source.current.texts[0])
    model.put(f"tests.{test}.readings.source_voltage", source.source_voltage.texts[0])
    found, faults = model.evaluated(test)
    assert not faults
    assert {r.name: r.verdict.verdict for r in found.results} == {r.name: r.verdict.verdict for r in wanted.results}
    assert found.profile.failing == wanted.profile.failing


def test_typing_the_name_of_a_node_draws_nothing_anew(bench):
    bench.fill()
    bench.sheet._add_test("path-test", "found", "")
    drawn = []
    bench.sheet.grids["found"].observe(lambda change: drawn.append(change), names="rows")
    told = bench.type("tests.t2.path.n2.name", "fuse F12, output")
    assert drawn == []
    assert "Node 2: fuse F12, output" in [row.get("block_label") for row in told["rows"]]
