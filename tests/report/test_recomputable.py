"""A reader with the paper alone: every value used is there, in the unit of its row, with where it comes from."""

from __future__ import annotations

import ast
import re
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

import diagnb
from diagnb.conformity import REASONS
from diagnb.evaluation import evaluate
from diagnb.record import canonical_bytes, load_record, plain, procedure_of, read_json, read_record
from diagnb.report import Options, render_report
from diagnb.report.blocks import Block, Cell, EndMark, Heading, KeyValues, Notice, Paragraph, Table
from diagnb.report.compose import compose
from diagnb.report.sections.matter import judged
from diagnb.report.wording import LANGUAGES, load_wording
from diagnb.shipped import templates_directory

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=timezone(timedelta(hours=1)))
RECORDS = sorted((Path(__file__).parent.parent / "data" / "records").glob("*.json"))


@pytest.fixture(scope="module")
def record():
    return load_record(templates_directory() / "demo-record.json")


def blocks_of(record, language: str = "en") -> tuple[Block, ...]:
    return compose(record, evaluate(record), load_wording(language), Options(moment=MOMENT, language=language))


def flat(block: Block) -> str:
    """All text of a block on one line."""
    if isinstance(block, Table):
        cells = [c for row in block.rows for c in row]
        said = [f"{c.text} {c.detail}" if isinstance(c, Cell) else c for c in cells] + list(block.notes)
    elif isinstance(block, KeyValues):
        said = [f"{name} {value}" for name, value in block.rows]
    elif isinstance(block, Notice):
        said = [block.heading, block.text]
    elif isinstance(block, (Heading, Paragraph, EndMark)):
        said = [block.text]
    else:
        said = []
    return " ".join(" ".join(said).replace("\u00a0", " ").split())


def section(blocks: tuple[Block, ...], key: str, language: str = "en") -> str:
    title, inside, found = load_wording(language).say(f"section.{key}"), False, []
    for block in blocks:
        if isinstance(block, Heading) and block.level == 2:
            inside = block.text == title
        elif inside:
            found.append(flat(block))
    return " ".join(found)


def changed(record, **changes):
    return read_record({**plain(record), **changes})


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_the_record_inside_the_report_draws_the_same_pages(path: Path):
    """A reader draws them from the canonical bytes, whose keys stand in another order than in the file."""
    record = load_record(path)
    inside = read_record(read_json(canonical_bytes(record), "record.json"))
    drawn = [render_report(r, evaluate(r), moment=MOMENT) for r in (record, inside)]
    assert drawn[0] == drawn[1]


def test_values_assumed_by_a_procedure_stand_with_their_half_width_and_source(record):
    readings = section(blocks_of(record), "readings")
    assert (
        "Share of the capacity that may be used before a no-start usable_share 40 ± 10 % – assumed by the procedure "
        "common practice for a starting battery" in readings
    )
    assert "225 ± 10 A·h – stated battery label" in readings
    remarks = section(blocks_of(record), "remarks")
    assert "Values assumed by the procedures were used:" in remarks and "Test 7, Share of the capacity" in remarks


def test_half_widths_of_a_wire_say_whether_they_were_stated():
    record = load_record(next(p for p in RECORDS if p.stem == "path-test"))
    assert "± 5 % (assumed by the procedure); ± 10 K (assumed by the procedure)" in section(
        blocks_of(record), "readings"
    )


def test_constants_and_tables_stand_with_value_unit_and_source(record):
    basis = section(blocks_of(record), "basis")
    assert "copper_zero −234.5 °C inferred zero-resistance temperature" in basis
    assert "12.24 V → 50 %" in basis and "half-width ± 5 % of an interpolated value" in basis
    assert "outside the points the end value holds" in basis
    assert "system_voltage 24 V" in basis
    assert "12,24 V → 50 %" in section(blocks_of(record, "de"), "basis", "de")


def test_accuracy_specifications_of_what_was_read_and_of_nothing_else(record):
    said = section(blocks_of(record), "specifications")
    assert "M1 Handheld multimeter, 6000 counts, true r.m.s. dc voltage 60.00 V ± (0.5 % of reading + 2 counts)" in said
    assert "0.01 V limit wider by 10 % of itself per kelvin outside 18 °C to 28 °C" in said
    assert "input resistance 10 MΩ" in said and "own resistance 0.03 Ω" in said
    assert "in common is not stated" in said
    assert "T1" not in said and "ac voltage" not in said


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_no_name_of_a_formula_is_left_without_its_value(path):
    record = load_record(path)
    evaluation = evaluate(record)
    said = " ".join(flat(b) for b in blocks_of(record))
    for test in record.tests:
        procedure = procedure_of(record, test.procedure)
        named = {e["name"] for e in procedure.plain.get("constants", ())} | {g.name for g in procedure.givens}
        for result in evaluation.test(test.id).results:
            if result.value is not None:
                for name in set(result.inputs) & (named | {r.name for r in test.taken}):
                    assert name in said, (test.id, name)


