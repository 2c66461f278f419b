"""Reports that outlive their certificates: real time stamps over HTTP, read years later."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import handmade as pdf
import pytest
from conftest import MADE, Shop
from cryptography.hazmat.primitives.serialization import Encoding
from stamping import TimeService, time_service
from test_sign import tool

from diagnb.errors import SigningFault
from diagnb.signing import (
    SignatureStatus,
    TrustList,
    add_validation_data,
    certify,
    countersign,
    fetch_revocation_lists,
    signing_certificates,
    timestamp,
    trust_entry,
    verify_signatures,
)

YEAR = timedelta(days=365)
STAMPED = timedelta(minutes=1)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeService]:
    with time_service(tmp_path_factory.mktemp("time"), made=MADE) as running:
        yield running


@pytest.fixture(scope="module")
def trust(shop: Shop, service: TimeService) -> TrustList:
    """The shop's authority, the time services' authority, an empty revocation list."""
    return shop.trust.with_entry(service.entry(MADE)).with_new_revocation_list(shop.authority, moment=shop.signed)


@pytest.fixture(scope="module")
def stamped(shop: Shop, service: TimeService) -> bytes:
    """B-T: both signatures carry a time stamp of their own."""
    service.at(shop.signed + STAMPED)
    signed = certify(
        shop.unsigned,
        key=shop.technician,
        field="Technician",
        reason="Measured",
        moment=shop.signed,
        timestamp_url=service.url(),
    )
    service.at(shop.reviewed + STAMPED)
    return countersign(
        signed,
        key=shop.reviewer,
        field="Reviewer",
        reason="Reviewed",
        moment=shop.reviewed,
        timestamp_url=service.url(),
    )


@pytest.fixture(scope="module")
def kept(shop: Shop, stamped: bytes, service: TimeService, trust: TrustList) -> bytes:
    """B-LTA: validation data and a stamp over everything."""
    service.at(shop.reviewed + timedelta(days=1))
    return timestamp(stamped, url=service.url(), trust=trust, moment=shop.reviewed + timedelta(days=1))


def look(data: bytes, trust: TrustList, shop: Shop, years: float = 0.0) -> SignatureStatus:
    return verify_signatures(
        data, trust=trust, moment=shop.checked + years * YEAR, expected_fields=("Technician", "Reviewer")
    )


def test_signatures_with_time_stamps(shop: Shop, stamped: bytes, trust: TrustList) -> None:
    status = look(stamped, trust, shop)
    assert status.reasons == ()
    technician, reviewer = status.signatures
    assert technician.timestamped
    assert technician.signed_at == technician.proven_at == shop.signed + STAMPED
    assert technician.stated_at == shop.signed
    assert reviewer.proven_at == shop.reviewed + STAMPED
    assert technician.trusted_now
    assert "no-time-stamp" not in status.notes


def test_valid_at_its_time_but_not_now(shop: Shop, stamped: bytes, trust: TrustList) -> None:
    """The person's certificate ended years ago; the time stamp's service is still good."""
    status = look(stamped, trust, shop, years=5)
    assert status.reasons == ()
    assert all(s.trusted and not s.trusted_now for s in status.signatures)
    assert "judged-at-time-stamp" in status.notes


def test_without_time_stamp_the_same_is_expired(shop: Shop, trust: TrustList) -> None:
    status = look(shop.countersigned, trust, shop, years=5)
    assert status.reasons == ("certificate-expired",)
    assert "no-time-stamp" in status.notes


def test_time_stamp_whose_service_has_expired(shop: Shop, stamped: bytes, kept: bytes, trust: TrustList) -> None:
    for data in (stamped, kept):
        status = look(data, trust, shop, years=8)
        assert {"timestamp-expired", "certificate-expired"} <= set(status.reasons)
        assert not any(s.trusted for s in status.signatures)


def test_whole_file_stamped_and_read_years_later(shop: Shop, kept: bytes, stamped: bytes, trust: TrustList) -> None:
    assert kept.startswith(stamped)
    status = look(kept, trust, shop, years=5)
    assert status.reasons == ()
    assert not status.later_changes
    (stamp,) = status.stamps
    assert stamp.trusted
    assert stamp.intact
    assert stamp.service == "Invented Time Service first"
    assert stamp.covers == len(kept)
    assert stamp.time == shop.reviewed + timedelta(days=1)
    assert status.signed_bytes is not None
    assert kept.startswith(status.signed_bytes)
    assert kept[: status.unsigned_prefix_length] == shop.unsigned


def test_stamp_over_the_whole_file_helps_signatures_without_one(
    shop: Shop, service: TimeService, trust: TrustList
) -> None:
    later = shop.reviewed + timedelta(days=30)
    service.at(later)
    data = timestamp(shop.countersigned, url=service.url(), trust=trust, moment=later)
    status = look(data, trust, shop, years=5)
    assert status.reasons == ()
    assert [s.timestamped for s in status.signatures] == [False, False]
    assert [s.proven_at for s in status.signatures] == [later, later]
    assert [s.signed_at for s in status.signatures] == [shop.signed, shop.reviewed]


def test_stamp_after_the_certificate_ended_comes_too_late(shop: Shop, service: TimeService, trust: TrustList) -> None:
    late = MADE + 4 * YEAR
    service.at(late)
    data = timestamp(shop.countersigned, url=service.url(), trust=trust, moment=late)
    status = look(data, trust, shop, years=4)
    assert status.reasons == ("certificate-expired",)
    assert status.stamps[0].trusted


def test_renewed_stamp_keeps_the_file_good(shop: Shop, kept: bytes, service: TimeService, trust: TrustList) -> None:
    """Before the first service's certificate ends another one stamps again; fifteen years later both are judged."""
    again = shop.checked + 5 * YEAR
    service.at(again)
    renewed = timestamp(kept, url=service.url("second"), trust=trust, moment=again)
    assert renewed.startswith(kept)
    assert [s.service for s in look(renewed, trust, shop, years=5.1).stamps] == [
        "Invented Time Service first",
        "Invented Time Service second",
    ]
    status = look(renewed, trust, shop, years=9)
    assert status.reasons == ()
    assert not any(s.trusted_now for s in status.signatures)
    assert look(renewed, trust, shop, years=11.4).notes.count("time-stamp-renewal-due") == 1
    assert "timestamp-expired" in look(renewed, trust, shop, years=13).reasons


