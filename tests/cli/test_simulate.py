"""The simulator's command refuses what cannot be, in one line, before it serves anything."""

import socket

import pytest

from benchapp.cli.main import main

SCRIPT = "[[step]]\nat_s = 1\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--tcp", "0", "--link", "port"], "--link is the place of a pseudo-terminal; give it with --pty"),
        (
            ["--pty", "--link", "{folder}"],
            "pseudo-terminal at {folder} cannot be had (File exists); try another --link",
        ),
        (["--tcp", "0", "--hum", "nan"], "hum: nan is not from 0 to 0.1"),
        (["--tcp", "0", "--noise", "-1"], "noise: -1 is not from 0 to 0.1"),
        (["--tcp", "0", "--error", "1000"], "error: 1000 is not from -90 to 500"),
        (["--tcp", "0", "--set", "1e9"], "setting: 1e+09 is not from 1e-06 to 1e+06"),
        (["--tcp", "0", "--tool-max", "0"], "tool's maximum: 0 is not from 1e-06 to 1e+06"),
        (["--tcp", "0", "--script", "{folder}"], "{folder}: cannot be read: Is a directory; give a file of steps"),
        (["--tcp", "0", "--script", "{script}"], "{script}: step 1: no 'do'"),
        (["--tcp", "{taken}"], "TCP port {taken} cannot be had (Address already in use"),
        (["--tcp", "0", "--control", "{taken}"], "control port {taken} cannot be had (Address already in use"),
    ],
    ids=lambda each: "" if isinstance(each, str) else " ".join(each[-2:]),
)
def test_what_cannot_be_is_refused_in_one_line(tmp_path, capsys, arguments, said):
    (tmp_path / "folder").mkdir()
    (tmp_path / "script.toml").write_text(SCRIPT)
    with socket.create_server(("127.0.0.1", 0)) as server:
        places = {
            "folder": tmp_path / "folder",
            "script": tmp_path / "script.toml",
            "taken": server.getsockname()[1],
        }
        status = main(["simulate", *(each.format(**places) for each in arguments)])
    out = capsys.readouterr()
    assert (status, out.out) == (2, "")
    assert said.format(**places) in out.err
    assert out.err.count("\n") == 1
