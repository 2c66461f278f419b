"""Redacted copies: what is gone can't be guessed, what is shown can't be changed."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.audit import AuditLog, Event
from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.lineage import read_shop_log
from diagnb.proof import verify_report
from diagnb.record import Record, amend, canonical_bytes, digest, load_record, plain
from diagnb.redaction import (
    PERSONAL,
    REMOVED,
    DigestList,
    check_redaction,
    digest_list,
    field_hash,
    fields,
    mentions,
    redact,
    salt_of,
)
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import TrustList, certify, create_authority, create_person, embedded_files, trust_entry

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
DEMO = load_record(templates_directory() / "demo-record.json")
SECRET = "5a" * 32
COPY = redact(DEMO, secret=SECRET)


class Shop:
    def __init__(self) -> None:
        self.authority = create_authority(name="Example shop (invented)", moment=MOMENT)
        self.office = create_person(self.authority, name="Records office", role="office", moment=MOMENT)
        self.trust = TrustList((trust_entry(self.authority.certificate, added=MOMENT, added_by="test"),))

    def issue(self, record: Record, **options: Any) -> bytes:
        pdf = render_report(record, evaluate(record), moment=MOMENT, **options)
        return certify(pdf, key=self.office, field="Technician", reason="test", moment=MOMENT)

    def verify(self, pdf: bytes, **options: Any) -> Any:
        return verify_report(pdf, trust=self.trust, moment=MOMENT + timedelta(days=30), **options)


@pytest.fixture(scope="module")
def shop() -> Shop:
    return Shop()


@pytest.fixture(scope="module")
def original(shop: Shop) -> bytes:
    return shop.issue(DEMO, salt=SECRET)


@pytest.fixture(scope="module")
def copy(shop: Shop) -> bytes:
    return shop.issue(COPY)


def forged(change: Callable[[dict[str, Any]], None], record: Record = COPY) -> Record:
    document = plain(record)
    change(document)
    return load_record(document)


def test_the_copy_proves_the_readings_and_says_no_name(shop: Shop, original: bytes, copy: bytes) -> None:
    alone, beside = shop.verify(copy), shop.verify(copy, original=original)
    assert alone.trustworthy and beside.trustworthy
    assert "redacted-copy" in alone.notes
    assert alone.results == shop.verify(original).results
    assert alone.digest_head == shop.verify(original).digest_head != ""
    everything = b"".join(f.data for f in embedded_files(copy).values())
    for secret in (
        b"R. Example",
        b"M. Sample",
        b"City bus line",
        b"two drivers",
        bytes.fromhex(SECRET),
        SECRET.encode(),
    ):
        assert secret not in everything
        assert secret not in copy.split(b"/ETSI.CAdES.detached")[0]


@pytest.mark.system
def test_nothing_that_was_removed_stands_on_the_pages(copy: bytes, tmp_path: Path) -> None:
    import subprocess

    path = tmp_path / "copy.pdf"
    path.write_bytes(copy)
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    info = subprocess.run(["pdfinfo", "-meta", str(path)], capture_output=True, text=True, check=True).stdout
    info += subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True).stdout
    for gone in ("R. Example", "M. Sample", "City bus line", "two drivers"):
        assert gone not in text and gone not in info
    assert "1.418 V" in text
    assert COPY.redaction is not None
    assert COPY.redaction.head in "".join(text.split())
    assert text.count(REMOVED) > 5


CHANGES: dict[str, Callable[[dict[str, Any]], None]] = {
    "a changed reading": lambda d: d["tests"][2]["readings"][0]["texts"].__setitem__(0, "0.018 V"),
    "readings trade places": lambda d: d["tests"][2]["readings"][0]["texts"].reverse(),
    "a changed limit source": lambda d: d["tests"][6]["limits"][0].__setitem__("source", "another source"),
    "a field added": lambda d: d.__setitem__("qualified_person", "tech"),
    "a test left out": lambda d: d["tests"].pop(0),
    "a removed field filled in": lambda d: d["order"].__setitem__("customer", "Somebody else"),
    "a hash changed": lambda d: d["redaction"]["removed"].__setitem__("complaint", "0" * 64),
    "a salt changed": lambda d: d["redaction"]["salts"].__setitem__("cause", "0" * 64),
    "a removed field forgotten": lambda d: d["redaction"]["removed"].pop("complaint"),
    "a shown field moved to the removed": lambda d: d["redaction"]["removed"].__setitem__(
        "cause", d["redaction"]["salts"].pop("cause")
    ),
    "the digest list head changed": lambda d: d["redaction"].__setitem__("head", "270:" + "0" * 64),
    "another count": lambda d: d["redaction"].__setitem__("head", "271:" + d["redaction"]["head"].split(":")[1]),
    "a label changed": lambda d: d["redaction"]["removed"].__setitem__(
        "order.site", d["redaction"]["removed"].pop("order.customer")
    ),
    "a procedure changed": lambda d: d["procedures"]["ground-side-drop"].__setitem__("title", "Other"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_whatever_is_changed_in_a_copy_and_signed_again_is_found(shop: Shop, name: str) -> None:
    """The forger holds a trusted key and renders honest pages of the forged copy."""
    record = forged(CHANGES[name])
    assert not check_redaction(record)
    assert "redaction-broken" in shop.verify(shop.issue(record)).reasons


def with_new_head(record: Record) -> Record:
    """The forger works out a new head, so that the copy is consistent by itself."""
    document = plain(record)
    redaction = document["redaction"]
    hashes = {place: bytes.fromhex(h) for place, h in redaction["removed"].items()}
    for place, value in fields(record).items():
        if place not in hashes:
            hashes[place] = field_hash(bytes.fromhex(redaction["salts"][place]), value)
    redaction["head"] = DigestList(hashes).head
    return load_record(document)


def test_a_copy_with_a_head_of_its_own_fails_against_original_and_log(
    shop: Shop, original: bytes, tmp_path: Path
) -> None:
    record = with_new_head(forged(CHANGES["a changed reading"]))
    pdf = shop.issue(record)
    assert shop.verify(pdf).trustworthy, "without anything to compare it with the head proves nothing"
    assert shop.verify(pdf, original=original).reasons == ("original-differs",)
    log = AuditLog(tmp_path / "audit.jsonl", create=True)
    head = digest_list(DEMO, SECRET).head
    log.append(Event(action="issue", actor="x", record=DEMO.id, digest=digest(DEMO), root=head), clock=lambda: MOMENT)
    log.append(Event(action="redact", actor="x", record=DEMO.id, digest=digest(record)), clock=lambda: MOMENT)
    log.append(Event(action="redact", actor="x", record=DEMO.id, digest=digest(COPY)), clock=lambda: MOMENT)
    shops = read_shop_log(tmp_path / "audit.jsonl")
    assert shop.verify(pdf, log=shops).reasons == ("original-differs",)
    assert shop.verify(shop.issue(COPY), log=shops).trustworthy


def test_the_wrong_original(shop: Shop, original: bytes, copy: bytes) -> None:
    other = shop.issue(DEMO, salt="77" * 32)
    assert shop.verify(copy, original=other).reasons == ("original-differs",)
    assert shop.verify(copy, original=shop.issue(DEMO)).reasons == ("original-differs",)
    assert shop.verify(original, original=original).reasons == ("not-redacted",)
    damaged = bytearray(original)
    damaged[3000] ^= 1
    assert "original-unproved" in shop.verify(copy, original=bytes(damaged)).reasons


def test_a_removed_name_can_not_be_found_by_trying_names() -> None:
    """Whoever holds the copy knows the name is one of a short list, and every salt of the other fields."""
    assert COPY.redaction is not None
    wanted = set(COPY.redaction.removed.values())
    names = ["R. Example", "M. Sample", "City bus line (invented)", DEMO.complaint, *(f"Name {i}" for i in range(200))]
    salts = [b"", bytes(32), *(bytes.fromhex(s) for s in COPY.redaction.salts.values())]
    for name, salt in itertools.product(names, salts):
        assert field_hash(salt, name).hex() not in wanted
        assert hashlib.sha256(name.encode() + salt).hexdigest() not in wanted
    right = salt_of(bytes.fromhex(SECRET), "people[0].name")
    assert field_hash(right, "R. Example").hex() in wanted, "with the original's secret it is provable"


def test_equal_values_have_different_hashes() -> None:
    document = plain(DEMO)
    document["people"][1]["name"] = document["people"][0]["name"]
    found = redact(load_record(document), secret=SECRET)
    assert found.redaction is not None
    assert found.redaction.removed["people[0].name"] != found.redaction.removed["people[1].name"]


def test_the_serial_number_of_a_vin_goes_alone() -> None:
    found = redact(DEMO, secret=SECRET, remove=["vin-tail"])
    assert found.vehicle.vin == DEMO.vehicle.vin[:11] + REMOVED
    assert check_redaction(found)
    assert not check_redaction(forged(lambda d: d["vehicle"].__setitem__("vin", "2" + d["vehicle"]["vin"][1:]), found))
    whole = redact(DEMO, secret=SECRET, remove=["vin"])
    assert whole.vehicle.vin == REMOVED
    assert check_redaction(whole)


def test_a_field_that_holds_no_text_is_left_out() -> None:
    found = redact(DEMO, secret=SECRET, remove=["vehicle.model_year", "vehicle.in_service"])
    assert (found.vehicle.model_year, found.vehicle.in_service) == (None, None)
    assert check_redaction(found)
    assert not check_redaction(forged(lambda d: d["vehicle"].__setitem__("model_year", 2024), found))


@pytest.mark.parametrize(
    "place",
    [
        "tests[2].readings[0].texts[0]", "conditions.ambient_degc", "id", "created", "no.such.place", "tests[*].time",
        "procedures.ground-side-drop", "tests[6].limits[0].upper", "order.opened",
    ],
)  # fmt: skip
def test_what_results_or_identity_rest_on_stays(place: str) -> None:
    with pytest.raises(InputFault):
        redact(DEMO, secret=SECRET, remove=[place])


def test_a_copy_of_a_copy_is_refused() -> None:
    with pytest.raises(InputFault, match="already"):
        redact(COPY, secret=SECRET)
    with pytest.raises(InputFault, match="redacted copy"):
        amend(COPY, DEMO, reason="x")


def test_values_that_still_stand_elsewhere_are_told() -> None:
    document = plain(DEMO)
    document["findings"][0]["text"] = "Measured by R. EXAMPLE with the foreman."
    record = load_record(document)
    found = mentions(record, redact(record, secret=SECRET))
    assert found == (("findings[0].text", "people[0].name"),)
    assert mentions(record, redact(record, secret=SECRET, remove=[*PERSONAL, "findings[*].text"])) == ()


def test_a_name_that_an_amendment_changed_is_gone_from_the_list_of_changes() -> None:
    document = plain(DEMO)
    document["people"][0]["name"] = "R. Exemplar"
    document["people"].append({"id": "third", "name": "T. Specimen", "role": "trainee"})
    document["order"]["customer"] = "Other line (invented)"
    record = amend(DEMO, load_record(document), reason="name corrected")
    found = redact(record, secret=SECRET)
    text = canonical_bytes(found).decode()
    for gone in ("R. Example", "R. Exemplar", "T. Specimen", "City bus", "Other line"):
        assert gone not in text
    assert found.replaces is not None
    assert "people[third]" in {c.where for c in found.replaces.changes}
    assert check_redaction(found)


def test_the_original_carries_its_digest_list(shop: Shop, original: bytes) -> None:
    attached = embedded_files(original)["digests.json"].data
    assert attached == rfc8785.dumps(digest_list(DEMO, SECRET).to_plain())
    assert shop.verify(original).digest_head == digest_list(DEMO, SECRET).head


@given(st.text() | st.text(st.characters(max_codepoint=0x1F)))
def test_the_hash_of_a_text_is_over_its_canonical_form(text: str) -> None:
    salt = bytes(32)
    assert field_hash(salt, text) == hashlib.sha256(salt + rfc8785.dumps(text)).digest()


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_changed_field_of_a_copy_is_found(data: st.DataObject) -> None:
    assert COPY.redaction is not None
    document = plain(COPY)
    place = data.draw(st.sampled_from(sorted(COPY.redaction.salts)))
    salt = data.draw(st.integers(0, 255))
    document["redaction"]["salts"][place] = f"{salt:02x}" + COPY.redaction.salts[place][2:]
    same = document["redaction"]["salts"][place] == COPY.redaction.salts[place]
    assert check_redaction(load_record(document)) == same
