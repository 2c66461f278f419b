"""Whatever is changed, taken out, replaced or cut off behind the archive's back is found, and its place is named."""

from __future__ import annotations

import datetime as dt
import hashlib
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from stores import NOW, new_database, own_server

from diagnb.archive import Archive, ArchiveFault, open_archive, prepare
from diagnb.archive.audit import REASONS, audit, parse_head
from diagnb.archive.chain import Head, link
from diagnb.record import Record

Make = Callable[..., Record]
PHOTO = bytes(range(256)) * 40


@pytest.fixture
def filled(archive: Archive, drop_record: Make) -> Archive:
    """Entries 1 to 5: three records, the first with an attachment, and the report of the third."""
    listed = {
        "name": "bolt.jpg",
        "sha256": hashlib.sha256(PHOTO).hexdigest(),
        "media_type": "image/jpeg",
        "size": len(PHOTO),
    }
    archive.add(drop_record("D-1", attachments=[listed]), moment=NOW, files={"bolt.jpg": PHOTO})
    archive.add(drop_record("D-2"), moment=NOW)
    archive.add(drop_record("D-3", drop="150.0 mV"), moment=NOW)
    archive.attach("D-3", 1, name="report.pdf", content=b"%PDF-", moment=NOW)
    assert audit(archive).sound
    return archive


def behind_its_back(archive: Archive, *statements: str) -> None:
    """What somebody with all rights could do to the tables."""
    address = archive.database.address
    if archive.database.sqlite:
        with sqlite3.connect(str(address.database)) as store:
            for (name,) in store.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                store.execute(f"DROP TRIGGER {name}")
            for statement in statements:
                assert store.execute(statement).rowcount, statement
        return
    import psycopg

    with psycopg.connect(address.set(drivername="postgresql").render_as_string(hide_password=False)) as store:
        store.execute("DROP FUNCTION diagnb_only_grows CASCADE")
        for statement in statements:
            assert store.execute(statement).rowcount, statement


@pytest.mark.parametrize(
    ("statement", "code", "where"),
    [
        ("UPDATE revision SET document = replace(document, '98.0 mV', '12.0 mV') WHERE record = 'D-2'", "document-changed", "D-2"),
        ("UPDATE revision SET claim = 'RO-9' WHERE record = 'D-2'", "facts-changed", "D-2"),
        ("UPDATE revision SET added = '2020-01-01T00:00:00Z' WHERE record = 'D-2'", "facts-changed", "D-2"),
        ("DELETE FROM revision WHERE record = 'D-2'", "row-removed", "D-2"),
        ("DELETE FROM entry WHERE seq = 3", "entry-missing", "entry 4"),
        ("UPDATE entry SET body = replace(body, 'D-2', 'D-7') WHERE seq = 3", "entry-changed", "entry 3"),
        ("UPDATE entry SET previous = hash WHERE seq = 3", "chain-broken", "entry 3"),
        ("UPDATE result SET verdict = 'pass' WHERE verdict = 'fail'", "results-changed", "D-3"),
        ("UPDATE result SET value = value + 1e-12 WHERE seq = 3 AND place = 0", "results-changed", "D-2"),
        ("DELETE FROM result WHERE seq = 3 AND place = 1", "results-changed", "D-2"),
        ("DELETE FROM result WHERE seq = 3", "results-changed", "D-2"),
        ("INSERT INTO result (seq, place, verdict) VALUES (3, 9, 'pass')", "results-changed", "D-2"),
        ("INSERT INTO result (seq, place, verdict) VALUES (2, 0, 'pass')", "row-added", "entry 2"),
        ("UPDATE test SET serials = '[]' WHERE seq = 3", "tests-changed", "D-2"),
        ("DELETE FROM test WHERE seq = 3", "tests-changed", "D-2"),
        ("UPDATE attached SET name = 'other.jpg' WHERE kind = 'attachment'", "facts-changed", "bolt.jpg|other.jpg"),
        ("DELETE FROM attached WHERE kind = 'report'", "row-removed", "report.pdf"),
        ("DELETE FROM content WHERE size = 5", "content-missing", "report.pdf"),
        ("UPDATE sheet SET document = replace(document, '0.1', '0.9') WHERE kind = 'procedure'", "sheet-changed", "sheet"),
        ("DELETE FROM layout", "sheet-changed", "layout"),
    ],
)  # fmt: skip
def test_a_change_behind_its_back_is_found(filled: Archive, statement: str, code: str, where: str) -> None:
    behind_its_back(filled, statement)
    found = audit(filled)
    assert not found.sound
    import re

    assert any(f.code == code and re.search(where, f.where) for f in found.findings), found.findings


def test_a_replaced_attachment_is_found_and_not_handed_out(filled: Archive) -> None:
    digest = hashlib.sha256(PHOTO).hexdigest()
    other = PHOTO[:-1] + b"\x00"
    literal = f"x'{other.hex()}'" if filled.database.sqlite else f"'\\x{other.hex()}'"
    behind_its_back(filled, f"UPDATE content SET bytes = {literal} WHERE sha256 = '{digest}'")
    assert [(f.code, f.where) for f in audit(filled).findings] == [("content-changed", "D-1, revision 1, bolt.jpg")]
    with pytest.raises(ArchiveFault, match="not what was stored"):
        filled.content(digest)


