"""Whole reports from the shipped demonstration record, and from records that are hard to print."""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import subprocess
import time
from datetime import datetime, timedelta, timezone

import pikepdf
import pytest
import rfc8785

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.record import canonical_bytes, digest, load_record, plain, read_record
from diagnb.report import Options, read_options, render_report, render_with
from diagnb.report.blocks import EndMark, Figure, Heading, QrCode, SignatureField, Table
from diagnb.report.compose import compose
from diagnb.report.wording import LANGUAGES, load_wording
from diagnb.shipped import templates_directory
from diagnb.signing import embedded_files

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=timezone(timedelta(hours=1)))


@pytest.fixture(scope="module")
def record():
    return load_record(templates_directory() / "demo-record.json")


@pytest.fixture(scope="module")
def evaluation(record):
    return evaluate(record)


def words(pdf: bytes, *options: str) -> str:
    done = subprocess.run(
        ["pdftotext", "-enc", "UTF-8", *options, "-", "-"], input=pdf, capture_output=True, check=True, timeout=120
    )
    return done.stdout.decode("utf-8")


def changed(record, **changes):
    return read_record({**plain(record), **changes})


def test_the_report_is_the_same_to_the_byte_and_its_options_draw_it_again(record, evaluation):
    strokes = (((0, 0), (10.12345, 5), (20, 1)),)
    first = render_report(
        record, evaluation, moment=MOMENT, language="de", paper="Letter", strokes=strokes, log_head="7:abc"
    )
    assert first == render_report(
        record, evaluation, moment=MOMENT, language="de", paper="Letter", strokes=strokes, log_head="7:abc"
    )
    pdf = pikepdf.open(io.BytesIO(first))
    with pdf.open_metadata() as metadata:
        stored = metadata["{http://ns.diagnb.invalid/report/1/}rendering"]
        assert metadata["{http://ns.diagnb.invalid/report/1/}recordDigest"] == digest(record)
    assert render_with(record, evaluation, read_options(stored)) == first


def test_record_and_evaluation_travel_in_canonical_form(record, evaluation):
    pdf = pikepdf.open(io.BytesIO(render_report(record, evaluation, moment=MOMENT)))
    files = {name: pdf.attachments[name].get_file().read_bytes() for name in pdf.attachments}
    assert files["record.json"] == canonical_bytes(record)
    assert files["evaluation.json"] == rfc8785.dumps(evaluation.to_plain())
    assert hashlib.sha256(files["record.json"]).hexdigest() == digest(record)
    assert canonical_bytes(read_record(json.loads(files["record.json"]))) == files["record.json"]


@pytest.mark.system
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_page_says_which_record_and_every_verdict_is_in_words(record, evaluation, language, paper, tmp_path):
    data = render_report(record, evaluation, moment=MOMENT, language=language, paper=paper)
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    checked = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, check=True)
    assert b"No syntax or stream encoding errors" in checked.stdout
    wording = load_wording(language)
    pages = len(pikepdf.open(io.BytesIO(data)).pages)
    for number in range(1, pages + 1):
        text = words(data, "-f", str(number), "-l", str(number))
        assert wording.say("page.number", page=number, pages=pages) in text
        assert record.id in text and digest(record) in text
    text = words(data)
    one_line = " ".join(text.split())
    for test in evaluation.tests:
        for result in test.results:
            if result.limit is not None:
                assert wording.verdict(result.verdict.verdict).split()[-1] in one_line
    for key in (
        "statements",
        "compared",
        "pictures",
        "findings",
        "instruments",
        "readings",
        "budget",
        "limits",
        "proof",
    ):
        assert wording.say(f"section.{key}") in text
    assert wording.say("page.end", identity=record.id) in text
    decimal = "1.419" if language == "en" else "1,419"
    assert decimal in one_line
    assert "24.61 V" in one_line