def test_renewal_after_the_service_expired_comes_too_late(
    shop: Shop, stamped: bytes, service: TimeService, trust: TrustList
) -> None:
    early = shop.reviewed + timedelta(days=1)
    service.at(early)
    short = timestamp(shop.countersigned, url=service.url("short"), trust=trust, moment=early)
    assert look(short, trust, shop, years=0.4).reasons == ()
    late = shop.checked + 4 * YEAR
    service.at(late)
    renewed = timestamp(short, url=service.url("second"), trust=trust, moment=late)
    assert {"timestamp-expired", "certificate-expired"} <= set(look(renewed, trust, shop, years=4.1).reasons)


def test_service_that_is_not_on_the_list(shop: Shop, stamped: bytes, kept: bytes) -> None:
    for data in (stamped, kept):
        status = look(data, shop.trust, shop, years=5)
        assert {"timestamp-not-trusted", "certificate-expired"} <= set(status.reasons)
    status = look(kept, shop.trust, shop)
    assert set(status.reasons) == {"timestamp-not-trusted"}
    assert not status.stamps[0].trusted


def test_services_authority_does_not_vouch_for_people(shop: Shop, kept: bytes, service: TimeService) -> None:
    only = TrustList((service.entry(MADE),))
    assert "not-trusted" in look(kept, only, shop).reasons


# --- revocation -------------------------------------------------------------------------------------


def revoked(shop: Shop, trust: TrustList, *, days: float, listed: bool) -> TrustList:
    """The technician revoked so many days after signing: by a signed list alone, or by an entry of the trust list."""
    person = trust_entry(shop.technician.certificate, added=MADE, added_by="test")
    since = shop.signed + timedelta(days=days)
    known = trust.with_entry(person).with_revoked(
        person.fingerprint, moment=since + timedelta(days=3), invalid_since=since, reason="key-compromise", by="test"
    )
    if not listed:
        return known
    fresh = known.with_new_revocation_list(shop.authority, moment=since + timedelta(days=3))
    return TrustList(trust.entries, fresh.revocation_lists)


@pytest.mark.parametrize("listed", [True, False])
def test_revoked_after_the_proven_time(shop: Shop, stamped: bytes, trust: TrustList, listed: bool) -> None:
    status = look(stamped, revoked(shop, trust, days=1, listed=listed), shop, years=1)
    assert status.reasons == ()
    technician, reviewer = status.signatures
    assert technician.trusted
    assert not technician.trusted_now
    assert reviewer.trusted_now


