"""The impact as a PDF of its own: says what changed and which reports to look at, carries the list, takes a signature."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from diagnb.archive import Archive, prepare
from diagnb.cli.answers import verification_lines
from diagnb.impact import (
    CoefficientChange,
    Impact,
    InstrumentError,
    LimitChange,
    ProcedureChange,
    RuleChange,
    SheetChange,
    find_impact,
    render_impact,
)
from diagnb.impact.document import FIELD, change_sentence, impact_wording, outcome_sentence
from diagnb.proof import verify_report
from diagnb.record import Record, plain
from diagnb.report.wording import LANGUAGES
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
Visit = Callable[..., Record]


@pytest.fixture
def impact(archive: Archive, visit: Visit) -> Impact:
    archive.add_many([prepare(visit(f"V-{n}", f"{90 + n}.5 mV")) for n in range(9)], moment=MOMENT)
    archive.attach("V-8", 1, name="V-8.pdf", content=b"%PDF-8", moment=MOMENT)
    return find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))


@pytest.mark.system
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_says_claim_record_and_verdicts(impact: Impact, language: str, tmp_path: Path) -> None:
    assert shutil.which("pdftotext"), "apt-get install poppler-utils"
    path = tmp_path / "impact.pdf"
    path.write_bytes(render_impact(impact, moment=MOMENT, language=language))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    wording = impact_wording(language)
    for wanted in (
        "RO-V-8",
        "V-8.pdf",
        "H6-1",
        wording.verdict("pass"),
        wording.verdict("fail"),
        wording.say("impact.title"),
        wording.say("phase.as-found"),
        "Ground-side voltage drop",
    ):
        assert wanted in text
    assert "ground_drop" not in text


@pytest.mark.system
@pytest.mark.parametrize("language", LANGUAGES)
def test_what_can_not_be_judged_is_never_an_all_clear(
    archive: Archive, visit: Visit, language: str, tmp_path: Path
) -> None:
    undated = [{k: v for k, v in i.items() if k != "due"} for i in plain(visit("A", "1 mV"))["instruments"]]
    archive.add_many([prepare(visit("V-1", "98.5 mV", instruments=undated))], moment=MOMENT)
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    path, wording = tmp_path / "impact.pdf", impact_wording(language)
    path.write_bytes(render_impact(found, moment=MOMENT, language=language))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    words = " ".join(text.split())
    for wanted in (
        wording.say("impact.outcome-nothing"),
        wording.say("impact.not-cleared-text", count="1", all="1"),
        wording.reason("calibration-unknown"),
        "RO-V-1, V-1, 1",
    ):
        assert wanted in words
    assert wording.say("impact.outcome-none") not in words
    archive.add(visit("V-2", "50.0 mV"), moment=MOMENT)
    partly = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert outcome_sentence(partly, wording) == wording.say("impact.outcome-not-cleared")


def test_the_same_impact_gives_the_same_bytes(impact: Impact) -> None:
    assert render_impact(impact, moment=MOMENT) == render_impact(impact, moment=MOMENT)


def test_the_complete_list_travels_inside_and_the_signature_holds(impact: Impact) -> None:
    authority = create_authority(name="Shop (invented)", moment=MOMENT)
    person = create_person(authority, name="E. Example", role="engineer", moment=MOMENT)
    trust = TrustList((trust_entry(authority.certificate, added=MOMENT, added_by="test"),))
    pdf = certify(
        render_impact(impact, moment=MOMENT), key=person, field=FIELD, reason="I answer for this list", moment=MOMENT
    )
    assert (
        json.loads(embedded_files(pdf)["impact.json"].data)["reexamine"]
        == json.loads(json.dumps(impact.to_plain()))["reexamine"]
    )
    found = verify_signatures(pdf, trust=trust, moment=MOMENT, expected_fields=(FIELD,))
    assert [(s.signer, s.intact, s.trusted) for s in found.signatures] == [("E. Example", True, True)]
    assert not found.later_changes
    changed = bytearray(pdf)
    changed[len(changed) // 3] ^= 1
    assert verify_signatures(bytes(changed), trust=trust, moment=MOMENT, expected_fields=(FIELD,)).reasons
    answer = verify_report(pdf, trust=trust, moment=MOMENT)
    assert not answer.trustworthy and answer.reasons == ("analysis-of-impact",)
    head = next(iter(verification_lines(answer)))
    assert head == "report: AN ANALYSIS REPORT, NOT A RECORD: signature good; see diagnb impact"


def test_a_limit_on_a_ratio_has_no_unit(impact: Impact) -> None:
    for lower, upper, said in (
        (None, "0.9", "at most 0.9,"),
        ("0.8", None, "at least 0.8,"),
        ("0.8", "1.2", "0.8 to 1.2,"),
    ):
        change = LimitChange("p", "share", lower, upper, "1", "bulletin (invented)")
        assert f"now {said} source" in change_sentence(replace(impact, change=change), impact_wording("en"))


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_kind_of_change_has_its_sentence(archive: Archive, visit: Visit, language: str) -> None:
    record = visit("A", "98.5 mV")
    archive.add(record, moment=MOMENT)
    wording = impact_wording(language)
    changes = (
        InstrumentError("H6-1", gain_percent=1.5, offset=0.01, offset_unit="V", function="dc voltage"),
        LimitChange("ground-side-drop", "ground_drop", None, "0.05", "V", "bulletin", "24"),
        LimitChange("ground-side-drop", "ground_drop", "0.01", None, "V", "bulletin"),
        LimitChange("ground-side-drop", "ground_drop", "0.01", "0.05", "V", "bulletin"),
        RuleChange("guarded-U"), RuleChange("simple", "ground-side-drop", "ground_drop"),
        ProcedureChange({**record.procedures["ground-side-drop"], "version": 7}), CoefficientChange("handheld-6000", 3.0),
        SheetChange({**record.meters["handheld-6000"], "calibration_months": 6}), SheetChange({**record.meters["handheld-6000"], "version": 2}),
    )  # fmt: skip
    sentences = [change_sentence(find_impact(archive, change), wording) for change in changes]
    assert len(set(sentences)) == len(sentences)
    assert all("{" not in s and "impact." not in s for s in sentences)


def test_markup_in_a_claim_number_stays_text(archive: Archive, visit: Visit) -> None:
    order = {"number": "<b>&RO</b>\u202e{x}", "opened": "2026-03-04T08:00:00+01:00"}
    archive.add(visit("A", "98.5 mV", order=order), moment=MOMENT)
    assert render_impact(find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0)), moment=MOMENT).startswith(
        b"%PDF-"
    )


def test_a_long_list_is_cut_on_paper_and_whole_inside(archive: Archive, visit: Visit) -> None:
    base = prepare(visit("BASE", "98.5 mV"))
    from hashlib import sha256

    def named(name: str) -> object:
        document = base.document.replace(b'"id":"BASE"', b'"id":"%s"' % name.encode())
        return replace(base, record=name, document=document, digest=sha256(document).hexdigest())

    archive.add_many([named(f"V-{n}") for n in range(650)], moment=MOMENT)  # type: ignore[misc]
    found = find_impact(archive, InstrumentError("H6-1", gain_percent=-5.0))
    assert len(found.reexamine) == 650
    pdf = render_impact(found, moment=MOMENT)
    assert len(json.loads(embedded_files(pdf)["impact.json"].data)["changed"]) == 650