def test_the_order_is_that_of_an_adjuster(record, evaluation):
    wording = load_wording("en")
    blocks = compose(record, evaluation, wording, Options(moment=MOMENT))
    heads = [b.text for b in blocks if isinstance(b, Heading) and b.level == 2]
    order = [
        "statements", "compared", "pairs", "findings", "pictures", "codes", "parts", "instruments", "conditions", "readings",
        "specifications", "derived", "basis", "budget", "limits", "advice", "remarks", "cautions", "signatures", "proof",
    ]  # fmt: skip
    assert heads == [wording.say(f"section.{key}") for key in order]
    assert isinstance(blocks[0], Heading) and blocks[0].level == 1
    assert isinstance(blocks[-1], EndMark)
    assert [b.name for b in blocks if isinstance(b, SignatureField)] == ["Technician", "Reviewer"]
    assert [b.text for b in blocks if isinstance(b, QrCode)] == [f"urn:sha256:{digest(record)}"]
    assert all(b.alt for b in blocks if isinstance(b, Figure))
    levels = [b.level for b in blocks if isinstance(b, Heading)]
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_every_reading_stands_as_displayed(record, evaluation):
    blocks = compose(record, evaluation, load_wording("fr"), Options(moment=MOMENT, language="fr"))
    cells = [c if isinstance(c, str) else c.text for b in blocks if isinstance(b, Table) for row in b.rows for c in row]
    for test in record.tests:
        for reading in test.readings:
            assert "\n".join(reading.texts) in cells


@pytest.mark.system
def test_the_qr_code_of_a_page_is_the_digest(record, evaluation, tmp_path):
    import zxingcpp
    from PIL import Image

    path = tmp_path / "report.pdf"
    path.write_bytes(render_report(record, evaluation, moment=MOMENT))
    subprocess.run(["pdftoppm", "-r", "150", "-png", str(path), str(tmp_path / "p")], check=True)
    found = [c.text for p in sorted(tmp_path.glob("*.png")) for c in zxingcpp.read_barcodes(Image.open(p))]
    assert found == [f"urn:sha256:{digest(record)}"]


@pytest.mark.system
def test_a_demonstration_says_so_on_every_page(record, evaluation):
    data = render_report(record, evaluation, moment=MOMENT, watermark="")
    content = b"".join(page.Contents.read_bytes() for page in pikepdf.open(io.BytesIO(data)).pages)
    assert content.count(b"/Subtype /Watermark") == len(pikepdf.open(io.BytesIO(data)).pages)
    real = changed(record, demonstration=False)
    plain_pages = render_report(real, evaluate(real), moment=MOMENT)
    assert b"Watermark" not in b"".join(p.Contents.read_bytes() for p in pikepdf.open(io.BytesIO(plain_pages)).pages)


@pytest.mark.system
def test_an_amended_report_says_what_changed_and_which_it_replaces(record):
    amended = changed(
        record, revision=2, replaces={"revision": 1, "digest": digest(record), "reason": "serial of the clamp mended"}
    )
    text = " ".join(words(render_report(amended, evaluate(amended), moment=MOMENT)).split())
    assert "amended" in text and digest(record) in text.replace(" ", "") and "serial of the clamp mended" in text
    assert "revision 2" in text


HARM = [
    '<img src="file:///etc/passwd"/><font size=400>& <b>unclosed',
    "\u202eevil\u202c \x07\x1b[31m zero\u200bwidth",
    "🔥 漢字 " + "ü" * 30,
    "word " * 40_000,
    "x" * 200_000,
    "a\n" * 100_000,
    "{page} {0!r} %(x)s",
]


def harmed(record, text: str):
    """The demonstration record with `text` in every free text field, cut to what the field takes."""
    document = plain(record)
    line = text[:500]

    def fill(node, key=""):
        if isinstance(node, dict):
            return {k: fill(v, k) for k, v in node.items()}
        if isinstance(node, list):
            return [fill(v, key) for v in node]
        long = ("complaint", "cause", "correction", "note", "deviations", "checks", "text")
        short = ("customer", "site", "description", "unit_", "certificate", "meaning", "status", "lot", "kept_at",
                 "qualification", "from_point", "to_point", "load_state", "shows")  # fmt: skip
        if key in long:
            return text[:200_000]
        if key in short or (key == "serial" and text):
            return line
        return node

    for key in ("order", "vehicle", "people", "parts", "conditions", "complaint", "cause", "correction"):
        document[key] = fill(document[key], key)
    document["circuit"]["description"] = text[:200_000]
    document["findings"] = [{"text": text[:200_000], "tests": ["3"]}]
    for code in document["codes"]:
        code.update(text=line, meaning=line, status=line)
    for instrument in document["instruments"]:
        instrument.update(serial=line, certificate=line, checks=text[:200_000])
    for test in document["tests"]:
        test.update(note=text[:200_000], deviations=text[:200_000], conditions_met=[line, line])
        for reading in test["readings"]:
            reading.update(from_point=line, to_point=line, load_state=line)
    return read_record(document)


