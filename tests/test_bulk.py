"""Hundreds of reports at once: order, bounds on hostile files, tables that no spreadsheet runs."""

from __future__ import annotations

import csv
import io
import multiprocessing
import os
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import bulk
from diagnb.bulk import COLUMNS, Job, csv_text, harmless, summary, verify_many
from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.proof import REASONS, unanswered, verify_report
from diagnb.record import load_record
from diagnb.report import render_report
from diagnb.shipped import templates_directory
from diagnb.signing import TrustList, certify, create_authority, create_person, trust_entry

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)
LATER = MOMENT + timedelta(days=30)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One good report, its trust list, and files that are no good."""
    place = tmp_path_factory.mktemp("Prüf stand")
    authority = create_authority(name="Example shop (invented)", moment=MOMENT)
    person = create_person(authority, name="R. Example", role="technician", moment=MOMENT)
    trust = TrustList((trust_entry(authority.certificate, added=MOMENT, added_by="test"),))
    record = load_record(templates_directory() / "demo-record.json")
    pdf = render_report(record, evaluate(record), moment=MOMENT)
    pdf = certify(pdf, key=person, field="Technician", reason="test", moment=MOMENT)
    (place / "good.pdf").write_bytes(pdf)
    (place / "trust.json").write_text(trust.to_json(), encoding="utf-8")
    (place / "changed.pdf").write_bytes(pdf[:5000] + bytes([pdf[5000] ^ 1]) + pdf[5001:])
    (place / "short.pdf").write_bytes(pdf[:9000])
    (place / "text.pdf").write_bytes(b"this is no report")
    (place / "empty.pdf").write_bytes(b"")
    (place / "deep.pdf").write_bytes(b"%PDF-1.7\n" + b"[" * 200_000 + b"\n%%EOF\n")
    return place


def jobs(folder: Path, *names: str) -> list[Job]:
    return [Job(folder / name, folder / "trust.json") for name in names]


def test_answers_stand_in_the_order_of_the_files_and_are_the_same_as_one_by_one(folder: Path) -> None:
    names = [
        "good.pdf",
        "text.pdf",
        "changed.pdf",
        "missing.pdf",
        "good.pdf",
        "short.pdf",
        "empty.pdf",
        "deep.pdf",
        "good.pdf",
    ]
    seen: list[int] = []
    found = verify_many(jobs(folder, *names), moment=LATER, processes=2, progress=lambda done, _: seen.append(done))
    assert seen == list(range(1, len(names) + 1))
    assert [Path(v.file).name for v in found] == names
    assert [v.trustworthy for v in found] == [name == "good.pdf" for name in names]
    from diagnb.signing import load_trust

    trust = load_trust(folder / "trust.json")
    for name, answer in zip(names, found, strict=True):
        alone = verify_report(folder / name, trust=trust, moment=LATER)
        assert replace(alone, salt="", record=None, evaluation=None) == answer


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="POSIX pipes")
def test_a_file_that_never_ends_is_given_up_and_the_rest_goes_on(folder: Path, tmp_path: Path) -> None:
    endless = tmp_path / "endless.pdf"
    os.mkfifo(endless)
    found = verify_many([Job(endless), *jobs(folder, "text.pdf")], moment=LATER, processes=1, seconds=8.0)
    assert [v.reasons for v in found] == [("took-too-long",), ("unreadable",)]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="POSIX pipes")
def test_a_process_that_dies_costs_one_answer(folder: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "deadly.pdf"
    os.mkfifo(pipe)

    def kill_its_reader() -> None:
        # opening returns when the process has opened the other end, so it is at this file
        with pipe.open("wb"):
            for child in multiprocessing.active_children():
                child.kill()

    thread = threading.Thread(target=kill_its_reader)
    thread.start()
    found = verify_many([Job(pipe), *jobs(folder, "text.pdf", "good.pdf")], moment=LATER, processes=1)
    thread.join()
    assert found[0].reasons == ("verification-stopped",)
    assert [v.trustworthy for v in found] == [False, False, True]


def test_a_trust_list_that_can_not_be_read_is_said(folder: Path) -> None:
    broken = folder / "broken.json"
    broken.write_text("{", encoding="utf-8")
    found = verify_many([Job(folder / "good.pdf", broken), *jobs(folder, "good.pdf")], moment=LATER, processes=1)
    assert [v.reasons for v in found] == [("trust-list-unreadable",), ()]


def test_no_file_is_blamed_when_no_process_can_be_started(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk, "_START_SECONDS", 0.0)
    with pytest.raises(InputFault, match="can't be started"):
        verify_many(jobs(folder, "good.pdf"), moment=LATER, processes=1)


def test_every_reason_of_the_bulk_run_is_explained() -> None:
    assert {"took-too-long", "verification-stopped", "file-unreadable"} <= set(REASONS)


def rows(found: list[Any]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_text(found), newline="")))


HOSTILE = [
    '=HYPERLINK("http://example.invalid")',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "  =1",
    "a\n=1",
    '"',
    ";=1",
    "\u202e=1",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_file_name_is_never_a_formula(text: str) -> None:
    (row,) = rows([unanswered(text, "unreadable")])
    assert not row["file"].lstrip().startswith(("=", "+", "-", "@"))
    assert "\n" not in row["file"] and "\r" not in row["file"]
    assert set(row) == set(COLUMNS)


def test_numbers_stay_numbers() -> None:
    (row,) = rows([replace(unanswered("a.pdf", "unreadable"), revision=3, results=18)])
    assert (row["revision"], row["results"], row["file"]) == ("3", "18", "a.pdf")


@given(st.text(max_size=60))
def test_any_text_stays_one_harmless_cell(text: str) -> None:
    cell = harmless(text)
    assert not cell.lstrip().startswith(("=", "+", "-", "@", "|", "%"))
    out = io.StringIO(newline="")
    csv.writer(out).writerow([cell, 1])
    assert next(csv.reader(io.StringIO(out.getvalue(), newline=""))) == [cell, "1"]


def test_the_summary_counts() -> None:
    found = [unanswered("a", "unreadable"), unanswered("b", "unreadable"), unanswered("c", "no-signature")]
    assert summary(found) == {
        "files": 3,
        "trustworthy": 0,
        "states": {"unknown": 3},
        "reasons": {"no-signature": 1, "unreadable": 2},
        "notes": {},
    }