@pytest.mark.parametrize("listed", [True, False])
def test_revoked_before_the_proven_time(shop: Shop, stamped: bytes, trust: TrustList, listed: bool) -> None:
    status = look(stamped, revoked(shop, trust, days=-1, listed=listed), shop, years=1)
    assert status.reasons == ("certificate-revoked",)
    assert [s.trusted for s in status.signatures] == [False, True]


@pytest.mark.parametrize("listed", [True, False])
def test_revoked_without_time_stamp_is_revoked_whenever(shop: Shop, trust: TrustList, listed: bool) -> None:
    status = look(shop.countersigned, revoked(shop, trust, days=1, listed=listed), shop, years=1)
    assert status.reasons == ("certificate-revoked",)


def test_revocation_list_inside_the_file_counts(shop: Shop, service: TimeService, trust: TrustList) -> None:
    """Whoever verifies with the bare trust list still learns of it, and an old list put in hides nothing."""
    lists = revoked(shop, trust, days=-1, listed=True).revocation_lists
    when = shop.reviewed + timedelta(days=5)
    data = add_validation_data(shop.countersigned, trust=shop.trust, moment=when, revocation_lists=lists)
    assert look(data, shop.trust, shop).reasons == ("certificate-revoked",)
    both = add_validation_data(data, trust=shop.trust, moment=when, revocation_lists=trust.revocation_lists)
    assert both != data
    assert look(both, shop.trust, shop).reasons == ("certificate-revoked",)


def test_revocation_list_of_a_stranger_is_ignored(shop: Shop, trust: TrustList) -> None:
    from diagnb.signing import Revoked, create_authority, create_revocation_list

    stranger = create_authority(name=shop.authority.name, moment=MADE)
    row = Revoked(shop.technician.certificate.serial_number, shop.signed, shop.signed)
    forged = create_revocation_list(stranger, revoked=[row], number=9, moment=shop.signed)
    number = pdf.next_number(shop.countersigned)
    store = {
        pdf.CATALOG: pdf.current(shop.countersigned, pdf.CATALOG)[:-2] + b" /DSS %d 0 R >>" % number,
        number: b"<< /Type /DSS /Certs [] /CRLs [%d 0 R] >>" % (number + 1),
        number + 1: pdf.stream(forged.public_bytes(Encoding.DER)),
    }
    assert look(pdf.update(shop.countersigned, store), trust, shop).reasons == ()
    with pytest.raises(SigningFault, match="no authority"):
        trust.with_revocation_list(forged)


def test_revoked_services(shop: Shop, service: TimeService, trust: TrustList) -> None:
    """A service that was closed leaves good stamps behind; one whose key leaked needs another's stamp over it."""
    early = shop.reviewed + timedelta(days=1)
    service.at(early)
    closed, leaked = (
        timestamp(shop.countersigned, url=service.url(n), trust=trust, moment=early) for n in ("closed", "leaked")
    )
    rescued = timestamp(leaked, url=service.url("second"), trust=trust, moment=early)
    known = trust.with_revocation_list(service.revocation_list(MADE + 3 * YEAR))
    assert look(closed, known, shop, years=4).reasons == ()
    assert {"timestamp-revoked", "certificate-expired"} <= set(look(leaked, known, shop, years=4).reasons)
    assert look(rescued, known, shop, years=4).reasons == ()


def test_revoked_service_on_the_trust_list(shop: Shop, stamped: bytes, trust: TrustList, service: TimeService) -> None:
    own = trust.with_entry(service.entry(MADE, "first"))
    fingerprint = service.entry(MADE, "first").fingerprint
    after = own.with_revoked(fingerprint, moment=shop.checked, reason="no-longer-used")
    assert look(stamped, after, shop, years=1).reasons == ()
    leak = own.with_revoked(fingerprint, moment=shop.checked, reason="key-compromise")
    assert "timestamp-not-trusted" in look(stamped, leak, shop, years=1).reasons


# --- what is in the file, who else can read it --------------------------------------------------------


