"""Trace files to the letter: what is read, what is kept, and what is refused with file, line and reason."""

import contextlib
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.torque import trace_files
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import NO_UNIT, TraceFileError, parse_trace, read_trace, write_trace
from benchapp.torque.units import FACTORS
from drivers.samples import Source

EXAMPLE = """\
# unit: N·m
# nominal_rate_hz: 1000
# capacity: 200
# source: live
# recorded: 2026-03-04T09:12:31+00:00
time_s,torque
0.00000,0.013
0.00100,0.013
"""


def parsed(text):
    return parse_trace(text if isinstance(text, bytes) else text.encode(), "a.csv")


def refused(text):
    with pytest.raises(TraceFileError) as refusal:
        parsed(text)
    assert refusal.value.file == "a.csv"
    assert str(refusal.value).startswith("a.csv")
    return refusal.value.line, refusal.value.reason


def plain_rows(n, begin=0):
    return "".join(f"{k / 1000:.3f},{k % 7 - 3}.25\n" for k in range(begin, begin + n))


def test_the_example_of_the_format():
    trace = parsed(EXAMPLE)
    assert trace.t_s.tolist() == [0.0, 0.001]
    assert trace.torque.tolist() == [0.013, 0.013]
    assert trace.digits.tolist() == [13, 13]
    assert (trace.unit, trace.decimals, trace.capacity, trace.nominal_rate_hz) == ("N·m", 3, 200.0, 1000.0)
    assert (trace.source, trace.polarity) == (Source.LIVE, Direction.CLOCKWISE)
    assert trace.recorded == "2026-03-04T09:12:31+00:00"
    assert trace.notes == ()


@pytest.mark.parametrize(
    "text",
    [
        b"\xef\xbb\xbf" + EXAMPLE.encode(),
        EXAMPLE.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode(),
        EXAMPLE.replace("\n", "\n\n").encode(),
        EXAMPLE.rstrip("\n").encode(),
        EXAMPLE.replace(",", " , ").encode(),
        EXAMPLE.replace("# ", "#").replace(": ", ":").encode(),
        ("\n\n" + EXAMPLE + "\n  \n\n").encode(),
    ],
    ids=["mark", "crlf", "mark-crlf", "blank", "unended", "spaces", "tight", "blank-ends"],
)
def test_ways_of_saving_change_nothing(text):
    trace = parsed(text)
    assert trace.torque.tolist() == [0.013, 0.013]
    assert trace.t_s.tolist() == [0.0, 0.001]
    assert trace.capacity == 200.0


def test_everything_about_the_trace_may_be_absent():
    trace = parsed("time_s,torque\n0,1\n")
    assert trace.unit == "N·m"
    assert trace.notes == (NO_UNIT,)
    assert trace.source is Source.IMPORTED
    assert trace.polarity is Direction.CLOCKWISE
    assert (trace.capacity, trace.nominal_rate_hz, trace.recorded) == (None, None, None)


def test_comments_may_stand_anywhere():
    rows = plain_rows(200)
    cut = rows.index("0.100")
    trace = parsed(
        f"time_s,torque\n{rows[:cut]}# unit: lbf·ft\n# capacity: 50\n{rows[cut:]}# polarity: anticlockwise\n"
    )
    assert len(trace) == 200
    assert (trace.unit, trace.capacity, trace.polarity) == ("lbf·ft", 50.0, Direction.ANTICLOCKWISE)


@pytest.mark.parametrize("unit", sorted(FACTORS))
def test_any_unit_we_know(unit):
    assert parsed(f"# unit: {unit}\ntime_s,torque\n0,1\n").unit == unit


def test_unknown_keys_further_columns_and_words_are_kept():
    trace = parsed(
        "# made by hand\n# note: one\n# note: two\n# Bench: 3\ntime_s,torque,angle_deg\n0,1,2.50\n1,2,-3e1\n"
    )
    assert dict(trace.extra) == {"": "made by hand", "note": "one\ntwo", "Bench": "3"}
    assert dict(trace.columns) == {"angle_deg": ("2.50", "-3e1")}


def test_columns_are_found_by_their_names():
    trace = parsed("angle_deg,torque,time_s\n9,1,0.5\n9,2,0.75\n")
    assert (trace.t_s.tolist(), trace.torque.tolist()) == ([0.5, 0.75], [1.0, 2.0])


def test_times_need_not_begin_at_zero_and_may_have_gaps():
    assert parsed("time_s,torque\n-5,1\n100.5,2\n1e3,3\n").t_s.tolist() == [-5.0, 100.5, 1000.0]


