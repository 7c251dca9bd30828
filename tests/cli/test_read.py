"""`kilter read`: what goes in is checked, what comes out is exactly what scripts lean on; every flag at least once."""

import json

import numpy as np
import pytest

from benchapp.cli.main import main
from benchapp.pulls import Flag

KEYS = ["file", "unit", "rate_hz", "samples", "noise", "source", "notes", "pulls"]
PULL_KEYS = ["start_s", "end_s", "direction", "mode", "reading", "reading_time_s", "peak", "first_peak", "rest",
             "time_80_to_100_s", "loading_rate_per_s", "flags"]  # fmt: skip
CLICK = ((0.0, 0.0), (0.5, 0.0), (2.5, 30.0), (2.51, 20.0), (2.6, 22.0), (2.7, 0.0), (3.6, 0.0))


def curve(*points, noise=0.01, rate_hz=1000.0, seed=1):
    """(times, torque) along straight lines through the points, with noise; made here, not by the simulator."""
    t, v = zip(*points, strict=True)
    times = np.arange(t[0], t[-1], 1 / rate_hz)
    torque = np.interp(times, t, v) + np.random.default_rng(seed).normal(0, noise, len(times))
    return times, torque


def text_of(times, torque, head="# unit: N·m\n# capacity: 200\n# source: live\n"):
    return head + "time_s,torque\n" + "".join(f"{t:.5f},{v:.3f}\n" for t, v in zip(times, torque, strict=True))


@pytest.fixture
def put(tmp_path):
    def write(name, text):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def read(put, capsys):
    """The one file's answer, of a curve given as points."""

    def ask(points, *options, mode="first-peak", head=None, change=None, status=0):
        times, torque = curve(*points)
        if change is not None:
            times, torque = change(times, torque)
        file = put("a.csv", text_of(times, torque) if head is None else text_of(times, torque, head))
        assert main(["read", file, "--mode", mode, *options, "--json"]) == status
        lines = capsys.readouterr().out.splitlines()
        assert len(lines) == 1
        return json.loads(lines[0])

    return ask


def test_the_object_has_these_keys_and_no_others(read):
    told = read(CLICK)
    assert list(told) == KEYS
    assert (told["unit"], told["source"], told["samples"], told["notes"]) == ("N·m", "live", 3600, [])
    assert told["rate_hz"] == pytest.approx(1000.0)
    assert told["noise"] == pytest.approx(0.01, rel=0.15)
    (pull,) = told["pulls"]
    assert list(pull) == PULL_KEYS
    assert (pull["direction"], pull["mode"], pull["flags"]) == ("clockwise", "first-peak", ["too-fast"])
    assert pull["reading"] == pytest.approx(30.0, abs=0.05)
    assert pull["first_peak"] == pull["reading"]
    assert pull["reading_time_s"] == pytest.approx(2.5, abs=0.003)
    assert pull["peak"] == pytest.approx(30.0, abs=0.05)
    assert pull["rest"] == pytest.approx(0.0, abs=0.005)
    # 15 N·m/s, so the 6 N·m from 80 to 100 % take 0.4 s, and the least is 0.5 s
    assert pull["loading_rate_per_s"] == pytest.approx(15.0, rel=0.02)
    assert pull["time_80_to_100_s"] == pytest.approx(0.4, abs=0.01)


def test_each_mode_reads_its_own_torque(read):
    hold = ((0, 0), (0.5, 0), (1.5, 20.0), (2.6, 20.0), (3.0, 24.0), (3.1, 0), (4, 0))
    (pull,) = read(hold, mode="hold")["pulls"]
    assert pull["reading"] == pytest.approx(20.0, abs=0.05)
    assert pull["peak"] == pytest.approx(24.0, abs=0.3)
    (pull,) = read(hold, mode="peak")["pulls"]
    assert pull["reading"] == pull["peak"]
    (pull,) = read(((0, 0), (0.5, 0), (1.0, 20.0), (1.5, 0), (2.5, 0)), mode="hold")["pulls"]
    assert (pull["mode"], pull["reading"]) == ("hold", None)  # never held


def test_polarity_turns_the_direction_and_magnitudes_stay_positive(read):
    head = "# unit: N·m\n# capacity: 200\n# polarity: anticlockwise\n"
    assert read(CLICK, head=head)["pulls"][0]["direction"] == "anticlockwise"
    turned = read(CLICK, head=head, change=lambda t, v: (t, -v))["pulls"][0]
    plain = read(CLICK)["pulls"][0]
    assert turned == plain
    negative = read(CLICK, change=lambda t, v: (t, -v))["pulls"][0]
    assert negative["direction"] == "anticlockwise"
    assert negative["reading"] == plain["reading"]


def test_numbers_typed_are_in_the_unit_typed(read):
    assert "short" not in read(CLICK, "--target", "30")["pulls"][0]["flags"]
    assert "short" in read(CLICK, "--target", "30", "--unit", "ft-lb")["pulls"][0]["flags"]  # 40.7 N·m
    assert "overload" in read(CLICK, "--capacity", "20", "--unit", "lbf·ft")["pulls"][0]["flags"]  # 27.1 N·m
    assert "overload" not in read(CLICK, "--capacity", "25", "--unit", "lbf·ft")["pulls"][0]["flags"]  # 33.9 N·m


def test_a_target_finds_nothing_that_would_not_be_found(read):
    without = read(CLICK)["pulls"][0]
    with_target = read(CLICK, "--target", "100")["pulls"][0]
    assert with_target.pop("flags") == [*without.pop("flags"), "short"]
    assert with_target == without


