"""Many records in at once: what has a fault is listed with its place, the rest is kept, nothing is dropped silently."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from stores import EXAMPLES, NOW

from diagnb.archive import Archive
from diagnb.archive.audit import audit
from diagnb.archive.doubt import Doubt
from diagnb.archive.intake import Carried, Intake, bring_in, folder_files, read_items
from diagnb.archive.mapping import PLACES, read_mapping
from diagnb.archive.table import formula, read_table
from diagnb.errors import Fault, InputFault
from diagnb.record import Record, canonical_bytes, digest, load_record, plain
from diagnb.shipped import templates_directory

Make = Callable[..., Record]
MAPPING = """
schema = "diagnb-csv-mapping/1"
id = "{Auftrag}-{Einheit}"
delimiter = ";"
zone = "+01:00"
time_format = "%d.%m.%Y %H:%M"
day_format = "%d.%m.%Y"

[columns]
"order.number" = "Auftrag"
"vehicle.unit" = "Einheit"
"vehicle.vin" = "FIN"
"vehicle.odometer" = "km"
time = "Zeit"
technician = "Monteur"
"part.number" = "Teil"
"part.lot" = "Charge"

[constants]
"vehicle.system_voltage" = "24"
"circuit.name" = "ramp motor"
"conditions.ambient_degc" = "21"

[[instruments]]
id = "M1"
meter = "handheld-6000"
serial_column = "Gerät"
calibrated = "2025-01-10"
due_column = "fällig"

[[tests]]
procedure = "ground-side-drop"
readings = [{ name = "drop", column = "Abfall", unit = "mV", instrument = "M1" }]

