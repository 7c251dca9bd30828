"""The command line itself."""

import sys

import pytest

from benchapp.cli.main import main


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems have a screen")
@pytest.mark.parametrize("arguments", [[], ["--simulated"]])
def test_without_a_screen_the_window_is_refused_in_one_line(monkeypatch, capsys, arguments):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    assert main(arguments) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert out.err.count("\n") == 1
    assert "there is no screen" in out.err


def test_a_fault_of_the_program_is_one_line_too_and_says_where_when_asked(monkeypatch, capsys):
    def broken(_args):
        raise ZeroDivisionError("as a test\nhas it")

    monkeypatch.setattr("benchapp.cli.read.run", broken)
    assert main(["read", "a.csv", "--mode", "peak"]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert (
        out.err
        == "kilter: a fault of the program (ZeroDivisionError: as a test); with KILTER_TRACEBACK=1 it says where\n"
    )
    monkeypatch.setenv("KILTER_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        main(["read", "a.csv", "--mode", "peak"])
