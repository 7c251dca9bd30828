"""`kilter ports`: one try, one line, and no promise of another."""

from __future__ import annotations

import socket

import pytest

from benchapp.cli.main import main


def closed_port() -> str:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return f"socket://127.0.0.1:{taken.getsockname()[1]}"


@pytest.mark.parametrize(("url", "said"), [("/dev/none-such", "no such port"), ("", "no connection")])
def test_a_port_that_does_not_open_is_told_once_and_nothing_is_tried_again(url, said, capsys):
    assert main(["ports", "--listen", url or closed_port()]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert said in out.err
    assert "tried again" not in out.err
    assert out.err.endswith(".\n")
    assert out.err.count("\n") == 1
