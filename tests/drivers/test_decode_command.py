"""`kilter decode` and `kilter ports`, by the contract: small captures with what must come out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchapp.cli import decode as decode_command
from benchapp.cli import ports as ports_command
from benchapp.cli._profiles import user_folder
from benchapp.cli.errors import CommandError
from drivers.profile import Profiles
from drivers.samples import SampleBlock, Source

DATA = Path(__file__).parents[1] / "data" / "decode"
BY_PATH = {"counter": "counter.toml", "arrivals": "arrivals.toml"}


def _run(module, *argv: str) -> int:
    import argparse

    parser = argparse.ArgumentParser()
    module.add(parser.add_subparsers())
    args = parser.parse_args([module.__name__.rpartition(".")[2], *argv])
    return args.run(args)


def _with_profile(name: str) -> list[str]:
    return ["--profile", str(DATA / BY_PATH[name])] if name in BY_PATH else []


@pytest.mark.parametrize("name", sorted(path.stem for path in DATA.glob("*.json")))
def test_a_capture_gives_what_its_file_says(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(DATA / f"{name}.raw")
    assert _run(decode_command, file, "--json", *_with_profile(name)) == 0
    told = json.loads(capsys.readouterr().out)
    expected = {"file": file, **json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))}
    assert told == expected
    assert list(told) == list(expected)  # also in the order of the contract


def test_the_times_and_values_of_a_trace() -> None:
    profiles = Profiles()
    trace = decode_command.decode_capture(str(DATA / "refusals.raw"), profiles).trace
    assert trace.t_s.tolist() == pytest.approx([0, 0.001, 0.003, 0.007, 0.009])
    assert trace.torque.tolist() == [0.5, 1.5, 2.5, 3.5, 4.5]
    assert (trace.digits is not None and trace.digits.tolist(), trace.decimals) == ([50, 150, 250, 350, 450], 2)
    trace = decode_command.decode_capture(str(DATA / "units.raw"), profiles).trace
    # NIST SP 811 appendix B: 1 lbf·ft = 1.355 817 948 331 4 N·m (from 1 lb, 1 in and g_n, all exact)
    assert trace.torque.tolist() == pytest.approx([10, -1, 13.558179483314004, 12, 13], rel=1e-15)
    assert trace.digits is None
    assert trace.t_s.tolist() == pytest.approx([0, 0.001, 0.002, 0.003, 0.004])
    trace = decode_command.decode_capture(
        str(DATA / "arrivals.raw"), profiles, profiles.get(str(DATA / "arrivals.toml"))
    ).trace
    assert trace.t_s.tolist() == pytest.approx([0, 0.01, 0.02, 0.03, 0.04, 0.05], abs=1e-9)


def test_a_conversion_that_only_moves_the_decimal_point_is_exact() -> None:
    block = SampleBlock(0, np.arange(3.0), np.array([11, 7, 29]), 1, "cN·m", Source.IMPORTED, (), np.empty(0), 0.0)
    assert decode_command._in_one_unit([replace(block, unit="N·m"), block], "N·m")[1].tolist()[3:] == [
        0.011,
        0.007,
        0.029,
    ]


def test_a_bad_file_is_told_and_the_others_go_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    orphan = tmp_path / "orphan.raw"
    orphan.write_bytes(b"+1.0 Nm\r\n")
    good = str(DATA / "bare.raw")
    assert _run(decode_command, good, str(orphan), str(tmp_path / "none.raw"), good, "--json") == 2
    out, err = capsys.readouterr()
    told = [json.loads(line) for line in out.splitlines()]
    assert [set(line) == {"file", "error"} for line in told] == [False, True, True, False]
    assert len(err.splitlines()) == 2
    assert "--profile" in told[1]["error"]
    assert told[2]["file"] == str(tmp_path / "none.raw")


def test_the_profile_given_wins_over_the_sidecar(capsys: pytest.CaptureFixture[str]) -> None:
    assert _run(decode_command, str(DATA / "bare.raw"), "--profile", "signed value, unit", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["profile"], told["samples"], told["notes"]) == (
        "signed value, unit",
        0,
        ["no line gave a torque"],
    )


@pytest.mark.parametrize(
    ("sidecar", "part"),
    [
        ("profile = ", "is not TOML"),
        ("profile = 'none such'", "no profile has this name"),
        ("profile = 'bare value'\ncut_start = 1", "cut_start"),
        ("profile = 'bare value'\nsource = 'dream'", "source"),
        ("profile = 'bare value'\nblocks = [[0, 99]]", "blocks"),
        ("profile = 'bare value'\nblocks = [[1, 0], [0, 3]]", "blocks"),
    ],
)
def test_a_faulty_sidecar_is_named(tmp_path: Path, sidecar: str, part: str, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.raw").write_bytes(b"1.0\r\n")
    (tmp_path / "x.raw.toml").write_text(sidecar, encoding="utf-8")
    assert _run(decode_command, str(tmp_path / "x.raw"), "--json") == 2
    out, err = capsys.readouterr()
    assert part in json.loads(out)["error"]
    assert "x.raw.toml" in err


def test_a_profile_that_is_none_ends_the_command() -> None:
    with pytest.raises(CommandError, match="no profile has this name"):
        _run(decode_command, str(DATA / "bare.raw"), "--profile", "none such")
    with pytest.raises(CommandError, match="one capture"):
        _run(decode_command, str(DATA / "bare.raw"), str(DATA / "bare.raw"), "-o", "x.csv")


def test_a_users_own_profile_is_found_in_the_configuration_folder(capsys: pytest.CaptureFixture[str]) -> None:
    user_folder().mkdir(parents=True)
    (user_folder() / "own.toml").write_text(
        "name = 'own'\n[line]\npattern = '(?P<torque>.+)'\nunit = 'cN·m'", encoding="utf-8"
    )
    assert _run(decode_command, str(DATA / "bare.raw"), "--profile", "own") == 0
    assert "3 samples in cN·m" in capsys.readouterr().out


def test_ports_lists_json_only(capsys: pytest.CaptureFixture[str]) -> None:
    assert _run(ports_command, "--json") == 0
    for line in capsys.readouterr().out.splitlines():
        assert "url" in json.loads(line)


def test_listening_to_a_port_that_is_none_ends_the_command() -> None:
    with pytest.raises(CommandError, match="no such port"):
        _run(ports_command, "--listen", "/dev/ttyOCF9")
    with pytest.raises(CommandError, match="recording"):
        _run(ports_command, "--listen", "replay:x.csv")


def test_a_capture_of_no_bytes_has_no_samples(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "nothing.raw"
    file.touch()
    assert _run(decode_command, str(file), "--profile", "signed value, unit", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["lines"], told["samples"], told["notes"]) == (0, 0, ["no line gave a torque"])


@pytest.mark.parametrize("output", ["units.raw", "units.raw.toml", "./units.raw", ""])
def test_the_capture_is_never_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], output: str
) -> None:
    monkeypatch.chdir(tmp_path)
    before = {}
    for name in ("units.raw", "units.raw.toml"):
        before[name] = (DATA / name).read_bytes()
        (tmp_path / name).write_bytes(before[name])
    with pytest.raises(CommandError, match="name another file" if output else "names no file"):
        _run(decode_command, "units.raw", "-o", output)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == before
    assert _run(decode_command, "units.raw", "-o", "units.csv") == 0
    assert "torque" in (tmp_path / "units.csv").read_text(encoding="utf-8")
    capsys.readouterr()


def test_a_faulty_profile_says_what_to_do(tmp_path: Path) -> None:
    faulty = tmp_path / "faulty.toml"
    faulty.write_text("name = 'x'\n[line]\npattern = 'abc'\n", encoding="utf-8")
    for path, todo in ((faulty, "; correct it"), (tmp_path / "none.toml", "; look at its name")):
        with pytest.raises(CommandError, match=todo):
            _run(decode_command, str(DATA / "units.raw"), "--profile", str(path))


def test_the_first_lump_says_nothing_of_the_rate(tmp_path):
    # ten lines every 16 ms: how long the first ten took is not known, and counting them as none made 798 of 625 Hz
    line, lumps = b"0012.34\r\n", 4
    (tmp_path / "a.raw").write_bytes(line * 10 * lumps)
    blocks = [[0.016 * k, 10 * len(line) * k] for k in range(lumps)]
    (tmp_path / "a.raw.toml").write_text(f'profile = "bare value"\nblocks = {blocks}\n', encoding="utf-8")
    told = decode_command.decode_capture(str(tmp_path / "a.raw"), Profiles()).told
    assert told["rate_hz"] == pytest.approx(625.0, rel=1e-3)