[[tests]]
procedure = "battery-open-circuit-voltage"
readings = [{ name = "open_circuit_voltage", column = "Ruhe", unit = "V", instrument = "M1" }]
"""
HEAD = "Auftrag;Einheit;FIN;km;Zeit;Monteur;Teil;Charge;Gerät;fällig;Abfall;Ruhe"


def no_report(path: Path) -> Fault:
    return Fault(str(path), "no report is read in this test")


def table(tmp_path: Path, *rows: str, mapping: str = MAPPING, head: str = HEAD) -> tuple[Path, Path]:
    source, toml = tmp_path / "alte Prüfungen.csv", tmp_path / "mapping.toml"
    source.write_text("\n".join((head, *rows)) + "\n", encoding="utf-8")
    toml.write_text(mapping, encoding="utf-8")
    return source, toml


def test_a_folder_of_records_with_broken_ones_among_them(archive: Archive, tmp_path: Path, drop_record: Make) -> None:
    folder = tmp_path / "old records"
    (folder / "deeper").mkdir(parents=True)
    for path in EXAMPLES[:4]:
        shutil.copyfile(path, folder / "deeper" / path.name)
    good = plain(drop_record("G-1"))
    files = {
        "good.json": good,
        "newer.json": {**good, "id": "N-1", "schema": "diagnb-record/7"},
        "unit.json": {**good, "id": "U-1", "tests": [{**good["tests"][0], "readings": [{**good["tests"][0]["readings"][0], "texts": ["98 furlongs"]}]}]},
        "twin.json": {**good, "id": "G-2"},
        "other.json": {"this": "is something else"},
    }  # fmt: skip
    for name, document in files.items():
        (folder / name).write_text(json.dumps(document), encoding="utf-8")
    (folder / "cut.json").write_bytes(json.dumps(good).encode()[:300])
    (folder / "report.pdf").write_bytes(b"%PDF-1.7 not really")
    intake = Intake()
    found = folder_files(folder)
    done: list[int] = []
    bring_in(
        archive, read_items(found, no_report, intake), moment=NOW, by="office", intake=intake, progress=done.append
    )
    said = {str(f) for f in intake.faults}
    assert intake.added == 5, said
    assert len(intake.faults) == 5
    for name, why in (("newer.json", "is unknown"), ("unit.json", "furlongs"), ("twin.json", "same visit as G-1"), ("cut.json", "not JSON"), ("report.pdf", "no report")):  # fmt: skip
        assert any(name in s and why in s for s in said), (name, said)
    assert any("other.json" in str(r) for r in intake.remarks)
    # Everything that was there is accounted for.
    left_out = sum("left out" in str(r) for r in intake.remarks)
    assert intake.added + intake.known + len(intake.faults) + left_out == len(found)
    assert audit(archive).sound
    again = bring_in(archive, read_items(found, no_report, Intake()), moment=NOW)
    assert (again.added, again.known) == (0, 5)


def test_a_twin_is_found_across_imports_too(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    archive.add(drop_record("A-1"), moment=NOW)
    path = tmp_path / "b.json"
    path.write_text(json.dumps(plain(drop_record("B-1"))), encoding="utf-8")
    found = bring_in(archive, read_items([path], no_report, Intake()), moment=NOW)
    assert found.added == 0 and "same visit as A-1" in str(found.faults[0])


def test_a_later_revision_is_no_twin(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    one = drop_record("A-1")
    two = {**plain(one), "revision": 2, "replaces": {"revision": 1, "digest": digest(one), "reason": "unit corrected"}}
    for name, document in (("z1.json", plain(one)), ("a2.json", two)):
        (tmp_path / name).write_text(json.dumps(document), encoding="utf-8")
    found = bring_in(archive, read_items(folder_files(tmp_path), no_report, Intake()), moment=NOW)
    assert (found.added, found.faults) == (2, [])
    assert [r.revision for r in archive.history("A-1")] == [1, 2]


def test_attachments_beside_a_record_come_with_it(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    import hashlib

    photo = b"photo" * 99
    listed = {
        "name": "bolt.jpg",
        "sha256": hashlib.sha256(photo).hexdigest(),
        "media_type": "image/jpeg",
        "size": len(photo),
    }
    (tmp_path / "r.json").write_text(json.dumps(plain(drop_record(attachments=[listed]))), encoding="utf-8")
    (tmp_path / "bolt.jpg").write_bytes(photo)
    assert bring_in(archive, read_items(folder_files(tmp_path), no_report, Intake()), moment=NOW).remarks == []
    assert archive.content(listed["sha256"]) == photo


def test_a_photo_that_its_report_shows_is_not_called_missing(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    """One attachment is a photo that the report carries, the other a trace that lies nowhere."""
    listed = [
        {"name": name, "sha256": digit * 64, "media_type": kind, "size": 9}
        for name, digit, kind in (("bolt.jpg", "a", "image/jpeg"), ("inrush.csv", "b", "text/csv"))
    ]
    record = drop_record(attachments=listed)
    (tmp_path / "r.pdf").write_bytes(b"%PDF- a report")

    def read(_: Path) -> Carried:
        return Carried(canonical_bytes(record), pictures=frozenset({"bolt.jpg"}))

    found = bring_in(archive, read_items([tmp_path / "r.pdf"], read, Intake()), moment=NOW)
    assert (found.files, found.pictured, found.to_plain()["pictured"]) == (1, 1, 1)
    (only,) = found.remarks
    assert "inrush.csv is not beside it" in str(only)


def test_what_was_kept_without_proof_is_in_the_chain(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    """Two reports nobody asked a trust list about, one that was kept despite it, one that proves itself."""
    doubts = {
        "A-1": Doubt(("not-trusted",)), "A-2": Doubt(("not-trusted",)), "B-1": Doubt(("not-trusted",), "seen by hand"), "C-1": None,
    }  # fmt: skip
    for name in doubts:
        (tmp_path / f"{name}.pdf").write_bytes(name.encode())

    def read(path: Path) -> Carried:
        return Carried(canonical_bytes(drop_record(path.stem, drop=f"{10 + ord(path.stem[0])}.{path.stem[-1]} mV")), doubt=doubts[path.stem])  # fmt: skip

    items = read_items(sorted(tmp_path.glob("*.pdf")), read, Intake())
    assert bring_in(archive, items, moment=NOW).added == 4
    assert {(key[0], d.despite) for key, d in archive.doubts().items() if not key[2]} == {("A-1", ""), ("A-2", ""), ("B-1", "seen by hand")}  # fmt: skip
    seen = audit(archive)
    assert seen.sound and {(f.where, f.detail) for f in seen.findings} == {
        ("2 of the reports", "not-trusted"),
        ("B-1, revision 1", "not-trusted; kept despite that: seen by hand"),
        ("B-1, revision 1, B-1.pdf", "not-trusted; kept despite that: seen by hand"),
    }
    with archive.database.writing() as writer:
        execute = writer.connection.exec_driver_sql
        sqlite = archive.database.sqlite
        execute("DROP TRIGGER entry_no_update" if sqlite else "DROP TRIGGER entry_only_grows ON entry")
        execute("UPDATE entry SET body = REPLACE(body, 'seen by hand', '')")
    assert not audit(archive).sound


def test_rows_of_an_old_table_become_records(archive: Archive, tmp_path: Path) -> None:
    source, toml = table(
        tmp_path,
        "RO-1;Bus 7;1D9TRKB40SA000301;41311;04.03.2025 08:12;R. Example;P-9;L-3;H6-1;09.01.2026;98,5;12.60 V",
        "RO-2;Bus 8;;50000;05.03.2025 09:00;R. Example;P-9;L-3;H6-1;09.01.2026;150;",
    )
    read = read_table(source, read_mapping(toml))
    assert (read.rows, read.faults) == (2, ())
    found = bring_in(archive, read.items, moment=NOW)
    assert (found.added, found.faults) == (2, [])
    record = archive.get("RO-1-Bus-7")
    assert [t.readings[0].texts for t in record.tests] == [("98,5 mV",), ("12.60 V",)]
    assert record.tests[0].time.isoformat() == "2025-03-04T08:12:00+01:00"
    assert archive.list(claim="RO-2")[0].facts["lot"] == "L-3"
    verdicts = {(row[3], row[20]) for row in archive.results()}
    assert ("ground-side-drop", "pass") in verdicts and ("ground-side-drop", "fail") in verdicts


BAD_ROWS = {
    "formula": ("=1+1;Bus 1;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5;", "spreadsheet formula"),
    "formula in a text": ('RO-3;Bus 1;;;04.03.2025 08:12;"@SUM(A1)";;;H6-1;09.01.2026;98.5;', "spreadsheet formula"),
    "minus that is no number": ("RO-3;Bus 1;;;04.03.2025 08:12;-2+3*cmd;;;H6-1;09.01.2026;98.5;", "spreadsheet formula"),
    "unknown unit": ("RO-3;Bus 1;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5 furlongs;", "furlongs"),
    "wrong dimension": ("RO-3;Bus 1;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5 A;", "A"),
    "no time": ("RO-3;Bus 1;;;yesterday;R;;;H6-1;09.01.2026;98.5;", "not a time"),
    "no day": ("RO-3;Bus 1;;;04.03.2025 08:12;R;;;H6-1;soon;98.5;", "not a day"),
    "no reading": ("RO-3;Bus 1;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;;", "no reading"),
    "too many cells": ("RO-3;Bus 1;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5;;;;x", "more cells"),
    "odometer in words": ("RO-3;Bus 1;;many;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5;", "odometer"),
    "no id": (";;;;04.03.2025 08:12;R;;;H6-1;09.01.2026;98.5;", "no id"),
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(BAD_ROWS))
def test_a_bad_row_is_listed_and_the_rest_is_loaded(archive: Archive, tmp_path: Path, case: str) -> None:
    row, said = BAD_ROWS[case]
    good = "RO-1;Bus 7;;41311;04.03.2025 08:12;R. Example;P-9;L-3;H6-1;09.01.2026;98.5;"
    source, toml = table(tmp_path, good, row, good.replace("RO-1", "RO-9"))
    read = read_table(source, read_mapping(toml))
    found = bring_in(archive, read.items, moment=NOW, intake=Intake(faults=list(read.faults)))
    assert found.added == 2
    assert found.faults and any(said in str(f) for f in found.faults), found.faults
    assert all("row 3" in str(f) for f in found.faults), found.faults


def test_a_row_that_stands_twice_counts_once(archive: Archive, tmp_path: Path) -> None:
    good = "RO-1;Bus 7;;41311;04.03.2025 08:12;R. Example;P-9;L-3;H6-1;09.01.2026;98.5;"
    source, toml = table(tmp_path, good, good)
    read = read_table(source, read_mapping(toml))
    assert len(read.items) == 1 and "is the same as" in str(read.faults[0])


def test_rows_of_one_visit_become_one_record_unless_they_contradict(tmp_path: Path) -> None:
    start = "RO-1;Bus 7;;{km};{time};R. Example;P-9;L-3;H6-1;09.01.2026;{drop};"
    rows = [start.format(km=1, time="04.03.2025 08:12", drop=d) for d in (98, 99)]
    source, toml = table(tmp_path, *rows, start.format(km=2, time="04.03.2025 08:12", drop=97))
    read = read_table(source, read_mapping(toml))
    (item,) = read.items
    assert [t["readings"][0]["texts"] for t in json.loads(item.document)["tests"]] == [["98 mV"], ["99 mV"]]
    assert "another vehicle" in str(read.faults[0])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("[columns]", "[columns]\nnonsense = 'x'"), "nothing that a column"),
        (('meter = "handheld-6000"', 'meter = "handheld-6000"\ncolour = "red"'), "unknown key"),
        (('instrument = "M1"', 'instrument = "M9"'), "no instrument"),
        (('instrument = "M1"', 'instrument = "M9"'), "known are M1"),
        (('"{Auftrag}-{Einheit}"', '"Auftrag"'), r'names no column, so all rows .* id = "\{Auftrag\}"'),
        (('meter = "handheld-6000"', 'meter = "handheld"'), "no accuracy sheet 'handheld' .*handheld-6000"),
        (('"ground-side-drop"', '"ground-drop"'), "no such procedure .*ground-side-drop"),
        (('name = "drop"', 'name = "dropp"'), "no such reading .it has drop, load_current"),
        (('"Abfall", unit = "mV"', '"Abfall", unit = "A"'), "'A' is no unit of this reading .it is read in V"),
        (('"Abfall", unit = "mV"', '"Abfall", range = "9 V", unit = "mV"'), "no range '9 V' .known are"),
        (('time = "Zeit"', ""), "columns.time: is missing"),
        (('id = "M1"', 'ident = "M1"'), "known are id, meter, serial"),
        (('procedure = "ground', 'phase = "before"\nprocedure = "ground'), "as found, isolating or as left"),
        (('delimiter = ";"', ""), r'state delimiter = ";"'),
        (('"FIN"', '"Fahrgestell"'), "no column 'Fahrgestell'"),
        (("mapping/1", "mapping/9"), "schema"),
        (('zone = "+01:00"', 'zone = "CET"'), "zone"),
        (("[constants]", "[constants"), "not TOML"),
    ],
)
def test_a_mapping_that_does_not_fit_is_refused_with_its_place(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    source, toml = table(tmp_path, mapping=MAPPING.replace(*change))
    with pytest.raises(InputFault, match=said):
        read_table(source, read_mapping(toml))


def test_a_table_in_another_encoding_says_so(tmp_path: Path) -> None:
    source, toml = table(tmp_path)
    source.write_bytes(HEAD.encode("cp1252"))
    with pytest.raises(InputFault, match="encoding"):
        read_table(source, read_mapping(toml))
    toml.write_text(MAPPING.replace("zone =", 'encoding = "cp1252"\nzone ='), encoding="utf-8")
    assert read_table(source, read_mapping(toml)).rows == 0


@pytest.mark.parametrize(
    "hostile", [b"", b"\x00" * 50, b'"', b"a;a;a", HEAD.encode() + b'\n"unclosed;', b"\xff\xfe\x00"]
)
def test_hostile_tables_end_in_a_fault_or_a_result(tmp_path: Path, hostile: bytes) -> None:
    source, toml = table(tmp_path)
    source.write_bytes(hostile)
    try:
        read_table(source, read_mapping(toml))
    except InputFault as error:
        assert error.faults


@pytest.mark.parametrize(("cell", "is_one"), [("=A1", True), ("@x", True), ("-2+3", True), ("-2.5 V", False), ("+12,6", False), ("-", True), ("12 V", False), ("", False)])  # fmt: skip
def test_what_a_spreadsheet_would_take_for_a_formula(cell: str, is_one: bool) -> None:
    assert formula(cell) is is_one


def test_every_fault_of_a_mapping_says_how_to_mend_it(tmp_path: Path) -> None:
    broken = (
        MAPPING.replace('"{Auftrag}-{Einheit}"', '"Order"').replace('"M1" }', '"M9" }').replace('time = "Zeit"', "")
    )
    _, toml = table(tmp_path, mapping=broken)
    with pytest.raises(InputFault) as caught:
        read_mapping(toml)
    assert len(caught.value.faults) == 4
    for mapping in (broken, "", "x = ", MAPPING.replace('zone = "+01:00"', 'zone = "CET"\nencoding = "ebcdic"')):
        toml.write_text(mapping, encoding="utf-8")
        with pytest.raises(InputFault) as caught:
            read_mapping(toml)
        assert all(f.repair and str(f).startswith(("mapping.toml", str(toml))) for f in caught.value.faults)
    with pytest.raises(InputFault, match="diagnb archive mapping"):
        read_mapping(tmp_path / "none.toml")


def test_the_shipped_example_of_a_mapping_fits_its_table(archive: Archive) -> None:
    folder = templates_directory() / "archive"
    toml = folder / "mapping-example.toml"
    read = read_table(folder / "mapping-example.csv", read_mapping(toml))
    found = bring_in(archive, read.items, moment=NOW)
    assert (read.rows, read.faults, found.added, found.faults) == (3, (), 3, [])
    assert (found.to_judge, dict(found.unjudged)) == (3, {"calibration-unknown": 1})
    assert found.to_plain()["not_judged"] == [{"reason": "calibration-unknown", "results": 1}]
    assert {row[20] for row in archive.results() if row[2] == "ground_drop"} == {"pass", "fail", "not judged"}
    words = toml.read_text(encoding="utf-8")
    assert all(f'"{place}"' in words or place in ("time", "technician") for place in PLACES)


def test_what_is_there_already_is_not_counted_again(archive: Archive, drop_record: Make, tmp_path: Path) -> None:
    (tmp_path / "r.json").write_text(json.dumps(plain(drop_record())), encoding="utf-8")
    paths = folder_files(tmp_path)
    assert bring_in(archive, read_items(paths, no_report, Intake()), moment=NOW).to_judge == 1
    assert bring_in(archive, read_items(paths, no_report, Intake()), moment=NOW).to_judge == 0


def test_a_missing_revision_is_said_and_does_not_speak_against_the_archive(
    archive: Archive, drop_record: Make, tmp_path: Path
) -> None:
    one = drop_record("A-1")
    two = load_record(
        {**plain(one), "revision": 2, "replaces": {"revision": 1, "digest": digest(one), "reason": "slip"}}
    )
    three = {**plain(two), "revision": 3, "replaces": {"revision": 2, "digest": digest(two), "reason": "slip again"}}
    for name, document in (("a.json", plain(one)), ("c.json", three)):
        (tmp_path / name).write_text(json.dumps(document), encoding="utf-8")
    found = bring_in(archive, read_items(folder_files(tmp_path), no_report, Intake()), moment=NOW)
    assert (found.added, found.faults) == (2, [])
    assert [str(r) for r in found.remarks] == [
        "A-1: revision 3 is kept, revision 2 is not in the archive (add it too, or keep a note of why it is missing)"
    ]
    seen = audit(archive)
    assert seen.sound and [(f.code, f.detail) for f in seen.findings] == [("revision-gap", "revision 2")]
    archive.add(two, moment=NOW)
    assert audit(archive).findings == ()
    again = bring_in(archive, read_items(folder_files(tmp_path), no_report, Intake()), moment=NOW)
    assert (again.known, again.remarks) == (2, [])