def test_a_limit_that_was_read_is_not_called_generic(record):
    remarks = section(blocks_of(record), "remarks")
    generic, _, read = remarks.partition("Limits of the procedures, read in the source")
    assert "Generic limits" in generic and "Open-circuit voltage" not in generic.partition("Generic limits")[2]
    assert "Test 1, Open-circuit voltage" in read


def test_what_would_settle_it_names_what_decides_and_nothing_beside_it(record):
    advice = section(blocks_of(record), "advice")
    evaluation = evaluate(record)
    assert "Measure it directly" in advice and "T1" not in advice
    assert advice.count("Test 2, Feed-side voltage drop") == 1
    row = next(
        t for t in blocks_of(record) if isinstance(t, Table) and "directly" in flat(t) and "What would" in t.head[1]
    )
    assert "“conditional pass”" not in flat(row)
    settled = [a for t in evaluation.tests for r in t.results for a in r.advice if a.settles]
    assert settled


def test_one_limit_is_written_in_one_unit_as_found_and_as_left(record):
    table = section(blocks_of(record), "compared")
    assert "0.06138 ± 0.00094 V ≤ 0.1 V" in table and "1.419 ± 0.017 V ≤ 0.1 V" in table
    assert "≤ 100 mV" not in table
    pairs = section(blocks_of(record), "pairs")
    assert "1.419 → 0.06138 V −1.357 ± 0.017 V" in pairs


def test_a_change_shows_displays_with_the_digits_that_were_typed(record):
    document = plain(record)
    for test, texts in (("3", ["0.071 V"]), ("5", ["74.0 mV"])):
        entry = next(t for t in document["tests"] if t["id"] == test)
        next(r for r in entry["readings"] if r["name"] == "drop")["texts"] = texts
    pairs = section(blocks_of(read_record(document)), "pairs")
    assert "71 → 74.0 mV" in pairs
    assert section(blocks_of(read_record(document)), "compared").count("mV ≤ 100 mV") == 2


@pytest.mark.parametrize(("language", "distance"), [("en", "150,000"), ("de", "150.000"), ("fr", "150\u202f000")])
def test_distances_are_written_alike_in_coverage_and_odometer(record, language, distance):
    opening = [flat(b) for b in blocks_of(record, language) if isinstance(b, KeyValues)]
    assert any(distance.replace("\u202f", " ") + " km" in " ".join(said.split()) for said in opening)
    wording = load_wording(language)
    assert wording.grouped("150000") == distance
    assert wording.grouped("2914") == "2914"
    assert wording.grouped("61240.5").endswith(wording.say("format.decimal") + "5")


@pytest.mark.parametrize("path", [templates_directory() / "demo-record.json", *RECORDS], ids=lambda p: p.stem)
def test_the_outcome_box_holds_every_judged_result(path):
    record = load_record(path)
    box = next(flat(b) for b in blocks_of(record) if isinstance(b, Notice))
    wording = load_wording("en")
    for test in evaluate(record).tests:
        for result in test.results:
            if judged(result):
                assert result.title in box
                assert wording.verdict(result.verdict.verdict) in box


def test_a_missing_limit_is_in_the_outcome_box(record):
    document = plain(record)
    entry = next(t for t in document["tests"] if t["id"] == "7")
    entry["limits"] = [limit for limit in entry["limits"] if limit["result"] != "key_off_draw"]
    box = next(flat(b) for b in blocks_of(read_record(document)) if isinstance(b, Notice))
    assert "Key-off draw: as left ? not judged." in box


def test_unused_instruments_empty_memories_and_changes_without_direction_say_so(record):
    blocks = blocks_of(record)
    assert re.search(r"T1 .*not used in this record", section(blocks, "instruments"))
    codes = section(blocks, "codes")
    assert codes.count("saved before clearing") == 1
    assert "no limit, change only" in section(blocks, "pairs")


def test_method_and_its_triggers_stand_beside_the_value(record):
    derived = section(blocks_of(record), "derived")
    assert "linear (GUM) Monte Carlo (JCGM 101) confirmed it; run because the value is near a physical limit" in derived


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_trigger_has_its_sentence(language):
    from typing import get_args

    from diagnb.uncertainty.method import Trigger

    assert all(load_wording(language).has(f"trigger.{code}") for code in get_args(Trigger))