def test_validation_data_holds_what_is_needed(shop: Shop, kept: bytes, service: TimeService, trust: TrustList) -> None:
    inside = {c.subject.rfc4514_string() for c in signing_certificates(kept)}
    assert any("Ada Invented" in name for name in inside)
    assert any("Time Service first" in name for name in inside)
    assert kept.count(b"/DSS ") == 1
    fetched, faults = fetch_revocation_lists([service.certificate("first"), service.certificate("root")])
    assert faults == ()
    assert len(fetched) == 1
    more = add_validation_data(kept, trust=trust, moment=shop.checked, revocation_lists=fetched)
    assert more != kept
    assert look(more, trust, shop).reasons == ()
    assert add_validation_data(more, trust=trust, moment=shop.checked, revocation_lists=fetched) == more


def test_lists_that_can_not_be_fetched_are_named(service: TimeService) -> None:
    fetched, faults = fetch_revocation_lists([service.certificate("first")])
    assert fetched == ()
    assert "none of the issuers" in faults[0].what


@pytest.mark.system
def test_other_readers_of_a_lasting_file(kept: bytes, tmp_path: Path) -> None:
    path = tmp_path / "kept.pdf"
    path.write_bytes(kept)
    checked = subprocess.run([tool("qpdf"), "--check", path], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    seen = subprocess.run([tool("pdfsig"), "-nocert", path], capture_output=True, text=True, check=False)
    assert seen.stdout.count("Signature is Valid") == 2, seen.stdout
    assert "Total document signed" in seen.stdout  # it sees the time stamp, but does not check such


@pytest.mark.system
def test_openssl_accepts_the_stamp(shop: Shop, kept: bytes, service: TimeService, tmp_path: Path) -> None:
    _, before, after, rest = (int(n) for n in re.findall(rb"/ByteRange \[(\d+) (\d+) (\d+) (\d+)\]", kept)[-1])
    value = bytes.fromhex(kept[before + 1 : after - 1].decode())
    (tmp_path / "token").write_bytes(value[: 4 + int.from_bytes(value[2:4], "big")])
    (tmp_path / "covered").write_bytes(kept[:before] + kept[after : after + rest])
    (tmp_path / "ca.pem").write_bytes(service.certificate("root").public_bytes(Encoding.PEM))
    command = [tool("openssl"), "ts", "-verify", "-in", "token", "-token_in", "-data", "covered", "-CAfile", "ca.pem"]
    command += ["-attime", str(int(shop.checked.timestamp()))]
    answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stdout + answer.stderr


# --- attacks on lasting files ---------------------------------------------------------------------------


def test_nothing_else_may_follow(shop: Shop, kept: bytes, trust: TrustList) -> None:
    font = pdf.update(kept, {pdf.FONT: b"<< /Type /Font /Subtype /Type1 /BaseFont /Symbol >>"})
    status = look(font, trust, shop)
    assert "changed-after-signing" in status.reasons
    assert status.later_changes


def test_damaged_stamp_and_stamp_cut_off(shop: Shop, stamped: bytes, kept: bytes, trust: TrustList) -> None:
    at = kept.rindex(b"/Contents <") + 600
    broken = kept[:at] + (b"1" if kept[at : at + 1] != b"1" else b"2") + kept[at + 1 :]
    status = look(broken, trust, shop)
    assert "timestamp-invalid" in status.reasons or "malformed-signature" in status.reasons
    cut = kept[: len(stamped)]
    assert look(cut, trust, shop, years=5).reasons == ()
    assert look(cut, trust, shop, years=5).stamps == ()


def test_page_changed_before_the_stamp(shop: Shop, service: TimeService, trust: TrustList) -> None:
    forged = pdf.update(shop.countersigned, {pdf.CONTENT: pdf.stream(b"BT ET")})
    with pytest.raises(SigningFault, match="changed after a signature"):
        timestamp(forged, url=service.url(), trust=trust, moment=shop.checked)
    with pytest.raises(SigningFault, match="no signature"):
        timestamp(shop.unsigned, url=service.url(), trust=trust, moment=shop.checked)
    with pytest.raises(SigningFault, match="no time stamp"):
        timestamp(shop.countersigned, url="http://127.0.0.1:9/", trust=trust, moment=shop.checked)


def test_stamp_from_the_future(shop: Shop, service: TimeService, trust: TrustList) -> None:
    service.at(shop.checked + YEAR)
    with pytest.raises(SigningFault, match="not good"):
        timestamp(shop.countersigned, url=service.url(), trust=trust, moment=shop.checked)
    data = timestamp(shop.countersigned, url=service.url(), trust=trust, moment=shop.checked + YEAR)
    assert look(data, trust, shop).reasons == ("timestamp-invalid",)
