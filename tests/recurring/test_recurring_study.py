"""A question answered from two tables, the report that carries them, and the numbers worked out again from it."""

from __future__ import annotations

import datetime as dt
import json
import random
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import rfc8785

from diagnb.cli import main
from diagnb.errors import InputFault
from diagnb.fleet import synthesise, write_csv
from diagnb.recurring import FIELD, Question, Source, Study, answer, findings, recompute, render_study
from diagnb.recurring.picture import picture_of
from diagnb.report.charts import Label, Line, Shape
from diagnb.signing import (
    TrustList,
    certify,
    create_authority,
    create_person,
    embedded_files,
    trust_entry,
    verify_signatures,
)

MOMENT = dt.datetime(2026, 5, 4, 10, 0, tzinfo=dt.UTC)
ASKED = "Does circuit 03 fail more often in one lot, and did the change of January 2024 help?"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented fleet as two CSV files; one result is spoiled by a formula, one stands twice."""
    place = tmp_path_factory.mktemp("fleet")
    made = synthesise(seed=3, vehicles=250, months=36, visit_every=4.0)
    write_csv(place / "results.csv", made.rows)
    write_csv(place / "vehicles.csv", made.vehicles)
    lines = (place / "results.csv").read_text(encoding="utf-8").splitlines()
    lines[3] = lines[3].replace(re.findall(r"T\d\d", lines[3])[0], "=cmd()")
    (place / "results.csv").write_text("\n".join([*lines, lines[9]]) + "\n", encoding="utf-8")
    return place


def sources(folder: Path) -> dict[str, Source]:
    return {k: Source(f"{k}.csv", (folder / f"{k}.csv").read_bytes()) for k in ("results", "vehicles")}


@pytest.fixture(scope="module")
def study(folder: Path) -> Study:
    return answer(Question(ASKED, "circuit 03", change="2024-01-01", settling_months=6.0), **sources(folder))


def test_every_row_is_accounted_for_and_the_true_lot_is_named(study: Study) -> None:
    assert study.rows_in == study.rows_used + sum(study.set_aside.values())
    assert study.set_aside == {"duplicate row": 1, "formula": 1}
    assert len(study.faults) == 2
    said = " ".join(findings(study))
    assert "L05" in said
    assert f"{study.rate.numerator:,.0f} distinct defects" in said
    assert study.rate.lower < study.rate.value < study.rate.upper  # type: ignore[operator]


def test_the_numbers_come_out_again_and_a_changed_one_does_not(study: Study) -> None:
    plain = json.loads(rfc8785.dumps(study.to_plain()))
    files = {t.name: t.data for t in (study.results, study.vehicles)}
    assert recompute(plain, files) == ()
    plain["figures"][0]["value"] *= 1.001
    assert [f.where for f in recompute(plain, files)] == ["study.figures[0].value"]
    assert "is not the table" in recompute(plain, files | {"vehicles.csv": b"asset\nx\n"})[0].what
    assert recompute({"schema": "other"}, files)[0].where == "study.json"
    assert "is of an older edition" in recompute({"schema": "diagnb-study/2"}, files)[0].what
    assert recompute({}, {})


def test_the_order_of_the_rows_changes_no_number(study: Study, folder: Path) -> None:
    """Results and vehicles turned round and shuffled: every figure, finding and caution is the same to 1e-9."""
    rng = random.Random(7)
    for turn in (lambda lines: lines[::-1], lambda lines: rng.sample(lines, len(lines))):
        turned = {}
        for kind, own in sources(folder).items():
            head, *lines = own.data.decode().splitlines()
            turned[kind] = Source(own.name, "\n".join([head, *turn(lines)]).encode())
        again = answer(study.question, **turned)
        stored = study.to_plain() | {"sources": again.to_plain()["sources"], "faults": again.to_plain()["faults"]}
        assert recompute(stored, {t.name: t.data for t in turned.values()}) == ()
        assert findings(again) == findings(study)


@pytest.mark.parametrize(("words", "said"), [
    ({"text": " "}, "1 to"), ({"rule": "mine"}, "unknown"), ({"change": "soon"}, "not a day"),
    ({"settling_months": -1.0}, "no number of months"), ({"baseline_months": 0}, "no number of months"),
])  # fmt: skip
def test_a_question_that_is_none_is_refused(words: dict[str, Any], said: str) -> None:
    with pytest.raises(InputFault, match=said):
        Question(**{"text": ASKED, **words})


def test_a_component_that_is_not_there_and_empty_tables_are_refused(folder: Path) -> None:
    with pytest.raises(InputFault, match="is not in the results"):
        answer(Question(ASKED, "circuit 99"), **sources(folder))
    empty = Source("vehicles.csv", b"asset,watched_from,watched_to\nV1,2024-02-01,2024-01-01\n")
    with pytest.raises(InputFault, match="holds no row that can be used"):
        answer(Question(ASKED), results=sources(folder)["results"], vehicles=empty)


def test_what_can_not_be_answered_stands_in_the_report_with_its_reason(folder: Path, tmp_path: Path) -> None:
    own = sources(folder)
    head, *lines = own["vehicles"].data.decode().splitlines()
    at = head.split(",").index("in_service")
    blind = "\n".join(
        [head, *(",".join("" if k == at else c for k, c in enumerate(line.split(","))) for line in lines)]
    )
    found = answer(Question(ASKED, "circuit 16", rule="as-stored"), results=own["results"], vehicles=replace(own["vehicles"], data=blind.encode()))  # fmt: skip
    refused = dict(found.refusals)
    assert "entry age is not given" in refused["shape"]
    text = text_of(render_study(found, moment=MOMENT), tmp_path)
    assert "Refused: shape" in text
    assert "entry age is not given" in " ".join(text.split())


def text_of(pdf: bytes, tmp_path: Path) -> str:
    assert shutil.which("pdftotext"), "apt-get install poppler-utils"
    (tmp_path / "r.pdf").write_bytes(pdf)
    return subprocess.run(["pdftotext", "-layout", str(tmp_path / "r.pdf"), "-"], capture_output=True, text=True, check=True).stdout  # fmt: skip


@pytest.mark.system
def test_the_report_says_question_data_finding_method_and_caveats(study: Study, tmp_path: Path) -> None:
    pdf = render_study(study, moment=MOMENT)
    assert render_study(study, moment=MOMENT) == pdf
    text = " ".join(text_of(pdf, tmp_path).split())
    for wanted in (
        ASKED, "Finding", "Data", "Method", "Caveats and refusals", f"{study.rows_in:,}", f"{study.rows_used:,}",
        "spreadsheet formula", "Which lot", "ALARM", "Did the change help", f"{study.rate.value:.4g}",
        study.results.sha256[:40], study.first_day, *findings(study)[:1],
    ):  # fmt: skip
        assert wanted in text, wanted
    assert b"/Subtype/Image" not in pdf.replace(b" ", b"")


def test_a_plot_becomes_lines_and_words(study: Study) -> None:
    from diagnb.fleet import plot_cells, plot_recurrence

    picture = picture_of(plot_recurrence({"circuit 03": study.recurrence}), alt="course")
    assert "circuit 03" in {e.text for e in picture.elements if isinstance(e, Label)}
    steps = [e for e in picture.elements if isinstance(e, Line) and e.grey < 0.1]
    assert len(steps) > study.recurrence.age.size
    for e in steps:
        assert min(e.start[0], e.end[0]) >= -1 and max(e.start[0], e.end[0]) <= picture.width + 1
        assert min(e.start[1], e.end[1]) >= -1 and max(e.start[1], e.end[1]) <= picture.height + 1
    turned = [e for e in picture.elements if isinstance(e, Shape) and e.fill == 1.0]
    assert turned, "letters that are turned keep their holes"
    assert picture_of(plot_cells(study.lots), alt="lots").elements


def test_the_signature_holds_and_the_tables_travel_inside(study: Study) -> None:
    authority = create_authority(name="Shop (invented)", moment=MOMENT)
    person = create_person(authority, name="E. Example", role="engineer", moment=MOMENT)
    trust = TrustList((trust_entry(authority.certificate, added=MOMENT, added_by="test"),))
    pdf = certify(render_study(study, moment=MOMENT), key=person, field=FIELD, reason="I answer for it", moment=MOMENT)
    inside = embedded_files(pdf)
    assert set(inside) == {"results.csv", "vehicles.csv", "study.json"}
    assert recompute(json.loads(inside["study.json"].data), {k: f.data for k, f in inside.items()}) == ()
    found = verify_signatures(pdf, trust=trust, moment=MOMENT, expected_fields=(FIELD,))
    assert [(s.signer, s.intact, s.trusted) for s in found.signatures] == [("E. Example", True, True)]
    assert not found.reasons


def test_recompute_trusts_nobody_for_a_list_that_came_with_the_report(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = dt.datetime.now(dt.UTC) - dt.timedelta(days=1)
    authority = create_authority(name="Shop (invented)", moment=made)
    person = create_person(authority, name="E. Example", role="engineer", moment=made)
    trust = TrustList((trust_entry(authority.certificate, added=made, added_by="test"),))
    (tmp_path / "mail").mkdir()
    pdf = certify(render_study(study, moment=made), key=person, field=FIELD, reason="I answer for it", moment=made)
    (tmp_path / "mail" / "study.pdf").write_bytes(pdf)
    (tmp_path / "mail" / "trust.json").write_text(trust.to_json(), encoding="utf-8")
    assert main(["fleet", "recompute", "mail/study.pdf"]) == 1
    said = capsys.readouterr().out
    assert "may have come with it" in said
    assert "NOT TRUSTED" in said
    assert main(["fleet", "recompute", "mail/study.pdf", "--trust", "mail/trust.json"]) == 0
    assert "intact, trusted" in capsys.readouterr().out


@pytest.mark.system
def test_the_box_of_the_signature_shows_who_answers(study: Study, tmp_path: Path) -> None:
    who = {"signer": "E. Example", "role": "engineer", "meaning": "I answer for it"}
    said = " ".join(text_of(render_study(study, moment=MOMENT, **who), tmp_path).split())
    assert "E. Example" in said and "Meaning: I answer for it" in said
    assert "E. Example" not in text_of(render_study(study, moment=MOMENT), tmp_path)


def test_on_the_command_line_from_tables_to_recomputed_numbers(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    out = tmp_path / "recurring.pdf"
    words = ["fleet", "report", str(folder / "results.csv"), "--vehicles", str(folder / "vehicles.csv"), "--question", ASKED, "-o", str(out)]  # fmt: skip
    assert main(words) == 1  # the tables have two faults
    assert "2 set aside" in capsys.readouterr().out
    # Nobody has signed: the numbers hold, the report proves nothing about who answers for it.
    assert main(["fleet", "recompute", str(out)]) == 1
    said = capsys.readouterr().out
    assert "every number comes out again" in said
    assert "signature:" in said
    assert main(["fleet", "report", str(folder / "results.csv"), "--vehicles", str(folder / "results.csv"), "--question", "x", "-o", str(out)]) == 2  # fmt: skip
    (tmp_path / "other.pdf").write_bytes(b"%PDF-1.7")
    assert main(["fleet", "recompute", str(tmp_path / "other.pdf")]) == 2


def test_verify_names_an_analysis_and_takes_it_for_no_record(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnb.proof import verify_report

    authority = create_authority(name="Shop (invented)", moment=MOMENT)
    person = create_person(authority, name="E. Example", role="engineer", moment=MOMENT)
    entry = trust_entry(authority.certificate, added=MOMENT, added_by="test")
    (tmp_path / "trust.json").write_text(TrustList((entry,)).to_json(), encoding="utf-8")
    plain = render_study(study, moment=MOMENT)
    pdf = certify(plain, key=person, field=FIELD, reason="I answer for it", moment=MOMENT)
    (tmp_path / "study.pdf").write_bytes(pdf)
    found = verify_report(pdf, trust=TrustList((entry,)), moment=MOMENT)
    assert not found.trustworthy and found.reasons == ("analysis-of-failures",)
    assert (found.pages, found.results, found.record) == ("not checked", 0, None)
    assert main(["verify", str(tmp_path / "study.pdf"), "--trust", str(tmp_path / "trust.json")]) == 1
    head = capsys.readouterr().out.splitlines()[0]
    assert head.endswith("study.pdf: AN ANALYSIS REPORT, NOT A RECORD: signature good; see diagnb fleet recompute")
    # A stranger's signature, a field that was asked for, a byte that was changed: none of them hides behind the name.
    assert "not-trusted" in verify_report(pdf, moment=MOMENT).reasons
    asked = verify_report(pdf, trust=TrustList((entry,)), moment=MOMENT, expected=("Technician", "Reviewer"))
    assert "expected-signature-missing" in asked.reasons
    at = pdf.index(b"stream\n") + 40
    broken = verify_report(pdf[:at] + bytes([pdf[at] ^ 1]) + pdf[at + 1 :], trust=TrustList((entry,)), moment=MOMENT)
    assert not broken.trustworthy and broken.reasons != ("analysis-of-failures",)
    (tmp_path / "unsigned.pdf").write_bytes(plain)
    assert "no-signature" in verify_report(plain, moment=MOMENT).reasons


@pytest.fixture(scope="module")
def better(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Path]:
    """An invented fleet in which circuit 01 fails 0.4 times as often from January 2024 on, and meter M05 shows 30 % too much."""
    place = tmp_path_factory.mktemp("better")
    made = synthesise(seed=4, vehicles=200)
    rows = dict(made.rows)
    rows["value"] = rows["value"] * (1 + 0.3 * (rows["instrument"].codes == 4))
    write_csv(place / "results.csv", rows)
    write_csv(place / "vehicles.csv", made.vehicles)
    return answer(Question("Since when?", "circuit 01"), **sources(place)), place


def test_since_when_names_the_direction_and_the_page_shows_the_chart_it_rests_on(
    better: tuple[Study, Path], tmp_path: Path
) -> None:
    study, _ = better
    assert study.course is not None
    (shift,) = study.course.shifts
    assert shift.word == "falls"
    assert "2024-01" <= shift.began <= "2024-07"
    said = " ".join(findings(study))
    assert f"the rate falls: first signal {shift.signal}, began about {shift.began}" in said
    assert "usual is the mean of 2022-01 to 2023-12, 24 months" in said
    assert not study.course.contradicted
    fall = json.loads(rfc8785.dumps(study.to_plain()))["charts"][2]
    assert (fall["labels"][fall["first_signal"]], fall["labels"][fall["started"]]) == (shift.signal, shift.began)
    text = " ".join(text_of(render_study(study, moment=MOMENT), tmp_path).split())
    assert f"CUSUM chart for a fall: first signal {shift.signal}, began about {shift.began}" in text
    assert "Sum, fall" in text
    # The month in which the sum first signals is marked in the table.
    assert text.count("SIGNAL") >= int(study.fall.signal.sum())
    earlier = answer(
        Question("Since when?", "circuit 01", change="2024-03-01"), results=study.results, vehicles=study.vehicles
    )
    assert earlier.fall.baseline == 26
    with pytest.raises(InputFault, match="100, and the vehicles are watched over 48"):
        answer(Question("?", baseline_months=100), results=study.results, vehicles=study.vehicles)


def test_the_report_asks_whether_it_is_the_measurement_and_names_the_meter(
    better: tuple[Study, Path], tmp_path: Path
) -> None:
    study, _ = better
    assert [o.instrument for o in study.meters if o.flagged] == ["M05"]
    ratio = study.meters[0].ratio
    assert ratio.lower < 1.298 < ratio.upper  # type: ignore[operator]
    assert f"off by more than they state: M05 shows {ratio.value:.3g} times" in " ".join(findings(study))
    text = " ".join(text_of(render_study(study, moment=MOMENT), tmp_path).split())
    for words in (
        "Is it the measurement",
        "share truly beyond",
        "an error that most instruments share is not seen",
        "at the same age",
    ):
        assert words in text
    plain = json.loads(rfc8785.dumps(study.to_plain()))
    assert recompute(plain, {t.name: t.data for t in (study.results, study.vehicles)}) == ()


def test_results_that_fit_no_vehicle_stand_among_the_caveats(folder: Path) -> None:
    own = sources(folder)
    head, *lines = own["vehicles"].data.decode().splitlines()
    fewer = "\n".join([head, *lines[2:]]).encode()
    found = answer(Question(ASKED, "circuit 03"), results=own["results"], vehicles=replace(own["vehicles"], data=fewer))
    assert any("of 2 vehicles that the table of vehicles does not have" in c for c in found.cautions)


def test_a_damaged_report_is_named_with_what_to_do(
    study: Study, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pdf = render_study(study, moment=MOMENT)
    for name, data in (("cut.pdf", pdf[: len(pdf) // 3]), ("none.pdf", b"no PDF")):
        (tmp_path / name).write_bytes(data)
        assert main(["fleet", "recompute", str(tmp_path / name)]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert name in line
        assert "take the file as it was handed over" in line


def test_results_that_can_not_be_judged_are_no_fleet_without_defects(folder: Path) -> None:
    own = sources(folder)
    head, *lines = own["results"].data.decode().splitlines()
    at = head.split(",").index("standard_uncertainty")

    def without(chosen: list[str]) -> Source:
        blank = [",".join("" if k == at else c for k, c in enumerate(line.split(","))) for line in chosen]
        kept = lines[len(chosen) :]
        return Source("results.csv", "\n".join([head, *blank, *kept]).encode())

    with pytest.raises(InputFault, match="can be judged under guarded-95"):
        answer(Question(ASKED), results=without(lines), vehicles=own["vehicles"])
    half = answer(Question(ASKED), results=without(lines[: len(lines) // 2]), vehicles=own["vehicles"])
    assert any("are not judged (no value, uncertainty or limit)" in said for said in findings(half))


def test_a_report_on_what_can_not_be_tested_does_not_say_that_no_lot_stands_out(tmp_path: Path) -> None:
    results = Source(
        "results.csv", b"record,asset,point,component,date,verdict,rule\nR1,V1,p,lift,2025-02-01,fail,simple\n"
    )
    vehicles = Source("vehicles.csv", b"asset,watched_from,watched_to\nV1,2025-01-01,2025-12-31\n")
    found = answer(Question("Which lot?", "lift", rule="as-stored"), results=results, vehicles=vehicles)
    said = " ".join(findings(found))
    assert "Which lot: no answer: lift, none stated: no lot is stated" in said
    assert "stands out" not in said
    assert "lots of lift" in dict(found.refusals)
    assert "Refused: lots of lift" in " ".join(text_of(render_study(found, moment=MOMENT), tmp_path).split())


def test_instruments_of_depots_without_common_vehicles_are_not_blamed_in_a_report(folder: Path, tmp_path: Path) -> None:
    """Half of the fleet is measured by two instruments of its own, of which one shows 10 % too much."""
    import csv
    import io

    own = sources(folder)
    lines = list(csv.DictReader(io.StringIO(own["results"].data.decode())))
    for k, line in enumerate(lines):
        if int(line["asset"][1:]) % 2:
            line["instrument"] = ("S-1", "S-9")[int(line["record"][1:]) % 2]
            line["value"] = repr(float(line["value"]) * (1.1 if line["instrument"] == "S-9" else 1.0))
        lines[k] = line
    out = io.StringIO()
    writer = csv.DictWriter(out, list(lines[0]))
    writer.writeheader()
    writer.writerows(lines)
    found = answer(Question(ASKED, "circuit 03"), results=Source("results.csv", out.getvalue().encode()), vehicles=own["vehicles"])  # fmt: skip
    assert not any(o.flagged for o in found.meters)
    assert {o.instrument for o in found.meters if o.undecided} == {"S-1", "S-9"}
    said = " ".join(findings(found))
    assert "S-9 shows 1.1 times what S-1 shows" in said or "S-9 shows 1.09 times what S-1 shows" in said
    assert "2 sets without a common scale" in said
    assert "None of" not in said
    text = " ".join(text_of(render_study(found, moment=MOMENT), tmp_path).split())
    assert "which one can't be said" in text and "CAN'T BE SAID" in text


def test_a_recalled_instrument_can_be_left_out_and_the_report_says_so(
    better: tuple[Study, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole, place = better
    found = answer(Question("And without M05?", "circuit 01", without_instruments=("M05",)), **sources(place))
    assert not [o for o in found.meters if o.flagged or o.instrument == "M05"]
    assert found.set_aside["left out"] == whole.rows_used - found.rows_used > 0
    assert found.rows_in == whole.rows_in == found.rows_used + sum(found.set_aside.values())
    text = " ".join(text_of(render_study(found, moment=MOMENT), tmp_path).split())
    assert "Left out: whatever was taken with M05" in text
    plain = json.loads(rfc8785.dumps(found.to_plain()))
    assert recompute(plain, {t.name: t.data for t in (found.results, found.vehicles)}) == ()
    with pytest.raises(InputFault, match="M99' took no result"):
        answer(Question("?", without_instruments=("M99",)), **sources(place))
    words = ["fleet", "measurement", str(place / "results.csv"), "--by", "site", "--without-instrument", "M05"]
    assert main(words) == 2, "no result says its site"
    words[4] = "technician"
    main(words)
    said = capsys.readouterr().out
    assert "of M05 left out" in said
    # Whose fails they are can't be told without the instruments: these are compared too.
    assert "Instruments, compared at the same points" in said
