"""Parse the command line and hand over to one module a command.

Every module in `COMMANDS` offers `add(subparsers)` (name, flags, help; sets `run=`) and a function `run(args) -> int`
that returns the exit status: 0 done; 1 done and the answer is no; 2 the request or its input is wrong. A command
raises `CommandError` for the last: one line on stderr says what, where, and what to do.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import importlib
import io
import os
import sys
from collections.abc import Sequence
from typing import Final, NoReturn

from benchapp import __version__
from benchapp.cli.errors import CommandError, reason

TRACEBACK: Final = "KILTER_TRACEBACK"
_NO_ROOM: Final = (errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC))
COMMANDS: Final = ("read", "decode", "judge", "ports", "records", "simulate", "selftest")


class _Parser(argparse.ArgumentParser):
    """Argparse that keeps to one line on stderr and exit status 2."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; '{self.prog} --help' lists what can be given\n")


def parser(names: Sequence[str] = COMMANDS) -> argparse.ArgumentParser:
    """Build the parser with the commands of `names`: one command need not load what the others need."""
    top = _Parser(prog="kilter", description="Verify torque tools against a reference transducer.")
    top.add_argument("--version", action="version", version=f"kilter {__version__}")
    top.add_argument("--simulated", action="store_true", help="open the window with a simulated bench")
    top.add_argument("--replay", metavar="FILE", help="with --simulated: put this recording on the bench at once")
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    for name in names:
        importlib.import_module(f"benchapp.cli.{name}").add(commands)
    return top


def _screen() -> None:
    """Refuse to open a window where there is no screen: Qt would end the process with a page of its own words."""
    if sys.platform.startswith("linux") and not any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    ):
        raise CommandError(
            "there is no screen to open a window on (no DISPLAY, no WAYLAND_DISPLAY); start it from a desktop"
        )


def main(argv: list[str] | None = None) -> int:
    """Run one command and return its exit status."""
    try:
        try:
            return _command(sys.argv[1:] if argv is None else argv)
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()  # at the interpreter's end nobody could say what went wrong
    except CommandError as error:
        print(f"kilter: {error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("kilter: stopped before it was done; give the command again", file=sys.stderr)
        return 130  # what a shell takes for a command ended by Ctrl-C
    except BrokenPipeError:  # whoever read, as `head` does, has enough
        _leave_stdout()
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        if isinstance(error, OSError) and error.errno in _NO_ROOM and error.filename is None:
            _leave_stdout()
            print(f"kilter: standard output: {reason(error)}; make room, or send it elsewhere", file=sys.stderr)
        elif isinstance(error, OSError) and isinstance(error.filename, str) and error.filename:
            todo = "look whether it is there and this account may use it"
            print(f"kilter: {error.filename}: {reason(error)}; {todo}", file=sys.stderr)
        else:
            what = f"{type(error).__name__}: {error}".splitlines()[0]
            print(f"kilter: a fault of the program ({what}); with {TRACEBACK}=1 it says where", file=sys.stderr)
    return 2


def _speak(given: Sequence[str]) -> None:
    """Let standard output take every sign, whatever the locale: JSON is UTF-8, words escape what is not to be had.

    A file's name that is no UTF-8 comes out as JSON's own escapes, and is the file's name again when that is read.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        is_json = "--json" in given or "--schema" in given
        sys.stdout.reconfigure(encoding="utf-8" if is_json else None, errors="backslashreplace")


def _command(given: Sequence[str]) -> int:
    _speak(given)
    if given and given[0] in COMMANDS:
        names: Sequence[str] = (given[0],)
    elif all(word in ("--simulated", "--version") for word in given):
        names = ()  # only the window is wanted, and soon
    else:
        names = COMMANDS
    args = parser(names).parse_args(given)
    if args.command is None:
        _screen()
        from benchapp.cli.window import run as open_window  # Qt only when a window is wanted

        return open_window(args)
    status: int = args.run(args)
    return status


def _leave_stdout() -> None:
    """Let what could not be written be forgotten, or the interpreter's end would complain of it once more."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
