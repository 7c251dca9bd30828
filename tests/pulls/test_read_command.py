"""`kilter read` to the letter, on small files whose answers are known by construction (tests/data/make_read.py)."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from benchapp.cli.main import main
from benchapp.pulls import Flag

FOLDER = Path(__file__).parents[1] / "data" / "read"
EXPECTED = json.loads((FOLDER / "expected.json").read_text("utf-8"))
KEYS = [
    "start_s",
    "end_s",
    "direction",
    "mode",
    "reading",
    "reading_time_s",
    "peak",
    "first_peak",
    "rest",
    "time_80_to_100_s",
    "loading_rate_per_s",
    "flags",
]


def run(capsys, *args, status=0):
    assert main(["read", *map(str, args)]) == status
    out, err = capsys.readouterr()
    return out, err


def told(capsys, *args, status=0):
    out, err = run(capsys, *args, "--json", status=status)
    return [json.loads(line) for line in out.splitlines()], err


def differs(got, expected):
    if isinstance(expected, list) and len(expected) == 2 and all(isinstance(each, float | int) for each in expected):
        return got is None or abs(got - expected[0]) > expected[1]
    return got != expected


@pytest.mark.parametrize("example", EXPECTED, ids=[each["file"] for each in EXPECTED])
def test_the_examples_are_read_as_they_were_made(capsys, example):
    (data,), err = told(capsys, FOLDER / example["file"], *example["args"])
    assert err == ""
    assert data["samples"] == example["samples"]
    assert len(data["pulls"]) == len(example["pulls"]), data["pulls"]
    for name in ("unit", "source"):
        assert data[name] == example.get(name, data[name])
    if "notes" in example:
        assert len(data["notes"]) == example["notes"]
    for key, name in (("noise", "noise"), ("rate_hz_told", "rate_hz")):
        assert key not in example or not differs(data[name], example[key]), name
    for got, expected in zip(data["pulls"], example["pulls"], strict=True):
        for key, value in expected.items():
            if key == "flags_with":
                assert set(value) <= set(got["flags"])
            else:
                assert not differs(got[key], value), (key, got[key], value)
        assert got["peak"] > 0
        assert got["start_s"] < got["end_s"]


def test_every_flag_has_its_example():
    raised = {
        flag
        for each in EXPECTED
        for pull in each["pulls"]
        for key in ("flags", "flags_with")
        for flag in pull.get(key, ())
    }
    assert raised == {flag.value for flag in Flag}


def test_the_target_finds_nothing(capsys):
    for example in EXPECTED:
        file = FOLDER / example["file"]
        mode = example["args"][:2]
        (with_target,), _ = told(capsys, file, *mode, "--target", "28")
        (without,), _ = told(capsys, file, *mode)
        for one, other in zip(with_target["pulls"], without["pulls"], strict=True):
            assert {key: value for key, value in one.items() if key != "flags"} == {
                key: value for key, value in other.items() if key != "flags"
            }
            assert set(one["flags"]) - {"short"} == set(other["flags"])


def test_keys_and_their_order(capsys):
    (data,), _ = told(capsys, FOLDER / "clean.csv", "--mode", "first-peak")
    assert list(data) == ["file", "unit", "rate_hz", "samples", "noise", "source", "notes", "pulls"]
    assert list(data["pulls"][0]) == KEYS
    assert data["file"] == str(FOLDER / "clean.csv")
    assert data["notes"] == []


def test_several_files_come_in_the_order_given_and_a_bad_one_stops_none(capsys, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("time_s,torque\n0,1\n0,2\n")
    files = [FOLDER / "clean.csv", bad, tmp_path / "none.csv", FOLDER / "nothing.csv"]
    data, err = told(capsys, *files, "--mode", "first-peak", status=2)
    assert [each["file"] for each in data] == [str(file) for file in files]
    assert [list(each) == ["file", "error"] for each in data] == [False, True, True, False]
    assert "line 3" in data[1]["error"]
    lines = err.splitlines()
    assert len(lines) == 2
    assert str(bad) in lines[0]
    assert "line 3" in lines[0]
    assert "none.csv" in lines[1]


def test_words_without_json(capsys):
    out, _ = run(capsys, FOLDER / "jerky.csv", FOLDER / "nothing.csv", "--mode", "first-peak")
    assert "jerky" in out
    assert "0 pulls" in out
    with pytest.raises(ValueError, match="Expecting value"):
        json.loads(out)


def test_explain_says_where_and_why(capsys):
    (data,), _ = told(capsys, FOLDER / "jerky.csv", "--mode", "first-peak", "--explain")
    (pull,) = data["pulls"]
    marks = {mark["name"]: mark for mark in pull["marks"]}
    assert {"start", "80", "click", "fall-end", "peak", "end"} <= set(marks)
    times = [mark["time_s"] for mark in pull["marks"]]
    assert times == sorted(times)
    assert marks["start"]["time_s"] == pull["start_s"]
    assert marks["click"]["torque"] == pull["reading"]
    assert marks["click"]["time_s"] < marks["fall-end"]["time_s"] <= marks["end"]["time_s"] == pull["end_s"]
    assert marks["80"]["torque"] == pytest.approx(24.0, abs=0.1)
    (why,) = pull["noticed"]
    assert why["flag"] == "jerky"
    # the dip: from 20 N·m by 4 N·m between 1.4 s and 1.6 s
    assert why["value"] == pytest.approx(20.0, abs=0.5)
    assert (why["limit"], why["unit"]) == (3.0, "%")
    assert 1.4 <= why["start_s"] <= 1.5 <= why["end_s"] <= 1.62
    assert any("jerky" in sentence for sentence in pull["explained"])
    assert data["detector"]
    assert data["settings"]["jerky_share"] == 0.03


def test_every_raised_flag_is_explained(capsys):
    for example in EXPECTED:
        (data,), _ = told(capsys, FOLDER / example["file"], *example["args"], "--explain")
        for pull in data["pulls"]:
            assert [each["flag"] for each in pull["noticed"]] == pull["flags"]


def test_numbers_typed_with_comma_or_their_own_unit(capsys):
    file = FOLDER / "clean.csv"
    for target in ("40", "40,0", "40 Nm", "29.5025 ft-lb"):
        (data,), _ = told(capsys, file, "--mode", "first-peak", "--target", target)
        assert data["pulls"][0]["flags"] == ["short"]
    # 36.8 lbf·ft are 49.9 N·m; 36.8 N·m would not be short of 30
    (data,), _ = told(capsys, file, "--mode", "first-peak", "--target", "36.8", "--unit", "lbf·ft")
    assert data["pulls"][0]["flags"] == ["short"]
    (data,), _ = told(capsys, file, "--mode", "first-peak", "--target", "36.8")
    assert data["pulls"][0]["flags"] == []


def test_without_a_file_there_is_nothing_to_read(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["read", "--mode", "peak"])
    assert ended.value.code == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_the_command_as_a_program():
    ran = subprocess.run(
        [sys.executable, "-m", "benchapp", "read", str(FOLDER / "clean.csv"), "--mode", "first-peak", "--json"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=True,
    )
    assert json.loads(ran.stdout)["pulls"][0]["flags"] == []
    assert ran.stderr == ""


def test_more_torque_than_any_is_refused_and_the_other_files_go_on(tmp_path, capsys):
    (tmp_path / "huge.csv").write_text("# unit: N·m\ntime_s,torque\n0,0\n0.1,-1e308\n0.2,1e307\n", encoding="utf-8")
    assert main(["read", "--mode", "peak", "--json", str(tmp_path / "huge.csv"), str(tmp_path / "huge.csv")]) == 2
    out = capsys.readouterr()
    assert out.out.count('"error"') == 2
    assert "torque is -1e+308 at 0.1 s, more than any" in out.err