def test_numbers_are_rounded_correctly_and_digits_kept_where_they_are_plain():
    texts = ["0.1", "+0.25", "-.5", "7.", "00012.50", "123456789012.345"]
    trace = parsed("time_s,torque\n" + "".join(f"{k},{text}\n" for k, text in enumerate(texts)))
    assert trace.torque.tolist() == [float(text) for text in texts]
    assert trace.decimals == 3
    assert (trace.digits / 10.0**3).tolist() == trace.torque.tolist()
    for text in ("1e-3", "0.1234567890123456", "12345678901234567890"):
        trace = parsed(f"time_s,torque\n0,1.5\n1,{text}\n")
        assert trace.torque.tolist() == [1.5, float(text)]
        assert trace.digits is None


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_many_plain_rows_are_read_as_float_reads_them(data):
    """The fast way for many rows against Python's own float, one by one."""
    number = st.one_of(
        st.decimals(-99999, 99999, places=data.draw(st.integers(0, 6))).map("{:f}".format),
        st.sampled_from(["-0.0", "+1", ".5", "-.25", "5.", "0", "1e-3", "999999999999999", "0.000000000000001"]),
    )
    torques = data.draw(st.lists(number, min_size=3, max_size=8)) * 30
    rows = "".join(f"{k / 500:.4f},{text}\n" for k, text in enumerate(torques))
    trace = parsed("time_s,torque\n" + rows)
    assert trace.torque.tolist() == [float(text) for text in torques]
    assert trace.t_s.tolist() == [float(f"{k / 500:.4f}") for k in range(len(torques))]
    if trace.digits is not None:
        assert (trace.digits / 10.0**trace.decimals).tolist() == trace.torque.tolist()


def test_cutting_the_file_into_blocks_anywhere_changes_nothing(monkeypatch):
    text = ("# unit: cN·m\ntime_s,torque\n" + plain_rows(150) + "# a: b\n\n" + plain_rows(150, 150)).encode()
    whole = parsed(text)
    for size in (1, 7, 64, 1000, 1023):
        monkeypatch.setattr(trace_files, "_BLOCK", size)
        parts = parsed(text)
        assert parts.torque.tolist() == whole.torque.tolist()
        assert parts.digits.tolist() == whole.digits.tolist()
        assert parts.t_s.tolist() == whole.t_s.tolist()
        assert parts.extra == whole.extra


# ---- refusals


def headed(*rows):
    return "# unit: N·m\ntime_s,torque\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        ("", None, "no header row"),
        ("# unit: N·m\n", None, "no header row"),
        ("time_s,torque\n", 1, "no rows"),
        (headed(), 3, "no rows"),
        ("0.0,1.0\n0.1,2.0\n", 1, "must name 'time_s,torque', it is a row of numbers"),
        ("torque\n1\n2\n", 1, "must name"),
        ("time,torque\n0,1\n", 1, "must name"),
        ("time_s;torque\n0;1\n", 1, "must name"),
        ("time_s,torque,torque\n0,1,2\n", 1, "'torque' twice"),
        ("time_s,torque,\n0,1,2\n", 1, "no name"),
        (headed("0,1", "1"), 4, "1 value where the header row names 2"),
        (headed("0,1", "1,2,3"), 4, "3 values where the header row names 2"),
        (headed("0,1", "1,2,"), 4, "3 values"),
        (headed("0,1", "0,1,0,5"), 4, "decimal sign must be a point"),
        (headed("0,1", "1;2"), 4, "1 value"),
        (headed("0,1", "1,"), 4, "torque: no value"),
        (headed("0,1", ",1"), 4, "time_s: no value"),
        (headed("0,1", "1,abc"), 4, "torque: 'abc' is no number"),
        (headed("0,1", "x,1"), 4, "time_s: 'x' is no number"),
        (headed("0,1", "1,nan"), 4, "not finite"),
        (headed("0,1", "1,NaN"), 4, "not finite"),
        (headed("0,1", "inf,1"), 4, "not finite"),
        (headed("0,1", "1,-Infinity"), 4, "not finite"),
        (headed("0,1", "1,1e999"), 4, "not finite"),
        (headed("0,1", "1,1_0"), 4, "no number"),
        (headed("0,1", "1,0x1F"), 4, "no number"),
        (headed("0,1", "1,٣"), 4, "no number"),
        (headed("0,1", '1,"2"'), 4, "no number"),
        (headed("0,1", "1,1.2.3"), 4, "no number"),
        (headed("0,1", "1,-"), 4, "no number"),
        (headed("0,1", "1,2", "1,3"), 5, "stands still at 1"),
        (headed("0,1", "1,2", "0.5,3"), 5, "runs back from 1 to 0.5"),
        ("time_s,torque,angle\n0,1,2\n1,2,abc\n", 3, "angle: 'abc' is no number"),
        ("time_s,torque,angle\n0,1,2\n1,2,\n", 3, "angle: no value"),
        ("# unit: bananas\ntime_s,torque\n0,1\n", 1, "unit"),
        ("# unit: J\ntime_s,torque\n0,1\n", 1, "unit"),
        ("# capacity: much\ntime_s,torque\n0,1\n", 1, "capacity"),
        ("# capacity: 0\ntime_s,torque\n0,1\n", 1, "greater than 0"),
        ("# capacity: -5\ntime_s,torque\n0,1\n", 1, "greater than 0"),
        ("# nominal_rate_hz: fast\ntime_s,torque\n0,1\n", 1, "nominal_rate_hz"),
        ("# polarity: left\ntime_s,torque\n0,1\n", 1, "clockwise, anticlockwise"),
        ("# source: dream\ntime_s,torque\n0,1\n", 1, "live, simulated, replayed, imported"),
        ("# unit: N·m\ntime_s,torque\n0,1\n# unit: cN·m\n1,1\n", 4, "given twice"),
    ],
)
def test_what_breaks_the_rules_is_refused_with_line_and_reason(text, line, reason):
    at, why = refused(text)
    assert at == line
    assert reason in why
    assert "\n" not in why


