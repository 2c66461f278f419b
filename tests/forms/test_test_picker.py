"""Which tests are offered, in which order, for which circuit."""

from __future__ import annotations

from diagnb.forms.model import load_library
from diagnb.forms.picker import offered

PROCEDURES = tuple(load_library().procedures.values())


def names(**wanted: str) -> list[str]:
    asked = {"system_voltage": "12", "circuit_class": "ordinary"} | wanted
    return [name for _, name in offered(PROCEDURES, **asked) if name]


def test_tests_stand_in_groups_in_the_order_of_the_catalogue():
    options = offered(PROCEDURES, system_voltage="12", circuit_class="ordinary")
    assert options[0] == ("— Battery —", "")
    assert options[1] == ("P01 Battery open-circuit voltage and state of charge", "battery-open-circuit-voltage")
    labels = [label for label, name in options if name]
    assert labels.index("P09 Feed-side voltage drop") < labels.index("P10 Ground-side voltage drop")
    assert len(names()) == len(PROCEDURES)


def test_words_or_a_number_narrow_the_list():
    assert names(words="feed-side DROP")[0] == "feed-side-drop"
    assert names(words="p22b") == ["network-levels"]
    assert names(words="no such thing") == []


def test_what_feeds_the_circuit_is_not_offered_on_a_circuit_that_must_not_be_fed():
    assert "wire-continuity" in names()
    assert "wire-continuity" not in names(circuit_class="restraint")
    assert "feed-side-drop" in names(circuit_class="restraint")


def test_a_test_without_a_limit_for_this_system_is_marked():
    at_48 = offered(PROCEDURES, system_voltage="48", circuit_class="ordinary")
    marked = [label for label, _ in at_48 if label.endswith("V only)")]
    assert marked
    assert not any("48" in label.rsplit("(", 1)[1] for label in marked)
    assert not any(label.endswith(" only)") for label, name in at_48 if name == "feed-side-drop")


def test_the_list_on_the_screen_follows_the_circuit_and_the_words(bench):
    bench.sheet.show("found")
    find, choice = bench.sheet.choosers["found"].find, bench.sheet.choosers["found"].choice
    find.value = "continuity"
    assert choice.value == "wire-continuity"
    bench.sheet.show("circuit")
    bench.type("circuit.class", "restraint")
    bench.sheet.show("found")
    assert "wire-continuity" not in [name for _, name in choice.options]
    find.value = ""
    choice.value = ""
    bench.sheet.guarded(bench.sheet._add_test)(choice.value, "found", "")
    assert "is not chosen" in bench.trouble
    assert bench.model.tests() == ()