@pytest.mark.system
@pytest.mark.parametrize("text", HARM, ids=range(len(HARM)))
def test_hostile_or_endless_text_gives_a_correct_file(record, text, tmp_path):
    hostile = harmed(record, text)
    data = render_report(hostile, evaluate(hostile), moment=MOMENT)
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    checked = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, check=True)
    assert b"No syntax or stream encoding errors" in checked.stdout
    pdf = pikepdf.open(io.BytesIO(data))
    assert len(pdf.pages) < 150
    for page in pdf.pages:
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) == "Tj":
                assert 0 not in bytes(operands[0])
    shown = words(data)
    assert "root:" not in shown and "\u202e" not in shown and "\x1b" not in shown
    if len(text) > 3000:
        assert "shortened here" in " ".join(shown.split())


@pytest.mark.system
@pytest.mark.parametrize("kind", ["repeats of one reading", "tests of two readings"])
def test_5000_readings_make_a_report_in_bounded_time(record, kind, tmp_path):
    document = plain(record)
    third = document["tests"][2]
    if kind == "repeats of one reading":
        third["readings"][0]["texts"] = [f"1.41{i % 10} V" for i in range(5000)]
    else:
        readings = [{**reading, "texts": reading["texts"][:1]} for reading in third["readings"]]
        document["tests"] += [{**third, "id": f"x{i}", "readings": readings} for i in range(2500)]
    start = time.process_time()
    many = read_record(document)
    data = render_report(many, evaluate(many), moment=MOMENT)
    assert time.process_time() - start < 60
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    subprocess.run(["qpdf", "--check", str(path)], capture_output=True, check=True, timeout=120)
    pdf = pikepdf.open(path)
    assert len(pdf.pages) < 160
    assert embedded_files(data)["record.json"].data == canonical_bytes(many)


@pytest.mark.system
def test_an_empty_record_still_makes_a_report(record):
    bare = changed(
        record, tests=[], codes=[], parts=[], findings=[], instruments=[], cautions_shown=[], meters={}, procedures={},
        complaint="", cause="", correction="", people=[], conditions={},
    )  # fmt: skip
    text = words(render_report(bare, evaluate(bare), moment=MOMENT))
    assert "This record holds no judged result." in text and "End of report" in text


def test_what_does_not_belong_together_is_refused(record, evaluation):
    other = changed(record, revision=2)
    with pytest.raises(InputFault, match="another record or revision"):
        render_report(other, evaluation, moment=MOMENT)
    with pytest.raises(InputFault, match="nobody called"):
        render_report(record, evaluation, moment=MOMENT, technician="ghost")
    with pytest.raises(InputFault, match="nobody called"):
        render_report(record, evaluation, moment=MOMENT, technician="ghost", draft=True)
    assert render_report(record, evaluation, moment=MOMENT, draft=True) == b""
    with pytest.raises(InputFault) as caught:
        render_report(record, evaluation, moment=datetime(2026, 1, 1), paper="B5", strokes=((((float("nan")), 1),),))  # noqa: DTZ001
    assert [f.where for f in caught.value.faults] == ["moment", "paper", "strokes"]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"schema": "diagnb-rendering/2"}', '{"schema": "diagnb-rendering/1"}',
     '{"schema": "diagnb-rendering/1", "moment": 5}', '{"schema": "diagnb-rendering/1", "moment": "2026-01-01T00:00:00"}',
     '{"schema": "diagnb-rendering/1", "moment": "2026-01-01T00:00:00Z", "paper": 4}',
     '{"schema": "diagnb-rendering/1", "moment": "2026-01-01T00:00:00Z", "strokes": [[1]]}',
     '{"schema": "diagnb-rendering/1", "moment": "2026-01-01T00:00:00Z", "other": ""}', "[" * 100_000, "x" * 500_000],
)  # fmt: skip
def test_options_that_cannot_be_read_are_named_faults(text):
    with pytest.raises(InputFault):
        read_options(text)


def test_a_report_is_quick(record, evaluation):
    """Target 45 ms of processor time on a quiet core; the bound here leaves room for a busy one."""
    render_report(record, evaluation, moment=MOMENT)
    spent = []
    for _ in range(5):
        start = time.process_time()
        render_report(record, evaluation, moment=MOMENT)
        spent.append(time.process_time() - start)
    assert min(spent) < 0.15
