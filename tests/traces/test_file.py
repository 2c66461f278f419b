"""The door for recorders' files: a trace, or every fault with its line; never another exception."""

from __future__ import annotations

import time as clock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnb.errors import InputFault
from diagnb.traces import load_trace, read_trace


def faults(text: str | bytes, description=None) -> list[str]:
    with pytest.raises(InputFault) as caught:
        read_trace(text if isinstance(text, bytes) else text.encode(), description)
    return [str(f) for f in caught.value.faults]


SAME = np.arange(50) * 0.5
LAYOUTS = {
    "comma": ("t (s),v (V)\n", ",", "."),
    "semicolon and decimal comma": ("t (s);v (V)\n", ";", ","),
    "tab and decimal comma": ("t (s)\tv (V)\n", "\t", ","),
    "blanks": ("t(s) v(V)\n", " ", "."),
    "no heading": ("", ",", "."),
    "long preamble": ("Recorder;x\nserial;7\nrate;2 per s\n\nt;v\n(s);(V)\n", ";", "."),
    "quoted": ('"t (s)","v (V)"\n', ",", "."),
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
def test_one_course_in_many_layouts(layout, ending, encoding):
    head, delimiter, decimal = LAYOUTS[layout]
    quote = '"' if layout == "quoted" else ""
    rows = [f"{quote}{t:.2f}{quote}{delimiter}{quote}{12 + t / 100:.3f}{quote}".replace(".", decimal) for t in SAME]
    text = (head + "\n".join(rows) + "\n").replace("\n", ending)
    trace = read_trace(text.encode(encoding))
    assert np.allclose(trace.time, SAME)
    assert np.allclose(trace.columns[0].values, np.round(12 + SAME / 100, 3))
    if head:
        assert trace.columns[0].unit == "V"
        assert trace.columns[0].name == "v"
    assert trace.line(0) == head.count("\n") + 1


def test_a_heading_with_an_umlaut_in_latin_1():
    trace = read_trace("Zeit (s);Öldruckschalter (mV)\n0;1\n1;2\n2;3\n".encode("latin-1"))
    assert trace.columns[0].name == "Öldruckschalter"
    assert trace.columns[0].values.tolist() == [0.001, 0.002, 0.003]


def test_dates_and_times_of_day():
    stamps = read_trace(("when,i (A)\n" + "".join(f"2026-03-02T23:59:{s:02d}.5,1\n" for s in range(60))).encode())
    assert stamps.time.tolist() == list(range(60))
    midnight = ["23:59:58", "23:59:59", "00:00:00", "00:00:01.250"]
    times = read_trace(("when;i (A)\n" + "".join(f"{m};1\n" for m in midnight)).encode())
    assert times.time.tolist() == [0, 1, 2, 3.25]


def test_the_sample_interval_in_place_of_a_time_column():
    data = b"v\n1\n2\n4\n3\n"
    assert "sample interval" in faults(data)[0]
    plain = {"schema": "diagnb-trace/1", "time": {"interval": "10 µs"}}
    assert read_trace(data, plain).time.tolist() == pytest.approx([0, 1e-5, 2e-5, 3e-5])
    heading = read_trace(b"Sample interval,0.5,ms\nv (V)\n1\n2\n4\n3\n")
    assert heading.time.tolist() == pytest.approx([0, 5e-4, 1e-3, 1.5e-3])


def test_each_fault_has_its_line():
    said = faults("t,v\n0,1\n1,x\n2,3,4\n3,1.2.3\n4,5\n5,6\n")
    assert [s.split(":")[0] for s in said] == ["line 3, column 2", "line 4", "line 5, column 2"]
    said = faults("t,v\n0,1\n1,2\n1,3\n0.5,3\n2,1\n")
    assert said[0].startswith("line 4: time stands still")
    assert said[1].startswith("line 5: time runs backwards")
    assert faults("t;v\n0;1,5\n1;1.234,5\n2;2,5\n")[0].startswith("line 3, column 2: '1.234,5'")
    assert faults("t;v\n0;1,5\n1;1,5\n2;2.5\n")[0].startswith("line 4, column 2: '2.5'")
    many = faults("t,v\n0,1\n1,2\n" + "2,x\n" * 100)
    assert len(many) == 21
    assert "only 20" in many[-1]


def test_blank_lines_do_not_shift_the_lines_of_faults_and_remarks():
    text = "t,v\n0,1\n\n1,2\n\n\n2,OL\n3,4\n"
    trace = read_trace(text.encode())
    assert [trace.line(i) for i in range(4)] == [2, 4, 7, 8]
    assert trace.remarks() == ("v: 1 samples with overflow; the first in line 7",)
    assert faults(text + "\n2.5,1\n")[0].startswith("line 10: time runs backwards")


@pytest.mark.parametrize("mark", ["OL", "inf", "-inf", "9.9E37", "-9.91e+37", "1e300"])
def test_overflow_is_named_and_stays_infinite(mark):
    rows = "".join(f"{i},{mark if i == 7 else i}\n" for i in range(20))
    trace = read_trace(("t (s),i (A)\n" + rows).encode())
    assert np.isinf(trace.column("i").values[7])
    assert trace.remarks() == ("i: 1 samples with overflow; the first in line 9",)


@pytest.mark.parametrize("mark", ["", "NaN", "---", "null"])
def test_missing_samples_are_named(mark):
    rows = "".join(f"{i},{mark if i in (3, 4) else i}\n" for i in range(20))
    trace = read_trace(("t (s),i (A)\n" + rows).encode())
    assert np.isnan(trace.column("i").values[3:5]).all()
    assert trace.remarks() == ("i: 2 samples with no number; the first in line 5",)


def test_gaps_are_named():
    times = [*range(10), *range(15, 20)]
    trace = read_trace(("t (s),i (A)\n" + "".join(f"{t},1\n" for t in times)).encode())
    assert trace.gaps() == (9,)
    assert trace.remarks() == ("1 gaps in time; the first, 6 s, before line 12",)


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"), (b"\x00\x01", "zero byte"), (b"hello\nworld\n", "no row of numbers"), (b"t,v\n1,2\n2,3\n", "2 rows"),
        (b"\xff\xfe1", "UTF-16"), (b"t,v\n0,OL\n1,OL\n2,\n3,1\n", ""), (b"t,v\nOL,1\n1,1\n2,1\n3,2\n", "no time"),
        (b"v\n1\n2\n", "no time column"), (b"t\n1\n2\n3\n", "beside time"),
    ],
)  # fmt: skip
def test_what_is_no_trace_says_why(data, word):
    if word:
        assert any(word in s for s in faults(data))
    else:
        assert np.isinf(read_trace(data).columns[0].values[0])


