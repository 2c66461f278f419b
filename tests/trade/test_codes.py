"""Fault codes: bytes to words and back, nothing guessed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb import trade
from diagnb.errors import InputFault

CODES = st.builds(trade.FaultCode, st.integers(0, 0x7FFFF), st.integers(0, 31), st.integers(0, 127))
LAMP = st.builds(
    trade.Lamp,
    st.sampled_from(["off", "on", "reserved", "not available"]),
    st.sampled_from(["slow flash", "fast flash", "reserved", "no flash"]),
)
LAMPS = st.builds(trade.Lamps, LAMP, LAMP, LAMP, LAMP)
NO_CODE = [trade.FaultCode(0, 0, 0), trade.FaultCode(0x7FFFF, 31, 127, 1)]


@given(st.binary(min_size=4, max_size=4), st.sampled_from([1, 2, 3]))
def test_any_four_bytes_come_back(raw: bytes, older: Any) -> None:
    layout = older if raw[3] & 128 else None
    code = trade.fault_code_from_bytes(raw=raw, layout=layout)
    assert trade.bytes_from_fault_code(code=code, layout=layout) == raw


@given(CODES)
def test_any_code_comes_back(code: trade.FaultCode) -> None:
    assert trade.fault_code_from_bytes(raw=trade.bytes_from_fault_code(code=code)) == code


def test_an_older_code_is_not_guessed() -> None:
    raw = [0x12, 0x34, 0x56, 0x85]
    with pytest.raises(InputFault, match=r"37282 by layout 1, 106642 by layout 2, 144402 by layout 3"):
        trade.fault_code_from_bytes(raw=raw)
    assert trade.fault_code_from_bytes(raw=raw, layout=2) == trade.FaultCode(106642, 22, 5, 1)
    with pytest.raises(InputFault, match="CM = 0"):
        trade.fault_code_from_bytes(raw=[184, 4, 3, 10], layout=1)


@pytest.mark.parametrize("raw", [b"", b"\x01\x02\x03", [1, 2, 3, 4, 5], [1, 2, 3, 256], [1, 2, 3, -1], [1.0, 2, 3, 4], "abcd", None, 7])  # fmt: skip
def test_wrong_bytes_are_a_fault(raw: Any) -> None:
    with pytest.raises(InputFault, match="raw"):
        trade.fault_code_from_bytes(raw=raw)


def test_many_codes_at_once() -> None:
    raw = np.array([[[184, 4, 3, 10], [255, 255, 255, 127]], [[0, 0, 0, 0], [1, 0, 0x24, 0x81]]], dtype=np.uint8)
    spn, fmi, cm, count = trade.fields_from_bytes(raw=raw)
    assert spn.tolist() == [[1208, 524287], [0, 65537]]
    assert fmi.tolist() == [[3, 31], [0, 4]]
    assert cm.tolist() == [[0, 0], [0, 1]]
    assert count.tolist() == [[10, 127], [0, 1]]
    for wrong in (raw[..., :3], raw.astype(float), raw.astype(int) + 300):
        with pytest.raises(InputFault, match="raw"):
            trade.fields_from_bytes(raw=wrong)


def test_a_code_that_cannot_be_is_refused_with_all_faults() -> None:
    with pytest.raises(InputFault) as found:
        trade.FaultCode(0x80000, 32, 128, 2)
    assert [f.where for f in found.value.faults] == ["spn", "fmi", "occurrence_count", "conversion_method"]
    with pytest.raises(InputFault, match="flash"):
        trade.Lamp("on", "sometimes")


def test_lamps_in_words() -> None:
    lamps = trade.lamps_from_bytes(status=0b01_00_01_11, flash=0b11_11_01_11)
    assert lamps.malfunction_indicator == trade.Lamp("on", "no flash")
    assert lamps.red_stop.state == "off"
    assert lamps.amber_warning == trade.Lamp("on", "fast flash")
    assert lamps.protect.state == "not available"


@given(LAMPS, st.lists(CODES.filter(lambda c: c not in NO_CODE), max_size=5))
def test_a_message_comes_back(lamps: trade.Lamps, codes: list[trade.FaultCode]) -> None:
    message = trade.ActiveFaults(lamps, tuple(codes))
    raw = trade.bytes_from_active_faults(faults=message)
    assert len(raw) == (8 if len(codes) < 2 else 2 + 4 * len(codes))
    assert trade.active_faults_from_bytes(raw=raw) == message


@pytest.mark.parametrize("body", [[0, 0, 0, 0, 255, 255], [255] * 6, [0] * 6, [0, 0, 0, 0]])
def test_a_message_without_codes(body: list[int]) -> None:
    assert trade.active_faults_from_bytes(raw=[0, 255, *body]).codes == ()


@pytest.mark.parametrize("raw", [[], [0, 255], [0, 255, 1], [0, 255, 184, 4, 3, 10, 1, 2], [0, 255, *range(7)]])
def test_a_message_of_another_length_is_a_fault(raw: list[int]) -> None:
    with pytest.raises(InputFault, match="raw"):
        trade.active_faults_from_bytes(raw=raw)


def test_every_failure_mode_has_words() -> None:
    texts = [trade.failure_mode_text(fmi=n) for n in range(32)]
    assert len({t for t in texts if t != "reserved"}) == texts.__len__() - texts.count("reserved") == 23
    assert "ground" in texts[4]
    for wrong in (32, -1, 3.5):
        with pytest.raises(InputFault, match="fmi"):
            trade.failure_mode_text(fmi=wrong)  # type: ignore[arg-type]


@given(st.binary(min_size=2, max_size=2))
def test_a_two_byte_code_comes_back(raw: bytes) -> None:
    text = trade.trouble_code_from_bytes(raw=raw)
    assert trade.bytes_from_trouble_code(text=text) == raw
    assert trade.bytes_from_trouble_code(text=f" {text.lower()} ") == raw


@pytest.mark.parametrize(("raw", "text"), [(b"\x01\x23", "P0123"), ([0xC1, 0], "U0100"), (b"\x4a\xbc", "C0ABC"), (b"\xbf\xff", "B3FFF")])  # fmt: skip
def test_two_byte_codes_as_printed(raw: Any, text: str) -> None:
    assert trade.trouble_code_from_bytes(raw=raw) == text


@pytest.mark.parametrize("text", ["X0123", "P4123", "P012", "P01234", "P0G00", "", "P٠123", None, 123])
def test_what_is_no_code(text: Any) -> None:
    with pytest.raises(InputFault, match="no trouble code"):
        trade.bytes_from_trouble_code(text=text)