SLOW = ((0.0, 0.0), (0.5, 0.0), (3.5, 30.0), (3.51, 20.0), (3.6, 22.0), (3.7, 0.0), (4.6, 0.0))


def without_some(t, v):
    keep = (t < 3.0) | (t > 3.02)
    return t[keep], v[keep]


def with_a_wrong_sample(t, v):
    v = v.copy()
    v[2000] += 60.0
    return t, v


FLAGS = {
    "jerky": (
        ((0, 0), (0.5, 0), (2, 15), (2.1, 12), (2.2, 15), (3.7, 30), (3.71, 20), (3.8, 22), (3.9, 0), (4.8, 0)),
        [],
        None,
    ),
    "too-fast": (((0, 0), (0.5, 0), (0.9, 30), (0.91, 20), (1.0, 22), (1.1, 0), (2, 0)), [], None),
    "too-slow": (((0, 0), (0.5, 0), (26.5, 30), (26.51, 20), (26.6, 22), (26.7, 0), (27.6, 0)), [], None),
    "past-click": (((0, 0), (0.5, 0), (3.5, 30), (3.51, 20), (3.9, 45), (4.0, 0), (5, 0)), [], None),
    "no-click": (((0, 0), (0.5, 0), (2.5, 30), (3.5, 0), (4.5, 0)), [], None),
    "double": (((0, 0), (0.5, 0), (3.5, 30), (3.51, 20), (3.6, 22), (3.8, 5), (4.6, 28), (4.8, 0), (5.6, 0)), [], None),
    "short": (SLOW, ["--target", "45"], None),
    "zero-off": (SLOW, [], lambda t, v: (t, v + 0.6)),
    "overload": (SLOW, ["--capacity", "25"], None),
    "tool-overload": (SLOW, ["--tool-max", "20"], None),
    "gap": (SLOW, [], without_some),
    "spike": (SLOW, [], with_a_wrong_sample),
    "cut": (SLOW, [], lambda t, v: (t[t < 3.3], v[t < 3.3])),
}


@pytest.mark.parametrize("flag", FLAGS)
def test_every_flag_is_raised_where_its_definition_says(read, flag):
    points, options, change = FLAGS[flag]
    told = read(points, *options, "--explain", change=change)
    assert len(told["pulls"]) == 1, told
    assert flag in told["pulls"][0]["flags"]
    assert any(sentence.startswith(flag) for sentence in told["pulls"][0]["explained"])


def test_a_clean_slow_pull_raises_none(read):
    assert read(SLOW, "--target", "30", "--tool-max", "40")["pulls"][0]["flags"] == []


def test_all_flags_but_unclear_are_in_the_table_above():
    """`unclear` needs a fall that is neither: tests/pulls has those."""
    assert {flag.value for flag in Flag} - set(FLAGS) == {"unclear"}


def test_limit_answers_with_the_status(read):
    assert read(SLOW, "--target", "30", "--limit", "4")["pulls"][0]["reading"]
    read(SLOW, "--target", "33", "--limit", "4", status=1)  # (33 − 30) / 30 = 10 %


def test_one_bad_file_among_several_does_not_stop_the_others(put, capsys):
    good = put("good.csv", text_of(*curve(*SLOW)))
    bad = put("bad.csv", "time_s,torque\n0,1\n1,OL\n")
    assert main(["read", good, bad, "none.csv", good, "--mode", "first-peak", "--json"]) == 2
    out, err = capsys.readouterr()
    told = [json.loads(line) for line in out.splitlines()]
    assert [each["file"] for each in told] == [good, bad, "none.csv", good]
    assert set(told[1]) == set(told[2]) == {"file", "error"}
    assert "line 3" in told[1]["error"]
    assert told[0] == told[3]
    assert len(err.splitlines()) == 2


@pytest.mark.parametrize(
    "options",
    [
        ["--mode", "click"],
        ["--mode", "median"],
        [],
        ["--mode", "peak", "--target", "0"],
        ["--mode", "peak", "--target", "-3"],
        ["--mode", "peak", "--target", "nan"],
        ["--mode", "peak", "--target", "1,234.5"],
        ["--mode", "peak", "--target", "1.234,5"],
        ["--mode", "peak", "--capacity", "many"],
        ["--mode", "peak", "--capacity", "30 J"],
        ["--mode", "peak", "--tool-max", "abc"],
        ["--mode", "peak", "--tool-max", "30 J"],
        ["--mode", "peak", "--unit", "MNm"],
        ["--mode", "peak", "--unit", "J"],
        ["--mode", "peak", "--limit", "-4"],
        ["--mode", "peak", "--target", "30", "--limit", "x"],
    ],
)
def test_a_wrong_request_is_one_line_and_status_2(put, capsys, options):
    file = put("a.csv", text_of(*curve(*SLOW)))
    try:
        status = main(["read", file, *options, "--json"])
    except SystemExit as stopped:
        status = stopped.code
    out, err = capsys.readouterr()
    assert status == 2
    assert out == ""
    assert len(err.splitlines()) == 1


def test_a_file_without_a_unit_says_so_and_one_of_rest_has_no_pulls(read):
    told = read(((0, 0), (3, 0)), head="")
    assert told["pulls"] == []
    assert told["source"] == "imported"
    assert len(told["notes"]) == 1


def test_for_people_a_table_with_reasons(put, capsys):
    file = put("a.csv", text_of(*curve(*FLAGS["too-fast"][0])))
    assert main(["read", file, "--mode", "first-peak", "--explain"]) == 0
    out = capsys.readouterr().out
    assert "too-fast" in out
    assert "N·m" in out
