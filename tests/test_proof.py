"""The five answers, on real signed reports: honest ones, and ones whose signer lies."""

from __future__ import annotations

import dataclasses
import random
import subprocess
import zlib
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import rfc8785

from diagnb.countersigning import reviewers_field
from diagnb.evaluation import Evaluation, evaluate
from diagnb.proof import REASONS, compare, standing, verify_report
from diagnb.record import Record, load_record, plain, read_record
from diagnb.report import Options, render_report
from diagnb.report.pdf.metadata import made_with
from diagnb.report.report import render_with
from diagnb.shipped import templates_directory
from diagnb.signing import (
    OnePassSigner,
    TrustList,
    certify,
    countersign,
    create_authority,
    create_person,
    trust_entry,
)

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
DEMO = load_record(templates_directory() / "demo-record.json")


class Shop:
    """A shop with an authority and two people."""

    def __init__(self) -> None:
        self.authority = create_authority(name="Example shop (invented)", moment=MOMENT)
        self.technician = create_person(self.authority, name="R. Example", role="technician", moment=MOMENT)
        self.reviewer = create_person(self.authority, name="M. Sample", role="reviewer", moment=MOMENT)
        self.trust = TrustList((trust_entry(self.authority.certificate, added=MOMENT, added_by="test"),))

    def sign(self, pdf: bytes) -> bytes:
        return certify(pdf, key=self.technician, field="Technician", reason="I took these readings", moment=MOMENT)

    def countersign(self, pdf: bytes) -> bytes:
        return countersign(pdf, key=self.reviewer, field="Reviewer", reason="I reviewed this record", moment=MOMENT)

    def verify(self, pdf: bytes, **options: Any) -> Any:
        return verify_report(pdf, trust=self.trust, moment=MOMENT + timedelta(days=30), **options)


@pytest.fixture(scope="module")
def shop() -> Shop:
    return Shop()


@pytest.fixture(scope="module")
def signed(shop: Shop) -> bytes:
    return shop.sign(render_report(DEMO, evaluate(DEMO), moment=MOMENT))


@pytest.mark.parametrize("language", ["en", "fr", "de", "es"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_honest_reports_prove_themselves(shop: Shop, language: str, paper: str) -> None:
    pdf = shop.countersign(
        shop.sign(render_report(DEMO, evaluate(DEMO), moment=MOMENT, language=language, paper=paper))
    )
    found = shop.verify(pdf, expected=("Technician", "Reviewer"))
    assert found.reasons == ()
    assert found.trustworthy
    assert found.pages == "same"
    assert found.digest_matches
    assert found.results == sum(len(t.results) for t in evaluate(DEMO).tests)
    assert [s.signer for s in found.signatures] == ["R. Example", "M. Sample"]
    assert found.record == DEMO


@pytest.mark.parametrize(
    "text",
    [
        "المصباح الأيسر لا يعمل (12.6 V) ABC",
        "הפנס השמאלי אינו פועל; 12.6 V (C12)",
        "\u202eevil\u202c \x07\x1b[31m \u2067x",
        "<img src='file:///etc/passwd'/> & {page} 🔥 漢字",
        "عربي word " * 10_000,
    ],
    ids=range(5),
)
def test_reports_with_any_writing_prove_themselves(shop: Shop, text: str) -> None:
    record = load_record({**plain(DEMO), "complaint": text, "cause": text})
    pdf = OnePassSigner(shop.technician).certify(
        render_report(record, evaluate(record), moment=MOMENT, salt="5a" * 32),
        field="Technician", reason=text[:200].replace("\x07", "").replace("\x1b", ""), moment=MOMENT,
    )  # fmt: skip
    found = shop.verify(pdf)
    assert (found.reasons, found.pages) == ((), "same")
    assert found.record == record


def test_a_path_and_its_pairs_prove_themselves_and_a_changed_pair_is_found(shop: Shop) -> None:
    record = load_record(Path(__file__).parent / "data" / "records" / "path-test.json")
    evaluation = evaluate(record)
    found = shop.verify(shop.sign(render_report(record, evaluation, moment=MOMENT)))
    assert found.trustworthy
    assert found.pages == "same"
    better = dataclasses.replace(evaluation.pairs[0], change=-1.0)
    forged = dataclasses.replace(evaluation, pairing=lambda: (better, *evaluation.pairs[1:]))
    found = shop.verify(shop.sign(render_report(record, forged, moment=MOMENT)))
    assert not found.trustworthy
    assert [d.where for d in found.differing] == ["pairs[0].change"]


@pytest.mark.system
@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "Not yet reviewed"),
        ("de", "Noch nicht gegengelesen"),
        ("fr", "Pas encore relu"),
        ("es", "Aún no revisado"),
    ],
)
def test_the_place_of_a_review_says_that_there_was_none_until_there_is_one(
    shop: Shop, language: str, said: str
) -> None:
    first = shop.sign(render_report(DEMO, evaluate(DEMO), moment=MOMENT, language=language))
    assert said in words(first)
    page = reviewers_field(shop.reviewer, moment=MOMENT, meaning="I reviewed this record", language=language)
    both = countersign(
        first, key=shop.reviewer, field="Reviewer", reason="I reviewed this record", moment=MOMENT, appearance=page
    )
    assert said not in words(both) and "M. Sample" in words(both)
    assert shop.verify(both, expected=("Technician", "Reviewer")).reasons == ()
    # whoever signs with another program may leave the field as it is: it speaks of the day it was made
    left = shop.countersign(first)
    assert "2026" in words(left).split(said)[1][:120]


