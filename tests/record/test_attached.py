"""Names of attached files: whatever a camera or a shop calls them, the record takes the name."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from diagnb.record import attached_name
from diagnb.record.document import Attachment


def test_plain_names_stay_and_others_are_spelt_plainly() -> None:
    assert attached_name("lift-gate motor_1.csv") == "lift-gate motor_1.csv"
    assert attached_name("Prüfstraße 7.csv") == "Prufstrasse 7.csv"
    assert attached_name("../../etc/passwd") == "file.._.._etc_passwd"
    assert attached_name("\u202egpj.exe") == "file_gpj.exe"
    assert attached_name("x" * 300 + ".csv") == "x" * 96 + ".csv"


@given(st.text(min_size=1, max_size=150))
def test_every_name_becomes_one_that_a_record_takes_and_stays_itself(name: str) -> None:
    spelt = attached_name(name)
    assert Attachment(name=spelt, sha256="0" * 64, media_type="text/csv", size=0).name == spelt
    assert attached_name(spelt) == spelt
