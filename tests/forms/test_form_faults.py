"""Nothing a shop puts into its folder, and nothing missing from it, may lock a sheet."""

from __future__ import annotations

import pytest

from diagnb.errors import InputFault
from diagnb.forms.model import load_library
from diagnb.shipped import templates_directory


def shop_procedure(folder, *, name: str, known_as: str) -> None:
    text = (templates_directory() / "procedures" / "feed-side-drop.toml").read_text(encoding="utf-8")
    (folder / "procedures").mkdir(exist_ok=True)
    path = folder / "procedures" / f"{name}.toml"
    path.write_text(text.replace('id = "feed-side-drop"', f'id = "{known_as}"'), encoding="utf-8")


def test_a_shops_procedure_goes_by_the_id_inside_its_file(tmp_path):
    shop_procedure(tmp_path, name="our-drop", known_as="our-drop")
    shop_procedure(tmp_path, name="renamed", known_as="other-id")
    library = load_library(tmp_path)
    assert "our-drop" in library.procedures
    assert "renamed" not in library.procedures
    assert all(name == known.id for name, known in library.procedures.items())
    assert all(name == known.id for name, known in library.meters.items())


def test_a_test_that_can_not_be_made_does_not_get_onto_the_sheet(model):
    before = dict(model.values)
    with pytest.raises(InputFault, match="not on file"):
        model.add("tests", procedure="nothing-of-the-kind", phase="as found")
    assert dict(model.values) == before


def test_a_test_that_breaks_the_evaluation_does_not_get_onto_the_sheet(bench, monkeypatch):
    bench.fill()
    before = dict(bench.model.values)

    def broken(*_: object, **__: object) -> None:
        raise KeyError("other-id")

    monkeypatch.setattr("diagnb.forms.model.evaluate_test", broken)
    bench.sheet.guarded(bench.sheet._add_test)("ground-side-drop", "found", "")
    assert dict(bench.model.values) == before
    assert "be used on this sheet" in bench.trouble


def test_a_test_whose_procedure_is_gone_is_shown_and_can_be_taken_off(bench):
    bench.fill()
    bench.model.put("tests.t2.procedure", "gone-away")
    bench.model.put("tests.t2.phase", "as left")
    bench.model.put("tests.t2.repeats_test", "t1")
    bench.model.put("tests.t3.procedure", "feed-side-drop")
    bench.model.put("tests.t3.phase", "as left")
    bench.model.put("tests.t3.repeats_test", "t2")
    for step in ("left", "review", "sign", "found", "left"):
        bench.sheet.show(step)
    assert not bench.log
    said = [row["label"] for row in bench.sheet.grids["left"].rows if row.get("of") == "t2"]
    assert any("gone-away is not on file here" in text for text in said)
    assert [fault.where for fault in bench.model.faults()] == ["tests.t2.procedure"]
    button = next(r for r in bench.sheet.grids["left"].rows if r.get("button") == "Take this test off")
    bench.act(button["key"])
    assert bench.model.tests() == ("t1", "t3")
    assert bench.model.faults() == ()


def test_a_test_that_can_not_be_shown_leaves_the_others_on_the_screen(bench, monkeypatch):
    bench.fill()
    bench.sheet._add_test("ground-side-drop", "found", "")
    rows = bench.sheet.rows
    shown = rows._test

    def broken(test, procedure):
        if test == "t1":
            raise KeyError("rows")
        return shown(test, procedure)

    monkeypatch.setattr(rows, "_test", broken)
    found = rows.of("found")
    assert any(r.get("button") == "Take this test off" and r["of"] == "t1" for r in found)
    assert any(r["kind"] == "reading" and r["of"] == "t2" for r in found)
    assert "KeyError" in bench.log[-1]


def test_the_line_for_a_fault_of_the_program_names_the_log_file(bench):
    def broken() -> None:
        raise RuntimeError("no such luck")

    bench.sheet.guarded(broken)()
    assert "entries are saved" in bench.trouble
    assert "details are in form.log" in bench.trouble
    assert "no such luck" in bench.log[-1]