def words(pdf: bytes) -> str:
    done = subprocess.run(
        ["pdftotext", "-enc", "UTF-8", "-", "-"], input=pdf, capture_output=True, check=True, timeout=60
    )
    return done.stdout.decode("utf-8")


def test_nobody_is_trusted_without_a_list(signed: bytes) -> None:
    found = verify_report(signed, moment=MOMENT)
    assert not found.trustworthy
    assert "not-trusted" in found.reasons


def test_pages_that_say_something_else_than_the_record(shop: Shop) -> None:
    """The signer draws the pages of one record and attaches another."""
    changed = plain(DEMO)
    changed["complaint"] = "Ramp does not move at all."
    other = load_record(changed)
    pages = render_report(other, evaluate(other), moment=MOMENT)
    honest = render_report(DEMO, evaluate(DEMO), moment=MOMENT)
    forged = swap_attachment(pages, honest)
    found = shop.verify(shop.sign(forged))
    assert not found.trustworthy
    assert {"pages-differ", "digest-differs"} & set(found.reasons)


def swap_attachment(pages: bytes, donor: bytes) -> bytes:
    """``pages`` with the attached files of ``donor``."""
    from io import BytesIO

    import pikepdf

    with pikepdf.open(BytesIO(pages)) as target, pikepdf.open(BytesIO(donor)) as source:
        for name in ("record.json", "evaluation.json"):
            data = source.attachments[name].get_file().read_bytes()
            for entry in target.Root.AF:
                if str(entry.UF) == name:
                    entry.EF.F.write(data)
        out = BytesIO()
        target.save(out)
        return out.getvalue()