@pytest.mark.parametrize("fault", ["nan", "", "1e999", "abc", "1,2"])
@pytest.mark.parametrize("place", [0, 77, 499])
@pytest.mark.parametrize("eol", ["\n", "\r\n"])
def test_the_line_is_right_among_many_rows_comments_and_blank_lines(fault, place, eol):
    rows = plain_rows(500).splitlines()
    rows[place] = rows[place].partition(",")[0] + "," + fault
    text = ["# unit: N·m", "", "time_s,torque", *rows[:200], "# half: way", "", *rows[200:]]
    line, _ = refused(eol.join(text) + eol)
    assert text[line - 1] == rows[place]


def test_time_running_back_is_found_across_blocks(monkeypatch):
    monkeypatch.setattr(trace_files, "_BLOCK", 1024)
    line, reason = refused("time_s,torque\n" + plain_rows(300) + "0.299,1\n")
    assert (line, "stands still" in reason) == (302, True)


def test_bytes_that_are_not_utf_8_are_refused_with_their_line():
    line, reason = refused("# unit: N·m\n".encode() + b"# who: fitter \xff2\ntime_s,torque\n0,1\n")
    assert (line, "UTF-8" in reason) == (2, True)
    line, reason = refused("# unit: N·m\n".encode("latin-1") + b"time_s,torque\n0,1\n")
    assert (line, "UTF-8" in reason) == (1, True)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused(raw):
    for text in (raw, b"time_s,torque\n0,1\n" + raw):
        with contextlib.suppress(TraceFileError):
            assert len(parsed(text)) > 0


def test_a_file_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(TraceFileError, match=r"cannot be read: .*; look at its name and its folder"):
        read_trace(tmp_path / "none.csv")
    with pytest.raises(TraceFileError, match=r"cannot be read: .*; give a file, not a folder"):
        read_trace(tmp_path)


@pytest.mark.parametrize(
    ("text", "what_to_do"),
    [
        (b"", "; give it the line 'time_s,torque' and a row of numbers a sample"),
        (b"time_s,torque\n", "; give it one a sample"),
        (b"# unit: N\xb7m\n", "; save it as UTF-8 text"),
        (b"time_s,torque\n0,nan\n", "; leave the row out"),
        (b"time_s,torque\n0,\n", "; give a number, or leave the row out"),
        (b"time_s,torque\n0,x\n", "; give the number alone, or leave the row out"),
        (b"# capacity: 200 Nm\ntime_s,torque\n0,1\n", "; give the number alone, or leave the line out"),
        (b"time_s,torque\n1,1\n0,1\n", ": leave the row out"),
        (b"time_s,torque\n1\n", "; give each column a value, or leave the row out"),
        (b"time_s,torque,a,a\n", "; keep one of the two"),
        (b"time_s,torque,\n", "; give it one"),
    ],
)
def test_a_refusal_ends_with_what_to_do(text, what_to_do):
    assert refused(text)[1].endswith(what_to_do)


# ---- writing


@pytest.mark.parametrize(
    "text",
    [
        "# unit: {}\ntime_s,torque\n0,1\n",
        "# unit: N·m\n# unit: {}\ntime_s,torque\n0,1\n",
        "# polarity: {}\ntime_s,torque\n0,1\n",
        "# source: {}\ntime_s,torque\n0,1\n",
        "time_s,torque,{0},{0}\n0,1,2,3\n",
        "time_s,torque,{}\n0,1,q\n",
        "time_s,{}\n0,1\n",
    ],
)
def test_a_refusal_shows_only_so_much_of_the_file(text):
    # a file whose lines end in a way of their own is one line: its refusal was the whole of it
    with pytest.raises(TraceFileError) as caught:
        parse_trace(text.format("x" * 5000).encode(), "a.csv")
    assert len(str(caught.value)) < 250


