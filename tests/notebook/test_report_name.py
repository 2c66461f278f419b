"""The name of a report tells order and unit to whoever looks for it in a list of files."""

from __future__ import annotations

import re

import pytest

from diagnb.notebook.office import report_name
from diagnb.record import load_record, plain, read_record
from diagnb.shipped import templates_directory


@pytest.mark.parametrize(
    ("order", "unit", "begins"),
    [
        ("RO-4711", "U 7", "RO-4711-U-7-"),
        ("RO-4711", "", "RO-4711-"),
        ("Auftrag 12/ä", "Zug-Ö", "Auftrag-12-a-Zug-O-"),
        ("../../etc", "a\u202eb:*?", "etc-ab-"),
        ("車", "", ""),
        ("1234567890" * 3, "x", "12345678901234567890-x-"),
    ],
)
def test_order_and_unit_stand_before_the_records_own_name(order, unit, begins):
    document = plain(load_record(templates_directory() / "demo-record.json"))
    document["order"]["number"] = order
    document["vehicle"]["unit"] = unit
    record = read_record(document)
    name = report_name(record)
    assert name == f"{begins}{record.id}-r{record.revision}.pdf"
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", name)
