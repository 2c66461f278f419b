"""The trust list: one door, all faults at once, nothing lost on the way to disk and back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from conftest import CHECKED, MADE, Shop

from diagnb.errors import SigningFault
from diagnb.signing import TrustList, load_trust, trust_entry


def test_round_trip_and_file(shop: Shop, tmp_path: Path) -> None:
    person = trust_entry(shop.technician.certificate, added=MADE, added_by="Çelik", until=CHECKED + timedelta(days=9))
    listed = shop.trust.with_entry(person)
    assert load_trust(listed.to_json().encode()) == listed
    path = tmp_path / "trust ä.json"
    path.write_text(listed.to_json(), encoding="utf-8")
    assert load_trust(path) == listed == load_trust(str(path))
    document = json.loads(listed.to_json())
    assert document["schema"] == "diagnb-trust/1"
    assert [e["kind"] for e in document["entries"]] == ["authority", "person"]
    assert document["entries"][1]["name"] == "Ada Invented"
    assert document["entries"][1]["fingerprint"] == shop.technician.fingerprint


def test_entry_replaces_the_earlier_one(shop: Shop) -> None:
    first = trust_entry(shop.technician.certificate, added=MADE, added_by="a")
    second = trust_entry(shop.technician.certificate, added=CHECKED, added_by="b")
    (kept,) = TrustList((first,)).with_entry(second).entries
    assert replace(kept, history=()) == second
    assert kept.history == (first.state(),)
    revoked = TrustList((first,)).with_revoked(first.fingerprint, moment=CHECKED)
    assert (revoked.entries[0].status, revoked.entries[0].until) == ("revoked", CHECKED)
    with pytest.raises(SigningFault):
        TrustList((first, second))
    with pytest.raises(SigningFault):
        TrustList().with_revoked("00" * 32, moment=CHECKED)


def test_all_faults_come_at_once(shop: Shop) -> None:
    document = json.loads(shop.trust.to_json())
    good = document["entries"][0]
    document["more"] = 1
    document["entries"] = [
        good | {"since": "yesterday", "colour": "red"},
        {k: v for k, v in good.items() if k != "name"},
        good | {"fingerprint": "00" * 32},
        good | {"kind": "person"},
        good | {"certificate": "none"},
        good | {"added": "2030-01-01T00:00:00"},
        "text",
    ]
    with pytest.raises(SigningFault) as caught:
        load_trust(json.dumps(document).encode())
    places = {f.where for f in caught.value.faults}
    assert places == {
        "more",
        "entries[0].since",
        "entries[0].colour",
        "entries[1].name",
        "entries[2].fingerprint",
        "entries[3].kind",
        "entries[4].certificate",
        "entries[5].added",
        "entries[6]",
    }


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"{}",
        b'{"schema": "diagnb-trust/2", "entries": []}',
        b'{"schema": "diagnb-trust/1"}',
        b'{"schema": "diagnb-trust/1", "entries": {}}',
        b'{"schema": "diagnb-trust/1", "entries": [], "entries": []}',
        b"[" * 100_000,
    ],
)
def test_hostile_documents_are_named_faults(data: bytes) -> None:
    with pytest.raises(SigningFault):
        load_trust(data)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(SigningFault, match="can't be read"):
        load_trust(tmp_path / "none.json")
