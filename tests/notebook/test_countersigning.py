"""Review and countersignature without a browser: what is shown, what is refused, what is written and what never is."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import ipywidgets
import pytest
from PIL import Image, ImageChops
from review_desk import PASSPHRASE, Desk, desk

import diagnb
from diagnb.audit import AuditLog
from diagnb.countersigning import countersign_report
from diagnb.errors import DiagnbError, InputFault, SigningFault
from diagnb.evaluation import evaluate
from diagnb.notebook.answers import five_answers
from diagnb.notebook.examined import answers_html, record_html
from diagnb.notebook.pages import Pages
from diagnb.notebook.present import ReportPresenter
from diagnb.notebook.review import ReviewView
from diagnb.notebook.reviewing import free_name, review_office, write_beside
from diagnb.proof import verify_report
from diagnb.record import amend, load_record, plain
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import certify, load_key, load_trust


@pytest.fixture(scope="module")
def first_desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return desk(tmp_path_factory.mktemp("desk"))


@pytest.fixture
def place(tmp_path: Path, first_desk: Desk) -> Desk:
    folder = tmp_path / "claims ü"
    shutil.copytree(first_desk.folder, folder)
    return replace(first_desk, folder=folder, report=folder / first_desk.report.name)


def opened(place: Desk, report: Path | None = None) -> ReviewView:
    return diagnb.review(report or place.report, folder=place.folder)


def signed_by_technician(place: Desk, pdf: bytes) -> bytes:
    key = load_key(place.key("technician"), PASSPHRASE)
    return certify(pdf, key=key, field="Technician", reason="I took these readings", moment=place.moment)


def press(view: ReviewView, *labels: str) -> str:
    """Press these buttons of the view as the browser does; what it then says."""
    for button in (view.sign, view.confirm, view.not_yet):
        if button.description in labels:
            button.click()
    if view.worker is not None:
        view.worker.join(60)
    return str(view.said.text)


def fill(view: ReviewView, place: Desk, key: str, name: str, passphrase: bytes = PASSPHRASE) -> None:
    view.key.value = str(place.key(key))
    view.passphrase._received(None, {"k": "secret", "text": passphrase.decode()}, [])
    view.typed.value = name


def test_a_good_report_is_shown_countersigned_and_shown_again(place):
    view = opened(place)
    assert [a.word for a in five_answers(view.verification)] == ["yes"] * 5
    assert view.remarks is not None
    assert "is not countersigned" not in view.refusal.value
    fill(view, place, "reviewer", "m. sample")
    said = press(view, "Countersign", "Yes, countersign now")
    assert "Countersigned and verified" in said
    made = place.folder / "claim 0117-countersigned.pdf"
    assert view.examined.path == made
    assert "M. Sample (reviewer)" in view.answers.value
    assert view.refusal.value.count("Every place for a signature is taken")
    found = verify_report(
        made, trust=load_trust(place.folder / "keys" / "trust.json"), expected=("Technician", "Reviewer")
    )
    assert found.trustworthy, found.reasons
    assert verify_report(place.report, trust=load_trust(place.folder / "keys" / "trust.json")).trustworthy


def test_the_passphrase_is_in_no_widget_and_no_log(place):
    view = opened(place)
    fill(view, place, "reviewer", "M. Sample", b"a wrong phrase of many words")
    assert "wrong passphrase" in press(view, "Countersign", "Yes, countersign now")
    fill(view, place, "reviewer", "M. Sample")
    press(view, "Countersign", "Yes, countersign now")
    state = str(ipywidgets.Widget.get_manager_state())
    assert "Passphrase of the key" in state
    for secret in (PASSPHRASE.decode(), "a wrong phrase of many words"):
        assert secret not in state
        assert not any(secret.encode() in p.read_bytes() for p in place.folder.rglob("*") if p.is_file())
    assert view.passphrase.secret == ""


@pytest.mark.parametrize(
    ("key", "name", "said"),
    [
        ("technician", "R. Example", "has signed this report already"),
        ("stranger", "S. Tranger", "is not on the trust list"),
        ("reviewer", "Somebody Else", "type the name in the key as it stands there: M. Sample"),
    ],
)
def test_whoever_may_not_countersign_is_told_why_and_nothing_is_written(place, key, name, said):
    view = opened(place)
    fill(view, place, key, name)
    assert said in press(view, "Countersign", "Yes, countersign now")
    assert view.said.tone == "trouble"
    assert [p.name for p in place.folder.glob("*.pdf")] == [place.report.name]


@pytest.mark.parametrize("missing", ["passphrase", "signature"])
def test_what_is_missing_is_said_before_the_question(place, missing):
    view = opened(place)
    fill(view, place, "reviewer", "" if missing == "signature" else "M. Sample")
    if missing == "passphrase":
        view.passphrase.take()
    assert f"{missing}: is missing" in press(view, "Countersign")
    assert view.asking.layout.display == "none"


def test_a_reviewer_who_took_readings_is_no_second_person(place):
    document = plain(load_record(Path(diagnb.__file__).parents[1] / "templates" / "demo-record.json"))
    document["tests"][0]["by"] = next(p["id"] for p in document["people"] if p["role"] == "reviewer")
    record = load_record(document)
    report = place.folder / "two hands.pdf"
    report.write_bytes(signed_by_technician(place, render_report(record, evaluate(record), moment=place.moment, technician=document["people"][0]["id"])))  # fmt: skip
    view = opened(place, report)
    assert view.verification.trustworthy, view.verification.reasons
    with pytest.raises(SigningFault, match="took readings of this record"):
        view.countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")


def test_a_report_that_does_not_prove_itself_can_not_be_countersigned(place):
    broken = bytearray(place.report.read_bytes())
    broken[len(broken) // 2] ^= 1
    place.report.write_bytes(bytes(broken))
    view = opened(place)
    assert "does not prove itself" in view.refusal.value
    assert view.hand.layout.display == "none"
    assert view.pages.mode == "none"
    assert "nobody vouches" in view.pages.note
    with pytest.raises(SigningFault, match="the signed bytes have been changed"):
        view.countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")
    assert [p.name for p in place.folder.glob("*.pdf")] == [place.report.name]


def test_a_report_that_another_one_in_its_folder_replaces_is_not_countersigned(place):
    record = load_record(templates_directory() / "demo-record.json")
    other = load_record(plain(record) | {"cause": "the stud, not the strap"})
    revision = amend(record, other, reason="measured again on the bench")
    newer = place.folder / "claim 0117 again.pdf"
    newer.write_bytes(signed_by_technician(place, render_report(revision, evaluate(revision), moment=place.moment)))
    before = sorted(p.name for p in place.folder.glob("*.pdf"))
    with pytest.raises(SigningFault, match=r"superseded by claim 0117 again\.pdf"):
        opened(place).countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample", despite="demonstration")
    assert sorted(p.name for p in place.folder.glob("*.pdf")) == before
    opened(place, newer).countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample", despite="demonstration")


def test_a_file_that_is_no_report_is_an_answer(place):
    junk = place.folder / "junk.pdf"
    junk.write_bytes(b"no PDF at all")
    view = opened(place, junk)
    assert [a.word for a in five_answers(view.verification)] == ["not checked"] * 5
    assert "no record that can be read stands" in view.record.value
    with pytest.raises(InputFault, match="can't be read"):
        opened(place, place.folder / "missing.pdf")


def test_what_the_report_says_otherwise_is_marked_at_its_result(place):
    record = load_record(Path(diagnb.__file__).parents[1] / "templates" / "demo-record.json")
    evaluation = evaluate(record)
    test = evaluation.tests[2]
    wrong = replace(test.results[0], value=(test.results[0].value or 0) * 0.5)
    told = replace(
        evaluation,
        tests=tuple(
            replace(t, results=(wrong, *t.results[1:])) if i == 2 else t for i, t in enumerate(evaluation.tests)
        ),
    )
    report = place.folder / "told otherwise.pdf"
    report.write_bytes(signed_by_technician(place, render_report(record, told, moment=place.moment)))
    view = opened(place, report)
    words = [a.word for a in five_answers(view.verification)]
    assert words == ["yes", "yes", "yes", "no", "no"]
    marked = re.findall(r'<tr class="dn-differs">.*?</tr>', view.record.value)
    assert len(marked) == 2
    assert test.results[0].title in marked[0]
    assert "in the report" in marked[1]
    assert "≠" in marked[0]


def test_markup_in_a_record_is_text(place):
    document = plain(load_record(Path(diagnb.__file__).parents[1] / "templates" / "demo-record.json"))
    document["complaint"] = document["circuit"]["name"] = "<img src=x onerror=alert(1)>"
    record = load_record(document)
    report = place.folder / "evil.pdf"
    report.write_bytes(signed_by_technician(place, render_report(record, evaluate(record), moment=place.moment)))
    view = opened(place, report)
    shown = record_html(view.examined, ReportPresenter()) + answers_html(view.examined)
    assert "<img" not in shown
    assert "&lt;img src=x" in shown


def test_no_file_is_ever_overwritten(place):
    first = place.folder / "claim 0117-countersigned.pdf"
    first.write_bytes(b"somebody's own file")
    made = opened(place).countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")
    assert made.name == "claim 0117-countersigned-2.pdf"
    assert first.read_bytes() == b"somebody's own file"
    assert free_name(made).name == "claim 0117-countersigned-3.pdf"
    assert write_beside(place.report, b"x").name == "claim 0117-countersigned-3.pdf"
    assert not [p for p in place.folder.iterdir() if p.name.startswith(".claim")]


def test_a_drawn_signature_is_seen_on_the_page(place):
    def differing(one: Path, other: Path) -> list[tuple[int, int, int, int]]:
        pages = [Pages(path.read_bytes()) for path in (one, other)]
        found = []
        for number in range(1, pages[0].count + 1):
            a, b = (Image.open(BytesIO(p.draw(number))).convert("L") for p in pages)
            found.append(ImageChops.difference(a, b).point(lambda v: 255 * (v > 80)).getbbox())
        return [box for box in found if box]

    strokes = [[[0, 0], [300, 90], [600, 10]], [[50, 120]]]
    typed = opened(place).countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")
    drawn = opened(place).countersign(place.key("reviewer"), PASSPHRASE, strokes=strokes)
    (field,) = differing(place.report, typed)
    assert field[2] - field[0] > 200
    (ink,) = differing(typed, drawn)
    assert ink[3] - ink[1] > 20
    assert field[0] + 300 < ink[2] < field[0] + 480
    with pytest.raises(InputFault, match="is not a page"):
        Pages(drawn.read_bytes()).draw(99)


def test_the_log_knows_the_countersignature(place):
    log = place.folder / "keys" / "audit.jsonl"
    trust = load_trust(place.folder / "keys" / "trust.json")
    record = load_record(Path(diagnb.__file__).parents[1] / "templates" / "demo-record.json")
    from diagnb.issuing import issue_report
    from diagnb.notebook.office import book_beside

    log.touch()
    key = load_key(place.key("technician"), PASSPHRASE)
    clock = lambda: datetime.now(UTC).replace(microsecond=0)  # noqa: E731
    issue_report(
        record, salt="ab" * 32, sign=lambda pdf: signed_by_technician(place, pdf), write=place.report.write_bytes, key=key,
        render=lambda *, log_head, salt: render_report(record, evaluate(record), moment=place.moment, log_head=log_head, salt=salt),
        book=book_beside(log.parent, clock=clock, actor="R. Example", file=place.report.name),
    )  # fmt: skip
    view = opened(place)
    assert view.verification.log == "current"
    made = view.countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")
    assert [e.event.action for e in AuditLog(log).check().entries] == ["issue", "sign", "sign"]
    assert view.verification.trustworthy
    assert view.verification.log == "current"
    assert verify_report(made, trust=trust).trustworthy


def test_a_claim_that_would_be_rejected_needs_a_reason_or_a_confirmed_question(place):
    document = plain(verify_report(place.report).record)
    for instrument in document["instruments"]:
        instrument["due"] = "2025-12-31"
    record = load_record(document)
    place.report.write_bytes(signed_by_technician(place, render_report(record, evaluate(record), moment=place.moment)))
    log = place.folder / "keys" / "audit.jsonl"
    view = opened(place)
    with pytest.raises(SigningFault, match=r"meter-overdue.*say why it is signed"):
        view.countersign(place.key("reviewer"), PASSPHRASE, typed_name="M. Sample")
    assert len(list(place.folder.glob("*.pdf"))) == 1
    fill(view, place, "reviewer", "M. Sample")
    press(view, "Countersign")
    assert "would get its claim rejected: no-fault-proved, meter-overdue." in view.question.value
    assert "Countersigned and verified" in press(view, "Yes, countersign now")
    assert not log.exists()


def test_a_trust_list_beside_the_report_never_wins_over_the_shops_own(place, tmp_path):
    foreign = tmp_path / "mail"
    foreign.mkdir()
    other = desk(foreign)
    (foreign / "trust.json").write_bytes((foreign / "keys" / "trust.json").read_bytes())
    view = diagnb.review(other.report, folder=place.folder)
    assert not view.verification.trustworthy
    assert "not-trusted" in view.verification.reasons
    alone = diagnb.review(other.report, folder=tmp_path / "nowhere")
    assert alone.verification.reasons == ("trust-list-beside",)
    assert "Not trustworthy: nobody vouches for the trust list" in alone.answers.value
    assert "may have come with it" in alone.answers.value


def test_the_core_writes_nothing_when_a_step_fails(place):
    written: list[bytes] = []
    trust = load_trust(place.folder / "keys" / "trust.json")
    key = load_key(place.key("reviewer"), PASSPHRASE)
    arguments = {"key": key, "trust": trust, "moment": place.moment, "write": written.append}
    with pytest.raises(DiagnbError, match="reason"):
        countersign_report(place.report.read_bytes(), meaning=" ", **arguments)
    with pytest.raises(DiagnbError):
        countersign_report(b"%PDF-1.7 nothing", meaning="x", **arguments)
    assert written == []
    done = countersign_report(place.report.read_bytes(), meaning="x", **arguments)
    assert written == [done.pdf]
    with pytest.raises(SigningFault, match="has signed this report already"):
        countersign_report(done.pdf, meaning="x", **arguments)


def test_the_office_reads_no_clock_of_its_own(place):
    office = review_office(folder=place.folder, keys=place.folder / "keys", trust=None, clock=lambda: place.moment)
    path = office.countersign(
        office.examine(place.report), key_file=place.key("reviewer"), passphrase=PASSPHRASE, meaning="I reviewed it",
        typed_name="M. Sample",
    )  # fmt: skip
    assert office.examine(path).found.signatures[1].signed_at == place.moment