def test_a_changed_document_is_not_handed_out(filled: Archive) -> None:
    behind_its_back(
        filled, "UPDATE revision SET document = replace(document, '98.0 mV', '12.0 mV') WHERE record = 'D-2'"
    )
    with pytest.raises(ArchiveFault, match="not what was stored"):
        filled.get("D-2")


def test_a_tail_that_was_cut_off_is_seen_by_whoever_kept_the_head(filled: Archive) -> None:
    head = parse_head(str(filled.head()))
    behind_its_back(
        filled,
        "DELETE FROM attached WHERE seq = 5",
        "DELETE FROM content WHERE size = 5",
        "DELETE FROM entry WHERE seq = 5",
    )
    assert audit(filled).sound, "without the head nobody can know"
    assert [f.code for f in audit(filled, known=head).findings] == ["cut-off"]


def test_a_history_written_anew_is_seen_by_whoever_kept_the_head(filled: Archive) -> None:
    """Somebody with all rights rebuilds a consistent chain without the third record's report."""
    kept = filled.head()
    with filled.database.reading() as connection:
        from diagnb.archive import tables as db

        entries = [db.as_entry(row) for row in connection.execute(db.entries())]
    import json

    body = json.loads(entries[-1].body)
    forged = link(Head(4, entries[3].hash), {**body, "name": "another.pdf"})
    behind_its_back(
        filled,
        f"UPDATE entry SET body = '{forged.body}', hash = '{forged.hash}' WHERE seq = 5",
        "UPDATE attached SET name = 'another.pdf' WHERE seq = 5",
    )
    assert audit(filled).sound
    assert [f.code for f in audit(filled, known=kept).findings] == ["other-history"]


def test_a_clock_set_back_is_a_remark_and_changes_no_order(archive: Archive, drop_record: Make) -> None:
    archive.add(drop_record("D-1"), moment=NOW)
    archive.add(drop_record("D-2"), moment=NOW - dt.timedelta(days=400))
    found = audit(archive)
    assert found.sound
    assert [(f.code, f.where) for f in found.findings] == [("clock-back", "entry 2")]
    assert [r.record for r in archive.list()] == ["D-1", "D-2"]


def test_results_are_recomputed_when_asked(filled: Archive) -> None:
    found = audit(filled, recompute=True)
    assert found.sound and found.recomputed == 3


def test_every_code_has_its_sentence() -> None:
    source = (Path(__file__).parents[2] / "diagnb" / "archive" / "audit.py").read_text(encoding="utf-8")
    import re

    used = set(re.findall(r'_find\(\s*"([a-z-]+)"', source)) | {"results-changed", "tests-changed"}
    assert used == set(REASONS)


def test_any_damaged_page_of_a_file_is_found_and_never_breaks_the_audit(tmp_path: Path, examples: list[Record]) -> None:
    whole = tmp_path / "whole.sqlite"
    with open_archive(whole, moment=NOW, create=True) as archive:
        archive.add_many([prepare(r) for r in examples[:6]], moment=NOW)
    size, chance = 4096, random.Random(5)
    pages = whole.stat().st_size // size
    noticed, harmless = 0, 0
    for page in range(0, pages, 2):
        hurt = tmp_path / "hurt.sqlite"
        shutil.copyfile(whole, hurt)
        with hurt.open("r+b") as stream:
            stream.seek(page * size + chance.randrange(0, size // 2))
            stream.write(chance.randbytes(400))
        for side in ("-wal", "-shm"):
            Path(f"{hurt}{side}").unlink(missing_ok=True)
        try:
            with open_archive(hurt, moment=NOW) as archive:
                sound = audit(archive).sound
        except ArchiveFault:
            sound = False
        noticed += not sound
        if sound:
            # The blow fell on unused bytes: then everything must still be there.
            harmless += 1
            with open_archive(hurt, moment=NOW) as archive:
                assert [archive.get(r.id) for r in examples[:6]] == list(examples[:6])
    print(f"\n{noticed} of {noticed + harmless} damaged pages noticed, {harmless} blows fell on unused bytes")
    assert noticed > 10


def test_a_damaged_page_of_postgresql_is_found() -> None:
    import psycopg
    from nursery import model, variant

    base = model()
    with own_server() as own:
        url = new_database(own)
        with open_archive(url, moment=NOW, create=True) as archive:
            archive.add_many([variant(base, f"V-{n}") for n in range(30)], moment=NOW)
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute("CHECKPOINT")
            wanted = "SELECT pg_relation_filepath(reltoastrelid) FROM pg_class WHERE relname = 'revision'"
            path = own.pgdata / connection.execute(wanted).fetchone()[0]
        own.stop()
        with path.open("r+b") as stream:
            stream.seek(3 * 8192 + 4000)
            stream.write(b"\xff" * 64)
        own.ensure_postgres_running()
        with open_archive(url, moment=NOW) as archive:
            found = audit(archive)
        assert not found.sound
        assert found.findings[0].code in ("unreadable", "document-changed"), found.findings


@pytest.mark.parametrize("text", ["", "7", "x:" + "0" * 64, "7:zz", "7:" + "g" * 64])
def test_what_is_no_head_is_refused(text: str) -> None:
    with pytest.raises(ArchiveFault, match="not a head"):
        parse_head(text)