def test_columns_that_are_not_there_are_listed_together():
    plain = {
        "schema": "diagnb-trace/1",
        "time": {"column": "clock"},
        "columns": [{"column": "z", "unit": "V"}, {"column": 9, "unit": "V"}],
    }
    said = faults("t,v\n0,1\n1,2\n2,3\n", plain)
    assert len(said) == 3
    assert all("it has t, v" in s for s in said)


def test_a_stated_utf_8_file_that_is_not_names_the_line():
    said = faults("t,v\n0,1\n1,2 °\n".encode("latin-1"), {"schema": "diagnb-trace/1", "encoding": "utf-8"})
    assert said == ['line 3: is not UTF-8 (state encoding = "latin-1")']


def test_the_file_on_disk(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"t (ms),v (V)\n0,1\n1,2\n2,3\n")
    trace = load_trace(tmp_path / "a.csv")
    assert trace.name == "a.csv"
    assert trace.size == 25
    with pytest.raises(InputFault):
        load_trace(tmp_path / "b.csv")


def test_arrays_can_not_be_changed():
    trace = read_trace(b"t,v\n0,1\n1,2\n2,3\n")
    with pytest.raises(ValueError, match="read-only"):
        trace.columns[0].values[0] = 5
    with pytest.raises(ValueError, match="read-only"):
        trace.time[0] = 5


def test_a_million_rows_in_about_a_second():
    rows = "\n".join([f"{i}e-5,{i % 977 / 100}" for i in range(10**6)])
    data = ("t (s),v (V)\n" + rows).encode()
    began = clock.perf_counter()
    trace = read_trace(data)
    took = clock.perf_counter() - began
    assert len(trace.time) == 10**6
    # Measured 0.5 s; the bound leaves room for a busy machine.
    assert took < 4


def either(data: bytes, description=None) -> None:
    try:
        trace = read_trace(data, description)
    except InputFault as error:
        assert error.faults
        return
    assert (np.diff(trace.time) > 0).all()
    assert np.isfinite(trace.time).all()
    assert all(len(c.values) == len(trace.time) for c in trace.columns)
    assert trace.remarks() is not None
    assert read_trace(data, _again(trace)).description.columns == trace.description.columns


def _again(trace):
    import tomllib

    return tomllib.loads(trace.description.to_toml())


FIELD = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr), st.integers(-(10**6), 10**6).map(str),
    st.sampled_from(["", "OL", "1,5", "1.234,5", '"', '"1', "2026-03-02 08:00:00", "12:00:00", "V", "(V)", "t (s)", "x\x00", "∞", "1e999", "-", "nan", "٣", "1_0", "0x1f"]),
    st.text(max_size=6),
)  # fmt: skip


@settings(max_examples=250, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes(data):
    either(data)


@settings(max_examples=400, deadline=None)
@given(st.lists(st.lists(FIELD, min_size=1, max_size=4), max_size=12), st.sampled_from([",", ";", "\t", " ", "|"]))
def test_any_table(rows, delimiter):
    either("\n".join(delimiter.join(row) for row in rows).encode("utf-8", "surrogatepass"))


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.001, 10), FIELD), min_size=3, max_size=30),
    st.dictionaries(st.sampled_from(["delimiter", "decimal", "encoding", "header_lines", "time", "columns", "x"]),
                    st.one_of(st.sampled_from([",", ".", "semicolon", "utf-8", "utf-16", {"interval": "1 ms"}, {"column": 1}, [{"column": 2, "unit": "V"}], [{"column": 1, "unit": "°C"}]]), st.integers(-1, 5)), max_size=3),
)  # fmt: skip
def test_any_rows_under_any_description(rows, stated):
    times = np.cumsum([t for t, _ in rows])
    text = "t (s),v (V)\n" + "\n".join(f"{t!r},{v}" for t, (_, v) in zip(times.tolist(), rows, strict=True))
    either(text.encode("utf-8", "surrogatepass"), {"schema": "diagnb-trace/1"} | stated)