def test_what_is_written_is_read_back_to_the_last_bit(tmp_path):
    rng = np.random.default_rng(3)
    digits = rng.integers(-5000, 5000, 300)
    digits[:3] = 0, -7, 123456
    trace = Trace(
        t_s=np.sort(rng.uniform(-1, 3, 300)),
        torque=digits / 1000,
        unit="lbf·ft",
        source=Source.SIMULATED,
        digits=digits,
        decimals=3,
        capacity=147.5,
        polarity=Direction.ANTICLOCKWISE,
        nominal_rate_hz=1200.0,
        recorded="2026-03-04T09:12:31+00:00",
        extra={"bench": "2", "words": "one\ntwo"},
        columns={"angle_deg": tuple(f"{k}.50" for k in range(300))},
    )
    write_trace(tmp_path / "a.csv", trace)
    back = read_trace(tmp_path / "a.csv")
    assert back.t_s.tobytes() == trace.t_s.tobytes()
    assert back.torque.tolist() == trace.torque.tolist()
    assert back.digits.tolist() == digits.tolist()
    for name in (
        "unit",
        "source",
        "decimals",
        "capacity",
        "polarity",
        "nominal_rate_hz",
        "recorded",
        "extra",
        "columns",
    ):
        assert getattr(back, name) == getattr(trace, name), name
    assert [each.name for each in tmp_path.iterdir()] == ["a.csv"]


def test_torque_without_digits_is_written_to_the_last_bit(tmp_path):
    torque = np.array([1 / 3, -1e-17, 2.5e300, 0.1 + 0.2])
    write_trace(tmp_path / "a.csv", Trace(np.arange(4) / 3, torque, "N·m", Source.LIVE))
    back = read_trace(tmp_path / "a.csv")
    assert back.torque.tobytes() == torque.tobytes()
    assert back.t_s.tobytes() == (np.arange(4) / 3).tobytes()


def test_the_torque_is_written_digit_for_digit():
    digits = np.array([13, -5, 0, 1234])
    trace = Trace(np.arange(4.0), digits / 100, "N·m", Source.LIVE, digits, 2)
    lines = "".join(trace_files.trace_lines(trace)).splitlines()
    assert lines[-4:] == ["0.0,0.13", "1.0,-0.05", "2.0,0.00", "3.0,12.34"]


@pytest.mark.parametrize(
    "trace",
    [
        Trace(np.empty(0), np.empty(0), "N·m", Source.LIVE),
        Trace(np.array([0.0, 0.0]), np.zeros(2), "N·m", Source.LIVE),
        Trace(np.array([0.0, 1.0]), np.array([0.0, np.nan]), "N·m", Source.LIVE),
        Trace(np.zeros(1), np.zeros(1), "N·m", Source.LIVE, extra={"a:b": "c"}),
        Trace(np.zeros(1), np.zeros(1), "N·m", Source.LIVE, recorded="one\ntwo"),
        Trace(np.zeros(1), np.zeros(1), "N·m", Source.LIVE, columns={"a,b": ("1",)}),
    ],
)
def test_what_no_file_can_hold_is_not_written(tmp_path, trace):
    with pytest.raises(ValueError, match=r"file|key|column"):
        write_trace(tmp_path / "a.csv", trace)
    assert not list(tmp_path.iterdir())


def test_a_file_is_there_whole_or_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    path.write_text("as it was")

    def broken(trace):
        yield "time_s,torque\n"
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(trace_files, "trace_lines", broken)
    with pytest.raises(OSError, match="No space"):
        write_trace(path, Trace(np.zeros(1), np.zeros(1), "N·m", Source.LIVE))
    assert path.read_text() == "as it was"
    assert [each.name for each in tmp_path.iterdir()] == ["a.csv"]


def test_many_rows_cost_little_time_and_memory(tmp_path):
    """The limits are loose: ten million rows (200 MB) were read in 2.1 s of CPU time and 470 MB."""
    n = 200_000
    path = tmp_path / "long.csv"
    path.write_text("# unit: N·m\ntime_s,torque\n" + plain_rows(n))
    tracemalloc.start()
    begin = time.process_time()
    trace = read_trace(path)
    taken = time.process_time() - begin
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(trace) == n
    assert taken < 1.0 * n / 1e6 + 0.5
    assert peak < 70 * n + 110e6  # blocks of 4 MB in work, then the arrays


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
def test_a_device_is_written_to_and_never_replaced(tmp_path):
    device = tmp_path / "full"
    device.symlink_to("/dev/full")
    with pytest.raises(OSError, match="No space left"):
        write_trace(device, parsed(EXAMPLE))
    assert device.is_symlink()
