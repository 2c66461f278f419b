"""A signed sheet is opened again as the next revision, which names the one it replaces and says why."""

from __future__ import annotations

import pytest

from diagnb.errors import InputFault
from diagnb.forms.journal import Journal
from diagnb.proof import verify_report
from diagnb.record import digest
from diagnb.signing import load_trust

PASSPHRASE = b"a long passphrase"


def signed(bench):
    bench.fill()
    key = bench.office.make_key(name="Ann Example", passphrase=PASSPHRASE)
    record, issued = issue(bench, key)
    return key, record, issued


def issue(bench, key):
    record, evaluation = bench.model.frozen()
    issued = bench.office.issue(
        record=record,
        evaluation=evaluation,
        key_file=key,
        passphrase=PASSPHRASE,
        strokes=(),
        photos=bench.model.photos(),
    )
    bench.model.close({"report": str(issued.path), "digest": issued.digest}, record)
    bench.sheet._closed()
    return record, issued


def begin_again(bench, reason: str = "wrong unit number") -> None:
    bench.sheet.show("sign")
    bench.sheet.revising.reason.value = reason
    bench.sheet.revising.button.click()


def test_the_next_revision_names_the_one_it_replaces_the_reason_and_what_changed(bench):
    key, first, report = signed(bench)
    assert bench.model.locked
    begin_again(bench)
    assert not bench.model.locked
    bench.model.put("vehicle.unit", "U-8")
    second, again = issue(bench, key)
    assert (second.id, second.revision) == (first.id, 2)
    assert second.replaces.digest == digest(first)
    assert second.replaces.reason == "wrong unit number"
    assert [(c.where, c.before, c.after) for c in second.replaces.changes if c.where != "created"] == [
        ("vehicle.unit", "U-7", "U-8")
    ]
    assert report.path.exists()
    assert again.path != report.path
    found = verify_report(again.path.read_bytes(), trust=load_trust(bench.office.trust))
    assert found.trustworthy, found.reasons
    begin_again(bench, "a third time")
    bench.model.put("vehicle.unit", "U-9")
    assert bench.model.record().revision == 3


def test_a_revision_wants_a_reason_and_a_change(bench):
    signed(bench)
    begin_again(bench, "  ")
    assert "Why it is corrected" in bench.sheet.revising.said.value
    assert bench.model.locked
    begin_again(bench)
    assert bench.sheet.here == "review"
    assert any("says the same as revision 1" in f.what for f in bench.model.faults())
    bench.model.put("complaint", "left low beam dim, worse in rain")
    assert bench.model.faults() == ()


def test_undo_does_not_go_back_behind_the_signature(bench):
    signed(bench)
    begin_again(bench)
    assert bench.model.undo() is None
    bench.model.put("vehicle.unit", "U-8")
    bench.model.undo()
    assert bench.model.text("vehicle.unit") == "U-7"


def test_an_opened_revision_is_there_after_a_restart(bench):
    _, first, _ = signed(bench)
    begin_again(bench)
    bench.model.put("vehicle.unit", "U-8")
    bench.sheet.stop()
    again = Journal.read(bench.model.journal.path)
    assert again.closed is None
    assert again.reopened["reason"] == "wrong unit number"
    assert again.reopened["digest"] == digest(first)
    assert again.text_of("vehicle.unit") == "U-8"


def test_a_sheet_that_is_not_signed_or_whose_record_was_altered_is_not_revised(bench):
    with pytest.raises(InputFault, match="not signed"):
        bench.model.revise("why")
    signed(bench)
    for kept in bench.model.files.folder.iterdir():
        kept.write_bytes(b"{}")
    begin_again(bench)
    assert "altered" in bench.sheet.revising.said.value
    assert bench.model.locked