def test_a_signer_who_changes_a_verdict(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Evaluation and pages say 'pass' where the record gives 'fail': recomputation finds it."""
    honest = evaluate(DEMO)
    document = honest.to_plain()
    document["tests"][2]["results"][0]["verdict"] = "pass"

    class Forged:
        record, revision, record_digest, engine, tests, pairs = (
            honest.record, honest.revision, honest.record_digest, honest.engine, honest.tests, honest.pairs,
        )  # fmt: skip

        def to_plain(self) -> dict[str, Any]:
            return document

        test = Evaluation.test

    forged = shop.sign(render_with(DEMO, Forged(), Options(moment=MOMENT)))  # type: ignore[arg-type]
    found = shop.verify(forged)
    assert not found.trustworthy
    assert "evaluation-differs" in found.reasons
    assert found.differing[0].where == "tests[2].results[0].verdict"


def test_another_version_is_judged_by_recomputation(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A report of other drawing code can't be drawn again here; its numbers still answer, its pages don't."""
    from diagnb.report.pdf import metadata, render

    with monkeypatch.context() as patched:
        patched.setattr(metadata, "made_with", lambda: "diagnb 0.0.9; another set of libraries")
        patched.setattr(render, "made_with", lambda: "diagnb 0.0.9; another set of libraries")
        old = shop.sign(render_report(DEMO, evaluate(DEMO), moment=MOMENT))
    found = shop.verify(old)
    assert found.pages == "other-version"
    assert found.trustworthy
    assert "NOT PROVED" in standing(found)
    assert found.results > 10
    assert found.differing == ()


OTHER_LIBRARIES = made_with().replace(f"zlib {zlib.ZLIB_RUNTIME_VERSION}", "zlib 0.9.9")


def drawn_with(engine: str, record: Record, attached: Record, patched: pytest.MonkeyPatch) -> bytes:
    """The pages of ``record`` in a file that carries ``attached`` and claims to be drawn by ``engine``."""
    from diagnb.report.pdf import metadata, render

    patched.setattr(metadata, "made_with", lambda: engine)
    patched.setattr(render, "made_with", lambda: engine)
    own = render_report(attached, evaluate(attached), moment=MOMENT)
    if record is attached:
        return own
    other = render_report(record, evaluate(record), moment=MOMENT)
    with pikepdf.open(BytesIO(own)) as target, pikepdf.open(BytesIO(other)) as source:
        for page, wrong in zip(target.pages, source.pages, strict=True):
            page.Contents = target.copy_foreign(wrong.Contents)
        out = BytesIO()
        target.save(out)
    return out.getvalue()


def test_other_libraries_pack_the_same_pages_otherwise(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    real = zlib.compress
    with monkeypatch.context() as patched:
        patched.setattr(zlib, "compress", lambda data, *_, **__: real(data, 1))
        report = shop.sign(drawn_with(OTHER_LIBRARIES, DEMO, DEMO, patched))
    found = shop.verify(report)
    assert (found.reasons, found.pages) == ((), "same")
    assert "drawn-alike" in found.notes
    assert standing(found) == "TRUSTWORTHY"


@pytest.mark.parametrize("one_pass", [False, True])
def test_photos_and_a_batch_s_signature_are_the_same_under_other_libraries(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, one_pass: bool
) -> None:
    from PIL import Image

    from diagnb.report import photo_attachment, prepare_photos
    from diagnb.report.pdf import metadata, render

    camera = BytesIO()
    Image.effect_noise((300, 200), 60).convert("RGB").save(camera, "JPEG")
    listed = photo_attachment(camera.getvalue(), name="stud.jpg", shows="ground stud")
    record = read_record(plain(DEMO) | {"attachments": [listed.model_dump(mode="json", exclude_defaults=True)]})
    photos = prepare_photos(record, {"stud.jpg": camera.getvalue()})
    real = zlib.compress
    with monkeypatch.context() as patched:
        for place in (metadata, render):
            patched.setattr(place, "made_with", lambda: OTHER_LIBRARIES)
        patched.setattr(zlib, "compress", lambda data, *_, **__: real(data, 1))
        pages = render_report(record, evaluate(record), moment=MOMENT, photos=photos)
    quick = OnePassSigner(shop.technician)
    signed = quick.certify(pages, field="Technician", reason="t", moment=MOMENT) if one_pass else shop.sign(pages)
    found = shop.verify(signed)
    assert (found.reasons, found.pages) == ((), "same")


def test_a_box_handed_down_to_the_pages_is_found_too(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cropped from above, a page shows less than its own content says."""
    with monkeypatch.context() as patched:
        own = drawn_with(OTHER_LIBRARIES, DEMO, DEMO, patched)
    with pikepdf.open(BytesIO(own)) as target:
        target.Root.Pages.CropBox = pikepdf.Array([0, 400, 595, 842])
        out = BytesIO()
        target.save(out)
    found = shop.verify(shop.sign(out.getvalue()))
    assert "pages-differ" in found.reasons


@pytest.mark.parametrize("engine", [OTHER_LIBRARIES, made_with()])
def test_other_libraries_excuse_no_other_pages(shop: Shop, monkeypatch: pytest.MonkeyPatch, engine: str) -> None:
    document = plain(DEMO)
    document["vehicle"]["odometer"]["value"] = "902360"
    with monkeypatch.context() as patched:
        forged = shop.sign(drawn_with(engine, read_record(document), DEMO, patched))
    found = shop.verify(forged)
    assert found.pages == "differ"
    assert "pages-differ" in found.reasons


def test_recomputation_bears_the_last_bits_of_another_machine() -> None:
    document = evaluate(DEMO).to_plain()
    nudged = evaluate(DEMO).to_plain()
    nudged["engine"] = "diagnb 9.9.9"
    nudged["tests"][2]["results"][0]["value"] *= 1 + 1e-12
    assert list(compare(document, nudged)) == []
    nudged["tests"][2]["results"][0]["value"] *= 1 + 1e-7
    assert [d.where for d in compare(document, nudged)] == ["tests[2].results[0].value"]


def test_a_report_of_a_machine_that_rounds_otherwise(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its last digits differ, so the pages can't be drawn again to the byte; nobody is accused of having changed them."""
    document = evaluate(DEMO).to_plain()
    result = document["tests"][2]["results"][0]
    result["value"] *= 1 + 1e-13
    assert result["value"] != evaluate(DEMO).tests[2].results[0].value
    honest = evaluate(DEMO)
    with monkeypatch.context() as patched:
        patched.setattr(Evaluation, "to_plain", lambda self: document)
        signed = shop.sign(render_report(DEMO, honest, moment=MOMENT))
    found = shop.verify(signed)
    assert found.reasons == ()
    assert found.pages == "same"
    assert "drawn-alike" in found.notes


@pytest.mark.parametrize("seed", range(40))
def test_damage_is_an_answer_and_never_an_exception(shop: Shop, signed: bytes, seed: int) -> None:
    chance = random.Random(seed)
    data = bytearray(signed)
    kind = seed % 4
    if kind == 0:
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    elif kind == 1:
        del data[chance.randrange(len(data)) :]
    elif kind == 2:
        at = chance.randrange(len(data))
        data[at : at + chance.randrange(1, 400)] = chance.randbytes(chance.randrange(1, 400))
    else:
        data += chance.randbytes(chance.randrange(1, 2000))
    found = shop.verify(bytes(data))
    assert not found.trustworthy
    assert found.reasons
    assert all(reason in REASONS for reason in found.reasons)


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7", b"\x00" * 1000, b"%PDF-1.7\n" + b"[" * 50_000 + b"\n%%EOF\n"])
def test_files_that_are_no_report(shop: Shop, data: bytes) -> None:
    assert not shop.verify(data).trustworthy


def test_evaluation_travels_in_canonical_form(signed: bytes) -> None:
    from diagnb.signing import embedded_files

    files = embedded_files(signed)
    assert set(files) == {"record.json", "evaluation.json"}
    assert files["evaluation.json"].data == rfc8785.dumps(evaluate(DEMO).to_plain())
    assert files["record.json"].relationship == "Source"


def test_a_review_by_the_technician_is_no_review(shop: Shop, signed: bytes) -> None:
    both = countersign(signed, key=shop.technician, field="Reviewer", reason="I reviewed this record", moment=MOMENT)
    found = shop.verify(both)
    assert not found.trustworthy
    assert found.reasons == ("reviewer-is-technician",)
    rotated = create_person(shop.authority, name="R. Example", role="reviewer", moment=MOMENT)
    again = countersign(signed, key=rotated, field="Reviewer", reason="I reviewed this record", moment=MOMENT)
    assert "reviewer-is-technician" in shop.verify(again).reasons