def test_what_was_done_to_a_reading_stands_beside_it(record):
    document = plain(record)
    entry = next(t for t in document["tests"] if t["id"] == "4")
    next(r for r in entry["readings"] if r["name"] == "passive_resistance").update(texts=["0.4 Ω"], zero="0.1 Ω")
    document["conditions"].pop("ambient_degc")
    readings = section(blocks_of(read_record(document)), "readings")
    assert "the display with nothing applied was taken off; display with nothing applied: 0.1 Ω" in readings
    assert "the whole operating range of the instrument was assumed" in readings


def advice_codes() -> set[str]:
    """Every constant of the modules that make advice which looks like a code and is not a reason of a verdict."""
    found = set()
    for path in Path(diagnb.__file__).parent.rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        if "Advice(" in source and path.parts[-2] in ("conformity", "evaluation"):
            for node in ast.walk(ast.parse(source)):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    found |= {node.value} if re.fullmatch(r"[a-z]+(-[a-z]+)+", node.value) else set()
    return found - set(REASONS) - {"monte-carlo"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_advice_has_its_sentence(language):
    wording = load_wording(language)
    codes = advice_codes()
    assert {"direct-reading", "more-repeats", "halve-here", "take-reading"} <= codes
    assert [code for code in sorted(codes) if not wording.has(f"advice.{code}")] == []


@pytest.mark.system
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_signatures_and_proof_stand_on_one_page(record, paper):
    import subprocess

    data = render_report(record, evaluate(record), moment=MOMENT, paper=paper)
    done = subprocess.run(["pdftotext", "-enc", "UTF-8", "-", "-"], input=data, capture_output=True, check=True)
    last = [page for page in done.stdout.decode().split("\f") if page.strip()][-1]
    for words in ("Signatures", "Technician", "How to verify this report", "End of report"):
        assert words in last


@pytest.mark.parametrize(("language", "said"), [("en", "NOT met: load on"), ("de", "NICHT erfüllt: load on")])
def test_a_condition_that_did_not_hold_stands_in_the_report(record, language, said):
    document = plain(record)
    document["tests"][0]["conditions_not_met"] = ["load on"]
    assert any(
        said in flat(block) for block in blocks_of(read_record(document), language) if isinstance(block, KeyValues)
    )


def test_the_change_is_that_of_the_numbers_beside_it_also_where_trials_gave_them(record):
    document = plain(record)
    for test, current in (("3", "1.7 A"), ("5", "1.9 A")):
        entry = next(t for t in document["tests"] if t["id"] == test)
        next(r for r in entry["readings"] if r["name"] == "load_current")["texts"] = [current]
    changed = read_record(document)
    evaluation = evaluate(changed)
    (pair,) = (p for p in evaluation.pairs if p.name == "ground_resistance")
    old, new = (evaluation.test(t).result(pair.name) for t in (pair.before, pair.after))
    assert old.method == "monte-carlo"
    assert abs((new.value - old.value) - pair.change) > 0.01 * abs(pair.change)
    (table,) = (b for b in blocks_of(changed) if isinstance(b, Table) and "Change" in " ".join(b.head[2:3]))
    cells = next(row for row in table.rows if row[0].text == pair.title)
    before, after = (float(n) for n in re.match(r"(\S+) → (\S+?)\s", cells[1].replace("\u00a0", " ")).groups())
    change = float(cells[2].split("\u00a0")[0].replace("−", "-"))
    assert change == pytest.approx(after - before, rel=0.02)


def test_a_value_within_its_limit_before_the_repair_is_no_improvement(record):
    document = plain(record)
    entry = next(t for t in document["tests"] if t["id"] == "3")
    next(r for r in entry["readings"] if r["name"] == "drop")["texts"] = ["71.0 mV"]
    said = section(blocks_of(read_record(document)), "pairs")
    assert "within its limit before too" in said
    assert "Improved" not in said and "improved" not in said


def test_where_trials_gave_a_value_the_interval_stands_below_it(record):
    document = plain(record)
    entry = next(t for t in document["tests"] if t["id"] == "3")
    next(r for r in entry["readings"] if r["name"] == "load_current")["texts"] = ["1.7 A"]
    changed = read_record(document)
    result = evaluate(changed).test("3").result("ground_resistance")
    low, high = result.interval
    said = section(blocks_of(changed), "derived")
    shown = [(float(a), float(b)) for a, b in re.findall(r"\[([\d.]+), ([\d.]+)\]", said)]
    assert any(one == pytest.approx((low, high), rel=5e-3) for one in shown)
    assert "mean" in said
